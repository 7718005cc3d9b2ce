"""Readings judged against the codebook: yes/no only for signs, units converted, impossible values given a reason."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.records.arrow_texts import of_categories
from toolkit.records.codebook import Codebook, Measure
from toolkit.records.texts import distinct
from toolkit.records.units import UNKNOWN_UNIT, conversion_factor, unit_name
from toolkit.records.values import Numbers, says_as_before

FORCES = ("kg", "lbf", "N")
PRESSURES = ("kPa", "kg/cm2", "N/cm2", "lbf/in2")
_CODES_FOR_MISSING = np.array([99, 999, 9999, 99999, 88, 888, 77, 777], dtype=float)


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """Readings in the codebook's unit: `value` (NaN = not taken or refused), `problem` (0 = none) into `reasons`.

    `written` is the place in `units` of the unit each reading was written in, 0 where none is told; `mark` one into
    `values.MARKS`.
    """

    value: np.ndarray
    problem: np.ndarray
    reasons: tuple[tuple[str, str], ...]
    written: np.ndarray
    units: tuple[str, ...]
    mark: np.ndarray

    @property
    def same(self) -> np.ndarray:
        """True where the cell says that the reading is the one before it."""
        return says_as_before(self.mark)

    def taken_from(self, places: np.ndarray) -> Judged:
        """The readings at these places, in their order."""
        return replace(
            self,
            value=self.value[places],
            problem=self.problem[places] if self.problem.any() else np.zeros(len(places), dtype=np.int32),
            written=self.written[places] if self.written.any() else np.zeros(len(places), dtype=np.int16),
            mark=self.mark[places] if self.mark.any() else np.zeros(len(places), dtype=np.int8),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Rulers:
    """What the codebook says of the measures, as arrays in the order of `names`."""

    names: tuple[str, ...]
    unit: tuple[str, ...]
    low: np.ndarray
    high: np.ndarray
    is_sign: np.ndarray
    sided: np.ndarray


def rulers_of(codebook: Codebook) -> Rulers:
    """The codebook's measures as arrays."""
    frame = codebook.measures
    return Rulers(
        names=tuple(frame["measure"].astype(str)),
        unit=tuple(frame["unit"].astype(str)),
        low=frame["low"].to_numpy(dtype=float),
        high=frame["high"].to_numpy(dtype=float),
        is_sign=(frame["kind"] == "sign").to_numpy(dtype=bool),
        sided=(frame["sided"] == "yes").to_numpy(dtype=bool) if "sided" in frame else np.ones(len(frame), dtype=bool),
    )


def plausible_units(measure: Measure, values: np.ndarray) -> tuple[str, ...]:
    """The units of a force or pressure in which nearly all values lie in the plausible range; () for other measures.

    Example:
        >>> from toolkit.records.codebook import load_codebook
        >>> plausible_units(load_codebook().measure("grip_strength"), np.array([60.0, 88.0]))
        ('kg', 'lbf')
    """
    units = (
        ("kg", "lbf")
        if measure.unit == "kg"
        else FORCES
        if measure.unit in FORCES
        else PRESSURES
        if measure.unit in PRESSURES
        else ()
    )
    fitting = []
    for unit in units:
        scaled = values * (conversion_factor(unit, measure.unit) or 1.0)
        if np.mean((scaled >= measure.low) & (scaled <= measure.high)) >= 0.95:
            fitting.append(unit)
    return tuple(fitting)


def unit_of_rows(measure: Measure, values: np.ndarray, *, told: str = "") -> str:
    """The unit of rows that state none: what the user says, "?" where several are plausible, else "" (the codebook's).

    Args:
        measure: a line of the codebook.
        values: the readings of these rows, NaN where none was taken.
        told: the unit that columns.toml names for the measure, "" where it names none.
    """
    taken = values[~np.isnan(values)]
    if told or measure.unit not in {*FORCES, *PRESSURES} or not len(taken):
        return told
    possible = plausible_units(measure, taken)
    if len(possible) == 1:
        return possible[0]
    return UNKNOWN_UNIT if possible else ""


