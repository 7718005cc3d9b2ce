"""What is read at most: bytes, rows, columns, characters of a cell, seconds. Past a bound stands a sentence.

The bounds lie far beyond a clinic's year and within what a usual computer holds. They are stated once, here.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

from toolkit.errors import ExportError

MOST_BYTES = 2_000_000_000
MOST_UNPACKED = 1_500_000_000
MOST_PLAIN = 50_000_000
"""Bytes of a small table: a replication's data, a reliability study, a paper's printed numbers."""
MOST_ROWS = 20_000_000
MOST_COLUMNS = 1_000
MOST_CELLS = 60_000_000
"""Of a workbook's sheet, empty ones between the first and the last included."""
LONGEST_CELL = 1_000_000
"""Characters; a spreadsheet's cell holds 32,767."""
MOST_SECONDS = 900.0
MOST_FILES = 1_000


def check_file(path: Path) -> None:
    """Refuse what is there and no ordinary file: a pipe or a device may never end."""
    if path.exists() and not path.is_file():
        what = "a folder" if path.is_dir() else "a pipe or a device, no ordinary file"
        raise ExportError(f"{path.name}: this is {what}. Name a file; save what the pipe gives as a file first.")


def check_bytes(size: int, *, file: str, most: int = MOST_BYTES) -> None:
    """Refuse a file of too many bytes before it is read."""
    if size > most:
        raise ExportError(f"{file}: {size / 1e9:.1f} GB; at most {most / 1e9:g} GB are read. Split it, say by month.")


def check_shape(rows: int, columns: int, *, file: str) -> None:
    """Refuse a table of too many rows or columns."""
    if columns > MOST_COLUMNS:
        raise ExportError(
            f"{file}: {columns:,} columns were found; an export of sessions has at most {MOST_COLUMNS:,}. "
            "Keep only the columns that describe the session and its readings."
        )
    if rows > MOST_ROWS:
        raise ExportError(f"{file}: {rows:,} rows; at most {MOST_ROWS:,} are read. Split the export, say by month.")


def check_area(rows: int, columns: int, *, file: str) -> None:
    """Refuse a sheet whose used area is too large to lay out, for example with one stray cell at its far corner."""
    if rows * columns > MOST_CELLS:
        raise ExportError(
            f"{file}: the sheet's used area is {rows:,} rows by {columns:,} columns. Delete stray cells far outside "
            "the table, or save the sheet as CSV."
        )


def check_cells(longest: int, *, file: str, column: str) -> None:
    """Refuse a column whose longest cell has too many characters."""
    if longest > LONGEST_CELL:
        raise ExportError(
            f'{file}, column "{column}": a cell holds {longest:,} characters; at most {LONGEST_CELL:,} are read. '
            "Shorten it, or look whether a quotation mark is missing."
        )


@dataclass(frozen=True)
class Clock:
    """How long one file may take; asked between the steps of reading it."""

    file: str
    most: float = MOST_SECONDS
    began: float = field(default_factory=time.monotonic)

    def check(self) -> None:
        """Stop where the time is over."""
        if time.monotonic() - self.began > self.most:
            raise ExportError(
                f"{self.file}: reading took more than {self.most:.0f} seconds and was stopped. Split the export, "
                "say by month, or save it as Parquet."
            )
