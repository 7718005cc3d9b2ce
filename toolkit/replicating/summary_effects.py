"""Effect sizes from the means, SDs, correlations and tests that a paper prints."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.number_words import figure_text
from toolkit.replicating.summary_spread import count, positive
from toolkit.result import Estimate, Shown

Correction = Literal["hedges", "none"]


def effect_from_t(t: float, *, n: int, confidence_level: float = 0.95) -> Estimate:
    """d_z of a paired test from its t, with the exact interval.

    Args:
        t: the paired t. n: number of pairs, at least 2. confidence_level: of the interval.

    Returns:
        An `Estimate` of d_z = t / sqrt(n).

    Raises:
        NotEnoughError: n below 2.

    Source: Rosenthal (1991); interval by inverting the noncentral t (Cumming & Finch 2001 Educ Psychol Meas 61:532).

    Example:
        >>> round(effect_from_t(4.74, n=10).value, 2)
        1.5
    """
    from toolkit.stats.response_mean import noncentral_t_limits

    n = count(n)
    low, high = noncentral_t_limits(t, df=n - 1, confidence_level=confidence_level)
    root = math.sqrt(n)
    return Estimate(
        name="d_z", value=t / root, ci_low=low / root, ci_high=high / root, unit="SD of the change", n=n,
        n_of="pairs", method="from t, noncentral t interval", confidence_level=confidence_level, df=n - 1,
    )  # fmt: skip


def paired_effects_from_summary(
    *, mean_before: float, mean_after: float, sd_before: float, sd_after: float, r: float, n: int
) -> dict[str, Estimate]:
    """d_z, d_av and d_rm of a before/after comparison from means, SDs, correlation and n, after minus before.

    Args:
        mean_before, mean_after, sd_before, sd_after: in one unit. r: before/after correlation. n: number of pairs.

    Returns:
        {"d_z", "d_av", "d_rm": Estimate}; the intervals of d_av and d_rm scale that of d_z by their denominators.

    Raises:
        SheetError: impossible SD or correlation. NotEnoughError: n below 2.

    Source: Lakens (2013) Front Psychol 4:863, equations 6-10; d_av's denominator is the mean of the two SDs.

    Example:
        >>> found = paired_effects_from_summary(
        ...     mean_before=7.7, mean_after=8.7, sd_before=0.95, sd_after=0.82, r=0.73, n=10
        ... )
        >>> round(found["d_av"].value, 2)
        1.13
    """
    positive(sd_before, "the SD before"), positive(sd_after, "the SD after")
    if not -1 < r < 1:
        raise SheetError(f"r = {r} is impossible for readings that differ: it lies between -1 and 1")
    n = count(n)
    difference = mean_after - mean_before
    sd_change = math.sqrt(sd_before**2 + sd_after**2 - 2 * r * sd_before * sd_after)
    d_z = effect_from_t(difference / sd_change * math.sqrt(n), n=n)
    found = {"d_z": d_z}
    for name, unit, scale in (
        ("d_av", "mean of the two SDs", sd_change / ((sd_before + sd_after) / 2)),
        ("d_rm", "SD of the change corrected for r", math.sqrt(2 * (1 - r))),
    ):
        found[name] = Estimate(
            name=name, value=d_z.value * scale, ci_low=d_z.ci_low * scale, ci_high=d_z.ci_high * scale, unit=unit, n=n,
            n_of="pairs", method="from means, SDs and r; interval of d_z rescaled",
        )  # fmt: skip
    return found


def group_effect_from_summary(
    *, mean_1: float, mean_2: float, sd_1: float, sd_2: float, n_1: int, n_2: int, correction: Correction = "hedges"
) -> Estimate:
    """The standardised difference of two groups (Hedges' g_s, or d_s uncorrected), first minus second.

    Args:
        mean_1, mean_2, sd_1, sd_2: in one unit. n_1, n_2: people per group, at least 2 each.
        correction: "hedges" multiplies by 1 - 3 / (4 (n_1 + n_2) - 9), "none" gives d_s.

    Returns:
        An `Estimate` with the noncentral t interval.

    Raises:
        SheetError: impossible SD. NotEnoughError: a group below 2.

    Source: Hedges & Olkin (1985); Lakens (2013) Front Psychol 4:863, equations 1 and 4.

    Example:
        >>> found = group_effect_from_summary(mean_1=8.7, mean_2=7.7, sd_1=0.823, sd_2=0.949, n_1=10, n_2=10)
        >>> round(found.value, 2)
        1.08
    """
    from toolkit.stats.response_mean import noncentral_t_limits

    positive(sd_1, "the SD of group 1"), positive(sd_2, "the SD of group 2")
    n_1, n_2 = count(n_1), count(n_2)
    df = n_1 + n_2 - 2
    pooled = math.sqrt(((n_1 - 1) * sd_1**2 + (n_2 - 1) * sd_2**2) / df)
    scale = math.sqrt(1 / n_1 + 1 / n_2)
    d = (mean_1 - mean_2) / pooled
    low, high = noncentral_t_limits(d / scale, df=df)
    shrink = 1 - 3 / (4 * (n_1 + n_2) - 9) if correction == "hedges" else 1.0
    return Estimate(
        name="g_s" if correction == "hedges" else "d_s", value=d * shrink, ci_low=low * scale * shrink,
        ci_high=high * scale * shrink, unit="pooled SD", n=n_1 + n_2, n_of="people", df=df,
        method="from means and SDs, noncentral t interval",
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class UnknownCorrelation(Shown):
    """What a before/after comparison could have shown for every correlation a paper may have left out."""

    rows: pd.DataFrame
    n: int

    def sentence(self) -> str:
        """The span of d_z and of p over the correlations tried."""
        first, last = self.rows.iloc[0], self.rows.iloc[-1]
        span = f"from {figure_text(float(first['d_z']))} to {figure_text(float(last['d_z']))}"
        ps = f"p from {figure_text(float(self.rows['p'].max()))} to {figure_text(float(self.rows['p'].min()))}"
        tried = f"{figure_text(float(first['r']))} to {figure_text(float(last['r']))}"
        return f"with the correlation unknown (tried {tried}; n = {self.n}), d_z ranges {span}, {ps}"

    def table(self) -> pd.DataFrame:
        """One row a correlation: SD of the change, d_z, t, p, interval of the mean change."""
        return self.rows


def effects_for_unknown_correlation(
    *,
    mean_change: float,
    sd_before: float,
    sd_after: float,
    n: int,
    r_low: float = 0.0,
    r_high: float = 0.95,
    steps: int = 20,
) -> UnknownCorrelation:
    """The range of d_z, t, p and interval over the before/after correlations that a paper does not print.

    Args:
        mean_change, sd_before, sd_after: in one unit. n: number of pairs.
        r_low, r_high: the correlations to try, between -1 and 1. steps: how many.

    Returns:
        An `UnknownCorrelation`, one row a correlation.

    Raises:
        SheetError: impossible SD or correlations. NotEnoughError: n below 2.

    Source: var(change) = s1^2 + s2^2 - 2 r s1 s2, elementary.

    Example:
        >>> effects_for_unknown_correlation(mean_change=5, sd_before=10, sd_after=10, n=20, steps=2).rows["r"].tolist()
        [0.0, 0.95]
    """
    from scipy import stats

    positive(sd_before, "the SD before"), positive(sd_after, "the SD after")
    if not -1 < r_low < r_high < 1:
        raise SheetError(f"correlations from {r_low} to {r_high} cannot be tried: give r_low < r_high between -1 and 1")
    n = count(n)
    r = np.linspace(r_low, r_high, max(steps, 2))
    sd_change = np.sqrt(sd_before**2 + sd_after**2 - 2 * r * sd_before * sd_after)
    t = mean_change / (sd_change / math.sqrt(n))
    half = stats.t.ppf(0.975, n - 1) * sd_change / math.sqrt(n)
    rows = pd.DataFrame(
        {
            "r": r,
            "sd_change": sd_change,
            "d_z": mean_change / sd_change,
            "t": t,
            "p": 2 * stats.t.sf(np.abs(t), n - 1),
            "ci_low": mean_change - half,
            "ci_high": mean_change + half,
        }
    )
    return UnknownCorrelation(rows=rows, n=n)
