"""Readings that were not written down: never dropped, but filled in against the technique, then for it.

Against it (lower): a missing technique change is taken to be the lower quartile of the comparison's changes, a
missing comparison change their median. For it (upper): a missing technique change is taken to be the median of the
comparison's changes, a missing comparison change their 15th percentile: further down than the lower quartile, because
those who leave out what did not move leave out more of it where nothing was done. Simulated clinics in which 60 % of
the unmoved sides are not written down: with the lower quartile up to 7 % of the upper limits lie below the truth, with
the 15th percentile at most 1.3 % (150 clinics a
cell; tests/benchmarks/validity.md shows what the interval then covers, 500 a cell).

Where one arm lost more than the other, a quantile is a guess: hurt sides that nobody writes down lie below any. Then
what is missing in that arm is taken to be one SD beyond the worst (or best) change written down in either. One
exception: who leaves out what did not move leaves out more where nothing was done, and some where something was. Where
the comparison lost more, but the technique some too, it is taken for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.quantiles import fisher_above, fisher_p

Floats = NDArray[np.float64]
LOWER = (0.25, 0.50)
UPPER = (0.50, 0.15)
BY_COUNT = (0.15, 0.50)
APART = 0.10  # shares missing that differ by so much, and hardly by chance
BY_CHANCE = 0.05
CLEARLY = 0.01
MOST_UNWRITTEN = 0.2  # of the technique's sessions with no usable reading at all
MOST_LOST = 0.5  # of the technique's changes: beyond that a quantile says nothing, whatever the comparison lost


@dataclass(frozen=True, kw_only=True)
class Filling:
    """What a missing change is taken to be: (technique, comparison), against the technique and for it.

    `uncounted`: the same for technique sessions that only the count misses (15th percentile, median of the comparison).
    `harsher`: which arm lost so much more that the worst (best) change written down is taken there, "" for neither.
    """

    against: tuple[float, float]
    in_favour: tuple[float, float]
    uncounted: tuple[float, float] = (0.0, 0.0)
    harsher: str = ""


def n_missing(rows: pd.DataFrame) -> int:
    """How many compared rows have no reading after."""
    return int(rows["y"].isna().sum())


def filling(rows: pd.DataFrame) -> Filling | None:
    """What missing changes are taken to be; None where the comparison has none to fill from.

    Parameters
    ----------
    rows
        Compared rows: `arm`, `y` (NaN = missing), `base`, `gap`; `uncounted` (True: a row that stands for a session
        that may have been left out, no proof of it) where there are such.

    Examples
    --------
    >>> rows = pd.DataFrame({"arm": [1.0, 1.0, 0.0, 0.0, 0.0], "y": [np.nan, 3.0, 0.0, 2.0, 4.0]})
    >>> filling(rows).against
    (1.0, 2.0)
    """
    arm, y = rows["arm"].to_numpy(), rows["y"].to_numpy(dtype=float)
    comparison = y[(arm == 0) & ~np.isnan(y)]
    if not len(comparison):
        return None
    against, in_favour = (tuple(map(float, np.quantile(comparison, how))) for how in (LOWER, UPPER))
    harsher = _lost_more(rows)
    every = y[~np.isnan(y)]
    spread = float(every.std(ddof=1)) if len(every) > 1 else 0.0
    least, most = float(every.min()) - spread, float(every.max()) + spread  # what nobody wrote down may lie beyond
    if harsher == "technique":
        against, in_favour = (least, against[1]), (most, in_favour[1])
    elif harsher == "comparison":
        against, in_favour = (against[0], most), (in_favour[0], least)
    few, middle = (float(np.quantile(comparison, at)) for at in BY_COUNT)
    return Filling(
        against=(against[0], against[1]),
        in_favour=(in_favour[0], in_favour[1]),
        uncounted=(few, middle),
        harsher=harsher,
    )


def fill(rows: pd.DataFrame, values: tuple[float, float], *, uncounted: float | None = None) -> pd.DataFrame:
    """Compared rows with every missing change filled in: (technique, comparison). Unknown baselines become the mean.

    `uncounted`: for rows that stand for sessions which only the count misses.

    Examples
    --------
    >>> fill(pd.DataFrame({"arm": [1.0, 0.0], "y": [np.nan, 2.0]}), (1.0, 0.0))["y"].tolist()
    [1.0, 2.0]
    """
    value = np.where(rows["arm"].to_numpy() == 1, *values)
    if uncounted is not None and "uncounted" in rows:
        value = np.where(rows["uncounted"].astype(bool).to_numpy(), uncounted, value)
    known = {name: rows[name].fillna(rows[name].mean()) for name in ("base", "gap") if name in rows}
    return rows.assign(y=rows["y"].where(rows["y"].notna(), value), **known)


def _lost_more(rows: pd.DataFrame) -> str:
    """Which arm lost so much more than the other that it need not be chance."""
    if "uncounted" in rows:
        rows = rows[~rows["uncounted"].to_numpy(dtype=bool)]
    technique, missing = rows["arm"].to_numpy() == 1, rows["y"].isna().to_numpy()
    n = np.array([technique.sum(), (~technique).sum()])
    lost = np.array([(missing & technique).sum(), (missing & ~technique).sum()])
    if not lost.any() or not n.all():
        return ""
    return harsher_arm(lost, n, _nothing_written(rows))


def harsher_arm(lost: NDArray[np.int_], n: NDArray[np.int_], nothing_written: float) -> str:
    """Which arm lost so much more (technique, comparison: how many of how many) that it need not be chance.

    Parameters
    ----------
    nothing_written
        Share of the technique's sessions that left no usable reading at all.
    """
    shares = lost / n
    if shares[0] > MOST_LOST or nothing_written > MOST_UNWRITTEN:
        return "technique"
    p = fisher_p(np.column_stack([lost, n - lost]))
    more = fisher_above(lost[0], n[0], lost[1], n[1]) if shares[0] > shares[1] else p
    if not (p < CLEARLY or (abs(shares[0] - shares[1]) >= APART and more < BY_CHANCE)):
        return ""
    if shares[0] > shares[1]:
        return "technique"
    return "comparison" if lost[0] == 0 and p < CLEARLY else ""


def _nothing_written(rows: pd.DataFrame) -> float:
    """Share of the technique's sessions that left no usable reading, before or after."""
    if "base" not in rows:
        return 0.0
    mine = rows["arm"].to_numpy() == 1
    nothing = rows["base"].isna().to_numpy() & rows["y"].isna().to_numpy()
    return float(nothing[mine].mean()) if mine.any() else 0.0
