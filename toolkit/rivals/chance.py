"""Chance: how far the difference would scatter if the same season were lived again."""

from __future__ import annotations

import numpy as np

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival, client_sums, jackknife


def mean_over_clients(sums: np.ndarray, counts: np.ndarray) -> float:
    """Mean of the clients' own means: every client weighs the same."""
    return float(np.mean(sums / counts))


def mean_over_rows(sums: np.ndarray, counts: np.ndarray) -> float:
    """Mean over rows: a client of forty sessions weighs forty times."""
    return float(sums.sum() / counts.sum())


def chance(case: Case) -> Rival:
    """Half-width of the interval: of the attributable change, else of the change in the readings."""
    name, close = "chance", "More clients: the half-width falls with the square root of their number."
    found = case.attributable
    if found is not None and np.isfinite(found.ci_high - found.ci_low):
        half = (found.ci_high - found.ci_low) / 2
        n, method, level = found.n_clients, found.method, found.confidence_level
    else:
        change = case.changes()
        simple = jackknife(*client_sums(change), mean_over_clients, name="mean", unit=case.unit, method="client means")
        if simple is None:
            says = "Too few clients to say how far chance alone would reach."
            return Rival(rival=name, status="open", size=None, says=says, what_would_close_it=close)
        half, n, method, level = (simple.ci_high - simple.ci_low) / 2, simple.n, simple.method, 0.95
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
    says = f"Chance alone moves the result by about ± {figure_text(half)} {case.unit} ({n} clients)."
    return Rival(rival=name, status="bounded", size=size, says=says, what_would_close_it=close)
