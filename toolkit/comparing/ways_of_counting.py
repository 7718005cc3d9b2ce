"""The ways of counting a difference between two protocols, each an estimate with its interval.

All take one row a session: got_a (1 protocol A, 0 protocol B), y (oriented change), base, client, practitioner.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.comparing.allocation import scores, standardised
from toolkit.effect.rerandomisation import difference_interval
from toolkit.errors import FitError, NotEnoughError
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.quantiles import t_above, t_quantile
from toolkit.result import Estimate

Floats = NDArray[np.float64]


def plain_difference(sessions: pd.DataFrame, *, unit: str, confidence_level: float) -> Estimate:
    """Difference of the means of client means, clients who had both paired through their covariance."""
    means = sessions.groupby(["got_a", "client"])["y"].mean()
    one, other = means.xs(1.0, level="got_a"), means.xs(0.0, level="got_a")
    n = len(one.index.union(other.index))
    found = difference_interval(one, other)
    if found is None:
        raise NotEnoughError(f"{n} clients have a change under either protocol; at least 3 are needed.")
    se = found[2]
    return _estimate(
        "plain difference",
        float(one.mean() - other.mean()),
        se,
        n - 1,
        n,
        unit,
        confidence_level,
        "difference of client means, t",
    )


def _estimate(
    name: str, value: float, se: float, df: float, n: int, unit: str, confidence_level: float, method: str
) -> Estimate:
    reach = float(t_quantile((1 + confidence_level) / 2, df)) * se
    p = float(2 * t_above(abs(value) / se, df)) if se > 0 else None
    return Estimate(
        name=name,
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=n,
        method=method,
        confidence_level=confidence_level,
        se=se,
        df=df,
        p=p,
    )


def adjusted_difference(sessions: pd.DataFrame, *, unit: str, confidence_level: float) -> Estimate:
    """Mixed model: change on protocol and reading before, clients and practitioners random, Kenward–Roger df."""
    base = sessions["base"].to_numpy(dtype=float)
    columns = [sessions["got_a"].to_numpy(dtype=float), np.ones(len(sessions)), base - base.mean()]
    groups = {name: sessions[name].to_numpy() for name in ("client", "practitioner")}
    fit = fit_mixed_arrays(
        sessions["y"].to_numpy(dtype=float), np.column_stack(columns), ["protocol", "mean", "reading before"], groups
    )
    found = fit.contrast("protocol", ddf="kenward_roger")
    return _estimate(
        "adjusted difference",
        found.value,
        float(found.se or 0.0),
        float(found.df or 1.0),
        int(sessions["client"].nunique()),
        unit,
        confidence_level,
        "mixed model adjusted for the reading before, Kenward–Roger df",
    )


def weighted_and_robust(
    sessions: pd.DataFrame, known: pd.DataFrame, *, unit: str, confidence_level: float
) -> tuple[Estimate, Estimate]:
    """Overlap-weighted and doubly robust differences, intervals by leaving out one client at a time."""
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
    names = ("overlap-weighted difference", "doubly robust difference")
    methods = (
        "overlap weights, interval by leaving out one client at a time",
        "overlap weights and a linear model together, interval by leaving out one client at a time",
    )
    first, second = (
        _estimate(names[i], float(whole[i]), float(spread[i]), m - 1, n, unit, confidence_level, methods[i])
        for i in (0, 1)
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


def without_practitioner(sessions: pd.DataFrame, *, unit: str, confidence_level: float) -> pd.DataFrame:
    """The adjusted difference with one practitioner left out at a time."""
    rows = []
    names = sorted(sessions["practitioner"].unique())
    for name in names if len(names) > 1 else []:
        rest = sessions[sessions["practitioner"] != name]
        row = {
            "left_out": name,
            "sessions": len(rest),
            "difference": np.nan,
            "ci_low": np.nan,
            "ci_high": np.nan,
            "note": "",
        }
        try:
            found = adjusted_difference(rest, unit=unit, confidence_level=confidence_level)
            row |= {"difference": found.value, "ci_low": found.ci_low, "ci_high": found.ci_high}
        except FitError as problem:
            row["note"] = str(problem)
        if rest["got_a"].nunique() < 2:
            row |= {"difference": np.nan, "ci_low": np.nan, "ci_high": np.nan, "note": "only one protocol is left"}
        rows.append(row)
    return pd.DataFrame(rows, columns=["left_out", "sessions", "difference", "ci_low", "ci_high", "note"])
