"""A client's readings in order: limits from their own ups and downs, and tests of a schedule drawn by chance."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, quantity
from toolkit.result import Shown
from toolkit.stats.clients import Floats
from toolkit.stats.paired_tests import FEWEST_DRAWS, TestResult, checked_differences, flip_signs

LIMIT_FACTOR = 2.66  # 3 / d2 for moving ranges of two (d2 = 1.128): Shewhart's constant
LONG_RUN = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class RunChart(Shown):
    """Readings of one client in order, with centre and limits from the moving range.

    `points` holds `order`, `value`, `moving_range`, `outside` (beyond a limit) and `in_long_run` (eight or more in a
    row on one side of the centre). Centre and limits come from the first `n_baseline` readings.
    """

    unit: str
    centre: float
    lower_limit: float
    upper_limit: float
    n_baseline: int
    points: pd.DataFrame

    def sentence(self) -> str:
        """Whether any reading stands out."""
        outside, runs = int(self.points["outside"].sum()), int(self.points["in_long_run"].sum())
        said = "none lies outside them" if outside == 0 else f"{outside} lie(s) outside them"
        shift = f"; {runs} readings belong to a run of {LONG_RUN} or more on one side" if runs else ""
        return (
            f"{len(self.points)} readings of one client around {quantity(self.centre, self.unit)}, limits "
            f"{figure_text(self.lower_limit)} to {quantity(self.upper_limit, self.unit)} from the moving range of "
            f"the first {self.n_baseline}: {said}{shift}. A signal asks for a reason; it does not give one."
        )

    def table(self) -> pd.DataFrame:
        """One row a reading."""
        return self.points


def _in_long_run(side: np.ndarray[Any, np.dtype[np.float64]]) -> list[bool]:
    """For each reading whether it belongs to eight or more in a row on one side; one on the centre does not count."""
    off = pd.Series(side)[side != 0]
    long = off.groupby((off != off.shift()).cumsum()).transform("size") >= LONG_RUN
    return [bool(at) for at in long.reindex(range(len(side)), fill_value=False)]


def run_chart(values: Any, *, unit: str, n_baseline: int | None = None) -> RunChart:
    """A run chart of individuals with moving-range limits.

    Parameters
    ----------
    values
        One client's readings in the order of time, in `unit`.
    unit
        Of the readings.
    n_baseline
        How many of the first readings set centre and limits (at least five; all of them if left out).

    Raises
    ------
    ToolkitError
        Something is not a number, or the baseline is longer than the readings.
    NotEnoughError
        Fewer than five readings in the baseline, or all of them the same.

    References
    ----------
    Shewhart (1931); Wheeler (2000) Understanding Variation (individuals and moving range; runs of eight).

    Examples
    --------
    >>> chart = run_chart([30, 32, 31, 30, 33, 31, 45], unit="deg", n_baseline=6)
    >>> round(chart.upper_limit, 2), int(chart.points["outside"].sum())
    (35.95, 1)
    """
    read = checked_differences(values, fewest=1)
    base = len(read) if n_baseline is None else n_baseline
    if base > len(read):
        raise ToolkitError(f"A baseline of {base} readings was asked for, but there are {len(read)}.")
    if base < 5:
        raise NotEnoughError(f"{base} reading(s) to set the limits by: at least five are needed. Read more often.")
    moving = np.abs(np.diff(read))
    typical = float(moving[: base - 1].mean())
    if typical == 0:
        raise NotEnoughError(f"The first {base} readings are all the same: they give no limits. Check the instrument.")
    centre = float(read[:base].mean())
    low, high = centre - LIMIT_FACTOR * typical, centre + LIMIT_FACTOR * typical
    points = pd.DataFrame(
        {
            "order": np.arange(1, len(read) + 1),
            "value": read,
            "moving_range": np.concatenate([[np.nan], moving]),
            "outside": (read < low) | (read > high),
            "in_long_run": _in_long_run(np.sign(read - centre)),
        }
    )
    return RunChart(unit=unit, centre=centre, lower_limit=low, upper_limit=high, n_baseline=base, points=points)


MOST_SCHEDULES = 200_000


def _treated_mask(values: Floats, treated: Any) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """The schedule as yes/no a session.

    Raises
    ------
    ToolkitError
        Another length than the readings, or something other than yes/no.
    NotEnoughError
        All or none treated.
    """
    given = np.asarray(treated)
    if given.shape != values.shape or not np.isin(given, (0, 1)).all():
        raise ToolkitError("Say for each of the readings whether the session was a treated one: 1 (yes) or 0 (no).")
    mask = given.astype(bool)
    if mask.all() or not mask.any():
        raise NotEnoughError("Every session was of the same kind: an alternating schedule needs both kinds.")
    return mask


def alternating_pairs_test(values: Any, treated: Any) -> TestResult:
    """Sessions in consecutive pairs, a coin per pair saying which is treated: exact test of treated minus untreated.

    Parameters
    ----------
    values
        One client's readings (or changes) in order, two a pair.
    treated
        1 or 0 for each, one 1 a pair.

    Raises
    ------
    ToolkitError
        An odd number of sessions, or a pair without exactly one treated session.
    NotEnoughError
        Fewer than two pairs.

    References
    ----------
    Edgington & Onghena (2007) Randomization Tests, chapter 11.

    Examples
    --------
    >>> alternating_pairs_test([33, 30, 31, 34, 35, 31, 30, 33], [1, 0, 0, 1, 1, 0, 0, 1]).p
    0.125
    """
    read = checked_differences(values)
    mask = _treated_mask(read, treated)
    if len(read) % 2 or (mask.reshape(-1, 2).sum(axis=1) != 1).any():
        raise ToolkitError(
            "The schedule is not one of pairs: each two sessions in a row must hold one treated session."
        )
    difference = np.where(mask, read, -read).reshape(-1, 2).sum(axis=1)
    if len(difference) < 2:
        raise NotEnoughError("One pair of sessions cannot be told from chance: keep to the schedule for more pairs.")
    found = flip_signs(difference)
    return TestResult(
        name="randomisation test of an alternating schedule (pairs)",
        statistic=found.statistic,
        p=found.p,
        n=len(read),
        method=found.method,
    )


def _longest_run(mask: np.ndarray[Any, np.dtype[np.bool_]]) -> int:
    """How many sessions of one kind follow each other at most."""
    edges = np.flatnonzero(np.diff(mask.astype(int))) + 1
    return int(max(np.diff(np.concatenate([[0], edges, [len(mask)]]))))


def _possible_schedules(n: int, n_treated: int, longest: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Every schedule with as many treated sessions and no longer run than allowed, one a row."""
    found = []
    for chosen in combinations(range(n), n_treated):
        mask = np.zeros(n, dtype=bool)
        mask[list(chosen)] = True
        if _longest_run(mask) <= longest:
            found.append(mask)
    return np.array(found)


