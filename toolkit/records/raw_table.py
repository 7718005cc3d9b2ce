"""One sheet of an export as it was read: every cell as text, with the row number the user's spreadsheet shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.lexicon import Words, words_of_language
from toolkit.records.texts import clean_text

MOST_COLUMNS = 1000


@dataclass(frozen=True, kw_only=True, eq=False)
class Around:
    """The surroundings of one table.

    `titles` are texts above it, nearest first, then the sheet's and the file's name; `pairs` are (key, value) lines;
    `legend` says what a code or sign means, as the sheet puts it; `language` is the sheet's; `date_orders` has, by
    header, the order of day and month that other tables of the same file prove.
    """

    language: str = "en"
    sheet: str = ""
    titles: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    legend: dict[str, str] = field(default_factory=dict)
    date_orders: dict[str, str] = field(default_factory=dict)
    visit: str = ""
    date: str = ""

    @property
    def words(self) -> Words:
        """The words to read the table with."""
        return words_of_language(self.language)


@dataclass(frozen=True, kw_only=True, eq=False)
class RawTable:
    """Cells as text, not yet understood.

    `cells` has one categorical column of distinct texts per header (missing = ""), `rows` the spreadsheet's row number
    of each line (header = 1), `broken` the lines that could not be split into the header's columns (row, found,
    expected), `rows_blank` the number of empty lines, which are no records. `parts` has the header's levels by column,
    `around` what stands around the table, `others` the lines inside it that are no sessions (row, value, what); `pairs`
    names the columns whose cells hold two readings each, where nothing tells which two.
    """

    file: str
    sha256: str
    cells: pd.DataFrame
    rows: np.ndarray
    kind: str
    encoding: str = ""
    separator: str = ""
    sample: tuple[str, ...] = ()
    rows_blank: int = 0
    broken: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["row", "found", "expected"]))
    notes: tuple[str, ...] = ()
    parts: dict[str, tuple[str, ...]] = field(default_factory=dict)
    around: Around | None = None
    others: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["row", "value", "what"]))
    pairs: tuple[str, ...] = ()

    @property
    def rows_read(self) -> int:
        """How many rows the table holds, the broken ones and those that are no sessions included, blank lines not."""
        return len(self.rows) + len(self.broken) + len(self.others)

    def renamed(self, file: str) -> RawTable:
        """The same table under another file label, where two files share a name."""
        return replace(self, file=file)

    def noted(self, note: str) -> RawTable:
        """The same table with a note for the reader."""
        return replace(self, notes=(*self.notes, note))


def check_headers(headers: Sequence[str], *, file: str) -> list[str]:
    """Headers trimmed; refused when there are too many, none, or one comes twice.

    Raises:
        ExportError: naming the columns.
    """
    names = [clean_text(name) for name in headers]
    while names and not names[-1]:
        names.pop()
    if len(names) > MOST_COLUMNS:
        raise ExportError(
            f"{file}: {len(names)} columns were found; an export of sessions has at most {MOST_COLUMNS}. "
            "Keep only the columns that describe the session and its readings."
        )
    if len(names) > 2 and 0 < sum(map(bool, names)) < len(names) / 2:
        raise ExportError(
            f"{file}, row 1: only {sum(map(bool, names))} of {len(names)} columns have a name. If the header stands in "
            "a later row, write header_row = 2 (or 3 …) into columns.toml beside the export."
        )
    if not any(names):
        raise ExportError(f"{file}, row 1: no header was found. The first row must name the columns.")
    return _named(names, file=file)


def _named(names: list[str], *, file: str) -> list[str]:
    """The header names; an unnamed column gets its letter, a name that comes twice is refused."""
    seen: dict[str, int] = {}
    for place, name in enumerate(names):
        if not name:
            names[place] = name = f"(unnamed column {column_letter(place)})"
        key = " ".join(name.casefold().split())
        if key in seen:
            raise ExportError(
                f'{file}: the column "{name}" stands twice, as columns {column_letter(seen[key])} and '
                f"{column_letter(place)}. Rename or remove one; which of the two counts is not guessed."
            )
        seen[key] = place
    return names


def column_letter(place: int) -> str:
    """The letters a spreadsheet shows above the column at `place` (0 = A).

    Example:
        >>> column_letter(27)
        'AB'
    """
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
