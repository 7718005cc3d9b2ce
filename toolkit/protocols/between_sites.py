"""The variance between sites, estimated in three ways, for site effects and an optional moderator."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError

Array = npt.NDArray[np.float64]


def checked(sites: pd.DataFrame, *, least: int) -> tuple[Array, Array]:
    """Effects and variances of at least `least` sites, or a clear word about what is wrong with them."""
    absent = [name for name in ("site", "effect", "variance") if name not in sites.columns]
    if absent:
        raise ToolkitError(f"the site summaries have no column {', '.join(absent)}: give site, effect and variance")
    if len(sites) < least:
        raise NotEnoughError(f"{len(sites)} site(s): at least {least} are needed")
    y, v = sites["effect"].to_numpy(float), sites["variance"].to_numpy(float)
    bad = ~np.isfinite(y) | ~np.isfinite(v) | (v <= 0)
    if bad.any():
        names = ", ".join(str(name) for name in sites.loc[bad, "site"])
        raise ToolkitError(
            f"site {names}: the effect is missing or its variance not above 0; correct it or leave it out"
        )
    return y, v


def generalised_q(tau2: float, y: Array, v: Array, design: Array) -> float:
    """The weighted residual sum of squares with tau2 between sites: Cochran's Q at tau2 = 0."""
    w = 1 / (v + tau2)
    beta = np.linalg.solve(design.T * w @ design, design.T @ (w * y))
    residual = y - design @ beta
    return float((w * residual**2).sum())


def dersimonian_laird(y: Array, v: Array, design: Array) -> float:
    """The moment estimate, 0 where it would be negative."""
    w = 1 / v
    inverse = np.linalg.inv(design.T * w @ design)
    trace = w.sum() - float(np.trace(inverse @ (design.T * w**2 @ design)))
    return max(0.0, float((generalised_q(0.0, y, v, design) - (len(y) - design.shape[1])) / trace))


def paule_mandel(y: Array, v: Array, design: Array) -> float:
    """The tau2 at which the generalised Q equals its degrees of freedom, 0 where it is below already."""
    from scipy import optimize

    df = len(y) - design.shape[1]
    if generalised_q(0.0, y, v, design) <= df:
        return 0.0
    top = float(np.ptp(y) ** 2 + v.max())
    while generalised_q(top, y, v, design) > df:
        top *= 4
    return float(optimize.brentq(lambda tau2: generalised_q(tau2, y, v, design) - df, 0.0, top, xtol=1e-14, rtol=1e-13))


def reml(y: Array, v: Array, design: Array) -> float:
    """The variance between sites with the highest restricted likelihood, 0 included."""
    from scipy import optimize

    def minus_loglik(tau2: float) -> float:
        w = 1 / (v + tau2)
        info = design.T * w @ design
        return float(0.5 * (-np.log(w).sum() + np.linalg.slogdet(info)[1] + generalised_q(tau2, y, v, design)))

    top = 10 * float(np.ptp(y) ** 2 + v.max())
    grid = np.concatenate([[0.0], np.geomspace(1e-8, 1.0, 120) * top])
    best = int(np.argmin([minus_loglik(t) for t in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    score_low, score_high = (_reml_score(t, y, v, design) for t in (low, high))
    if score_low > 0 > score_high:
        return float(optimize.brentq(lambda t: _reml_score(t, y, v, design), low, high, xtol=1e-15, rtol=1e-13))
    return float(grid[best])


def _reml_score(tau2: float, y: Array, v: Array, design: Array) -> float:
    """Twice the slope of the restricted log likelihood in tau2: y'PPy - tr(P)."""
    w = 1 / (v + tau2)
    weighted = design * w[:, None]
    p = np.diag(w) - weighted @ np.linalg.solve(design.T @ weighted, weighted.T)
    py = p @ y
    return float(py @ py - np.trace(p))


BETWEEN: dict[str, Callable[[Array, Array, Array], float]] = {
    "REML": reml,
    "DL": dersimonian_laird,
    "PM": paule_mandel,
}
