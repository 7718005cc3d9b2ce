"""The entry sheet as a workbook: drop-downs, warnings for implausible readings, frozen header, protected cells."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.records.codebook import Measure
from toolkit.writing import write_file

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

_OPEN_LISTS = ("client", "region", "intervention")
_READINGS = ("before", "before_2", "after_wait", "after")
_DRAWN = ("session_id", "client", "measure", "measured_side", "unit")
_LINE = 88
_WIDE = {"session_id": 14, "region": 24, "intervention": 24, "order": 17, "measure": 30, "adverse_event": 24}


def save_workbook(
    target: Path,
    *,
    planned: pd.DataFrame,
    empty_rows: int,
    lists: Mapping[str, Sequence[str]],
    measures: Sequence[Measure],
    instructions: Sequence[tuple[str, Sequence[str]]],
    sealed: pd.DataFrame | None = None,
    replace: bool = False,
) -> Path:
    """Write the workbook with the tabs sessions, how to record, and lists; nothing is left half-written.

    Args:
        target: the path to write.
        planned: rows to write into the sessions tab, with the sheet's columns.
        empty_rows: how many rows below are made ready for typing.
        lists: what each drop-down offers, by column.
        measures: for the plausible ranges.
        instructions: (heading, lines) for the second tab.
        sealed: lines of a sealed order, for a tab of their own.
        replace: over a workbook that the toolkit wrote and nobody typed into.

    Raises:
        WritingError: the folder cannot be written to, or the file is somebody's.
    """
    from openpyxl import Workbook

    book = Workbook()
    sessions = book.worksheets[0]
    sessions.title = "sessions"
    last = 1 + len(planned) + empty_rows
    _fill_sessions(sessions, planned, last)
    _fill_instructions(book.create_sheet("how to record"), instructions)
    if sealed is not None:
        _fill_sealed(book.create_sheet("sealed order"), sealed)
    places = _fill_lists(book.create_sheet("lists"), lists, measures)
    columns = list(planned.columns)
    _add_drop_downs(sessions, columns, places, last)
    _add_warnings(sessions, columns, measures, last)
    book.properties.creator = "session-outcomes"
    return write_file(target, book.save, replace=replace)


def _write(sheet: Worksheet, row: int, column: int, value: Any) -> Any:
    """Put a value into a cell; a text that begins like a formula stays a text."""
    cell = sheet.cell(row=row, column=column)
    if isinstance(value, str):
        cell.value = value
        cell.data_type = "s"
    else:
        cell.value = value
    return cell


def _fill_sessions(sheet: Worksheet, planned: pd.DataFrame, last: int) -> None:
    """Header, planned rows and empty rows; the header and what was drawn are protected, the rest is for typing."""
    from openpyxl.styles import Alignment, Border, Font, Protection, Side
    from openpyxl.utils import get_column_letter

    line = Border(bottom=Side(style="thin"))
    for place, name in enumerate(planned.columns, 1):
        cell = _write(sheet, 1, place, name)
        cell.font, cell.border, cell.alignment = Font(bold=True), line, Alignment(wrap_text=True, vertical="top")
        sheet.column_dimensions[get_column_letter(place)].width = _WIDE.get(name, 13)
    open_cell = Protection(locked=False)
    for row in range(2, last + 1):
        drawn = planned.iloc[row - 2] if row - 2 < len(planned) else None
        for place, name in enumerate(planned.columns, 1):
            value = "" if drawn is None else drawn[name]
            cell = _write(sheet, row, place, value) if value != "" else sheet.cell(row=row, column=place)
            if drawn is None or name not in _DRAWN:
                cell.protection = open_cell
            if name == "date":
                cell.number_format = "yyyy-mm-dd"
    sheet.freeze_panes = "C2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    _fit_to_pages(sheet, across=2)
    protection = sheet.protection
    protection.sheet = True
    protection.formatColumns = protection.formatRows = protection.deleteRows = protection.autoFilter = False
    protection.sort = False


def _fill_instructions(sheet: Worksheet, instructions: Sequence[tuple[str, Sequence[str]]]) -> None:
    """The second tab: headings in bold, one line a row; its first row stays empty, as in `_fill_lists`."""
    from openpyxl.styles import Alignment, Font

    row = 2
    for heading, lines in instructions:
        _write(sheet, row, 1, heading).font = Font(bold=True, size=13)
        for line in lines:
            row += 1
            _write(sheet, row, 1, line).alignment = Alignment(wrap_text=True, vertical="top")
            sheet.row_dimensions[row].height = 15 * math.ceil(len(line) / _LINE)
        row += 2
    sheet.column_dimensions["A"].width = 74
    sheet.protection.sheet = True
    _fit_to_pages(sheet, across=1)


def _fill_sealed(sheet: Worksheet, sealed: pd.DataFrame) -> None:
    """The tab of sealed lines: whose key it is opens one line at the start of each session; its first row is empty."""
    from openpyxl.styles import Font

    _write(sheet, 2, 1, "Sealed order: one line is opened at the start of its session (open-order).").font = Font(
        bold=True
    )
    for place, name in enumerate(sealed.columns, 1):
        for row, value in enumerate([name, *sealed[name].tolist()], 4):
            _write(sheet, row, place, value)
    sheet.column_dimensions["D"].width = 110
    sheet.protection.sheet = True


def _fit_to_pages(sheet: Worksheet, *, across: int) -> None:
    """Print the sheet `across` pages wide and as many high as it takes."""
    from openpyxl.worksheet.properties import PageSetupProperties

    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = across, 0


def _fill_lists(sheet: Worksheet, lists: Mapping[str, Sequence[str]], measures: Sequence[Measure]) -> dict[str, str]:
    """The tab of what the drop-downs offer; returns each list's cell range. Columns A to D hold the measures' ranges.

    The first row stays empty, so that the tab is never taken for a sheet of sessions.
    """
    from openpyxl.utils import get_column_letter

    for place, name in enumerate(("measures", "low", "high", "kind"), 1):
        _write(sheet, 2, place, name)
    for row, measure in enumerate(measures, 3):
        for place, value in enumerate((measure.name, measure.low, measure.high, measure.kind), 1):
            _write(sheet, row, place, value)
    places = {}
    for place, (name, offered) in enumerate(lists.items(), 5):
        _write(sheet, 2, place, name)
        for row, value in enumerate(offered, 3):
            _write(sheet, row, place, value)
        if offered:
            letter = get_column_letter(place)
            places[name] = f"lists!${letter}$3:${letter}${len(offered) + 2}"
    sheet.protection.sheet = True
    sheet.sheet_state = "hidden"
    return places


def _add_drop_downs(sheet: Worksheet, columns: Sequence[str], places: Mapping[str, str], last: int) -> None:
    """A drop-down for every listed column; client, region and intervention also take what is not listed."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for name, cells in places.items():
        letter = get_column_letter(columns.index(name) + 1)
        rule = DataValidation(type="list", formula1=cells, allow_blank=True, showErrorMessage=True)
        rule.errorStyle = "warning" if name in _OPEN_LISTS else "stop"
        rule.errorTitle = name
        rule.error = (
            "This is not in the list. Keep it only if it is meant, for example several joined with +."
            if name in _OPEN_LISTS
            else "Choose from the list."
        )
        rule.add(f"{letter}2:{letter}{max(last, 2)}")
        sheet.add_data_validation(rule)


