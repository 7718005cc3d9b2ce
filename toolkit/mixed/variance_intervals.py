"""Intervals of variance components by profile likelihood, and likelihood-ratio tests between two fits.

The likelihood is followed in standard deviations (and the correlation of intercept and slope): each is held at a value,
all others are fitted again, and the interval ends where twice the log-likelihood has fallen by the chi-squared
quantile (Bates et al. 2015). A lower end of zero means the rows do not show that there is any such variance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import linalg, special

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.likelihood import evaluate
from toolkit.mixed.mixed_fit import MixedFit
from toolkit.mixed.search import minimise
from toolkit.number_words import figure_text, p_words
from toolkit.result import Shown


@dataclass(frozen=True, kw_only=True, eq=False)
class VarianceIntervals(Shown):
    """Standard deviations of the model with profile-likelihood intervals (an endless upper end is inf)."""

    unit: str
    confidence_level: float
    criterion: str
    rows: pd.DataFrame
    """group, effect, what (SD or correlation), value, ci_low, ci_high, levels."""

    def sentence(self) -> str:
        """Each standard deviation with its interval."""
        said = "; ".join(
            f"{row['group']} {row['effect']}".strip()
            + f" {figure_text(float(row['value']))} ({figure_text(float(row['ci_low']))} to "
            + f"{figure_text(float(row['ci_high']))})"
            for row in self.rows.to_dict("records")
        )
        return (
            f"Standard deviations in {self.unit or 'units of the outcome'} with "
            f"{100 * self.confidence_level:.4g} % intervals by profile likelihood ({self.criterion}): {said}."
        )

    def table(self) -> pd.DataFrame:
        """One row a component."""
        return self.rows


class _Profile:
    """Deviance by standard deviations: the large factor's, their correlation, the dense factors', the residual's."""

    def __init__(self, fit: MixedFit) -> None:
        self.fit, self.parts = fit, fit.parts
        self.correlated = self.parts.k == 2 and self.parts.correlated
        theta, sigma = fit.point.theta, float(np.sqrt(fit.residual_variance))
        if self.correlated:
            a, b, c = theta[:3]
            t = float(np.hypot(b, c))
            relative = [a, t, b / t if t > 0 else 0.0, *theta[3:]]
        else:
            relative = list(theta)
        self.best = np.array([*(value * sigma for value in relative), sigma])
        if self.correlated:
            self.best[2] = relative[2]
        self.is_sd = np.array([not (self.correlated and i == 2) for i in range(len(self.best))])

    def deviance(self, at: Array) -> tuple[float, Array]:
        """Deviance and its gradient by the coordinates."""
        sigma = at[-1]
        relative = at[:-1] / sigma
        theta = relative.copy()
        if self.correlated:
            rho, t = at[2], relative[1]
            root = np.sqrt(max(1 - rho**2, 1e-14))
            theta[1], theta[2] = rho * t, root * t
        point = evaluate(self.parts, theta, reml=self.fit.reml, sigma2=float(sigma**2))
        by_theta = point.gradient
        by_relative = by_theta.copy()
        by_rho = 0.0
        if self.correlated:
            by_relative[1] = rho * by_theta[1] + root * by_theta[2]
            by_rho = t * by_theta[1] - rho * t / root * by_theta[2]
            by_relative[2] = 0.0
        nu = self.parts.n - self.parts.p if self.fit.reml else self.parts.n
        by_sigma = 2 * nu / sigma - 2 * point.rss / sigma**3
        by_sigma -= float(by_relative[self.is_sd[:-1]] @ relative[self.is_sd[:-1]]) / sigma
        gradient = np.append(by_relative / sigma, by_sigma)
        if self.correlated:
            gradient[2] = by_rho
        return point.deviance, gradient

    def held(self, place: int, value: float, start: Array) -> tuple[float, Array]:
        """The lowest deviance with one coordinate held, and where it lies."""
        others = np.arange(len(self.best)) != place
        scale = np.where(self.is_sd, np.maximum(self.best, 0.1 * self.best[-1]), 1.0)[others]
        # zero, and a correlation of one, are false resting places
        start = np.where(self.is_sd, np.maximum(start, 0.02 * self.best[-1]), np.clip(start, -0.9, 0.9))
        whole = start.copy()
        whole[place] = value

        def part(x: Array) -> tuple[float, Array]:
            whole[others] = x * scale
            try:
                deviance, gradient = self.deviance(whole)
            except linalg.LinAlgError:
                return float("inf"), np.zeros_like(x)
            return deviance, gradient[others] * scale

        low = np.where(self.is_sd, 0.0, -0.999999)
        low[-1] = 1e-4 * self.best[-1]
        high = np.where(self.is_sd, np.inf, 0.999999)
        found, lowest = minimise(
            part, start[others] / scale, lower=low[others] / scale, upper=high[others] / scale, tolerance=1e-6
        )
        whole[others] = found * scale
        return lowest, whole.copy()


