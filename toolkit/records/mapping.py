"""What each column of an export means: read from a columns.toml, from the header names, or proposed.

client = "Patient code"                 # field = header
date = "Date"
date_order = "day_first"                # day_first, month_first, year_first, spreadsheet_days
year = 2024                             # of dates that name none
tip_cm2 = 1.0                           # area of an algometer's tip, where pressure is written as a force
pairs = "left_right"                    # two readings in one cell: left_right, right_left, before_after
decimal = ","
missing = ["-999"]                      # texts that mean "not taken"
layout = "session_rows"                 # session_rows, wide, long; found when left out

[constants]                             # the same for every row
practitioner = "P1"

[units]                                 # of rows that state none, by measure
grip_strength = "kg"

[values.side]                           # their word = the toolkit's word
L = "left"

[values.marks]                          # signs in the cells of readings
x = "not_taken"                         # not_taken, same (as before), yes, no

[[readings]]                            # session rows: one table a column of readings
column = "Neck side-bend L pre"
measure = "cervical_lateral_flexion"    # or "measure": as the row's column of measures says
side = "left"                           # left, right, both, none, or "treated_side", "measured_side": as the row says
phase = "before"                        # before, before_2, after_wait, after, or "phase": as the row says
unit = "deg"
"""

from __future__ import annotations

import re
from collections.abc import Mapping as Table
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.records.questions import Question
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import listed, plain
from toolkit.records.units import unit_name
from toolkit.safe_text import printable
from toolkit.settings import list_of, one_of, parse_toml, read_text, said, table_of, text_of, whole_number

READING_FIELDS = ("before", "before_2", "after_wait", "after")
WHO = ("session_id", "client", "practitioner", "site", "date", "day")
COUNTED = ("visit",)
WHAT = ("region", "treated_side", "intervention", "order", "measure", "measured_side", "unit")
DETAILS = (
    "examiner",
    "examiner_blinded",
    "side_drawn",
    "comfort",
    "adverse_event",
    "position",
    "tissue_length",
    "head",
    "setting",
    "minutes",
    "time_of_day",
)
LONG_FIELDS = ("phase", "reading", "value")
FIELDS = (*WHO, *COUNTED, *WHAT, *READING_FIELDS, *LONG_FIELDS, *DETAILS)
LOWEST_HEADER = 1000
LAYOUTS = ("session_rows", "wide", "long")
_OF_THE_FILE = ("separator", "header_row", "sheet", "pairs")
_SETTINGS = ("layout", "date_order", "year", "tip_cm2", "decimal", "missing", *_OF_THE_FILE)
_YEARS = re.compile(r"(?:19|20)\d\d(?:\|(?:19|20)\d\d)*")
_CHOICES = {
    "layout": LAYOUTS,
    "date_order": ("day_first", "month_first", "year_first", "spreadsheet_days"),
    "decimal": (",", "."),
    "pairs": ("before_after", "left_right", "right_left"),
}
READING_SIDES = ("left", "right", "both", "none", "treated_side", "measured_side")
MARK_MEANINGS = ("not_taken", "same", "yes", "no")
_SIDE_FIELDS = ("treated_side", "measured_side", "side")


