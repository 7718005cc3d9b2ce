"""The printed summary figures of a replication sheet, as numbers, each checked for what cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toolkit.errors import SheetError
from toolkit.replicating.printed import read_printed
from toolkit.replicating.sheet_problems import Lines, Problem
from toolkit.replicating.summary_possible import mean_possible, percentage_fits, sd_within_scale


def read_inputs(
    raw: Mapping[str, Any], lines: Lines, problems: list[Problem], doubts: list[Problem]
) -> dict[str, dict[str, Any]]:
    """The printed summary figures as numbers; what cannot be goes to `doubts`, and the others are used all the same."""
    return {
        group: read_group(f"[inputs.{group}]", entries, lines, problems, doubts)
        for group, entries in raw.get("inputs", {}).items()
    }


def read_group(
    header: str,
    entries: Mapping[str, Any],
    lines: Lines,
    problems: list[Problem],
    doubts: list[Problem],
    *,
    nth: int = 0,
) -> dict[str, Any]:
    """One group of summary figures as numbers, with half a unit of the last digit of each under `half_digits`."""
    numbers: dict[str, Any] = {}
    half_digits: dict[str, float] = {}
    for key, value in entries.items():
        try:
            numbers[key] = _number(value) if not isinstance(value, list) else [_number(one) for one in value]
            if isinstance(value, str):
                half_digits[key] = read_printed(value).last_digit / 2
        except SheetError as problem:
            line = lines.of(header, key, nth=nth)
            problems.append(Problem(line=line, what=str(problem), remedy="correct the figure"))
    for key, what, remedy in _impossible(entries, {k: v for k, v in numbers.items() if not isinstance(v, list)}):
        doubts.append(Problem(line=lines.of(header, key, nth=nth), what=what, remedy=remedy))
    return {**numbers, "half_digits": half_digits}


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
    again = "compare with the paper; if it stands there, say so in the figure's explanation"
    for key, what in _impossible_means(entries, numbers):
        found.append((key, what, again))
    for key, value in numbers.items():
        if key.startswith("sd") and value <= 0:
            found.append((key, f"an SD of {entries[key]} is impossible for readings that differ", again))
        elif key.startswith("sd") and n and {"scale_low", "scale_high"} <= numbers.keys():
            mean = numbers.get(key.replace("sd", "mean", 1))
            ends = {"low": numbers["scale_low"], "high": numbers["scale_high"]}
            if (
                not ends["low"] < ends["high"]
                or n < 2
                or (mean is not None and not ends["low"] <= mean <= ends["high"])
            ):
                continue
            check = sd_within_scale(value, n=int(n), mean=mean, **ends)
            if not check.possible:
                found.append((key, f"an SD of {entries[key]} is impossible: {check.sentence()}", again))
        elif key.startswith("percent") and n:
            fits = percentage_fits(str(entries[key]), n=int(n))
            if not fits.possible:
                found.append((key, f"{entries[key]} % does not fit n = {n}: {fits.sentence()}", again))
        elif key == "p" and value == 0:
            found.append((key, "a p-value of 0 is not possible", 'write a limit as printed, for example "<0.001"'))
    return found


def _impossible_means(entries: Mapping[str, Any], numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Means outside their scale, or that whole-number answers (`items` of them averaged) cannot have."""
    found = []
    n, low, high = numbers.get("n"), numbers.get("scale_low"), numbers.get("scale_high")
    for key, value in numbers.items():
        if not key.startswith("mean") or key.startswith("mean_change"):
            continue
        if (low is not None and value < low) or (high is not None and value > high):
            found.append((key, f"a mean of {entries[key]} lies outside the scale"))
        elif "items" in numbers and n and float(n).is_integer() and n >= 1 and isinstance(entries[key], str):
            check = mean_possible(entries[key], n=int(n), items=int(numbers["items"]))
            if not check.possible:
                found.append((key, f"a mean of {entries[key]} is impossible: {check.sentence()}"))
    return found
