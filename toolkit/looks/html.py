"""Tables that show themselves the same way as text, on a page and in a file, and the page's template."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
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
        return html_table(frame, caption=self.caption)

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


WORDS = (
    ("mixed model", "a way of counting in which a client who came often is still one person"),
    ("half a SEM", "half of what one reading is usually off"),
    ("SEM", "how far one reading usually lies from the true value"),
    ("MDC95", "the smallest change in one client that is more than reading error, 95 times in 100"),
    ("Kenward–Roger", "a correction that keeps intervals honest where clients are few"),
    ("Satterthwaite", "a correction that keeps intervals honest where clients are few"),
    ("95 % interval", "the range of true values that would fit these readings well"),
    (r"\d\d\.\d+ % interval", "wider than the usual 95 %, because several questions or looks share one risk of error"),
    ("Holm", "a correction for asking several questions at once"),
    ("drawn at random", "chance decided, not you or the client"),
    ("codebook", "the toolkit's list of measures, regions and interventions"),
    ("phase", "when a reading was taken: before, after the wait, or after"),
    ("blinded", "the reader did not know what was done"),
)
_MARK = "<!--words-->"


def with_words(page: str) -> str:
    """The page with each hard word explained at the end of the section in which it first stands.

    Example:
        >>> with_words("<p>A mixed model.</p><!--words--><p>A mixed model again.</p><!--words-->").count("one person")
        1
    """
    parts, known = page.split(_MARK), set()
    out = [parts[0]]
    for before, after in itertools.pairwise(parts):
        said = re.sub(r"<(svg|style|head)\b.*?</\1>|<[^>]*>", " ", before, flags=re.DOTALL)
        found = [(m[0], meaning) for word, meaning in WORDS if word not in known and (m := re.search(word, said))]
        known |= {word for word, _ in WORDS if re.search(word, said)}
        lines = "; ".join(f"<strong>{escape(word)}</strong>: {escape(meaning)}" for word, meaning in found)
        out += [f'<p class="words">Words: {lines}.</p>' if lines else "", after]
    return "".join(out)


def write_table(table: ReportTable, folder: Path) -> None:
    """Write a table at full precision as CSV; text that a spreadsheet would run as a formula gets an apostrophe."""
    table_maker(table.full)(folder / f"{table.key}.csv")