def _add_warnings(sheet: Worksheet, columns: Sequence[str], measures: Sequence[Measure], last: int) -> None:
    """Warn at readings outside the measure's plausible range, at words for numbers, at dates that are none."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    of = {name: get_column_letter(place) for place, name in enumerate(columns, 1)}
    table, end = f"lists!$A$3:$D${len(measures) + 2}", max(last, 2)
    for name in _READINGS:
        cell, measure = f"{of[name]}2", f"${of['measure']}2"
        kind, low, high = (f"VLOOKUP({measure},{table},{place},FALSE)" for place in (4, 2, 3))
        rule = DataValidation(
            type="custom",
            formula1=(
                f'IF({kind}="sign",OR({cell}="yes",{cell}="no"),AND(ISNUMBER({cell}),{cell}>={low},{cell}<={high}))'
            ),
            allow_blank=True,
            showErrorMessage=True,
            errorStyle="warning",
            errorTitle="Not plausible",
            error="This is outside the plausible range of the measure (or no number; signs are yes or no). Look again.",
        )
        rule.add(f"{cell}:{of[name]}{end}")
        sheet.add_data_validation(rule)
    dates = DataValidation(type="date", operator="between", formula1="36526", formula2="73050", allow_blank=True)
    comfort = DataValidation(type="decimal", operator="between", formula1="0", formula2="10", allow_blank=True)
    for name, rule, said in (("date", dates, "A date, as 2026-03-04."), ("comfort", comfort, "A number from 0 to 10.")):
        rule.showErrorMessage, rule.errorStyle, rule.errorTitle, rule.error = True, "warning", name, said
        rule.add(f"{of[name]}2:{of[name]}{end}")
        sheet.add_data_validation(rule)