def variance_intervals(fit: MixedFit, *, confidence_level: float = 0.95) -> VarianceIntervals:
    """Profile-likelihood intervals of every standard deviation (and correlation) of the model.

    By the criterion of the fit: restricted likelihood for REML, likelihood for ML.

    Examples
    --------
    >>> from toolkit.mixed.mixed import fit_mixed_arrays
    >>> rng = np.random.default_rng(2)
    >>> client = np.repeat(np.arange(20), 4)
    >>> y = rng.normal(size=20)[client] + rng.normal(size=80)
    >>> fit = fit_mixed_arrays(y, np.ones((80, 1)), ["Intercept"], {"client": client})
    >>> rows = variance_intervals(fit).rows
    >>> bool((rows["ci_low"] < 1.0).all() and (rows["ci_high"] > 1.0).all())
    True
    """
    profile = _Profile(fit)
    cut = float(special.chdtri(1, 1 - confidence_level))
    lowest, _ = profile.deviance(profile.best)
    names = [(c.group, c.effect, "SD", c.levels) for c in fit.components if c.effect != "covariance"]
    spread = [fit.slope_spread if fit.rows.slope is not None and place == 1 else 1.0 for place in range(len(names))]
    if profile.correlated:
        names.insert(2, (str(fit.rows.groups.large), "correlation of intercept and slope", "correlation", names[0][3]))
        spread.insert(2, 1.0)
    rows = []
    for place, (group, effect, what, levels) in enumerate(names):
        low, high = _interval(profile, place, lowest + cut)
        value = profile.best[place] / spread[place]
        rows.append((group, effect, what, value, low / spread[place], high / spread[place], levels))
    return VarianceIntervals(
        unit=fit.unit,
        confidence_level=confidence_level,
        criterion="REML" if fit.reml else "ML",
        rows=pd.DataFrame(rows, columns=["group", "effect", "what", "value", "ci_low", "ci_high", "levels"]),
    )


def _interval(profile: _Profile, place: int, target: float) -> tuple[float, float]:
    """Both ends for one coordinate."""
    best, is_sd = profile.best, profile.is_sd[place]
    floor = (1e-3 * best[place] if place == len(best) - 1 else 0.0) if is_sd else -0.999999
    ceiling = np.inf if is_sd else 0.999999
    step = max(0.3 * abs(best[place]), 0.1 * best[-1]) if is_sd else 0.2

    def beyond(value: float, memory: list[Array]) -> float:
        starts = [memory[0], best] if profile.correlated else [memory[0]]
        deviance, memory[0] = min((profile.held(place, value, start) for start in starts), key=lambda found: found[0])
        return deviance - target

    return (
        _end(beyond, best, place, -step, floor),
        _end(beyond, best, place, step, ceiling),
    )


def _end(beyond: Callable[[float, list[Array]], float], best: Array, place: int, step: float, limit: float) -> float:
    """Walk from the best value until the likelihood has fallen far enough, then close in; else the limit."""

    from scipy.optimize import brentq

    memory = [best.copy()]
    inner, outer = float(best[place]), float(best[place])
    for _ in range(40):
        outer = min(outer + step, limit) if step > 0 else max(outer + step, limit)
        if beyond(outer, memory) >= 0:
            return float(brentq(beyond, inner, outer, args=(memory,), xtol=1e-6 * abs(step)))
        if outer == limit:
            return float(limit)
        inner, step = outer, step * 1.6
    return float("inf") if step > 0 else float(limit)


@dataclass(frozen=True, kw_only=True)
class LikelihoodRatio(Shown):
    """Twice the difference of two log-likelihoods, judged by chi-squared."""

    statistic: float
    df: int
    p: float
    at_zero: bool
    """One variance was tested to be zero: p is halved, as zero is the end of its range (Self & Liang 1987)."""
    method: str

    def sentence(self) -> str:
        """The test in one line."""
        halved = ", p halved because zero is the end of a variance's range" if self.at_zero else ""
        return (
            f"Likelihood ratio ({self.method}): chi-squared {figure_text(self.statistic)} on {self.df} df, "
            f"{p_words(self.p)}{halved}."
        )

    def table(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([{"statistic": self.statistic, "df": self.df, "p": self.p, "method": self.method}])


def likelihood_ratio(smaller: MixedFit, larger: MixedFit) -> LikelihoodRatio:
    """Test the larger model against the smaller, nested in it and fitted to the same rows.

    Raises `FitError` where the rows differ, one is by REML and the other by ML, or fits by REML differ in their fixed
    effects (their likelihoods cannot be compared: fit again with reml=False).
    """
    if smaller.n != larger.n or not np.array_equal(smaller.rows.y, larger.rows.y):
        raise FitError("The two models were not fitted to the same rows: compare fits to the same outcome, row by row.")
    if smaller.reml != larger.reml:
        raise FitError("One model was fitted by REML, the other by ML: fit both in the same way.")
    fixed = len(larger.names) - len(smaller.names)
    if smaller.reml and set(smaller.names) != set(larger.names):
        raise FitError("Fits by REML with different fixed effects cannot be compared: fit both with reml=False.")
    random = len(larger.point.theta) - len(smaller.point.theta)
    df = fixed + random
    if df <= 0 or fixed < 0 or random < 0:
        raise FitError("The second model must hold all of the first and more.")
    statistic = max(2 * (larger.log_likelihood - smaller.log_likelihood), 0.0)
    at_zero = fixed == 0 and random == 1
    p = float(special.chdtrc(df, statistic))
    return LikelihoodRatio(
        statistic=statistic,
        df=df,
        p=(p / 2 if statistic > 0 else 1.0) if at_zero else p,
        at_zero=at_zero,
        method="REML" if smaller.reml else "ML",
    )