@dataclass(frozen=True, kw_only=True)
class ReadingColumn:
    """One column of readings of a sheet of session rows. An empty unit means the codebook's."""

    column: str
    measure: str
    side: str = "none"
    phase: str = "before"
    unit: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Mapping:
    """What the columns of an export mean.

    `fields` maps a field to the header it stands under, `values` a field to {their word: the toolkit's word};
    `origin` says where the mapping comes from: "columns.toml", "header names" or "proposed"; `language` is the sheet's;
    `year` (of dates that name none) may be several, "2023|2024", where the sheet names two; `units` has, by measure,
    the unit of rows that state none.
    """

    layout: str = ""
    fields: dict[str, str] = field(default_factory=dict)
    readings: tuple[ReadingColumn, ...] = ()
    constants: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    date_order: str = ""
    year: str = ""
    units: dict[str, str] = field(default_factory=dict)
    tip_cm2: float | None = None
    language: str = "en"
    decimal: str = ""
    missing: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)
    ignored: tuple[str, ...] = ()
    asked: tuple[Question, ...] = ()
    origin: str = "header names"

    def table(self) -> pd.DataFrame:
        """One row a column of the export: header, field or measure, side, phase, unit."""
        rows = [{"column": header, "means": name} for name, header in self.fields.items()]
        rows += [{"column": "(every row)", "means": f"{name} = {text}"} for name, text in self.constants.items()]
        rows += [
            {"column": one.column, "means": one.measure, "side": one.side, "phase": one.phase, "unit": one.unit}
            for one in self.readings
        ]
        rows += [{"column": header, "means": "(not used)"} for header in self.ignored]
        names = ("column", "means", "side", "phase", "unit")
        return pd.DataFrame([{name: row.get(name, "") for name in names} for row in rows], columns=list(names))

    def words_for(self, name: str) -> dict[str, str]:
        """The user's own words for a field, as they are compared; `side` serves both side fields."""
        shared = self.values.get("side", {}) if name in _SIDE_FIELDS else {}
        return {plain(word): ours for word, ours in {**shared, **self.values.get(name, {})}.items()}


def read_mapping(source: str | Path | Table[str, Any]) -> Mapping:
    """Read a columns.toml, or a mapping with the same content.

    Raises:
        SheetError: the file is no TOML, or says something the toolkit does not know.

    Example:
        >>> read_mapping({"client": "Patient code", "date_order": "day_first"}).fields
        {'client': 'Patient code'}
    """
    if isinstance(source, (str, Path)):
        content, name = _toml(Path(source)), Path(source).name
    else:
        content, name = dict(source), "columns"
    _refuse_unknown(content, name)
    return Mapping(
        layout=content.get("layout", ""),
        fields={key: str(content[key]) for key in FIELDS if key in content},
        readings=tuple(_reading(entry, place, name) for place, entry in enumerate(content.get("readings", []), 1)),
        constants={key: str(value) for key, value in content.get("constants", {}).items()},
        values={key: {str(a): str(b) for a, b in words.items()} for key, words in content.get("values", {}).items()},
        date_order=content.get("date_order", ""),
        year=str(content.get("year", "")),
        units={key: str(unit_name(unit)) for key, unit in content.get("units", {}).items()},
        tip_cm2=_tip(content.get("tip_cm2"), name),
        decimal=content.get("decimal", ""),
        missing=tuple(str(word) for word in content.get("missing", ())),
        settings={key: content[key] for key in _OF_THE_FILE if key in content},
        ignored=tuple(str(word) for word in content.get("ignore", ())),
        origin="columns.toml",
    )


def find_mapping(file: Path) -> Path | None:
    """The columns.toml beside an export, if there is one."""
    beside = file.parent / "columns.toml"
    return beside if beside.is_file() else None


def _toml(path: Path) -> dict[str, Any]:
    """The content of a TOML file, with faults told in words."""
    example = 'Each line says field = "header", texts in quotation marks, for example client = "Patient code".'
    return parse_toml(read_text(path), name=printable(path.name), example=example)


