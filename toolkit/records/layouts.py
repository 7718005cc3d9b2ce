"""Three layouts, one result: wide rows, long rows and session rows become readings of one measured side each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.number_words import counted
from toolkit.records.field_words import phase_of
from toolkit.records.header_words import read_header
from toolkit.records.ledger import Ledger, Why
from toolkit.records.lexicon import words_of_language
from toolkit.records.mapping import READING_FIELDS, Mapping, ReadingColumn
from toolkit.records.readings import FORCES, PRESSURES, Judged, Rulers, judge_cells, unit_of_rows
from toolkit.records.sheets import CONTEXT
from toolkit.records.texts import (
    change_texts,
    clean_text,
    constant,
    distinct,
    from_codes,
    from_texts,
    keep_rows,
    plain,
    row_keys,
    rows_where,
    stack,
)
from toolkit.records.units import UNKNOWN_UNIT
from toolkit.records.values import MARK_SAYS, MARKS, Numbers, not_taken, read_numbers
from toolkit.records.vocabulary import Vocabulary, phase_words

WIDE_COLUMNS = ("file", "row", "readings", *CONTEXT, *READING_FIELDS, "marks", "written")
_NO_BEFORE = ("the same as before, but no reading before is there", "type the number that was read")


def wide_rows(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """Rows of the wide layout, readings as numbers in the codebook's unit; unreadable rows set aside whole."""
    frame = measures_of(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    codes = frame["measure_code"].to_numpy()
    keep = np.ones(len(frame), dtype=bool)
    read: dict[str, _Read] = {}
    for name in READING_FIELDS:
        if name in mapping.fields:
            header = mapping.fields[name]
            judged = _judged(frame[f"cell:{header}"], codes, frame["unit"], mapping, rulers)
            _note_problems(frame, judged, header, keep, ledger)
            keep &= judged.problem == 0
            read[name] = _Read(header=header, judged=judged)
    unfilled = _fill_same(read, frame, ledger, keep)
    keep &= ~unfilled
    marks = _flag_marks(read, frame, ledger, keep)
    values = {name: read[name].value if name in read else np.full(len(frame), np.nan) for name in READING_FIELDS}
    written = _written_in(read, len(frame))
    frame = frame.assign(**values, unit=_units(codes, rulers), marks=marks, written=written)
    return only_paired(keep_rows(frame[list(WIDE_COLUMNS)], keep), ledger)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Read:
    """One column of readings: header, values in the codebook's unit (changed where "same" is filled in) and marks."""

    header: str
    judged: Judged

    @property
    def value(self) -> np.ndarray:
        """The readings."""
        return self.judged.value


def _judged(column: pd.Series, measure: np.ndarray, unit: pd.Series, mapping: Mapping, rulers: Rulers) -> Judged:
    """A column of cells as readings in the codebook's unit."""
    return judge_cells(
        column,
        read=lambda cells: _numbers(cells, mapping),
        measure=measure,
        unit=unit,
        rulers=rulers,
        tip=mapping.tip_cm2,
    )


def _written_in(read: dict[str, _Read], length: int) -> pd.Categorical:
    """The one unit that the readings of each row were written in, "?" where they differ, "" where none is told."""
    names = ["", UNKNOWN_UNIT]
    units = np.zeros(length, dtype=np.int16)
    for one in read.values():
        names += [name for name in one.judged.units if name not in names]
        if not one.judged.written.any():
            continue
        told = np.array([names.index(name) for name in one.judged.units], dtype=np.int16)[one.judged.written]
        told[np.isnan(one.value)] = 0
        differ = (units != 0) & (told != 0) & (told != units)
        units = np.where(units == 0, told, units)
        units[differ] = names.index(UNKNOWN_UNIT)
    return from_codes(units, names)


def session_rows(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """One row a measured side from sheets with one row a session; a bad reading is set aside alone."""
    nothing = sheet["readings"].to_numpy() == 0
    why = Why(column="(readings)", reason="no reading in this row", remedy="nothing to do if none was taken")
    sheet = ledger.take_out(sheet, nothing, why=why)
    if any(one.measure == "measure" for one in mapping.readings):
        sheet = measures_of(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    parts = []
    for (measure, side), columns in _by_measured_side(mapping.readings).items():
        part = _with_measure(sheet, measure, side, rulers)
        read = {
            phase: _session_reading(part, sheet, columns[phase], mapping, rulers, ledger)
            for phase in READING_FIELDS
            if phase in columns
        }
        every = np.ones(len(part), dtype=bool)
        _fill_same(read, part.assign(readings=1), ledger, every)
        part["marks"] = _flag_marks(read, part, ledger, every)
        part["written"] = _written_in(read, len(part))
        for phase in READING_FIELDS:
            part[phase] = read[phase].value if phase in read else np.full(len(part), np.nan)
        part["readings"] = part[list(READING_FIELDS)].notna().sum(axis=1).astype(np.int64)
        part = part.loc[part["readings"] > 0, list(WIDE_COLUMNS)]
        parts.append(only_paired(part, ledger))
    return stack(parts)


def _with_measure(sheet: pd.DataFrame, measure: str, side: str, rulers: Rulers) -> pd.DataFrame:
    """The context of each row with the measure and measured side of one group of columns, or those the row names."""
    part = sheet[["file", "row", *CONTEXT]].copy()
    if measure == "measure":
        part["measure_code"] = sheet["measure_code"].to_numpy()
        part["told_unit"] = sheet["unit"].array
    else:
        part["measure"] = constant(measure, len(part))
        part["measure_code"] = np.full(len(part), rulers.names.index(measure), dtype=np.int64)
    codes = part["measure_code"].to_numpy()
    if side == "treated_side":
        part["measured_side"] = change_texts(part["treated_side"], lambda text: text or "none")
    elif side != "measured_side":
        part["measured_side"] = constant(side, len(part))
    if side in ("treated_side", "measured_side") and not rulers.sided[codes].all():
        texts = part["measured_side"].astype(str).to_numpy(dtype=object)
        part["measured_side"] = from_texts(np.where(rulers.sided[codes], texts, "none").tolist())
    part["unit"] = _units(codes, rulers)
    return part


def _by_measured_side(readings: Sequence[ReadingColumn]) -> dict[tuple[str, str], dict[str, ReadingColumn]]:
    """The reading columns by measure and side, then by phase."""
    groups: dict[tuple[str, str], dict[str, ReadingColumn]] = {}
    for one in readings:
        groups.setdefault((one.measure, one.side), {})[one.phase] = one
    return groups


def _session_reading(
    part: pd.DataFrame, sheet: pd.DataFrame, column: ReadingColumn, mapping: Mapping, rulers: Rulers, ledger: Ledger
) -> _Read:
    """One column of readings as numbers; each bad reading set aside alone."""
    told = part.get("told_unit")
    unit = pd.Series(constant(column.unit, len(sheet)), index=sheet.index) if column.unit or told is None else told
    judged = _judged(sheet[f"cell:{column.column}"], part["measure_code"].to_numpy(), unit, mapping, rulers)
    _note_problems(sheet.assign(readings=1), judged, column.column, np.ones(len(sheet), dtype=bool), ledger)
    return _Read(header=column.column, judged=judged)


def _fill_same(read: dict[str, _Read], frame: pd.DataFrame, ledger: Ledger, keep: np.ndarray) -> np.ndarray:
    """Give "same" the reading before it, in place; True for rows where there is none, which are noted."""
    lost = np.zeros(len(frame), dtype=bool)
    if not any(one.judged.same.any() for one in read.values()):
        return lost
    latest = np.full(len(frame), np.nan)
    for name in READING_FIELDS:
        if name not in read:
            continue
        one = read[name]
        same = one.judged.same
        if same.any():
            one.value[same] = latest[same]
            empty = same & np.isnan(one.value) & keep
            why = Why(column=one.header, reason=_NO_BEFORE[0], remedy=_NO_BEFORE[1])
            values = (
                frame.loc[empty, f"cell:{one.header}"].astype(str).to_numpy(dtype=object)
                if f"cell:{one.header}" in frame
                else "same"
            )
            ledger.note(frame.loc[empty], why=why, value=values)
            lost |= empty
        if name in ("before", "before_2"):
            latest = np.where(np.isnan(one.value), latest, one.value)
    return lost


def _flag_marks(read: dict[str, _Read], frame: pd.DataFrame, ledger: Ledger, keep: np.ndarray) -> pd.Categorical:
    """Flag each reading that carries a mark; returns the marks of each row: "before:noted after:same", "" for none."""
    if not any(one.judged.mark.any() for one in read.values()):
        return constant("", len(frame))
    texts = np.full(len(frame), "", dtype=object)
    for name, one in read.items():
        mark = one.judged.mark
        marked = keep & (mark > 0) & ~np.isnan(one.value)
        for place in np.unique(mark[marked]).tolist():
            rows = marked & (mark == place)
            texts[rows] = [f"{text} {name}:{MARKS[place]}".strip() for text in texts[rows]]
            ledger.flag(frame.loc[rows], column=one.header, value=_shown(one, rows), what=MARK_SAYS[MARKS[place]])
    return from_texts(texts.tolist()) if len(texts) else constant("", 0)


def _shown(one: _Read, rows: np.ndarray) -> np.ndarray:
    """The kept values of marked readings, as texts."""
    return np.array([f"{value:g}" for value in one.value[rows]], dtype=object)


def reading_rows(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """Rows of the long layout: one reading each, with phase, number of the reading, and value as a number.

    Where each row is a phase and several columns hold readings, every such column gives readings of its own.
    """
    if mapping.readings:
        return _readings_by_column(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    nothing = sheet["readings"].to_numpy() == 0
    why = Why(column="value", reason="no reading in this row", remedy="nothing to do if none was taken")
    sheet = ledger.take_out(sheet, nothing, why=why)
    frame = measures_of(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    frame = _phases(frame, mapping, ledger)
    header, codes = mapping.fields["value"], frame["measure_code"].to_numpy()
    judged = _judged(frame[f"cell:{header}"], codes, frame["unit"], mapping, rulers)
    _note_problems(frame, judged, header, np.ones(len(frame), dtype=bool), ledger)
    keep = judged.problem == 0
    values = _with_same(frame, judged)
    read = {"value": _Read(header=header, judged=replace(judged, value=values))}
    lost = judged.same & np.isnan(values) & keep
    ledger.note(frame.loc[lost], why=Why(column=header, reason=_NO_BEFORE[0], remedy=_NO_BEFORE[1]), value="same")
    marks = _flag_marks(read, frame, ledger, keep & ~lost)
    written = _written_in(read, len(frame))
    frame = frame.assign(value=values, unit=_units(codes, rulers), marks=marks, written=written)
    columns = ["file", "row", "readings", *CONTEXT, "phase", "reading", "value", "marks", "written"]
    return keep_rows(frame[columns], keep & ~lost)


def _readings_by_column(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """The readings of rows that name a phase and hold several measures or sides, a column each."""
    nothing = sheet["readings"].to_numpy() == 0
    why = Why(column="(readings)", reason="no reading in this row", remedy="nothing to do if none was taken")
    sheet = ledger.take_out(sheet, nothing, why=why)
    is_missing = not_taken(mapping.missing, marks=mapping.words_for("marks"), words=words_of_language(mapping.language))
    parts = []
    for one in mapping.readings:
        filled = ~rows_where(sheet[f"cell:{one.column}"], is_missing)
        part = keep_rows(sheet, filled).assign(readings=1)
        told = _with_measure(part, one.measure, one.side, rulers)
        unit = constant(one.unit or rulers.unit[rulers.names.index(one.measure)], len(part))
        part = part.assign(measure=told["measure"].array, measured_side=told["measured_side"].array, unit=unit)
        alone = replace(mapping, readings=(), fields={**mapping.fields, "value": one.column})
        parts.append(reading_rows(part, mapping=alone, words=words, rulers=rulers, ledger=ledger))
    return stack(parts)


def _with_same(frame: pd.DataFrame, judged: Judged) -> np.ndarray:
    """The values with "same" filled by the last reading before of the same session, measure and side."""
    same, value = judged.same, judged.value
    if not same.any():
        return value
    key = row_keys(frame, ["session_id", "measure", "measured_side"])
    is_before = rows_where(frame["phase"], lambda text: text == "before") & ~same & ~np.isnan(value)
    before = pd.Series(value[is_before], index=key[is_before])
    last = before[~before.index.duplicated(keep="last")]
    filled = value.copy()
    filled[same] = last.reindex(key[same]).to_numpy()
    return filled


def _phases(frame: pd.DataFrame, mapping: Mapping, ledger: Ledger) -> pd.DataFrame:
    """phase as before, after_wait or after; reading as a number (0 = not given); before_2 is reading 2 of before."""
    table = phase_words() | mapping.words_for("phase")
    codes, texts = distinct(frame["phase"])
    chosen = words_of_language(mapping.language)
    found = [table.get(plain(text)) or phase_of(text, chosen) for text in texts]
    unknown = np.array([phase is None for phase in found], dtype=bool)[codes] if texts else np.zeros(0, dtype=bool)
    second = np.array([phase == "before_2" for phase in found], dtype=bool)[codes] if texts else unknown
    numbers = read_numbers(frame["reading"], missing=mapping.missing)
    wrong = numbers.taken & ((numbers.problem > 0) | (numbers.value < 1) | (numbers.value % 1 != 0))
    old = frame["phase"].astype(str).to_numpy(dtype=object)
    frame = frame.assign(
        phase=from_codes(codes, ["before" if phase == "before_2" else phase or "" for phase in found]),
        reading=np.where(second, 2, np.where(numbers.taken & ~wrong, numbers.value, 0)).astype(np.int64),
    )
    why = Why(column="reading", reason="not the number of a reading", remedy="write 1, 2, 3 …, or leave it empty")
    ledger.note(frame.loc[wrong & ~unknown], why=why)
    why = Why(column="phase", reason="not a phase", remedy="write before, after_wait or after")
    ledger.note(frame.loc[unknown], why=why, value=old[unknown])
    return keep_rows(frame, ~wrong & ~unknown)


def _with_units(frame: pd.DataFrame, unstated: np.ndarray, mapping: Mapping, words: Vocabulary) -> pd.DataFrame:
    """The rows of forces and pressures that state no unit with the one that is told or fits, "?" where several do."""
    if not unstated.any():
        return frame
    headers = [mapping.fields[name] for name in (*READING_FIELDS, "value") if name in mapping.fields]
    headers = headers or [one.column for one in mapping.readings if one.measure == "measure"]
    units = frame["unit"].astype(str).to_numpy(dtype=object)
    names = frame["measure"].astype(str).to_numpy(dtype=object)
    changed = False
    for name in {*names[unstated]} - {""}:
        rows = unstated & (names == name)
        told, measure = mapping.units.get(name, ""), words.codebook.measure(name)
        if not told and measure.unit not in {*FORCES, *PRESSURES}:
            continue
        numbers = [_numbers(frame[f"cell:{header}"], mapping) for header in headers]
        bare = [one.value[rows & np.asarray(one.unit.astype(str) == "")] for one in numbers]
        values = np.concatenate(bare) if bare else np.array([])
        unit = unit_of_rows(measure, values, told=told)
        units[rows], changed = unit, changed or bool(unit)
    return frame.assign(unit=from_texts(units.tolist())) if changed else frame


def measures_of(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """The sheet with measures by codebook name and `measure_code`; rows with an unknown measure set aside."""
    sheet = _with_side_of_measure(sheet, words)
    codes, texts = distinct(sheet["measure"])
    names = [words.measure(text) if clean_text(text) else None for text in texts]
    place = {name: number for number, name in enumerate(rulers.names)}
    numbers = np.array([place.get(name, -1) if name else -1 for name in names], dtype=np.int64)
    measure_code = numbers[codes] if texts else codes.astype(np.int64)
    old = sheet["measure"]
    unstated = rows_where(sheet["unit"], lambda text: not clean_text(text))
    what = f"no unit in {counted(unstated.sum(), 'row')}: the codebook's unit is taken unless the cell names one"
    ledger.flag(sheet.loc[unstated].head(1), column="unit", value="", what=what)
    frame = sheet.assign(measure=from_codes(codes, [name or "" for name in names]), measure_code=measure_code)
    frame = _with_units(frame, unstated, mapping, words)
    unknown = measure_code < 0
    why = Why(
        column=mapping.fields.get("measure", "measure"),
        reason="a measure that is not in the codebook",
        remedy="use a codebook name, map the word in columns.toml ([values.measure]), or extend the codebook",
    )
    values = old.astype(str).to_numpy(dtype=object) if unknown.any() else ""
    return ledger.take_out(frame, unknown, why=why, value=values)


def _with_side_of_measure(sheet: pd.DataFrame, words: Vocabulary) -> pd.DataFrame:
    """The sheet with the side that stands in the name of a measure ("Rotation re"), where no column tells one."""
    codes, texts = distinct(sheet["measure"])
    known = words.mapping.words_for("measure")
    sides = [
        "none" if text in words.names else read_header(text, words.words).side if text else "none" for text in texts
    ]
    if not set(sides) - {"none"}:
        return sheet
    told = np.array(["" if side == "none" else side for side in sides] or [""], dtype=object)[codes]
    stated = sheet["measured_side"].astype(str).to_numpy(dtype=object)
    fill = (told != "") & np.isin(stated, ("none", ""))
    if not fill.any() or (not known and "measured_side" in words.mapping.fields):
        return sheet
    return sheet.assign(measured_side=from_texts(np.where(fill, told, stated).tolist()))


def _numbers(column: pd.Series, mapping: Mapping) -> Numbers:
    """A column of readings read with the mapping's settings."""
    return read_numbers(
        column,
        decimal=mapping.decimal,
        missing=mapping.missing,
        marks=mapping.words_for("marks"),
        words=words_of_language(mapping.language),
    )


def _units(codes: np.ndarray, rulers: Rulers) -> pd.Categorical:
    """The codebook's unit of each row's measure."""
    return from_codes(codes, rulers.unit)


def _note_problems(frame: pd.DataFrame, judged: Judged, header: str, still: np.ndarray, ledger: Ledger) -> None:
    """One entry for each reading with a problem among the rows that are `still` kept."""
    bad = still & (judged.problem > 0)
    for place in np.unique(judged.problem[bad]).tolist():
        reason, remedy = judged.reasons[place]
        rows = bad & (judged.problem == place)
        values = frame.loc[rows, f"cell:{header}"].astype(str).to_numpy(dtype=object)
        ledger.note(frame.loc[rows], why=Why(column=header, reason=reason, remedy=remedy), value=values)


def only_paired(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Rows with a reading before; a row with readings only after cannot show a change and is set aside."""
    taken = frame[list(READING_FIELDS)].notna().to_numpy(dtype=bool)
    why = Why(column="(readings)", reason="no reading in this row", remedy="nothing to do if none was taken")
    nothing = np.asarray(~taken.any(axis=1))
    frame, taken = ledger.take_out(frame, nothing, why=why), taken[~nothing]
    why = Why(
        column="before", reason="no reading before", remedy="a change needs a reading before; record one next time"
    )
    return ledger.take_out(frame, np.asarray(~taken[:, :2].any(axis=1)), why=why)
