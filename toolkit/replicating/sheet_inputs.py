"""The printed summary figures of a replication sheet, as numbers, each checked for what cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toolkit.errors import SheetError
from toolkit.replicating.printed import read_printed
from toolkit.replicating.sheet_problems import Lines, Problem
from toolkit.replicating.summary_possible import percentage_fits, sd_within_scale


def read_inputs(raw: Mapping[str, Any], lines: Lines, problems: list[Problem]) -> dict[str, dict[str, Any]]:
    """The printed summary figures as numbers, each checked for what cannot be."""
    inputs: dict[str, dict[str, Any]] = {}
    for group, entries in raw.get("inputs", {}).items():
        header = f"[inputs.{group}]"
        numbers: dict[str, Any] = {}
        half_digits: dict[str, float] = {}
        for key, value in entries.items():
            try:
                numbers[key] = _number(value)
                if isinstance(value, str):
                    half_digits[key] = read_printed(value).last_digit / 2
            except SheetError as problem:
                problems.append(Problem(line=lines.of(header, key), what=str(problem), remedy="correct the figure"))
        inputs[group] = {**numbers, "half_digits": half_digits}
        for key, what, remedy in _impossible(entries, numbers):
            problems.append(Problem(line=lines.of(header, key), what=what, remedy=remedy))
    return inputs


def _number(value: Any) -> float:
    """A summary figure, printed in quotation marks or as a plain number."""
    if isinstance(value, str):
        return read_printed(value).value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SheetError(f"{value!r} is not one number")
    return value


def _impossible(entries: Mapping[str, Any], numbers: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """What cannot be among one group's summary figures: (key, what, remedy)."""
    found = []
    n = numbers.get("n")
    again = (
        "compare with the paper; if it stands there, leave the figure out and report it as a check of summary figures"
    )
    for key, value in numbers.items():
        if key.startswith("sd") and value <= 0:
            found.append((key, f"an SD of {entries[key]} is impossible for readings that differ", again))
        elif key.startswith("sd") and n and {"scale_low", "scale_high"} <= numbers.keys():
            mean = numbers.get(key.replace("sd", "mean", 1))
            check = sd_within_scale(value, n=int(n), low=numbers["scale_low"], high=numbers["scale_high"], mean=mean)
            if not check.possible:
                found.append((key, f"an SD of {entries[key]} is impossible: {check.sentence()}", again))
        elif key.startswith("percent") and n:
            fits = percentage_fits(str(entries[key]), n=int(n))
            if not fits.possible:
                found.append((key, f"{entries[key]} % does not fit n = {n}: {fits.sentence()}", again))
        elif key == "p" and value == 0:
            found.append((key, "a p-value of 0 is not possible", 'write a limit as printed, for example "<0.001"'))
    return found
