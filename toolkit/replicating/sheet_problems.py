"""What is wrong in a replication sheet, where, and what to do: collected, then said all at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating.step_functions import same_value


@dataclass(frozen=True, kw_only=True)
class Problem:
    line: int
    what: str
    remedy: str


class Lines:
    """Finds the line on which a key of a TOML table stands, so that an error can name it."""

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()

    def of(self, header: str, key: str = "", *, nth: int = 0) -> int:
        """Line of `key` under the nth `header` ("[data]", "[[figure]]"), or of the header itself."""
        starts = [i for i, line in enumerate(self._lines) if line.split("#")[0].strip() == header] if header else [-1]
        if nth >= len(starts):
            return 1
        start = starts[nth]
        for i in range(start + 1, len(self._lines)):
            if self._lines[i].lstrip().startswith("["):
                break
            if key and re.match(rf"\s*\"?{re.escape(key)}\"?\s*=", self._lines[i]):
                return i + 1
        return max(start, 0) + 1


def stop_if_any(path: Path, problems: list[Problem]) -> None:
    if problems:
        listed = "\n".join(f"{path.name}, line {p.line}: {p.what}. What to do: {p.remedy}." for p in problems)
        raise SheetError(listed)


def unknown_keys(table: Mapping[str, Any], known: set[str], lines: Lines, header: str, nth: int) -> list[Problem]:
    return [
        Problem(
            line=lines.of(header, key, nth=nth),
            what=f'"{key}" is not a word of the sheet',
            remedy=f"use one of: {', '.join(sorted(known))}",
        )
        for key in table
        if key not in known
    ]


def no_column(frame: pd.DataFrame, name: str, line: int) -> Problem:
    return Problem(
        line=line, what=f'the data have no column "{name}"', remedy=f"use one of: {', '.join(map(str, frame.columns))}"
    )


def check_reshaping(
    frame: pd.DataFrame,
    part: Mapping[str, Any],
    lines: Lines,
    problems: list[Problem],
    *,
    header: str = "[data]",
    nth: int = 0,
) -> None:
    """Note what in `keep`, `repeat_by`, `stack` and `steps` these data cannot follow."""

    def wrong(key: str, what: str, remedy: str) -> None:
        problems.append(Problem(line=lines.of(header, key, nth=nth), what=what, remedy=remedy))

    steps = part.get("steps", [])
    if not isinstance(steps, list) or not all(isinstance(step, dict) for step in steps):
        wrong("steps", '"steps" is no list of tables', 'write steps = [{do = "keep", column = "…", is = "…"}]')
        return

    keep, stack, counts = part.get("keep", {}), part.get("stack", {}), part.get("repeat_by")
    if not isinstance(keep, dict) or not isinstance(stack, dict):
        key = "keep" if not isinstance(keep, dict) else "stack"
        wrong(key, f'"{key}" is no table', f'write {key} = {{column = "value"}}, see replicate --format')
        return
    if counts is not None and not isinstance(counts, str):
        wrong("repeat_by", '"repeat_by" names no column', "give its name in quotation marks")
        return
    columns, labels = stack.get("columns", []), stack.get("labels")
    plan = [columns, stack.get("into"), stack.get("label")]
    if stack and not (isinstance(columns, list) and columns and all(isinstance(name, str) for name in plan[1:])):
        wrong("stack", '"stack" is not complete', 'write {columns = […], into = "…", label = "…"}')
        return
    if labels is not None and (not isinstance(labels, list) or len(labels) != len(columns)):
        wrong("stack", '"labels" has not one label a column', "give as many labels as columns")
    for key, names in (("keep", list(keep)), ("repeat_by", [] if counts is None else [counts]), ("stack", columns)):
        for name in names:
            if name not in frame.columns:
                problem = no_column(frame, str(name), 0)
                wrong(key, problem.what, problem.remedy)
    for name, value in keep.items():
        if name in frame.columns and not same_value(frame[name], value).any():
            found = ", ".join(map(str, frame[name].drop_duplicates().head(8)))
            wrong("keep", f'no row has {name} = "{value}"', f"use one of: {found}")
    if counts in frame.columns:
        numbers = pd.to_numeric(frame[counts], errors="coerce")
        if not ((numbers >= 0) & (numbers % 1 == 0) & (numbers < 1e6)).all():
            wrong(
                "repeat_by",
                f'"{counts}" holds something that is no count',
                "counts are whole numbers below a million",
            )
