"""Which questions a sheet leaves open: found in what was understood of it, asked with its own headers and values."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping as Table
from collections.abc import Sequence

import numpy as np

from toolkit.records.checks import near_clients
from toolkit.records.codebook import Codebook
from toolkit.records.dates import day_and_month_told, lacks_year_word, proven_order
from toolkit.records.header_words import read_levels
from toolkit.records.mapping import READING_FIELDS, Mapping, ReadingColumn
from toolkit.records.propose_readings import ROW_MEASURE, Guess, needs_tip
from toolkit.records.questions import (
    Question,
    client_question,
    column_question,
    date_question,
    measure_question,
    order_question,
    pairs_question,
    row_unit_question,
    technique_question,
    tip_question,
    unit_question,
    year_question,
)
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.readings import FORCES, PRESSURES, plausible_units, unit_of_rows
from toolkit.records.surroundings import order_of
from toolkit.records.texts import clean_text, distinct, plain
from toolkit.records.units import UNKNOWN_UNIT
from toolkit.records.values import MISSING_WORDS, Numbers, read_numbers
from toolkit.records.vocabulary import order_words

_NUMBERS = re.compile(r"\d+(?:[.,]\d+)?")
_ASKED_FOR = {"client": "who the client is (a code)", "date": "when it was (a date, or the number of the visit)"}


def questions_of(
    table: RawTable,
    *,
    guesses: Sequence[Guess],
    readings: Sequence[ReadingColumn],
    fields: Table[str, str],
    constants: Table[str, str],
    values: Table[str, Table[str, str]],
    date_order: str,
    year: str,
    codebook: Codebook,
) -> tuple[Question, ...]:
    """What must be asked about a table, the weightiest first.

    Args:
        table: the sheet.
        guesses: every column's guess.
        readings: its columns of readings.
        fields: field → header.
        constants: field → text that holds for every row.
        values: what the legend explains, by field.
        date_order: the order of day and month, "" where nothing proves it.
        year: of dates that name none.
        codebook: measures and their labels.
    """
    known = {*fields, *constants}
    found = [*_columns_lacking(table, guesses, known), *_dates(table, fields, date_order, year)]
    found += _units(guesses, readings, table, codebook)
    if "measure" in fields and "unit" not in known:
        found += units_by_row(table, fields, None, codebook=codebook)
    found += _measures(guesses, codebook)
    found += _pairs(table, codebook)
    found += _orders(table, fields, values)
    if "intervention" not in known and (readings or known & {"before", "value"}):
        found.append(technique_question())
    return (*found, *_clients(table, fields))


def _columns_lacking(table: RawTable, guesses: Sequence[Guess], known: set[str]) -> list[Question]:
    """Which column says who, and when, where none was found."""
    unused = {guess.column: _some(table, guess.column) for guess in guesses if guess.confidence == "unsure"}
    needed = {"client": {"client"}, "date": {"date", "day", "visit"}}
    lacking = [name for name, fields in needed.items() if not known & fields]
    return [column_question(name, _ASKED_FOR[name], unused) for name in lacking if unused]


def _some(table: RawTable, header: str) -> list[str]:
    """A few values of a column."""
    return [clean_text(text) for text in distinct(table.cells[header])[1] if clean_text(text)][:3]


def _dates(table: RawTable, fields: Table[str, str], date_order: str, year: str) -> list[Question]:
    """Day or month first, and the year, where no date says it."""
    if "date" not in fields:
        return []
    header = fields["date"]
    texts = [clean_text(text) for text in distinct(table.cells[header])[1] if clean_text(text)]
    order, example = proven_order(texts)
    if order == "either" and not date_order:
        return [date_question(header, example, day_and_month_told(example))]
    bare = [text for text in texts if lacks_year_word(text)]
    return [year_question(header, bare[0])] if bare and not year else []


def _units(
    guesses: Sequence[Guess], readings: Sequence[ReadingColumn], table: RawTable, codebook: Codebook
) -> list[Question]:
    """Units of forces and pressures that the sheet does not state."""
    found: list[Question] = []
    for measure in dict.fromkeys(one.measure for one in readings if one.measure != ROW_MEASURE):
        ruler = codebook.measure(measure)
        mine = [one.column for one in readings if one.measure == measure]
        unknown = [guess for guess in guesses if guess.column in mine and guess.units]
        if unknown:
            units = list(dict.fromkeys(unit for guess in unknown for unit in guess.units))
            example = next(iter(_some(table, unknown[0].column)), "")
            found.append(unit_question(ruler.label, [guess.column for guess in unknown], units, example=example))
        forces = [one for one in readings if one.measure == measure and needs_tip(one.unit, ruler)]
        if forces:
            found.append(tip_question(ruler.label, [one.column for one in forces], forces[0].unit))
    return found


def units_by_row(
    table: RawTable, fields: Table[str, str], mapping: Mapping | None, *, codebook: Codebook
) -> tuple[Question, ...]:
    """Units of forces and pressures that rows do not state, where more than one is plausible.

    Args:
        table: the sheet.
        fields: field → header.
        mapping: the user's, whose [units] count; None for a sheet that is being understood.
        codebook: measures and their labels.
    """
    fields = {name: header for name, header in fields.items() if header in table.cells}
    headers = [fields[name] for name in (*READING_FIELDS, "value") if name in fields]
    if "measure" not in fields or not headers:
        return ()
    codes, texts = distinct(table.cells[fields["measure"]])
    words = (table.around or Around()).words
    bare = np.ones(len(codes), dtype=bool)
    if "unit" in fields:
        unit_codes, units = distinct(table.cells[fields["unit"]])
        bare = np.array([not clean_text(unit) for unit in units], dtype=bool)[unit_codes]
    found = []
    for place, text in enumerate(texts):
        name = codebook.find_measure(text) or words.find("measure", text)
        rows = bare & (codes == place)
        if not name or codebook.measure(name).unit not in {*FORCES, *PRESSURES} or not rows.any():
            continue
        numbers = [read_numbers(table.cells[header]) for header in headers]
        values = np.concatenate([one.value[rows & ~_told(one)] for one in numbers])
        measure, told = codebook.measure(name), mapping.units.get(name, "") if mapping else ""
        if unit_of_rows(measure, values, told=told) == UNKNOWN_UNIT:
            possible = plausible_units(measure, values[~np.isnan(values)])
            example = f"{values[~np.isnan(values)][0]:g}"
            found.append(row_unit_question(measure.label, name, fields["measure"], possible, example=example))
    return tuple(found)


def _told(numbers: Numbers) -> np.ndarray:
    """True for cells that name a unit beside the number."""
    return np.asarray(numbers.unit.astype(str) != "")


def _measures(guesses: Sequence[Guess], codebook: Codebook) -> list[Question]:
    """Which of several measures a header means."""
    return [
        measure_question(
            guess.column,
            {name: codebook.measure(name).label for name in guess.options},
            side=guess.side or "none",
            phase=guess.told_phase,
            unit=guess.unit,
        )
        for guess in guesses
        if guess.options
    ]


def _pairs(table: RawTable, codebook: Codebook) -> list[Question]:
    """Two readings in one cell, where nothing tells which two."""
    words = (table.around or Around()).words
    movements = {*words.table("movement").values(), *words.table("measure").values()}
    for header in table.pairs:
        told = read_levels(table.parts.get(header, (header,)), words)
        if not (codebook.find_measure(told.rest) or any(move in told.rest for move in movements if move)):
            continue
        example = next((cell for cell in _some(table, header) if len(_NUMBERS.findall(cell)) == 2), "52/58")
        first, second = _NUMBERS.findall(example)
        return [pairs_question([header], (example, first, second), phase=told.phase)]
    return []


def _orders(table: RawTable, fields: Table[str, str], values: Table[str, Table[str, str]]) -> list[Question]:
    """Codes of the order that nothing explains."""
    if "order" not in fields:
        return []
    words = (table.around or Around()).words
    known = {plain(word) for word in (*order_words(), *values.get("order", {}))}
    codes = sorted({clean_text(text) for text in distinct(table.cells[fields["order"]])[1]} - {""})
    unknown = [
        code
        for code in codes
        if plain(code) not in known and not order_of(code, words) and code.casefold() not in MISSING_WORDS
    ]
    return [order_question(fields["order"], unknown)] if unknown else []


def _clients(table: RawTable, fields: Table[str, str]) -> list[Question]:
    """Spellings that may be one client."""
    if "client" not in fields:
        return []
    codes, texts = distinct(table.cells[fields["client"]])
    counts: Counter[str] = Counter()
    for place, count in enumerate(np.bincount(codes, minlength=len(texts)).tolist()):
        counts[clean_text(texts[place])] += count
    groups = near_clients([name for name in counts if name])
    groups = [group for group in groups if len({name.casefold() for name in group}) > 1]
    ordered = [sorted(group, key=lambda name: (-counts[name], len(name))) for group in groups]
    return [client_question(fields["client"], ordered)] if ordered else []
