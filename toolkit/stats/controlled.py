"""Standardised change of a treated group beyond a comparison group, from printed means and SDs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from toolkit.errors import ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import normal_reach
from toolkit.stats.response_mean import hedges_correction, hedges_correction_approximate


@dataclass(frozen=True, kw_only=True)
class BeforeAfter:
    """One group's readings before and after, as an article prints them (means and SDs in one unit)."""

    n: int
    mean_before: float
    mean_after: float
    sd_before: float

    @property
    def change(self) -> float:
        """Mean change."""
        return self.mean_after - self.mean_before


def controlled_change_own_sd(treated: BeforeAfter, control: BeforeAfter) -> float:
    """d_ppc1: each group's change over its own baseline SD, bias-corrected; treated minus control.

    References
    ----------
    Becker (1988); Morris (2008) Organizational Research Methods 11:364-386, equation 4.

    Examples
    --------
    >>> one = BeforeAfter(n=20, mean_before=30.6, mean_after=38.5, sd_before=15.0)
    >>> two = BeforeAfter(n=20, mean_before=23.1, mean_after=19.7, sd_before=13.8)
    >>> round(controlled_change_own_sd(one, two), 4)
    0.7421
    """
    one, two = (hedges_correction(group.n - 1) * group.change / group.sd_before for group in (treated, control))
    return one - two


def _pooled(treated: BeforeAfter, control: BeforeAfter) -> tuple[float, int]:
    """The two baseline SDs pooled, and their df."""
    df = treated.n + control.n - 2
    squares = (treated.n - 1) * treated.sd_before**2 + (control.n - 1) * control.sd_before**2
    return float(np.sqrt(squares / df)), df


def controlled_change(
    treated: BeforeAfter,
    control: BeforeAfter,
    *,
    r: float,
    correction: Literal["exact", "approximate"] = "exact",
    confidence_level: float = 0.95,
) -> Estimate:
    """d_ppc2: the treated group's change beyond the control's, over the pooled baseline SD, bias-corrected.

    Parameters
    ----------
    treated, control
        The two groups.
    r
        Correlation of before and after (for the variance only).
    correction
        "exact", or "approximate" (1 - 3/(4 df - 1)), which most articles print.
    confidence_level
        Of the large-sample normal interval.

    References
    ----------
    Morris (2008), equations 8-9; large-sample variance 2(1 - r)(1/nT + 1/nC) + d^2 / (2 (nT + nC)).

    Examples
    --------
    >>> one = BeforeAfter(n=20, mean_before=30.6, mean_after=38.5, sd_before=15.0)
    >>> two = BeforeAfter(n=20, mean_before=23.1, mean_after=19.7, sd_before=13.8)
    >>> round(controlled_change(one, two, r=0.47).value, 4)
    0.7684
    """
    if not -1 <= r <= 1:
        raise ToolkitError(f"The correlation is {r:g}: it must lie between -1 and 1.")
    scale, df = _pooled(treated, control)
    correct = hedges_correction if correction == "exact" else hedges_correction_approximate
    effect = correct(df) * (treated.change - control.change) / scale
    total = treated.n + control.n
    error = float(np.sqrt(2 * (1 - r) * (1 / treated.n + 1 / control.n) + effect**2 / (2 * total)))
    reach = normal_reach(confidence_level) * error
    return Estimate(
        name="controlled change over pooled baseline SD (d_ppc2)",
        value=effect,
        ci_low=effect - reach,
        ci_high=effect + reach,
        unit="pooled baseline SD",
        n=total,
        n_of="people",
        method=f"Morris (2008), {correction} small-sample correction, large-sample interval",
        confidence_level=confidence_level,
        se=error,
    )
