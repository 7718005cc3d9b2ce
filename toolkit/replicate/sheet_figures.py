"""One printed figure of a replication sheet: read, and tied to the method and the columns that recompute it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicate.method import Method
from toolkit.replicate.methods import METHODS
from toolkit.replicate.printed import Printed, read_printed
from toolkit.replicate.sheet_problems import Lines, Problem, no_column, unknown_keys

READ_WORDS = ("read", "quoted", "recalled")
_FIGURE = {
    "name", "printed", "where", "read", "read_in", "method", "take", "with", "decimals", "tolerance",
    "tolerance_because", "explanation",
}  # fmt: skip

Wrong = Callable[[str, str, str], None]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One printed figure and the way it is recomputed."""

    name: str
    printed: Printed
    where: str
    read: str
    read_in: str
    method: Method
    take: str
    settings: Mapping[str, Any]
    tolerance: float | None
    tolerance_because: str
    explanation: str
    line: int


def read_figure(
    raw: Mapping[str, Any],
    nth: int,
    entry: Mapping[str, Any],
    data: pd.DataFrame | None,
    inputs: Mapping[str, Mapping[str, Any]],
    lines: Lines,
    problems: list[Problem],
) -> Figure | None:
    """One `[[figure]]`, or None after its problems were noted."""
    before = len(problems)

    def wrong(key: str, what: str, remedy: str) -> None:
        problems.append(Problem(line=lines.of("[[figure]]", key, nth=nth), what=what, remedy=remedy))

    problems += unknown_keys(entry, _FIGURE, lines, "[[figure]]", nth)
    for key in ("name", "where", "method", "take"):
        if not isinstance(entry.get(key), str):
            wrong(key, f'figure {nth + 1} has no "{key}"', f'add {key} = "…"')
    if entry.get("read") not in READ_WORDS:
        wrong("read", "it is not said whether the figure was read", f"read = one of {', '.join(READ_WORDS)}")
    elif entry["read"] == "quoted" and not entry.get("read_in"):
        wrong("read", "a quoted figure needs the place where it was read", 'add read_in = "…"')
    printed = _read_figure_text(entry, wrong)
    method = METHODS.get(entry.get("method", ""))
    if method is None and isinstance(entry.get("method"), str):
        wrong("method", f'there is no method "{entry["method"]}"', f"use one of: {', '.join(sorted(METHODS))}")
    if method is None or printed is None:
        return None
    if entry.get("take") not in method.gives:
        wrong("take", f'{method.name} does not give "{entry.get("take")}"', f"use one of: {', '.join(method.gives)}")
    settings = _settings(method, raw.get("columns", {}), entry.get("with", {}), data, inputs, wrong)
    if "tolerance" in entry and not entry.get("tolerance_because"):
        wrong("tolerance", "a tolerance needs its reason", 'add tolerance_because = "…"')
    if len(problems) > before:
        return None
    return Figure(
        name=entry["name"],
        printed=printed,
        where=entry["where"],
        read=entry["read"],
        read_in=entry.get("read_in", ""),
        method=method,
        take=entry["take"],
        settings=MappingProxyType(settings),
        tolerance=entry.get("tolerance"),
        tolerance_because=entry.get("tolerance_because", ""),
        explanation=entry.get("explanation", ""),
        line=lines.of("[[figure]]", nth=nth),
    )


def _read_figure_text(entry: Mapping[str, Any], wrong: Wrong) -> Printed | None:
    """The printed figure, or None after saying what is wrong with it."""
    text = entry.get("printed")
    if not isinstance(text, str):
        shown = "nothing" if text is None else repr(text)
        wrong(
            "printed",
            f"the printed figure is {shown}, without its decimals",
            'write it in quotation marks as printed, for example "4.060"',
        )
        return None
    try:
        printed = read_printed(text)
    except SheetError as problem:
        wrong("printed", str(problem), "correct the figure")
        return None
    is_p = entry.get("take", "").split("_")[0] == "p"
    if is_p and printed.value == 0 and not printed.side:
        wrong(
            "printed",
            f'a p-value of 0 is not possible, "{text}" is a rounded one',
            'write the limit it stands for, for example "<0.001"',
        )
        return None
    if printed.decimals == 0 and printed.last_digit >= 1 and entry.get("decimals") != 0:
        wrong(
            "printed",
            f'the figure "{text}" has no decimals',
            "give it with the decimals of the paper, or add decimals = 0 where the paper prints a whole number",
        )
        return None
    return printed


def _settings(
    method: Method,
    shared: Mapping[str, Any],
    own: Mapping[str, Any],
    data: pd.DataFrame | None,
    inputs: Mapping[str, Mapping[str, Any]],
    wrong: Wrong,
) -> dict[str, Any]:
    """The method's settings: its defaults, the sheet's columns, the figure's own; each column must be there."""
    known = {*method.columns, *method.settings, *method.groups}
    settings = {**method.settings, **{key: value for key, value in shared.items() if key in known}, **own}
    for key in own:
        if key not in known:
            wrong("with", f'"{key}" is not a setting of {method.name}', f"use one of: {', '.join(sorted(known))}")
    for key in method.columns:
        names = settings.get(key, [])
        names = [names] if isinstance(names, str) else list(names)
        if not names and key not in method.optional:
            wrong(
                "method",
                f'{method.name} needs the column "{key}"',
                f'name it under [columns] or in with = {{{key} = "…"}}',
            )
        for name in names:
            if data is not None and name not in data.columns:
                problem = no_column(data, name, 0)
                wrong("with" if key in own else "method", problem.what, problem.remedy)
    for key in method.groups:
        group = settings.get(key, key)
        if not isinstance(group, str) or group not in inputs:
            wrong("with", f'{method.name} needs the summary figures "{group}"', f"add [inputs.{group}]")
        else:
            settings[key] = dict(inputs[group])
            absent = [name for name in method.groups[key] if name not in inputs[group]]
            if absent:
                wrong("with", f"[inputs.{group}] lacks {', '.join(absent)}", "add them as printed")
    return settings
