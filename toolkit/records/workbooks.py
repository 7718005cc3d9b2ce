"""Workbooks (XLSX, XLS, ODS): bounded before they are opened; cells as a reader sees them, formulas by saved values."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from toolkit.errors import ExportError
from toolkit.records.grid import Grid, make_grid
from toolkit.records.workbook_guard import measured_archive

_EMPTY_FORMULA = re.compile(
    rb'<c r="([A-Z]{1,3})(\d{1,7})"[^>]{0,200}>\s{0,9}<f[^>]{0,200}?(?:/>|>[^<]{0,9000}</f>)'
    rb"\s{0,9}(?:<v\s{0,9}/>|<v>\s{0,9}</v>)?\s{0,9}</c>"
)
NO_VALUE = "=formula"
"""The text of a cell whose formula was saved without a value."""


def read_grids(path: Path, data: bytes, *, settings: Mapping[str, Any]) -> list[Grid]:
    """The sheets of a workbook (XLSX, XLS, ODS) as grids, formulas by their saved values.

    Args:
        path: for the file's name.
        data: the file's bytes.
        settings: `sheet` names the one sheet to read.

    Raises:
        ExportError: no workbook, a damaged, protected or oversized one.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    formulas: dict[int, set[tuple[int, int]]] = {}
    if data.startswith(b"PK"):
        measured = measured_archive(data, file=path.name)
        data, formulas = measured.data, _formulas_by_sheet(measured.sheets)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        names = _sheet_names(book.sheet_names, settings, file=path.name)
        sheets = {name: book.get_sheet_by_name(name) for name in names}
        found = {name: sheet.to_python(skip_empty_area=False) for name, sheet in sheets.items()}
        merges = {name: _merges_of(sheet) for name, sheet in sheets.items()}
        hidden = {sheet.name for sheet in book.sheets_metadata if str(sheet.visible) != "SheetVisibleEnum.Visible"}
    except (CalamineError, OSError, ValueError) as fault:
        raise _damaged(fault, data, file=path.name) from None
    grids = []
    for number, (name, rows) in enumerate(found.items(), start=1):
        blank = formulas.get(number, set()) if len(names) == len(book.sheet_names) else set().union(*formulas.values())
        for row, column in blank:
            if row < len(rows) and column < len(rows[row]) and rows[row][column] in ("", None):
                rows[row][column] = NO_VALUE
        grids.append(make_grid(rows, file=path.name, sheet=name, merges=merges[name], hidden=name in hidden))
    return grids


def _merges_of(sheet: Any) -> list[Any]:
    """The merged ranges of a sheet; none where the format does not tell them."""
    try:
        return list(sheet.merged_cell_ranges or ())
    except Exception:  # calamine raises its own kinds by format; a sheet without merges is read all the same
        return []


def _damaged(fault: Exception, data: bytes, *, file: str) -> ExportError:
    """The error for a workbook that cannot be opened."""
    if not data.startswith(b"PK"):
        return ExportError(
            f"{file}: a workbook protected by a password, or no workbook at all ({fault}). Open it, remove the "
            "password and save it as XLSX or CSV."
        )
    return ExportError(f"{file}: the workbook is damaged ({fault}). Open it and save it again.")


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
