"""Who got which protocol: balance of what was known before, overlap, and weights that even it out.

The chance of getting protocol A given what was known before (propensity score; Rosenbaum & Rubin 1983) is a logistic
regression with a light ridge, so that clear-cut allocations give scores near 0 and 1 instead of no fit. Overlap weights
(Li, Morgan & Zaslavsky 2018, Journal of the American Statistical Association 113:390–400) count most the sessions that
could have gone either way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
RIDGE = 1.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Allocation:
    """Scores, weights and balance of one comparison.

    `score`: chance of protocol A for each session. `weight`: overlap weight of each session. `balance`: one row a
    characteristic: difference (in SDs, A − B) as recorded and adjusted_difference with the weights. `effective_n`:
    sessions that each protocol is still worth with the weights (Kish 1965).
    """

    score: Floats
    weight: Floats
    balance: pd.DataFrame
    effective_n: tuple[float, float]


_WORDS = {"first": "reading before"}


def characteristics(sessions: pd.DataFrame, *, fields: tuple[str, ...]) -> pd.DataFrame:
    """Known-before columns as numbers: numeric ones as they are, words as one indicator each (rare ones dropped).

    Args:
        sessions: one row a session. fields: columns to use where they vary.
    """
    parts: dict[str, Floats] = {}
    for field in fields:
        values, name = sessions[field], _WORDS.get(field, field.replace("_", " "))
        as_numbers = pd.to_numeric(values, errors="coerce")
        if as_numbers.notna().mean() > 0.5:
            parts[name] = as_numbers.fillna(as_numbers.median()).to_numpy(dtype=float)
            continue
        words = values.astype(str).replace(dict.fromkeys(("", "nan", "<NA>"), "not said"))
        for word, n in words.value_counts().iloc[1:].items():
            if n >= 5:
                parts[f"{name}: {word}"] = np.asarray(words == word, dtype=float)
    frame = pd.DataFrame(parts, index=sessions.index)
    return frame.loc[:, frame.std(ddof=0) > 0] if len(frame.columns) else frame


def scores(known: Floats, got_a: Floats, *, ridge: float = RIDGE, rounds: int = 50) -> Floats:
    """Chance of protocol A from standardised known-before columns, by ridge logistic regression (Newton steps).

    Args:
        known: n × k, standardised. got_a: 1 where protocol A was given. ridge: penalty on all but the intercept.
    """
    x = np.column_stack([np.ones(len(got_a)), known])
    penalty = np.diag([0.0, *([ridge] * known.shape[1])])
    beta = np.zeros(x.shape[1])
    for _ in range(rounds):
        p = 1 / (1 + np.exp(-np.clip(x @ beta, -30, 30)))
        step = np.linalg.solve(
            (x.T * (p * (1 - p))) @ x + penalty + 1e-9 * np.eye(len(beta)), x.T @ (got_a - p) - penalty @ beta
        )
        beta = beta + step
        if np.max(np.abs(step)) < 1e-9:
            break
    return np.asarray(1 / (1 + np.exp(-np.clip(x @ beta, -30, 30))))


def standardised(frame: pd.DataFrame) -> Floats:
    """Columns less their mean, over their SD."""
    values = frame.to_numpy(dtype=float)
    return np.asarray((values - values.mean(axis=0)) / values.std(axis=0)) if values.shape[1] else values


def allocation(known: pd.DataFrame, got_a: Floats) -> Allocation:
    """Scores, overlap weights and balance.

    Args:
        known: known-before columns (see `characteristics`). got_a: 1 for protocol A, 0 for B.

    Example:
        >>> known = pd.DataFrame({"baseline": [30.0, 32.0, 40.0, 42.0]})
        >>> bool(allocation(known, np.array([1.0, 1.0, 0.0, 0.0])).balance["difference"][0] < -1)
        True
    """
    score = scores(standardised(known), got_a)
    weight = np.where(got_a == 1, 1 - score, score)
    rows = []
    for name in known.columns:
        values = known[name].to_numpy(dtype=float)
        sd = np.sqrt((values[got_a == 1].var() + values[got_a == 0].var()) / 2)
        plain = values[got_a == 1].mean() - values[got_a == 0].mean()
        even = _mean(values, weight * (got_a == 1)) - _mean(values, weight * (got_a == 0))
        if sd > 0:
            rows.append({"characteristic": name, "difference": plain / sd, "adjusted_difference": even / sd})
    effective = tuple(_effective(weight[got_a == arm]) for arm in (1, 0))
    columns = ["characteristic", "difference", "adjusted_difference"]
    return Allocation(
        score=score,
        weight=weight,
        balance=pd.DataFrame(rows, columns=columns),
        effective_n=(effective[0], effective[1]),
    )


def _mean(values: Floats, weight: Floats) -> float:
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0 else float("nan")


def _effective(weight: Floats) -> float:
    squares = float((weight**2).sum())
    return float(weight.sum()) ** 2 / squares if squares > 0 else 0.0