class _Reasons:
    """Collects reasons and marks rows with the first that applies."""

    def __init__(self, numbers: Numbers) -> None:
        self.listed = list(numbers.reasons)
        self.problem = numbers.problem.astype(np.int32)

    def mark(self, rows: np.ndarray, reason: str, remedy: str) -> None:
        """Give `reason` to the rows that have none yet."""
        rows = rows & (self.problem == 0)
        if rows.any():
            self.listed.append((reason, remedy))
            self.problem[rows] = len(self.listed) - 1


def judge(
    numbers: Numbers, *, measure: np.ndarray, unit: pd.Series, rulers: Rulers, tip: float | None = None
) -> Judged:
    """Judge one column of readings.

    Args:
        numbers: the column as read.
        measure: each row's measure, as a place in `rulers.names`.
        unit: each row's unit text from the unit column ("" = none), categorical.
        rulers: the codebook's measures.
        tip: area of an algometer's tip in cm², with which a force becomes a pressure; None when it is not known.
    """
    reasons = _Reasons(numbers)
    sign = rulers.is_sign[measure]
    _judge_signs(numbers, sign, reasons)
    value = numbers.value * _factors(numbers, measure, unit, rulers, reasons, tip)
    low, high = rulers.low[measure], rulers.high[measure]
    outside = numbers.taken & ((value < low - 1e-9) | (value > high + 1e-9))
    if outside.any():
        coded = outside & np.isin(np.abs(numbers.value), _CODES_FOR_MISSING)
        reasons.mark(
            coded,
            "looks like a code for missing, not a reading",
            "leave the cell empty, or list the code in columns.toml: missing = [...]",
        )
        for place in np.unique(measure[outside & ~coded]):
            reasons.mark(
                outside & (measure == place),
                f"outside the plausible range of {rulers.names[place]} "
                f"({rulers.low[place]:g} to {rulers.high[place]:g} {rulers.unit[place]})",
                "correct the reading or its unit; if the range is too narrow, extend the codebook",
            )
    value = np.where(numbers.taken & (reasons.problem == 0), value, np.nan)
    written, units = _written(numbers, unit)
    return Judged(
        value=value,
        problem=reasons.problem,
        reasons=tuple(reasons.listed),
        written=written,
        units=units,
        mark=numbers.mark,
    )


