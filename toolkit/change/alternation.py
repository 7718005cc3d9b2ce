"""One client, a schedule drawn by chance: would another draw have given as large a difference?"""

from __future__ import annotations

from itertools import combinations
from math import comb
from typing import Any

import numpy as np

from toolkit.change.clients import Floats
from toolkit.change.paired_tests import FEWEST_DRAWS, TestResult, checked_differences, flip_signs
from toolkit.errors import NotEnoughError, ToolkitError

MOST_SCHEDULES = 200_000


def _treated_mask(values: Floats, treated: Any) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """The schedule as yes/no a session.

    Raises:
        ToolkitError: another length than the readings, or something other than yes/no.
        NotEnoughError: all or none treated.
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

    Args:
        values: one client's readings (or changes) in order, two a pair.
        treated: 1 or 0 for each, one 1 a pair.

    Raises:
        ToolkitError: an odd number of sessions, or a pair without exactly one treated session.
        NotEnoughError: fewer than two pairs.

    Source: Edgington & Onghena (2007) Randomization Tests, chapter 11.

    Example:
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

    Args:
        values: one client's readings (or changes) in order.
        treated: 1 or 0 for each.
        longest_run: the most sessions of one kind in a row that the draw allowed; none if left out.
        rng: numpy Generator or seed; used above 200,000 possible schedules.

    Raises:
        ToolkitError: the schedule does not fit the readings, or breaks its own run rule.
        NotEnoughError: only one kind of session, or only one possible schedule.

    Source: Edgington & Onghena (2007) Randomization Tests, chapter 11.

    Example:
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
