"""The same records in the same order, however the export was sorted, named or split: no result hangs on it.

Rows are sorted by what they say, never by names: neither a client's code nor a file's name, nor where a row stood, may
move a number. Nor may the unit: a reading counts as what it is in the base unit. Two rows that say the same are told
apart by what else is known of their client, session, practitioner, site and examiner.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.records.mapping import READING_FIELDS
from toolkit.records.units import to_base

NAMES = ("client", "session_id", "practitioner", "site", "examiner")
_WHERE = ("file", "row", "visit", "wide_id", "readings")
_ROUNDS = 3
Hashes = NDArray[np.uint64]


def in_order_of_content(rows: pd.DataFrame) -> pd.DataFrame:
    """Tidy rows sorted by their content.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows as `load_records` gives them; other frames with some of their columns will do.

    Returns
    -------
    pandas.DataFrame
        The same rows, renumbered from 0.

    Examples
    --------
    >>> one = pd.DataFrame({"client": ["a", "b"], "before": [30.0, 20.0]})
    >>> other = pd.DataFrame({"client": ["x", "y"], "before": [20.0, 30.0]})
    >>> in_order_of_content(one)["before"].tolist() == in_order_of_content(other)["before"].tolist()
    True
    """
    if len(rows) < 2:
        return rows.reset_index(drop=True)
    return rows.iloc[np.argsort(content_hashes(rows), kind="stable")].reset_index(drop=True)


def content_hashes(rows: pd.DataFrame) -> Hashes:
    """A number for each row that depends on what it says and on what its client, session … say, not on any name."""
    rows = _in_base_units(rows)
    silent = {"time_of_day"} if "time_of_day" in rows and rows["time_of_day"].isna().all() else set[str]()
    left_out = {*NAMES, *_WHERE, *silent}
    said = [_hashed(rows[name]) for name in sorted(map(str, rows.columns)) if name not in left_out]
    found = _mixed(said, len(rows))
    names = [pd.factorize(rows[name])[0] for name in NAMES if name in rows]
    for _ in range(_ROUNDS):
        found = _mixed([found, *(_together(codes, found) for codes in names)], len(rows))
    return found


def content_seed(*parts: object) -> int:
    """A seed for redraws from numbers and their labels, the same in any unit.

    Each column of numbers is taken in multiples of its own size (root mean square) and rounded to six places, so that
    neither a unit nor the last bit of one moves the seed.

    Examples
    --------
    >>> content_seed(np.array([1.0, 2.0])) == content_seed(np.array([25.4, 50.8 + 1e-12]))
    True
    """
    hashes = [_hashed(pd.Series(_without_unit(np.asarray(part)).ravel())) for part in parts]
    return int(sum((place + 1) * int(one.sum(dtype=np.uint64)) for place, one in enumerate(hashes)) % 2**63)


def _in_base_units(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with their readings, and the unit's name, in the base unit of what was measured."""
    readings = [name for name in READING_FIELDS if name in rows]
    if "unit" not in rows or not readings:
        return rows
    codes, names = pd.factorize(rows["unit"], use_na_sentinel=True)
    bases = [*(to_base(str(name)) for name in names), (None, 1.0)]  # the last one stands for a missing unit
    factors = np.array([factor for _, factor in bases])[codes]
    units = np.array([base for base, _ in bases], dtype=object)[codes]
    return rows.assign(unit=units, **{name: rows[name].astype(float) * factors for name in readings})


def _without_unit(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """Columns of decimal numbers in multiples of their root mean square; everything else as it is."""
    if not np.issubdtype(values.dtype, np.floating) or values.size == 0:
        return values
    size = np.sqrt(np.nanmean(np.square(values), axis=0))
    return np.asarray(np.round(values / np.where(size > 0, size, 1.0), 6))


def _hashed(column: pd.Series) -> Hashes:
    """One hash a value; numbers as they read with seven digits, everything missing alike."""
    if pd.api.types.is_float_dtype(column.dtype):
        codes, distinct = pd.factorize(column.to_numpy(dtype=float, na_value=np.nan))
        texts = [f"{value + 0.0:.7g}" for value in distinct]
    elif column.dtype == object:  # there 1 and True would count as equal
        codes, words = pd.factorize(column.where(column.isna(), column.astype(str)))
        texts = list(words)
    else:
        codes, words = pd.factorize(column)
        texts = list(pd.Series(words).astype(object).astype(str))
    hashes = np.append(pd.util.hash_array(np.array(texts, dtype=object), categorize=False), np.uint64(0))
    return np.asarray(hashes[codes], dtype=np.uint64)  # the last one stands for what is missing


def _together(codes: NDArray[np.intp], hashes: Hashes) -> Hashes:
    """For each row what all rows of the same client (session, …) say together, in whatever order they stand."""
    sums = np.zeros(int(codes.max(initial=-1)) + 2, dtype=np.uint64)
    np.add.at(sums, codes + 1, _stirred(hashes))
    return np.asarray(sums[codes + 1], dtype=np.uint64)


def _mixed(parts: list[Hashes], length: int) -> Hashes:
    """Several hashes of a row made one; the order of the parts counts."""
    found = np.zeros(length, dtype=np.uint64)
    for part in parts:
        found = _stirred(found * np.uint64(0x9E3779B97F4A7C15) + part)
    return found


def _stirred(values: Hashes) -> Hashes:
    """Every bit made to depend on every other (the finaliser of SplitMix64; Steele, Lea & Flood 2014)."""
    values = (values ^ (values >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    values = (values ^ (values >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(values ^ (values >> np.uint64(31)), dtype=np.uint64)
