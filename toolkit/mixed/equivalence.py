"""Is a difference small enough not to matter? Two one-sided tests against the smallest change that matters.

Schuirmann (1987) J Pharmacokinet Biopharm 15:657-680; the interval at 1 - 2 alpha inside the limits says the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, QuestionError
from toolkit.quantiles import t_above, t_quantile
from toolkit.result import Estimate, Shown, figure_text


@dataclass(frozen=True, kw_only=True)
class Equivalence(Shown):
    """The outcome of two one-sided tests."""

    estimate: Estimate
    smallest_change_that_matters: float
    alpha: float
    p_above_lower: float
    p_below_upper: float
    p: float
    """The larger of the two."""
    ci_low: float
    ci_high: float
    """Interval at 1 - 2 alpha."""
    equivalent: bool

    def sentence(self) -> str:
        """What may be said, no more."""
        unit, limit = self.estimate.unit, figure_text(self.smallest_change_that_matters)
        verdict = (
            f"any difference is smaller than {limit} {unit}"
            if self.equivalent
            else f"a difference of {limit} {unit} or more is not ruled out"
        )
        return (
            f"{self.estimate.name}: {verdict} ({figure_text(self.estimate.value)} {unit}, {1 - 2 * self.alpha:.0%} "
            f"interval {figure_text(self.ci_low)} to {figure_text(self.ci_high)}; two one-sided tests, "
            f"p = {figure_text(self.p)}; n = {self.estimate.n} {self.estimate.n_of})."
        )

    def table(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame(
            [
                {
                    "what": self.estimate.name,
                    "value": self.estimate.value,
                    "ci_low": self.ci_low,
                    "ci_high": self.ci_high,
                    "smallest_change_that_matters": self.smallest_change_that_matters,
                    "p_above_lower": self.p_above_lower,
                    "p_below_upper": self.p_below_upper,
                    "p": self.p,
                    "equivalent": self.equivalent,
                }
            ]
        )


@dataclass(frozen=True, kw_only=True)
class NonInferiority(Shown):
    """The outcome of one one-sided test: not worse by the margin or more."""

    estimate: Estimate
    margin: float
    alpha: float
    p: float
    ci_low: float
    """Lower end of the one-sided interval at 1 - alpha."""
    not_worse: bool

    def sentence(self) -> str:
        """What may be said, no more."""
        unit, margin = self.estimate.unit, figure_text(self.margin)
        verdict = (
            f"not worse by {margin} {unit} or more" if self.not_worse else f"worse by {margin} {unit} is not ruled out"
        )
        return (
            f"{self.estimate.name}: {verdict} ({figure_text(self.estimate.value)} {unit}, at least "
            f"{figure_text(self.ci_low)} with {1 - self.alpha:.1%} confidence; p = {figure_text(self.p)}; "
            f"n = {self.estimate.n} {self.estimate.n_of})."
        )

    def table(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame(
            [
                {
                    "what": self.estimate.name,
                    "value": self.estimate.value,
                    "ci_low": self.ci_low,
                    "margin": self.margin,
                    "p": self.p,
                    "not_worse": self.not_worse,
                }
            ]
        )


def equivalence(estimate: Estimate, *, smallest_change_that_matters: float, alpha: float = 0.05) -> Equivalence:
    """Two one-sided tests that a difference lies inside ± the smallest change that matters.

    `estimate` is a contrast of a mixed model, or any estimate with a standard error. Raises `QuestionError` for a limit
    or alpha out of range, `NotEnoughError` where the estimate has no standard error.

    Example:
        >>> difference = Estimate(name="A - B", value=0.5, se=1.0, df=30.0, ci_low=-1.5, ci_high=2.5, unit="deg",
        ...     n=20, method="example")
        >>> equivalence(difference, smallest_change_that_matters=5.0).equivalent
        True
    """
    se, df = _spread(estimate, smallest_change_that_matters, alpha)
    limit = smallest_change_that_matters
    above = float(t_above((estimate.value + limit) / se, df))
    below = float(t_above((limit - estimate.value) / se, df))
    reach = t_quantile(1 - alpha, df) * se
    return Equivalence(
        estimate=estimate,
        smallest_change_that_matters=limit,
        alpha=alpha,
        p_above_lower=above,
        p_below_upper=below,
        p=max(above, below),
        ci_low=estimate.value - reach,
        ci_high=estimate.value + reach,
        equivalent=max(above, below) < alpha,
    )


def non_inferiority(estimate: Estimate, *, margin: float, alpha: float = 0.025) -> NonInferiority:
    """One one-sided test that a difference (better = positive) is not below minus the margin.

    Raises as `equivalence` does.
    """
    se, df = _spread(estimate, margin, alpha)
    p = float(t_above((estimate.value + margin) / se, df))
    return NonInferiority(
        estimate=estimate,
        margin=margin,
        alpha=alpha,
        p=p,
        ci_low=estimate.value - t_quantile(1 - alpha, df) * se,
        not_worse=p < alpha,
    )


def _spread(estimate: Estimate, limit: float, alpha: float) -> tuple[float, float]:
    """Standard error and df, or an error naming what is missing."""
    if not (np.isfinite(limit) and limit > 0):
        raise QuestionError(f"The smallest change that matters is {limit:g}: it must be above zero.")
    if not 0 < alpha < 0.5:
        raise QuestionError(f"alpha is {alpha:g}: it must lie between 0 and 0.5.")
    if estimate.se is None or not estimate.se > 0:
        raise NotEnoughError(f"{estimate.name} has no standard error: equivalence cannot be judged.")
    return estimate.se, float("inf") if estimate.df is None else estimate.df
