"""Workbooks (XLSX): bounded before they are opened; cells as a reader sees them, formulas by their saved values."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.raw_table import RawTable, check_headers
from toolkit.records.texts import cell_text, from_codes
from toolkit.records.workbook_guard import measured_archive

_EMPTY_FORMULA = re.compile(
    rb'<c r="([A-Z]{1,3})(\d{1,7})"[^>]{0,200}>\s{0,9}<f[^>]{0,200}?(?:/>|>[^<]{0,9000}</f>)'
    rb"\s{0,9}(?:<v\s{0,9}/>|<v>\s{0,9}</v>)?\s{0,9}</c>"
)
NO_VALUE = "=formula"
"""The text of a cell whose formula was saved without a value."""


def read_workbook(path: Path, data: bytes, *, sha256: str, settings: Mapping[str, Any]) -> list[RawTable]:
    """The workbook's sheet of records, and every further sheet with the same header.

    Args:
        path: for the file's name.
        data: the file's bytes.
        sha256: the file's hash.
        settings: `sheet` names the one sheet to read, `header_row` the row of its header.

    Raises:
        ExportError: no workbook, a damaged or oversized one, no sheet with a header and rows.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    measured = measured_archive(data, file=path.name)
    formulas = _formulas_by_sheet(measured.sheets)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(measured.data))
        grids = {
            name: book.get_sheet_by_name(name) for name in _sheet_names(book.sheet_names, settings, file=path.name)
        }
        found = {name: sheet.to_python(skip_empty_area=False) for name, sheet in grids.items()}
    except (CalamineError, OSError, ValueError) as fault:
        raise ExportError(f"{path.name}: the workbook is damaged ({fault}). Open it and save it again.") from None
    start = int(settings.get("header_row", 1)) - 1
    tables = []
    for number, (name, grid) in enumerate(found.items(), start=1):
        blank = formulas.get(number, set()) if len(grids) == len(book.sheet_names) else set().union(*formulas.values())
        tables.append(_table(grid, name, path.name, sha256, start, blank))
    return _those_with_the_same_header([table for table in tables if table is not None], list(found), file=path.name)


def _sheet_names(names: list[str], settings: Mapping[str, Any], *, file: str) -> list[str]:
    """The sheets to look at: the one the settings name, else all."""
    wanted = settings.get("sheet")
    if wanted is None:
        return names
    if wanted not in names:
        raise ExportError(f'{file}: there is no sheet "{wanted}". The workbook has: {", ".join(names)}.')
    return [wanted]


def _formulas_by_sheet(sheets: Mapping[str, bytes]) -> dict[int, set[tuple[int, int]]]:
    """By the sheet's number, cells (row, column) with a formula but no value."""
    named = {name: re.fullmatch(r"xl/worksheets/sheet(\d{1,9})\.xml", name) for name in sheets}
    return {int(found[1]): _formulas_without_value(sheets[name]) for name, found in named.items() if found}


def _column_number(letters: bytes) -> int:
    """1 for A, 27 for AA."""
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _formulas_without_value(content: bytes) -> set[tuple[int, int]]:
    """(row, column) from 0 of cells that hold a formula whose result was never saved."""
    if b"<f" not in content:
        return set()
    return {(int(match.group(2)) - 1, _column_number(match.group(1)) - 1) for match in _EMPTY_FORMULA.finditer(content)}


def _table(
    grid: list[list[Any]], name: str, file: str, sha256: str, start: int, formulas: set[tuple[int, int]]
) -> RawTable | None:
    """One sheet as a raw table; None when it has no header with rows below."""
    if len(grid) <= start + 1 or not any(str(cell).strip() for cell in grid[start]):
        return None
    for row, column in formulas:
        if row < len(grid) and column < len(grid[row]) and grid[row][column] in ("", None):
            grid[row][column] = NO_VALUE
    label = f"{file} [{name}]"
    headers = check_headers([cell_text(cell) for cell in grid[start]], file=label)
    body = grid[start + 1 :]
    blank = np.array([all(cell == "" or cell is None for cell in row) for row in body], dtype=bool)
    rows = np.flatnonzero(~blank)
    columns = {header: _column([body[row][place] for row in rows]) for place, header in enumerate(headers)}
    return RawTable(
        file=label,
        sha256=sha256,
        cells=pd.DataFrame(columns),
        rows=rows + start + 2,
        kind="workbook",
        rows_blank=int(blank[: rows.max(initial=-1) + 1].sum()),
    )


def _column(values: list[Any]) -> pd.Categorical:
    """A column of cell values as texts, each distinct value turned once."""
    known: dict[tuple[type, Any], int] = {}
    codes = np.array([known.setdefault((type(value), value), len(known)) for value in values], dtype=np.int64)
    return from_codes(codes, [cell_text(value) for _, value in known])


def _those_with_the_same_header(tables: list[RawTable], names: list[str], *, file: str) -> list[RawTable]:
    """The first sheet with rows and all that share its header; the others are named in its notes."""
    filled = [table for table in tables if len(table.rows)]
    if not filled:
        raise ExportError(
            f"{file}: no sheet has a header in its first row and rows below it (sheets: {', '.join(names)})."
        )
    headers = list(filled[0].cells.columns)
    same = [table for table in filled if list(table.cells.columns) == headers]
    others = [table.file for table in filled if table not in same]
    if len(same) == 1:
        same = [same[0].renamed(file)]
    if others:
        same[0] = same[0].noted(f"not read, as their headers differ: {', '.join(others)}")
    return same
