"""Published measurement error, important change and normal values, looked up by measure and population.

The values stand in `shared/reference_values/*.csv`, each with instrument, population, n, citation and whether the
figure was read (`verified`) or is recalled (`from memory`). A published error belongs to other hands and other people:
one's own before/before_2 pairs come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import pandas as pd

from toolkit.number_words import figure_text, quantity
from toolkit.records.codebook import load_codebook
from toolkit.records.units import conversion_factor
from toolkit.resources import shared_file
from toolkit.result import Shown

_FILES = ("measurement_error", "important_change", "normal_values")
_APPLIES = ("this measure", "largest of several", "a variant")
_TWO_READINGS = math.sqrt(2.0)
# From a minimal detectable change to the SEM: MDC = z × √2 × SEM (Weir 2005), z by confidence level.
_Z = {0.95: 1.96, 0.9: 1.645}


@dataclass(frozen=True, kw_only=True, eq=False)
class PublishedValue(Shown):
    """One published figure: `value` in `unit`, how it was derived and chosen, and where it stands.

    `lowest` and `highest` are the extremes of the `n_published` figures of equal standing among which this one is the
    middle; `n` is the number of people behind it, None where the source read does not say; `rows` holds all of them.
    """

    measure: str
    quantity: str
    value: float
    unit: str
    lowest: float
    highest: float
    n_published: int
    derivation: str
    instrument: str
    population: str
    n: int | None
    citation: str
    status: str
    rows: pd.DataFrame

    def in_unit(self, unit: str) -> PublishedValue:
        """The figure in another unit of the same quantity; as it is where the two do not convert.

        Example:
            >>> published_sem("grip_strength").in_unit("lbf").unit
            'lbf'
        """
        factor = conversion_factor(self.unit, unit)
        if factor is None or factor == 1.0:
            return self
        return replace(
            self, value=self.value * factor, lowest=self.lowest * factor, highest=self.highest * factor, unit=unit
        )

    def sentence(self) -> str:
        """The figure with its source, in one sentence."""
        people = "n not stated" if self.n is None else f"n = {self.n}"
        return (
            f"Published {self.quantity} of {self.measure.replace('_', ' ')}: {quantity(self.value, self.unit)} "
            f"({self.derivation}; {self.instrument}; {self.population}; {people}; {self.citation}; {self.status})."
        )

    def table(self) -> pd.DataFrame:
        """The published figures among which this one was chosen, one row each."""
        return self.rows


def published_values(measure: str, *, quantity: str | None = None, population: str | None = None) -> pd.DataFrame:
    """Every published figure on a measure.

    Parameters
    ----------
    measure
        Codebook name.
    quantity
        One of sem, mdc, mic, mean_normal, mean_group, cut_off, limits_of_agreement, observer_error, natural_variation;
        all where None.
    population
        Words that population or instrument must contain, case ignored.

    Returns
    -------
    pd.DataFrame
        One row a figure: measure, quantity, value, unit, confidence_level (0.95, 0.9 or NaN), applies, instrument,
        population, n, citation, year, status (verified / from memory), what_was_read, note. Empty where none is known.

    Examples
    --------
    >>> sorted(set(published_values("grip_strength")["quantity"]))
    ['mdc', 'sem']
    """
    frame = _all_values()
    chosen = frame[frame["measure"] == measure]
    if quantity is not None:
        chosen = chosen[chosen["quantity"] == quantity]
    if population is not None:
        said = (chosen["population"] + " " + chosen["instrument"]).str.casefold()
        chosen = chosen[said.str.contains(population.casefold(), regex=False)]
    return chosen.reset_index(drop=True)


@cache
def published_sem(measure: str, *, population: str | None = None) -> PublishedValue | None:
    """The published standard error of measurement (SEM) to use for a measure, None where none is known.

    Verified figures go before recalled ones, the same measure before a range or a variant, a printed SEM before one
    derived from MDC95, MDC90 or an MDC without a level (taken as 90 %, which gives the larger SEM). Among figures of
    equal standing the middle one is taken (of an even number the larger of the two middle ones).

    Parameters
    ----------
    measure
        Codebook name.
    population
        Words that population or instrument must contain.

    References
    ----------
    MDC = z × √2 × SEM, Weir 2005, J Strength Cond Res 19:231-240.

    Examples
    --------
    >>> published_sem("grip_strength").value
    1.8
    >>> published_sem("heel_lift_in_squat") is None
    True
    """
    rows = published_values(measure, population=population)
    rows = rows[rows["quantity"].isin(["sem", "mdc"]) & (rows["unit"] == _codebook_unit(measure))]
    if rows.empty:
        return None
    derived = [
        _sem_of(str(quantity), float(value), float(level))
        for quantity, value, level in zip(rows["quantity"], rows["value"], rows["confidence_level"], strict=True)
    ]
    rows = rows.assign(
        sem=[sem for sem, _, _ in derived],
        derivation=[words for _, words, _ in derived],
        kind=[kind for _, _, kind in derived],
    )
    return _middle(rows, "sem", "SEM")


@cache
def published_mic(measure: str, *, population: str | None = None) -> PublishedValue | None:
    """The published minimal important change (MIC) to use for a measure, None where none is known.

    Verified figures go before recalled ones, the same measure before a variant; among these the middle one is taken,
    since methods and populations differ widely (anchor and cut-off methods on one sample may differ by a factor of
    two, see Kovacs et al. 2008).

    Parameters
    ----------
    measure
        Codebook name.
    population
        Words that population or instrument must contain.

    Examples
    --------
    >>> mic = published_mic("pain_rating")
    >>> mic.value, mic.lowest, mic.highest
    (2.0, 1.3, 4.1)
    """
    rows = published_values(measure, quantity="mic", population=population)
    rows = rows[rows["unit"] == _codebook_unit(measure)]
    if rows.empty:
        return None
    return _middle(rows.assign(derivation="as printed", kind=0), "value", "MIC")


@cache
def _all_values() -> pd.DataFrame:
    """All files of published values as one frame."""
    parts = [pd.read_csv(shared_file(f"reference_values/{name}.csv"), encoding="utf-8") for name in _FILES]
    frame = pd.concat(parts, ignore_index=True).fillna({"what_was_read": "", "note": ""})
    return frame.astype({"n": "Int64", "year": "Int64"})


def _codebook_unit(measure: str) -> str:
    """The codebook's unit of a measure; "" for a measure of the user's own."""
    return _codebook_units().get(measure, "")


@cache
def _codebook_units() -> dict[str, str]:
    measures = load_codebook().measures
    return dict(zip(measures["measure"].astype(str), measures["unit"].astype(str), strict=True))


def _sem_of(quantity: str, value: float, level: float) -> tuple[float, str, int]:
    """SEM, its derivation in words, and its rank among derivations, from one published figure."""
    if quantity == "sem":
        return value, "as printed", 0
    if level in _Z:
        words = f"MDC{level:.0%} / ({_Z[level]} × √2)".replace("%", "")
        return value / (_Z[level] * _TWO_READINGS), words, 1 if level == 0.95 else 2
    words = f"MDC without a stated level, taken as 90 %: / ({_Z[0.9]} × √2)"
    return value / (_Z[0.9] * _TWO_READINGS), words, 3


def _middle(rows: pd.DataFrame, column: str, quantity: str) -> PublishedValue:
    """The middle figure of those of the best standing."""
    standing = list(
        zip(
            (rows["status"] != "verified").astype(int),
            (_APPLIES.index(applies) for applies in rows["applies"]),
            rows["kind"],
            strict=True,
        )
    )
    best = min(standing)
    equals = rows[[one == best for one in standing]].sort_values(column, kind="stable")
    row = equals.iloc[len(equals) // 2]
    derivation = str(row["derivation"])
    if row["applies"] != "this measure":
        derivation += f", {row['applies']}"
    if len(equals) > 1:
        low, high = float(equals[column].iloc[0]), float(equals[column].iloc[-1])
        derivation += f", the middle one of {len(equals)} figures from {figure_text(low)} to {figure_text(high)}"
    return PublishedValue(
        measure=str(row["measure"]),
        quantity=quantity,
        value=float(row[column]),
        unit=str(row["unit"]),
        lowest=float(equals[column].min()),
        highest=float(equals[column].max()),
        n_published=len(equals),
        derivation=derivation,
        instrument=str(row["instrument"]),
        population=str(row["population"]),
        n=None if pd.isna(row["n"]) else int(row["n"]),
        citation=_cited(row),
        status=str(row["status"]),
        rows=equals.drop(columns=["kind"]).reset_index(drop=True),
    )


def _cited(row: pd.Series) -> str:
    """The citation of a row, with its year."""
    return str(row["citation"]) if pd.isna(row["year"]) else f"{row['citation']}, {int(row['year'])}"
