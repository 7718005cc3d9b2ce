"""Three layouts, one result: wide rows, long rows and session rows become readings of one measured side each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from toolkit.records.ledger import Ledger, Why
from toolkit.records.mapping import READING_FIELDS, Mapping, ReadingColumn
from toolkit.records.raw_table import clean_text
from toolkit.records.readings import Judged, Rulers, judge
from toolkit.records.sheets import CONTEXT
from toolkit.records.texts import constant, distinct, from_codes, keep_rows, plain, rows_where, stack
from toolkit.records.values import Numbers, read_numbers
from toolkit.records.vocabulary import Vocabulary, phase_words

WIDE_COLUMNS = ("file", "row", "readings", *CONTEXT, *READING_FIELDS)


def wide_rows(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """Rows of the wide layout, readings as numbers in the codebook's unit; unreadable rows set aside whole."""
    frame = measures_of(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    codes = frame["measure_code"].to_numpy()
    keep = np.ones(len(frame), dtype=bool)
    judged: dict[str, np.ndarray] = {}
    for name in READING_FIELDS:
        if name not in mapping.fields:
            judged[name] = np.full(len(frame), np.nan)
            continue
        header = mapping.fields[name]
        numbers = _numbers(frame[f"cell:{header}"], mapping)
        result = judge(numbers, measure=codes, unit=frame["unit"], rulers=rulers)
        _note_problems(frame, result, header, keep, ledger)
        keep &= result.problem == 0
        judged[name] = result.value
    frame = frame.assign(**judged, unit=_units(codes, rulers))
    return only_paired(keep_rows(frame[list(WIDE_COLUMNS)], keep), ledger)


def session_rows(sheet: pd.DataFrame, *, mapping: Mapping, rulers: Rulers, ledger: Ledger) -> pd.DataFrame:
    """One row a measured side from sheets with one row a session; a bad reading is set aside alone."""
    nothing = sheet["readings"].to_numpy() == 0
    why = Why(column="(readings)", reason="no reading in this row", remedy="nothing to do if none was taken")
    sheet = ledger.take_out(sheet, nothing, why=why)
    parts = []
    for (measure, side), columns in _by_measured_side(mapping.readings).items():
        code = rulers.names.index(measure)
        part = sheet[["file", "row", *CONTEXT]].copy()
        part["measure"], part["measured_side"] = constant(measure, len(part)), constant(side, len(part))
        part["unit"] = constant(rulers.unit[code], len(part))
        for phase in READING_FIELDS:
            part[phase] = _session_reading(sheet, columns.get(phase), code, mapping, rulers, ledger)
        part["readings"] = part[list(READING_FIELDS)].notna().sum(axis=1).astype(np.int64)
        part = part.loc[part["readings"] > 0, list(WIDE_COLUMNS)]
        parts.append(only_paired(part, ledger))
    return stack(parts)


def _by_measured_side(readings: Sequence[ReadingColumn]) -> dict[tuple[str, str], dict[str, ReadingColumn]]:
    """The reading columns by measure and side, then by phase."""
    groups: dict[tuple[str, str], dict[str, ReadingColumn]] = {}
    for one in readings:
        groups.setdefault((one.measure, one.side), {})[one.phase] = one
    return groups


def _session_reading(
    sheet: pd.DataFrame, column: ReadingColumn | None, code: int, mapping: Mapping, rulers: Rulers, ledger: Ledger
) -> np.ndarray:
    """One column of readings as numbers; each bad reading set aside alone."""
    if column is None:
        return np.full(len(sheet), np.nan)
    numbers = _numbers(sheet[f"cell:{column.column}"], mapping)
    measure = np.full(len(sheet), code, dtype=np.int64)
    unit = pd.Series(constant(column.unit, len(sheet)), index=sheet.index)
    result = judge(numbers, measure=measure, unit=unit, rulers=rulers)
    _note_problems(sheet.assign(readings=1), result, column.column, np.ones(len(sheet), dtype=bool), ledger)
    return result.value


def reading_rows(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """Rows of the long layout: one reading each, with phase, number of the reading, and value as a number."""
    nothing = sheet["readings"].to_numpy() == 0
    why = Why(column="value", reason="no reading in this row", remedy="nothing to do if none was taken")
    sheet = ledger.take_out(sheet, nothing, why=why)
    frame = measures_of(sheet, mapping=mapping, words=words, rulers=rulers, ledger=ledger)
    frame = _phases(frame, mapping, ledger)
    header, codes = mapping.fields["value"], frame["measure_code"].to_numpy()
    result = judge(_numbers(frame[f"cell:{header}"], mapping), measure=codes, unit=frame["unit"], rulers=rulers)
    _note_problems(frame, result, header, np.ones(len(frame), dtype=bool), ledger)
    frame = frame.assign(value=result.value, unit=_units(codes, rulers))
    columns = ["file", "row", "readings", *CONTEXT, "phase", "reading", "value"]
    return keep_rows(frame[columns], result.problem == 0)


def _phases(frame: pd.DataFrame, mapping: Mapping, ledger: Ledger) -> pd.DataFrame:
    """phase as before, after_wait or after; reading as a number (0 = not given); before_2 is reading 2 of before."""
    table = phase_words() | mapping.words_for("phase")
    codes, texts = distinct(frame["phase"])
    found = [table.get(plain(text)) for text in texts]
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


def measures_of(
    sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, rulers: Rulers, ledger: Ledger
) -> pd.DataFrame:
    """The sheet with measures by codebook name and `measure_code`; rows with an unknown measure set aside."""
    codes, texts = distinct(sheet["measure"])
    names = [words.measure(text) if clean_text(text) else None for text in texts]
    place = {name: number for number, name in enumerate(rulers.names)}
    numbers = np.array([place.get(name, -1) if name else -1 for name in names], dtype=np.int64)
    measure_code = numbers[codes] if texts else codes.astype(np.int64)
    old = sheet["measure"]
    unstated = rows_where(sheet["unit"], lambda text: not clean_text(text))
    what = f"no unit in {unstated.sum()} row(s): the codebook's unit is taken unless the cell names one"
    ledger.flag(sheet.loc[unstated].head(1), column="unit", value="", what=what)
    frame = sheet.assign(measure=from_codes(codes, [name or "" for name in names]), measure_code=measure_code)
    unknown = measure_code < 0
    why = Why(
        column=mapping.fields.get("measure", "measure"),
        reason="a measure that is not in the codebook",
        remedy="use a codebook name, map the word in columns.toml ([values.measure]), or extend the codebook",
    )
    values = old.astype(str).to_numpy(dtype=object) if unknown.any() else ""
    return ledger.take_out(frame, unknown, why=why, value=values)


def _numbers(column: pd.Series, mapping: Mapping) -> Numbers:
    """A column of readings read with the mapping's settings."""
    return read_numbers(column, decimal=mapping.decimal, missing=mapping.missing)


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
