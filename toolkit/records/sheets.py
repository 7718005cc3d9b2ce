"""A raw table under the toolkit's field names: what a mapping makes of a file, before any word is understood."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.ledger import Ledger, Why
from toolkit.records.lexicon import words_of_language
from toolkit.records.mapping import COUNTED, DETAILS, READING_FIELDS, WHAT, WHO, Mapping
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import constant, listed, plain
from toolkit.records.values import taken_cells

NOT_STATED = "not stated"
CONTEXT = (*WHO, *COUNTED, *WHAT, *DETAILS)
_NEEDED = ("client",)


def reading_headers(mapping: Mapping) -> list[str]:
    """The headers of the columns that hold readings."""
    if mapping.readings:
        return [one.column for one in mapping.readings]
    names = READING_FIELDS if mapping.layout == "wide" else ("value",)
    return [mapping.fields[name] for name in names if name in mapping.fields]


def sheet_of(table: RawTable, mapping: Mapping, ledger: Ledger) -> pd.DataFrame:
    """The table's rows with columns file, row, readings and every context field, and its reading columns as they are.

    A field that is not in the table is an empty column. Lines that could not be split are set aside here.

    Raises:
        ExportError: a header the mapping names is not there, or a needed field has no column.
    """
    _check_headers(table, mapping)
    _check_fields(table, mapping)
    length = len(table.cells)
    headers = reading_headers(mapping)
    words = words_of_language(mapping.language)
    readings = np.zeros(length, dtype=np.int64)
    for header in headers:
        column = table.cells[header]
        readings += taken_cells(column, missing=mapping.missing, marks=mapping.words_for("marks"), words=words)
    columns: dict[str, Any] = {
        "file": constant(table.file, length),
        "row": table.rows.astype(np.int64),
        "readings": readings,
    }
    for name in (*CONTEXT, *(("phase", "reading") if mapping.layout == "long" else ())):
        columns[name] = _field(table, mapping, name, length)
    if not {"intervention"} & {*mapping.fields, *mapping.constants}:
        columns["intervention"] = constant(NOT_STATED, length)
        what = (
            'no column says what was done: taken as "not stated"; [constants] intervention = "massage" says it for all'
        )
        ledger.flag_file(table.file, column="intervention", what=what)
    columns |= {f"cell:{header}": table.cells[header].array for header in headers}
    _set_broken_aside(table, ledger)
    _set_lines_aside(table, ledger)
    return pd.DataFrame(columns, copy=False)


def _field(table: RawTable, mapping: Mapping, name: str, length: int) -> Any:
    """One field's texts: its column, the constant given for it, or nothing."""
    if name == "time_of_day" and name not in mapping.fields:  # a date may say the hour too
        name = "date"
    if name in mapping.fields:
        return table.cells[mapping.fields[name]].array
    return constant(mapping.constants.get(name, ""), length)


def _check_headers(table: RawTable, mapping: Mapping) -> None:
    """Every header the mapping names must stand in the table."""
    named = [*mapping.fields.values(), *(one.column for one in mapping.readings)]
    if lost := [header for header in named if header not in table.cells.columns]:
        raise ExportError(
            f"{table.file}: columns.toml names {listed(lost)}, but the file has no such column. "
            f"Its columns are {listed(table.cells.columns, most=40)}."
        )


def _check_fields(table: RawTable, mapping: Mapping) -> None:
    """Client, intervention, a date or day, and readings must be known from a column or a constant."""
    known = {*mapping.fields, *mapping.constants}
    lost = [name for name in _NEEDED if name not in known]
    if not known & {"date", "day", "visit"}:
        lost.append("date (or day, or the number of the visit)")
    by_row = any(one.measure == "measure" for one in mapping.readings)
    if (not mapping.readings or by_row) and "measure" not in known:
        lost.append("measure")
    if not reading_headers(mapping):
        lost.append("before and after (or phase and value, or [[readings]])")
    elif mapping.layout == "long" and "phase" not in known:
        lost.append("phase")
    if lost and (pairs := [question.text for question in mapping.asked if question.kind == "pairs"]):
        raise ExportError(f"{table.file}: {pairs[0]}. The command columns asks it and writes the file.")
    if lost:
        raise ExportError(
            f"{table.file}: no column was found for {', '.join(lost)}. Found: {listed(table.cells.columns, most=40)}. "
            f"Write a columns.toml beside the export that says which column it is, for example {_example(lost[0])}, "
            f"or that it is the same for every row: [constants] {_example(lost[0])}."
        )


def _example(name: str) -> str:
    """An example line of columns.toml for a field."""
    field = plain(name).split(" ")[0]
    header = {
        "client": "Patient code",
        "intervention": "Technique",
        "date": "Visit",
        "measure": "Test",
        "phase": "When",
    }
    return f'{field} = "{header.get(field, "Pre")}"'


def _set_lines_aside(table: RawTable, ledger: Ledger) -> None:
    """Lines of averages, totals or one text: no sessions, and counted as what they are."""
    for what, lines in table.others.groupby("what", sort=False):
        where = pd.DataFrame({"file": table.file, "row": lines["row"].astype("int64"), "readings": 0})
        why = Why(column="(whole row)", reason=f"{what}, no session", remedy="nothing to do")
        ledger.note(where, why=why, value=lines["value"].to_numpy(dtype=object))


def _set_broken_aside(table: RawTable, ledger: Ledger) -> None:
    """Lines that do not fit the header: set aside with the number of cells found and expected."""
    found = table.broken["found"].to_numpy(dtype=np.int64)
    expected = len(table.cells.columns) if not len(found) else int(table.broken["expected"].iloc[0])
    for count in np.unique(found).tolist():
        rows = table.broken.loc[found == count, "row"].to_numpy(dtype=np.int64)
        where = pd.DataFrame({"file": table.file, "row": rows, "readings": 0})
        more = "more" if count > expected else "fewer"
        why = Why(
            column="(whole row)",
            reason=f"{count} cells were found where {expected} were expected",
            remedy=f"{more} cells than the header: put a text that holds the separator into quotation marks",
        )
        ledger.note(where, why=why)
