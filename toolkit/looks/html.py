"""Tables that show themselves the same way as text, on a page and in a file, and the page's template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks.words import clean, readable, without_stop
from toolkit.result import html_table
from toolkit.writing import table_maker

if TYPE_CHECKING:
    from jinja2 import Environment


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ReportTable:
    """A table of the report: what a reader sees, and the same rows at full precision for the file.

    `columns` and `rows` are words; the first cell of a row names it. `full` is written to tables/`key`.csv.
    """

    key: str
    caption: str
    columns: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    full: pd.DataFrame = field(default_factory=pd.DataFrame)

    def text(self) -> str:
        """The table as plain text, a line a row, cells divided by a bar.

        Example:
            >>> print(ReportTable(key="n", caption="Counts", columns=("What", "n"), rows=[("clients", "3")]).text())
            Counts
            What | n
            clients | 3
        """
        return "\n".join([self.caption, *(" | ".join(map(_shown, row)) for row in (self.columns, *self.rows))])

    def __str__(self) -> str:
        return self.text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        frame = pd.DataFrame([tuple(map(_shown, row)) for row in self.rows], columns=list(self.columns))
        left = "style='text-align:left;vertical-align:top'"  # a notebook would set words to the right
        page = html_table(frame, caption=self.caption)
        for cell in ("<caption", "<th", "<td"):
            page = page.replace(f"{cell} ", f"{cell} {left} ").replace(f"{cell}>", f"{cell} {left}>")
        return page

    def cells(self) -> list[list[tuple[str, str]]]:
        """Each row as pairs of column name and cell, for pages too narrow for columns."""
        return [list(zip(self.columns, map(_shown, row), strict=True)) for row in self.rows]


def _shown(cell: str) -> str:
    """A cell as it is read: no control characters, one kind of minus sign."""
    return readable(clean(cell))


@dataclass(frozen=True, kw_only=True)
class ReportFigure:
    """A figure of the report, drawn for a page and for a phone, with the words that stand for it."""

    key: str
    title: str
    description: str
    wide: str
    narrow: str
    file: str


def template_environment() -> Environment:
    """The template engine: every value is escaped, a name that does not exist is an error."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    page = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page.filters["without_stop"] = without_stop
    return page


def write_table(table: ReportTable, folder: Path) -> None:
    """Write a table at full precision as CSV; text that a spreadsheet would run as a formula gets an apostrophe."""
    table_maker(table.full)(folder / f"{table.key}.csv")
