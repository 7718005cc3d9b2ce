"""Chance: how far the difference would scatter if the same season were lived again."""

from __future__ import annotations

import numpy as np

from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, amount, client_sums, jackknife


def mean_over_clients(sums: np.ndarray, counts: np.ndarray) -> float:
    """Mean of the clients' own means: every client weighs the same."""
    return float(np.mean(sums / counts))


def mean_over_rows(sums: np.ndarray, counts: np.ndarray) -> float:
    """Mean over rows: a client of forty sessions weighs forty times."""
    return float(sums.sum() / counts.sum())


def chance(case: Case) -> Rival:
    """Half-width of the interval over the readings that were taken: one look, one question, nothing filled in."""
    name, close = "chance", "More clients: the half-width falls with the square root of their number."
    spread = _scatter(case)
    if spread is None:
        says = "Too few clients to say how far chance alone would reach."
        return Rival(rival=name, status="open", size=None, says=says, what_would_close_it=close)
    half, n, method = spread
    if half == 0:
        says = f"Every one of {n} clients shows the same change, so the records do not tell how far chance would reach."
        return Rival(rival=name, status="open", size=None, says=says, what_would_close_it=close)
    level = 1 - case.alpha
    size = Estimate(
        name="half-width of the interval",
        value=half,
        ci_low=half,
        ci_high=half,
        unit=case.unit,
        n=n,
        method=f"{100 * level:.4g} % interval: {method}",
        confidence_level=level,
    )
    says = f"Chance alone moves the result by about ± {amount(half, case.unit)} ({n} clients)."
    return Rival(rival=name, status="bounded", size=size, says=says, what_would_close_it=close)


def _scatter(case: Case) -> tuple[float, int, str] | None:
    """Half-width, clients and method: of the technique less its comparison, else of the change in the readings."""
    if case.complete is not None:
        found = case.complete.at_level(1 - case.alpha)
        half = (found.ci_high - found.ci_low) / 2
        if np.isfinite(half):
            return half, found.n_clients, found.method
    simple = jackknife(
        *client_sums(case.changes()),
        mean_over_clients,
        name="mean",
        unit=case.unit,
        method="client means",
        confidence_level=1 - case.alpha,
    )
    return None if simple is None else ((simple.ci_high - simple.ci_low) / 2, simple.n, simple.method)
