"""Which mapping an export is read with: the toolkit's own header names, else a proposal; what the user says counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from toolkit.errors import ExportError
from toolkit.records.codebook import Codebook
from toolkit.records.field_words import field_of_values
from toolkit.records.mapping import Mapping, named_fields
from toolkit.records.propose import propose_for_table
from toolkit.records.propose_questions import units_by_row
from toolkit.records.propose_readings import ROW_MEASURE
from toolkit.records.questions import Question
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import listed, plain
from toolkit.records.units import UNKNOWN_UNIT


def settle_mapping(
    table: RawTable, *, given: Mapping | None, codebook: Codebook, elsewhere: Iterable[str] = ()
) -> Mapping:
    """The mapping for a table, with its layout settled.

    Args:
        table: the raw table.
        given: the user's mapping; what it leaves out is understood from headers and values.
        codebook: measures, to check those the mapping names.
        elsewhere: headers of the file's other tables, which the user's mapping may name too.

    Raises:
        ExportError: no layout fits; the message says what was found and what to write.
    """
    named = named_fields(table, taken=given)
    if given is None:
        if not _is_enough(named):
            return propose_for_table(table, codebook=codebook).mapping
        mapping = Mapping(fields=named)
    else:
        _check_measures(given, codebook)
        here = _here(given, table, set(elsewhere))
        known = {*named, *here.fields, *here.constants}
        if _is_enough(dict.fromkeys(known, "")) or (here.readings and {"client", "intervention"} <= known):
            mapping = replace(here, fields={**named, **here.fields})
        else:
            return _added(here, propose_for_table(table, codebook=codebook).mapping, table)
    layout = mapping.layout or _layout_of(mapping)
    mapping = _with_clock(table, mapping, codebook)
    asked = units_by_row(table, mapping.fields, mapping, codebook=codebook)
    return replace(mapping, layout=layout, ignored=_unused(table, mapping), asked=asked)


def _with_clock(table: RawTable, mapping: Mapping, codebook: Codebook) -> Mapping:
    """The mapping with the one unused column of clock times, if there is one, as the time of day."""
    unused = _unused(table, mapping)
    clocks = [name for name in unused if field_of_values(table.cells[name], codebook) == "time_of_day"]
    if "time_of_day" in mapping.fields or len(clocks) != 1 or clocks[0] in mapping.ignored:
        return mapping
    return replace(mapping, fields={**mapping.fields, "time_of_day": clocks[0]})


def _here(given: Mapping, table: RawTable, elsewhere: set[str]) -> Mapping:
    """The user's mapping without the headers that belong to another table of the same file."""
    headers = set(map(str, table.cells.columns))
    gone = {*given.fields.values(), *(one.column for one in given.readings)} - headers
    if not gone & elsewhere:
        return given
    fields = {name: header for name, header in given.fields.items() if header not in gone & elsewhere}
    readings = tuple(one for one in given.readings if one.column not in gone & elsewhere)
    return replace(given, fields=fields, readings=readings)


def _added(given: Mapping, found: Mapping, table: RawTable) -> Mapping:
    """What the user says, and for the rest what was understood."""
    used = {*given.fields.values(), *(one.column for one in given.readings), *given.ignored}
    told = {(one.measure, one.side, one.phase) for one in given.readings}
    fields = {
        name: header for name, header in found.fields.items() if header not in used and name not in given.constants
    }
    fields = {**fields, **given.fields}
    readings = tuple(
        one
        for one in found.readings
        if one.column not in {*used, *given.fields.values()} and (one.measure, one.side, one.phase) not in told
    )
    names = {*given.values, *found.values}
    mapping = replace(
        found,
        fields=fields,
        readings=(*given.readings, *readings),
        constants={**{k: v for k, v in found.constants.items() if k not in fields}, **given.constants},
        values={name: {**found.values.get(name, {}), **given.values.get(name, {})} for name in names},
        date_order=given.date_order or found.date_order,
        year=given.year or found.year,
        units=given.units,
        tip_cm2=given.tip_cm2,
        decimal=given.decimal,
        missing=given.missing,
        settings=given.settings,
        origin=given.origin,
    )
    mapping = replace(mapping, asked=_still_open(found, mapping))
    layout = given.layout or (found.layout if not given.readings and not given.fields else _layout_of(mapping))
    return replace(mapping, layout=layout, ignored=_unused(table, mapping))


def _still_open(found: Mapping, mapping: Mapping) -> tuple[Question, ...]:
    """The questions that the user's mapping does not answer."""
    units = {one.column: one.unit for one in mapping.readings}
    known = {*mapping.fields, *mapping.constants}
    still: dict[str, Callable[[Question], bool]] = {
        "unit": lambda question: (
            any(units.get(column) == UNKNOWN_UNIT for column in question.columns)
            or bool(
                {key.removeprefix("units.") for key in keys_of(question) if key.startswith("units.")} - {*mapping.units}
            )
        ),
        "tip": lambda _: mapping.tip_cm2 is None,
        "pairs": lambda _: "pairs" not in mapping.settings,
        "date_order": lambda _: not mapping.date_order,
        "year": lambda _: not mapping.year,
        "technique": lambda _: "intervention" not in known,
        "measure": lambda question: question.column not in units,
        "column": lambda question: not known & {key for choice in question.choices for key, _ in choice.settings},
    }
    given = {key: {plain(word) for word in words} for key, words in mapping.values.items()}

    def keys_of(question: Question) -> list[str]:
        return [key for choice in question.choices for key, _ in choice.settings]

    def is_open(question: Question) -> bool:
        if question.kind in ("order", "client"):
            keys = [key.split(".", 2) for choice in question.choices for key, _ in choice.settings]
            return not any(plain(word) in given.get(field, set()) for _, field, word in keys)
        return still[question.kind](question)

    return tuple(question for question in found.asked if is_open(question))


def _is_enough(named: dict[str, str]) -> bool:
    """Whether the toolkit's own names cover all that an export needs."""
    has_readings = "before" in named or {"phase", "value"} <= set(named)
    return has_readings and {"client", "intervention", "measure"} <= set(named) and bool({"date", "day"} & set(named))


def _layout_of(mapping: Mapping) -> str:
    """The layout the mapped columns make."""
    if mapping.readings:
        return "long" if all(one.phase == "phase" for one in mapping.readings) else "session_rows"
    if "phase" in mapping.fields and "value" in mapping.fields:
        return "long"
    return "wide"


def _unused(table: RawTable, mapping: Mapping) -> tuple[str, ...]:
    """Headers that no field and no reading uses."""
    used = {*mapping.fields.values(), *(one.column for one in mapping.readings)}
    return tuple(str(header) for header in table.cells.columns if header not in used)


def _check_measures(mapping: Mapping, codebook: Codebook) -> None:
    """The measures that [[readings]] and [units] name must be in the codebook."""
    known = {*codebook.measures["measure"], ROW_MEASURE}
    if lost := sorted({*(one.measure for one in mapping.readings), *mapping.units} - known):
        raise ExportError(
            f"columns.toml: the codebook has no measure {listed(lost)}. Use a codebook name, or extend the codebook."
        )