def _drawn_schedules(
    n: int, n_treated: int, longest: int, rng: np.random.Generator
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Random schedules of the same kind; draws that break the run rule are drawn again."""
    start = np.arange(n) < n_treated
    found: list[np.ndarray[Any, np.dtype[np.bool_]]] = []
    for _ in range(100 * FEWEST_DRAWS):
        mask = rng.permutation(start)
        if _longest_run(mask) <= longest:
            found.append(mask)
        if len(found) == FEWEST_DRAWS:
            return np.array(found)
    raise NotEnoughError("Hardly any schedule keeps to so short a run: use the test for pairs.")


def alternating_schedule_test(
    values: Any, treated: Any, *, longest_run: int | None = None, rng: np.random.Generator | int | None = None
) -> TestResult:
    """A schedule drawn among all with as many treated sessions: exact test of treated minus untreated mean, two-sided.

    Parameters
    ----------
    values
        One client's readings (or changes) in order.
    treated
        1 or 0 for each.
    longest_run
        The most sessions of one kind in a row that the draw allowed; none if left out.
    rng
        Numpy Generator or seed; used above 200,000 possible schedules.

    Raises
    ------
    ToolkitError
        The schedule does not fit the readings, or breaks its own run rule.
    NotEnoughError
        Only one kind of session, or only one possible schedule.

    References
    ----------
    Edgington & Onghena (2007) Randomization Tests, chapter 11.

    Examples
    --------
    >>> round(alternating_schedule_test([33, 30, 31, 34, 35, 31], [1, 0, 0, 1, 1, 0]).p, 3)
    0.1
    """
    read = checked_differences(values)
    mask = _treated_mask(read, treated)
    n, n_treated = len(read), int(mask.sum())
    longest = n if longest_run is None else longest_run
    if _longest_run(mask) > longest:
        raise ToolkitError(
            f"The schedule holds {_longest_run(mask)} sessions of one kind in a row; {longest} were allowed."
        )
    exact = comb(n, n_treated) <= MOST_SCHEDULES
    masks = (
        _possible_schedules(n, n_treated, longest)
        if exact
        else _drawn_schedules(n, n_treated, longest, np.random.default_rng(rng))
    )
    if len(masks) < 2:
        raise NotEnoughError("Only one schedule was possible: there is nothing to compare it with.")
    weights = np.where(masks, 1 / n_treated, -1 / (n - n_treated))
    differences = np.abs(weights @ read)
    observed = float(read[mask].mean() - read[~mask].mean())
    as_large = int((differences >= abs(observed) - 1e-9 * max(1.0, float(np.abs(read).max()))).sum())
    return TestResult(
        name="randomisation test of an alternating schedule",
        statistic=observed,
        p=as_large / len(masks) if exact else (1 + as_large) / (1 + len(masks)),
        n=n,
        method=f"exact: all {len(masks):,} schedules" if exact else f"{len(masks):,} random schedules",
    )