def judge_cells(
    column: pd.Series,
    *,
    read: Callable[[pd.Series], Numbers],
    measure: np.ndarray,
    unit: pd.Series,
    rulers: Rulers,
    tip: float | None = None,
) -> Judged:
    """Read and judge one column of cells: every different cell, measure and unit once, however many rows repeat them.

    Args:
        column: categorical texts.
        read: reads them as numbers.
        measure: each row's measure, as a place in `rulers.names`.
        unit: each row's unit text from the unit column, categorical.
        rulers: the codebook's measures.
        tip: area of an algometer's tip in cm²; None when it is not known.
    """
    codes, unit_codes = column.cat.codes.to_numpy(), unit.cat.codes.to_numpy()
    several, measures = len(unit.cat.categories) + 1, len(rulers.names)
    size = (len(column.cat.categories) + 1) * several * measures
    if size > len(column):
        return judge(read(column), measure=measure, unit=unit, rulers=rulers, tip=tip)
    key = ((codes.astype(np.int64) + 1) * several + (unit_codes + 1)) * measures + measure
    there = np.zeros(size, dtype=bool)
    there[key] = True
    keys = np.flatnonzero(there)
    places = np.cumsum(there, dtype=np.int32) - 1
    cells = pd.Series(of_categories(keys // (several * measures) - 1, column.cat.categories))
    units = pd.Series(of_categories(keys // measures % several - 1, unit.cat.categories))
    judged = judge(read(cells), measure=keys % measures, unit=units, rulers=rulers, tip=tip)
    return judged.taken_from(places[key])


def _written(numbers: Numbers, unit: pd.Series) -> tuple[np.ndarray, tuple[str, ...]]:
    """(place, names) of the unit of each reading as it is called: of the cell, else of the column; the first is ""."""
    cell_codes, cell_texts = distinct(pd.Series(numbers.unit))
    unit_codes, unit_texts = distinct(unit)
    in_cell, beside = ([unit_name(text) or "" for text in texts] for texts in (cell_texts, unit_texts))
    units = tuple(dict.fromkeys(["", *in_cell, *beside]))
    written: np.ndarray = np.array([units.index(name) for name in beside] or [0], dtype=np.int16)[unit_codes]
    if any(in_cell):
        told = np.array([units.index(name) for name in in_cell], dtype=np.int16)[cell_codes]
        written = np.where(told == 0, written, told)
    return written, units


def _judge_signs(numbers: Numbers, sign: np.ndarray, reasons: _Reasons) -> None:
    """Words belong to signs, and signs are yes or no."""
    reasons.mark(numbers.word & ~sign, "a word where a number is expected", "type the number that was read")
    bad = numbers.taken & sign & ~np.isin(numbers.value, (0.0, 1.0))
    reasons.mark(bad, "a sign is yes or no", "type yes, no, or leave the cell empty")


def _factors(
    numbers: Numbers, measure: np.ndarray, unit: pd.Series, rulers: Rulers, reasons: _Reasons, tip: float | None
) -> np.ndarray:
    """What each reading is multiplied by to be in the codebook's unit; reasons where that cannot be done."""
    cell_codes, cell_texts = distinct(pd.Series(numbers.unit))
    unit_codes, unit_texts = distinct(unit)
    texts = [*cell_texts, *unit_texts]
    has_cell = np.array([bool(text) for text in cell_texts], dtype=bool)[cell_codes]
    used = np.where(has_cell, cell_codes, unit_codes + len(cell_texts))
    pair = used.astype(np.int64) * len(rulers.names) + measure
    factors = np.ones(len(texts) * len(rulers.names))
    for number in np.flatnonzero(np.bincount(pair, minlength=1)).tolist():
        text, ruler = texts[number // len(rulers.names)], number % len(rulers.names)
        factor = 1.0 if not text else _factor(text, rulers.unit[ruler], tip)
        if factor is None:
            reason, remedy = _unit_fault(text, rulers, ruler)
            reasons.mark(numbers.taken & (pair == number), reason, remedy)
        else:
            factors[number] = factor
    both = (
        has_cell & np.array([bool(text) for text in unit_texts], dtype=bool)[unit_codes]
        if any(cell_texts)
        else has_cell
    )
    if both.any():
        _two_units(cell_codes, cell_texts, unit_codes, unit_texts, both, reasons)
    chosen: np.ndarray = factors[pair]
    return chosen


def _factor(unit: str, to: str, tip: float | None) -> float | None:
    """What a reading is multiplied by, a force over a known tip being a pressure; None where that cannot be done."""
    factor = conversion_factor(unit, to)
    force = conversion_factor(unit, "N") if factor is None and tip else None
    if force is None:
        return factor
    pressure = conversion_factor("N/cm2", to)
    return None if pressure is None or tip is None else force / tip * pressure


def _unit_fault(text: str, rulers: Rulers, ruler: int) -> tuple[str, str]:
    """Why a unit cannot be used for a measure, and what to do."""
    name, unit = rulers.names[ruler], rulers.unit[ruler]
    if text == UNKNOWN_UNIT:
        return f"the unit of {name} is not stated, and more than one fits", "say it: the command columns asks for it"
    if unit_name(text) is None:
        return f'the unit "{text}" is not known', f"give {name} in {unit}, or in a unit that converts to it"
    if unit == "kPa" and conversion_factor(text, "N") is not None:
        return (
            f"a force in {text} is no pressure",
            "give it as N/cm2, kg/cm2 or kPa, or say how large the tip is in columns.toml: tip_cm2 = 1.0",
        )
    return f"{text} cannot be converted to {unit}", f"give {name} in {unit}, or correct the measure"


def _two_units(
    cell_codes: np.ndarray,
    cell_texts: Sequence[str],
    unit_codes: np.ndarray,
    unit_texts: Sequence[str],
    both: np.ndarray,
    reasons: _Reasons,
) -> None:
    """A reading whose cell names another unit than its unit column is set aside."""
    first = np.array([unit_name(text) or text for text in cell_texts], dtype=object)[cell_codes]
    second = np.array([unit_name(text) or text for text in unit_texts], dtype=object)[unit_codes]
    reasons.mark(both & (first != second), "the cell and the unit column name different units", "correct one of them")
