"""Separated text (CSV, TSV, semicolons): finds the separator, splits the lines, names the lines that do not fit."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.arrow_texts import encoded, holds_line_breaks
from toolkit.records.raw_table import check_headers
from toolkit.records.texts import clean_text, is_empty

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_LOOK = 200_000
_BLOCK = 4 << 20
_Invalid = tuple[int, int, str]
"""(row, cells found, text) of a line that does not fit the header."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Split:
    """A text split into cells: categorical columns, row numbers, blank and broken lines, the separator's name."""

    cells: pd.DataFrame
    rows: np.ndarray
    rows_blank: int
    broken: pd.DataFrame
    separator: str


def split_text(utf8: bytes, *, file: str, separator: str | None = None, header_row: int = 1) -> Split:
    """Split UTF-8 text into a table of texts.

    Args:
        utf8: the file's text.
        file: its name, for messages.
        separator: "," ";" or tab; found from the text when None.
        header_row: the row that names the columns.

    Raises:
        ExportError: no header, one column only, an endless line, or no line that fits the header.
    """
    told, utf8 = _told_separator(utf8)
    text = _without_lines_above(utf8, header_row - 1)
    if not text[:_LOOK].strip() and not text.strip():
        raise ExportError(f"{file}: the file is empty. Export the sessions again, with a header in the first row.")
    sign = separator or told or _find_separator(text, file=file)
    header = next(csv.reader(io.StringIO(text[:_LOOK].decode("utf-8", errors="ignore"), newline=""), delimiter=sign))
    names = check_headers(header, file=file)
    return _split(text, names, len(header), sign, file=file, first_row=header_row)


def _told_separator(utf8: bytes) -> tuple[str, bytes]:
    """(separator, text below) where a first line "sep=;" tells it, which spreadsheets do not count as a row."""
    found = re.match(rb"sep=([,;\t|])\r?\n", utf8)
    return (found.group(1).decode(), utf8[found.end() :]) if found else ("", utf8)


def find_separator(utf8: bytes, told: str | None = None) -> tuple[str, bytes]:
    """(separator, text) of a text, "" where no sign gives most of the first lines the same number of cells.

    Unlike the straight way it does not ask the first line, which may be a title.

    Args:
        utf8: the file's text.
        told: the separator a columns.toml names.
    """
    said, text = _told_separator(utf8)
    if told or said:
        return told or said, text
    sample = text[:_LOOK].decode("utf-8", errors="ignore")
    scores = {sign: _commonest(sample, sign) for sign in SEPARATORS}
    best = max(scores, key=lambda sign: scores[sign])
    return (best, text) if scores[best][1] > 1 else ("", text)


def _commonest(sample: str, sign: str) -> tuple[float, int]:
    """(share of lines that have the commonest number of cells, that number), (0, 1) where it is one."""
    counts: dict[int, int] = {}
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(sample, newline=""), delimiter=sign)):
            if any(cells):
                counts[len(cells)] = counts.get(len(cells), 0) + 1
            if number == 80:
                break
    except csv.Error:
        pass
    several = {width: count for width, count in counts.items() if width > 1}
    if not several:
        return 0.0, 1
    width = max(several, key=lambda one: (several[one], one))
    return round(several[width] / sum(counts.values()), 1), width


def _without_lines_above(utf8: bytes, count: int) -> bytes:
    """The text without its first `count` lines."""
    for _ in range(count):
        utf8 = utf8.partition(b"\n")[2]
    return utf8


def _find_separator(text: bytes, *, file: str) -> str:
    """The separator that gives the first lines the same number of columns, more than one.

    Each separator is tried on the first lines; the one whose header has most columns among those where most lines
    agree with the header wins.
    """
    sample = text[:_LOOK].decode("utf-8", errors="ignore")
    scores = {sign: _agreement(sample, sign) for sign in SEPARATORS}
    best = max(scores, key=lambda sign: scores[sign])
    if scores[best][1] < 2:
        first = clean_text(sample.partition("\n")[0])[:80]
        raise ExportError(
            f'{file}, row 1: one column was found ("{first}"); expected several, separated by comma, semicolon or tab. '
            "Export the sheet again as CSV or XLSX; if the header stands in a later row, write header_row = 2 (or 3 …) "
            "into columns.toml."
        )
    return best


def _agreement(sample: str, sign: str) -> tuple[float, int]:
    """(share of lines with as many columns as the header, number of columns of the header)."""
    lines: list[int] = []
    try:
        for cells in csv.reader(io.StringIO(sample, newline=""), delimiter=sign):
            if any(cells):
                lines.append(len(cells))
            if len(lines) == 50:
                break
    except csv.Error:
        pass  # an endless line further down: the lines above it tell the separator
    if not lines or lines[0] < 2:
        return (0.0, 1)
    share = sum(count == lines[0] for count in lines) / len(lines)
    return (round(share, 1), lines[0])


