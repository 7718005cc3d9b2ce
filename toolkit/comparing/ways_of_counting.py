"""The other ways of counting a difference between two protocols, beside the one that is quoted.

All take one row a session: got_a (1 protocol A, 0 protocol B), y (oriented change from the last reading before), first
(oriented first reading before), change (from the first reading), client, practitioner.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.allocation import scores, standardised
from toolkit.effect.rerandomisation import difference_interval
from toolkit.errors import FitError, NotEnoughError
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.quantiles import t_above, t_quantile
from toolkit.result import Estimate

Floats = NDArray[np.float64]
PLAIN, USUAL = "client means, not adjusted", "change adjusted for the reading it starts from"
WEIGHTED, ROBUST = "overlap weights", "overlap weights and a model together"


def other_ways(
    sessions: pd.DataFrame, known: pd.DataFrame, *, unit: str, level: float
) -> tuple[tuple[Estimate, ...], tuple[str, ...]]:
    """Plain, usual, weighted and doubly robust differences; which could not be had, and why.

    Parameters
    ----------
    sessions
        One row a session (see the head of this module).
    known
        What was known before, as numbers (`toolkit.effect.allocation.characteristics`).
    unit, level
        Unit of the change; confidence level of the intervals.
    """
    asked: tuple[tuple[str, Callable[[], tuple[Estimate, ...]]], ...] = (
        (PLAIN, lambda: (plain_difference(sessions, unit=unit, level=level),)),
        (USUAL, lambda: (usual_difference(sessions, unit=unit, level=level),)),
        (WEIGHTED, lambda: weighted_and_robust(sessions, known, unit=unit, level=level)),
    )
    found: list[Estimate] = []
    lacking: list[str] = []
    for name, ask in asked:
        try:
            found += ask()
        except (FitError, NotEnoughError, np.linalg.LinAlgError) as why:
            lacking.append(f"{name}: {why}")
    return tuple(found), tuple(lacking)


def plain_difference(sessions: pd.DataFrame, *, unit: str, level: float) -> Estimate:
    """Difference of the means of client means, clients who had both paired through their covariance."""
    means = sessions.groupby(["got_a", "client"])["y"].mean()
    one, other = means.xs(1.0, level="got_a"), means.xs(0.0, level="got_a")
    n = len(one.index.union(other.index))
    found = difference_interval(one, other)
    if found is None:
        raise NotEnoughError(f"{n} clients have a change under either protocol; at least 3 are needed.")
    value = float(one.mean() - other.mean())
    return _estimate(PLAIN, value, found[2], n - 1, n, unit, level, "difference of client means, t")


def _estimate(name: str, value: float, se: float, df: float, n: int, unit: str, level: float, method: str) -> Estimate:
    reach = float(t_quantile((1 + level) / 2, df)) * se
    p = float(2 * t_above(abs(value) / se, df)) if se > 0 else None
    return Estimate(
        name=name,
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=n,
        method=method,
        confidence_level=level,
        se=se,
        df=df,
        p=p,
    )


def usual_difference(sessions: pd.DataFrame, *, unit: str, level: float) -> Estimate:
    """What a colleague would fit: the change from the first reading before, adjusted for that same reading.

    A mixed model, clients and practitioners random, Kenward–Roger df. Where stiff clients got one of the two more
    often it makes a difference out of reading error; it stands here to be seen beside the others.
    """
    first = sessions["first"].to_numpy(dtype=float)
    columns = [sessions["got_a"].to_numpy(dtype=float), np.ones(len(sessions)), first - first.mean()]
    groups = {name: sessions[name].to_numpy() for name in ("client", "practitioner")}
    fit = fit_mixed_arrays(
        sessions["change"].to_numpy(dtype=float), np.column_stack(columns), ["protocol", "mean", "first"], groups
    )
    got = fit.contrast("protocol", ddf="kenward_roger")
    n = int(sessions["client"].nunique())
    method = "mixed model of the change, adjusted for the reading it starts from, Kenward–Roger df"
    return _estimate(USUAL, got.value, float(got.se or 0.0), float(got.df or 1.0), n, unit, level, method)


def weighted_and_robust(
    sessions: pd.DataFrame, known: pd.DataFrame, *, unit: str, level: float
) -> tuple[Estimate, Estimate]:
    """Overlap-weighted and doubly robust differences, intervals by leaving out one client at a time.

    Li, Morgan & Zaslavsky (2018) J Am Stat Assoc 113:390-400; Robins, Rotnitzky & Zhao (1994) J Am Stat Assoc
    89:846-866, with overlap weights after Mao, Li & Greene (2019), from memory.
    """
    x, y = standardised(known), sessions["y"].to_numpy(dtype=float)
    got_a = sessions["got_a"].to_numpy(dtype=float)
    client = pd.factorize(sessions["client"])[0]
    n = int(client.max()) + 1
    whole = _both_ways(x, y, got_a)
    without = np.array(
        [
            _both_ways(x[kept], y[kept], got_a[kept])
            for kept in (client != k for k in range(n))
            if 0 < got_a[kept].mean() < 1
        ]
    )
    m = len(without)
    spread = np.sqrt((m - 1) / m * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    leaving = "interval by leaving out one client at a time"
    methods = (f"overlap weights, {leaving}", f"overlap weights and a linear model together, {leaving}")
    first, second = (
        _estimate(name, float(whole[i]), float(spread[i]), m - 1, n, unit, level, methods[i])
        for i, name in enumerate((WEIGHTED, ROBUST))
    )
    return first, second


def _both_ways(x: Floats, y: Floats, got_a: Floats) -> tuple[float, float]:
    """Weighted difference, and the same with a linear model of the outcome in each protocol."""
    e = scores(x, got_a)
    tilt = e * (1 - e)
    of_a, of_b = (1 - e) * got_a, e * (1 - got_a)
    design = np.column_stack([np.ones(len(y)), x])

    def predicted(arm: Floats) -> Floats:
        inside = design[arm == 1]
        penalty = np.diag([1e-9, *([0.1] * x.shape[1])])
        return np.asarray(design @ np.linalg.solve(inside.T @ inside + penalty, inside.T @ y[arm == 1]))

    m_a, m_b = predicted(got_a), predicted(1 - got_a)
    weighted = (of_a @ y) / of_a.sum() - (of_b @ y) / of_b.sum()
    robust = (tilt @ (m_a - m_b)) / tilt.sum() + (of_a @ (y - m_a)) / of_a.sum() - (of_b @ (y - m_b)) / of_b.sum()
    return float(weighted), float(robust)
