"""What is wrong in a replication sheet, where, and what to do: collected, then said all at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import SheetError


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