def _split(text: bytes, names: list[str], width: int, sign: str, *, file: str, first_row: int) -> Split:
    """Split with pyarrow; lines with too few or too many cells are noted with their row number."""
    from pyarrow import ArrowInvalid

    try:
        columns, invalid = _parse(text, width, sign)
        if any(found > width for _, found, _ in invalid):
            text = _without_surplus(text, width, sign, invalid)
            columns, invalid = _parse(text, width, sign)
    except ArrowInvalid as fault:
        raise _unreadable(text, str(fault), file=file) from None
    if b'"' in text:
        spilled = [(number, line) for number, _, line in invalid]
        _refuse_swallowed_lines(columns, spilled, separator=sign, file=file, first_row=first_row)
    numbers = np.arange(1, len(columns[0]) + len(invalid) + 1)
    kept = np.setdiff1d(numbers, [line[0] for line in invalid], assume_unique=True) if invalid else numbers
    rows = kept[1:] + first_row - 1
    body = []
    while columns:  # what is taken over is let go
        body.append(encoded(columns.pop(0).slice(1)))
    blank = _blank_rows(body)
    if blank.any():
        body, rows = [column[~blank] for column in body], rows[~blank]
    broken = pd.DataFrame(
        [(number + first_row - 1, found, width) for number, found, _ in invalid], columns=["row", "found", "expected"]
    )
    cells = pd.DataFrame(dict(zip(names, body, strict=False)))
    return Split(
        cells=cells, rows=rows, rows_blank=int(blank.sum()), broken=broken, separator=SEPARATORS.get(sign, sign)
    )


def _without_surplus(text: bytes, width: int, sign: str, invalid: list[_Invalid]) -> bytes:
    """The text without the empty cells that some lines have beyond the header's last column: nothing stands there."""
    shortened = {}
    for _, found, line in invalid:
        surplus = sign * (found - width)
        if found > width and line.rstrip(" \r\n").endswith(surplus):
            shortened[line.strip("\r\n").encode()] = line.rstrip(" \r\n")[: -len(surplus)].encode()
    return b"\n".join(shortened.get(line.strip(b"\r"), line) for line in text.split(b"\n"))


def _parse(text: bytes, width: int, sign: str) -> tuple[list[Any], list[_Invalid]]:
    """(columns of Arrow's texts including the header line, lines that do not fit).

    One thread: lines are numbered only when they are read one after the other, and several threads that ask for memory
    at once cost more than they save.
    """
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    invalid: list[_Invalid] = []

    def note(row: Any) -> str:
        invalid.append((row.number, row.actual_columns, row.text))
        return "skip"

    columns = [f"c{place}" for place in range(width)]
    table = arrow_csv.read_csv(
        pa.BufferReader(text),
        read_options=arrow_csv.ReadOptions(use_threads=False, column_names=columns, block_size=_BLOCK),
        parse_options=arrow_csv.ParseOptions(
            delimiter=sign, newlines_in_values=b'"' in text, ignore_empty_lines=False, invalid_row_handler=note
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(columns, pa.string()), strings_can_be_null=False
        ),
    )
    return table.columns, invalid


def _blank_rows(columns: Sequence[pd.Categorical]) -> np.ndarray:
    """True for rows in which every cell is empty."""
    blank = np.ones(len(columns[0]), dtype=bool)
    for column in sorted(columns, key=lambda column: len(column.categories)):
        if not blank.any():
            break
        blank &= is_empty(pd.Series(column), spaces=True)
    return blank


def _unreadable(text: bytes, fault: str, *, file: str) -> ExportError:
    """The error for a text that cannot be split, naming the line with an unclosed quotation mark if there is one."""
    for number, line in enumerate(text.split(b"\n"), start=1):
        if line.count(b'"') % 2:
            return unclosed(file, number)
        if len(line) > _BLOCK:
            return ExportError(
                f"{file}, line {number}: {len(line):,} characters without a line break; expected one row a line. "
                "The file was damaged; export it again."
            )
    return ExportError(f"{file}: the lines cannot be split into cells ({fault}). Export the sheet again as XLSX.")


def _refuse_swallowed_lines(
    columns: Sequence[Any], broken: Sequence[tuple[int, str]], *, separator: str, file: str, first_row: int
) -> None:
    """Refuse a table in which a cell holds line breaks and as many separators as a whole line.

    A comma with a space behind it is taken for prose and does not count.

    Args:
        columns: Arrow's texts with the header line as row 0.
        broken: (row number from 1, text) of lines that do not fit the header.
        separator: the sign between cells.
        file: for the message.
        first_row: the header's row number.

    Raises:
        ExportError: naming the row where the mark is opened.
    """
    from pyarrow import compute

    whole_line = len(columns) - 1
    if whole_line < 2:
        return
    found = [number for number, text in broken if _unspaced(text, separator) >= 2 * whole_line - 1]
    for column in filter(holds_line_breaks, columns):
        several = compute.indices_nonzero(compute.match_substring_regex(column, r"[\n\r]")).to_pylist()
        texts = ((place, column[place].as_py()) for place in several)
        found += [place + 1 for place, text in texts if _unspaced(text, separator) >= whole_line][:1]
    if found:
        raise unclosed(file, min(found) + first_row - 1)


def _unspaced(text: str, separator: str) -> int:
    """How many separators without a space behind them stand in a text of several lines; 0 for one line."""
    return len(re.findall(re.escape(separator) + r"(?! )", text)) if "\n" in text or "\r" in text else 0


def unclosed(file: str, row: int) -> ExportError:
    """The error for a quotation mark that is opened and not closed."""
    return ExportError(
        f'{file}, row {row}: a quotation mark (") is opened and not closed, so that one cell holds the lines below it; '
        "expected one line a row. Remove the mark or close it."
    )
