"""A sheet as it lies on the screen: cells with their types and merged ranges, before anything is looked for in it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from toolkit.records.dates import looks_like_dates
from toolkit.records.lexicon import language_of
from toolkit.records.texts import cell_text, clean_text

_NUMBER_LIKE = re.compile(
    r"^(?:[~≈≥≤<>=±]{1,2}\s?|ca?\.\s?|ca\s)?[+\-−]?\d+(?:[.,]\d+)?\s*(?:-|–|to|/|\||→|[-=]?>)?\s*(?:\d+(?:[.,]\d+)?)?\s*"
    r"(?:°|º|%|\*+|[?!+]|deg|grad|cm|mm|kg|kgf|lbs?|n|kpa|s|sec|/\s*10)?\s*(?:\(.*\))?\*?$",
    re.IGNORECASE,
)
_LANGUAGE_ROWS = 60
_MOST_WIDE = 5_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """The cells of one sheet, row by row ("" = empty), and its merged ranges as (top, left, bottom, right) from 0.

    `turned` is True for a sheet whose rows and columns were exchanged: its row numbers are the sheet's columns.
    """

    file: str
    sheet: str
    cells: list[list[Any]]
    merges: tuple[tuple[int, int, int, int], ...] = ()
    turned: bool = False
    hidden: bool = False
    language: str = ""
    spanned: dict[tuple[int, int], tuple[int, int, int, int]] = field(default_factory=dict, repr=False)

    @cached_property
    def wide(self) -> tuple[tuple[int, int, int, int], ...]:
        """The merged ranges over several columns, as headers have them; the first thousands of them."""
        return tuple(one for one in self.merges if one[3] > one[1])[:_MOST_WIDE]

    @property
    def height(self) -> int:
        """The number of rows."""
        return len(self.cells)

    @property
    def width(self) -> int:
        """The number of columns."""
        return len(self.cells[0]) if self.cells else 0

    def texts(self, row: int, columns: Iterable[int] | None = None) -> dict[int, str]:
        """column → text of the filled cells of a row."""
        line = self.cells[row]
        places = range(len(line)) if columns is None else columns
        return {place: text for place in places if line[place] not in ("", None) and (text := shown(line[place]))}


def make_grid(
    rows: Sequence[Sequence[Any]], *, file: str, sheet: str = "", merges: Sequence[Any] = (), hidden: bool = False
) -> Grid:
    """A grid with rows of equal length, its language found from its own words.

    Args:
        rows: the cells, row by row.
        file: the file's name.
        sheet: the sheet's name, "" for a text file.
        merges: ((top, left), (bottom, right)) from 0.
        hidden: True where the workbook hides the sheet.
    """
    width = max((len(row) for row in rows), default=0)
    cells = [list(row) + [""] * (width - len(row)) for row in rows]
    ranges = _inside(merges, len(cells), width)
    told = language_of(_words_of(cells, sheet))
    spanned = {(top, left): (top, left, bottom, right) for top, left, bottom, right in ranges}
    return Grid(file=file, sheet=sheet, cells=cells, merges=ranges, hidden=hidden, language=told, spanned=spanned)


def _inside(merges: Sequence[Any], height: int, width: int) -> tuple[tuple[int, int, int, int], ...]:
    """The merged ranges as far as they lie inside the cells that are there; a sheet may claim a million empty rows."""
    inside = []
    for (top, left), (bottom, right) in merges:
        if 0 <= top < height and 0 <= left < width and bottom >= top and right >= left:
            inside.append((top, left, min(bottom, height - 1), min(right, width - 1)))
    return tuple(inside)


def turned(grid: Grid) -> Grid:
    """The grid with rows and columns exchanged."""
    cells = [list(column) for column in zip(*grid.cells, strict=True)]
    merges = tuple((left, top, right, bottom) for top, left, bottom, right in grid.merges)
    return Grid(
        file=grid.file,
        sheet=grid.sheet,
        cells=cells,
        merges=merges,
        turned=not grid.turned,
        language=grid.language,
        spanned={(top, left): (top, left, bottom, right) for top, left, bottom, right in merges},
    )


def _words_of(cells: list[list[Any]], sheet: str) -> list[str]:
    """The different texts of the first rows, which tell the language."""
    texts = {sheet: None}
    for row in cells[:_LANGUAGE_ROWS]:
        texts |= {cell: None for cell in row if isinstance(cell, str) and len(cell) > 1}
    return [text for text in texts if text]


def shown(value: Any) -> str:
    """One cell as the text a reader sees."""
    return clean_text(cell_text(value)) if not isinstance(value, str) else clean_text(value)


def is_date(value: Any) -> bool:
    """Whether a cell holds a date, or a text that is one.

    Example:
        >>> is_date(dt.date(2024, 3, 5)), is_date("5.3.2024"), is_date("35")
        (True, True, False)
    """
    return isinstance(value, dt.date) or (isinstance(value, str) and looks_like_dates(value))


def is_number(value: Any) -> bool:
    """Whether a cell holds a number, a date, or a text that is one with a mark or unit ("35*", "4,5 cm", "5 Feb 24").

    Example:
        >>> is_number("35*"), is_number("8,5"), is_number("Rot L pre"), is_number("18.01.24"), is_number("C2")
        (True, True, False, True, False)
    """
    if isinstance(value, (bool, int, float, dt.date, dt.time, dt.timedelta)):
        return True
    if not isinstance(value, str) or not value or len(value) > 60:
        return False
    return any(sign.isdigit() for sign in value) and (
        _NUMBER_LIKE.match(value.strip()) is not None or looks_like_dates(value)
    )