def _refuse_unknown(content: Table[str, Any], name: str) -> None:
    """Refuse keys, settings and tables the toolkit does not know."""
    known = {*FIELDS, *_SETTINGS, "readings", "constants", "values", "units", "ignore"}
    for key in content:
        if key not in known:
            raise SheetError(f'{name}: "{key}" is not a field or setting. Known: {", ".join(sorted(known))}.')
    for key, choices in _CHOICES.items():
        if key in content:
            one_of(content[key], choices, where=f"{name}: {key}")
    for key in (*FIELDS, "separator", "sheet"):
        if key in content:
            text_of(content[key], where=f"{name}: {key}")
    if "separator" in content and content["separator"] not in (",", ";", "\t", "|"):
        raise SheetError(f'{name}: separator = {said(content["separator"])} must be one of "," ";" "|" or "\\t" (tab).')
    if "header_row" in content:
        whole_number(content["header_row"], where=f"{name}: header_row", low=1, high=LOWEST_HEADER)
    for table in ("constants", "values"):
        for key, value in table_of(content.get(table, {}), where=f"{name}: [{table}]").items():
            if key not in (*FIELDS, "side", *(("marks",) if table == "values" else ())):
                raise SheetError(f'{name}: [{table}] names "{key}", which is not a field. Known: {", ".join(FIELDS)}.')
            if table == "values":
                words = table_of(value, where=f"{name}: [values.{key}]")
                for word, ours in words.items():
                    text_of(ours, where=f"{name}: [values.{key}] {word}")
            else:
                _plain(value, where=f"{name}: [constants] {key}")
    if "year" in content and not _YEARS.fullmatch(str(content["year"])):
        raise SheetError(f'{name}: year = {said(content["year"])} must be a year such as "2024", or two: "2023|2024".')
    for key, value in table_of(content.get("units", {}), where=f"{name}: [units]").items():
        if not unit_name(text_of(value, where=f"{name}: [units] {key}")):
            raise SheetError(
                f'{name}: [units] {key} = {said(value)} is no unit, for example [units] grip_strength = "kg"'
            )
    for key in ("missing", "ignore"):
        for word in list_of(content.get(key, []), where=f"{name}: {key}"):
            _plain(word, where=f"{name}: {key}")
    for entry in list_of(content.get("readings", []), where=f"{name}: [[readings]]"):
        for key, value in table_of(entry, where=f"{name}: [[readings]]").items():
            text_of(value, where=f"{name}: [[readings]] {key}")


def _plain(value: Any, *, where: str) -> None:
    """A word or a number; no table, no list."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float, date)):
        raise SheetError(f"{where} = {said(value)} must be one word in quotes, or one number.")


def _tip(value: Any, name: str) -> float | None:
    """The area of an algometer's tip in cm²."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 20:
        raise SheetError(f"{name}: tip_cm2 = {value!r} is no area in cm2, for example tip_cm2 = 1.0")
    return float(value)


def _reading(entry: Any, place: int, name: str) -> ReadingColumn:
    """One [[readings]] table, checked."""
    where = f"{name}: [[readings]] number {place}"
    if not isinstance(entry, dict) or "column" not in entry or "measure" not in entry:
        raise SheetError(f'{where} needs column = "its header" and measure = "a codebook name".')
    allowed = ("column", "measure", "side", "phase", "unit")
    if wrong := [key for key in entry if key not in allowed]:
        raise SheetError(f"{where}: {listed(wrong)} is not known. Known: {', '.join(allowed)}.")
    one = ReadingColumn(**{key: str(value) for key, value in entry.items()})
    if one.phase not in (*READING_FIELDS, "phase"):
        raise SheetError(f'{where}: phase = "{one.phase}" is not one of {listed(READING_FIELDS)}.')
    if one.side not in READING_SIDES:
        raise SheetError(f'{where}: side = "{one.side}" is not one of {listed(READING_SIDES)}.')
    return one


def named_fields(table: RawTable, *, taken: Mapping | None = None) -> dict[str, str]:
    """Fields found under the toolkit's own names, whatever their case, spaces and underscores."""
    used = set()
    if taken is not None:
        used = {*taken.fields.values(), *(one.column for one in taken.readings), *taken.ignored}
    by_name = {plain(name): name for name in FIELDS}
    found: dict[str, str] = {}
    for header in table.cells.columns:
        field = by_name.get(plain(str(header)))
        if field and header not in used and not (taken and (field in taken.fields or field in taken.constants)):
            found[field] = str(header)
    return found
