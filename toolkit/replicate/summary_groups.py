"""Two groups from printed means and SDs: differences at follow-up, of changes, adjusted for baseline, standardised."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from toolkit.errors import SheetError
from toolkit.result import Estimate, Shown

SDBefore = Literal["pooled", "own"]


@dataclass(frozen=True, kw_only=True)
class GroupSummary:
    """What a paper prints of one group read before and after: n, means, SDs, and the SD of the change."""

    n: int
    mean_before: float
    sd_before: float
    mean_after: float
    sd_after: float
    mean_change: float
    sd_change: float

    def __post_init__(self) -> None:
        if self.n < 2:
            raise SheetError(f"a group of n = {self.n} has no SD: at least 2 people are needed")
        for name in ("sd_before", "sd_after", "sd_change"):
            if getattr(self, name) <= 0:
                raise SheetError(f"{name} = {getattr(self, name)} is impossible: an SD is above 0")

    @property
    def covariance(self) -> float:
        """Of before and after, implied by the three SDs."""
        return (self.sd_before**2 + self.sd_after**2 - self.sd_change**2) / 2


@dataclass(frozen=True, kw_only=True)
class ThreeComparisons(Shown):
    """One trial compared in three ways: by follow-up, by change, adjusted for baseline; first group minus second."""

    follow_up: Estimate
    change: Estimate
    adjusted: Estimate
    slope: float

    def sentence(self) -> str:
        """The baseline-adjusted difference, the one with the least noise."""
        return self.adjusted.sentence()

    def table(self) -> pd.DataFrame:
        """One row a comparison."""
        return pd.DataFrame([estimate.as_row() for estimate in (self.follow_up, self.change, self.adjusted)])


def compare_groups_from_summary(first: GroupSummary, second: GroupSummary, *, unit: str = "points") -> ThreeComparisons:
    """Compare two groups' follow-up, change and baseline-adjusted scores from what a paper prints.

    Args:
        first, second: the groups, in one unit. unit: for the result.

    Returns:
        A `ThreeComparisons`, first minus second, 95 % t intervals.

    Raises:
        SheetError: SDs that leave no residual variance (no correlation gives them).

    Source: Vickers & Altman (2001) BMJ 323:1123-1124 (the three comparisons); analysis of covariance from the
    pooled within-group sums of squares and products (Fisher 1932), df = n1 + n2 - 3.

    Example:
        >>> placebo = GroupSummary(n=27, mean_before=53.9, sd_before=14, mean_after=62.3, sd_after=17.9,
        ...                        mean_change=8.4, sd_change=14.6)
        >>> real = GroupSummary(n=25, mean_before=60.4, sd_before=12.3, mean_after=79.6, sd_after=17.1,
        ...                     mean_change=19.2, sd_change=16.1)
        >>> round(compare_groups_from_summary(real, placebo).adjusted.value, 1)
        12.7
    """
    groups = (first, second)
    total = first.n + second.n
    squares_before = sum((group.n - 1) * group.sd_before**2 for group in groups)
    squares_after = sum((group.n - 1) * group.sd_after**2 for group in groups)
    products = sum((group.n - 1) * group.covariance for group in groups)
    slope = products / squares_before
    residual = squares_after - slope * products
    if residual <= 0:
        raise SheetError("these SDs leave no residual variance: no before/after correlation gives all of them")
    gap = first.mean_before - second.mean_before
    adjusted = first.mean_after - second.mean_after - slope * gap
    se = math.sqrt(residual / (total - 3) * (1 / first.n + 1 / second.n + gap**2 / squares_before))
    return ThreeComparisons(
        follow_up=_difference(first, second, "after", "difference at follow-up", unit),
        change=_difference(first, second, "change", "difference of changes", unit),
        adjusted=_estimate("difference adjusted for baseline", adjusted, se, total - 3, total, unit),
        slope=slope,
    )


def _difference(first: GroupSummary, second: GroupSummary, part: str, name: str, unit: str) -> Estimate:
    df = first.n + second.n - 2
    squares = sum((group.n - 1) * getattr(group, f"sd_{part}") ** 2 for group in (first, second))
    se = math.sqrt(squares / df * (1 / first.n + 1 / second.n))
    value = getattr(first, f"mean_{part}") - getattr(second, f"mean_{part}")
    return _estimate(name, value, se, df, first.n + second.n, unit)


def _estimate(name: str, value: float, se: float, df: float, n: int, unit: str) -> Estimate:
    from scipy import stats

    half = float(stats.t.ppf(0.975, df)) * se
    return Estimate(
        name=name, value=value, ci_low=value - half, ci_high=value + half, unit=unit, n=n, n_of="people", se=se, df=df,
        p=float(2 * stats.t.sf(abs(value) / se, df)), method="pooled SD, t interval, from printed means and SDs",
    )  # fmt: skip


def pre_post_control_effect(
    first: GroupSummary, second: GroupSummary, *, r: float, sd: SDBefore = "pooled"
) -> Estimate:
    """The difference of two groups' changes in units of the SD before, corrected for small samples.

    Args:
        first, second: treated and control group. r: before/after correlation, for the interval.
        sd: "pooled", one SD before for both groups (d_ppc2), or "own", each group's (d_ppc1).

    Returns:
        An `Estimate`, treated minus control, with a normal interval from the large-sample variance.

    Raises:
        SheetError: r outside -1 to 1.

    Source: Morris (2008) Organ Res Methods 11:364-386, equations 4-10; exact (gamma) small-sample correction
    (Hedges 1981 J Educ Stat 6:107-128); large-sample variance 2(1-r)(1/nT+1/nC) + g^2/(2(nT+nC)).

    Example:
        >>> treated = GroupSummary(n=20, mean_before=30.6, sd_before=15, mean_after=38.5, sd_after=11.6,
        ...                        mean_change=7.9, sd_change=14.0)
        >>> control = GroupSummary(n=20, mean_before=23.1, sd_before=13.8, mean_after=19.7, sd_after=14.8,
        ...                        mean_change=-3.4, sd_change=14.7)
        >>> round(pre_post_control_effect(treated, control, r=0.47).value, 4)
        0.7684
    """
    from scipy import stats

    if not -1 < r < 1:
        raise SheetError(f"r = {r} is impossible: it lies between -1 and 1")
    changes = [group.mean_after - group.mean_before for group in (first, second)]
    total = first.n + second.n
    if sd == "pooled":
        df = total - 2
        spread = math.sqrt(((first.n - 1) * first.sd_before**2 + (second.n - 1) * second.sd_before**2) / df)
        value = _shrinkage(df) * (changes[0] - changes[1]) / spread
    else:
        value = (
            _shrinkage(first.n - 1) * changes[0] / first.sd_before
            - _shrinkage(second.n - 1) * changes[1] / second.sd_before
        )
    se = math.sqrt(2 * (1 - r) * (1 / first.n + 1 / second.n) + value**2 / (2 * total))
    half = float(stats.norm.ppf(0.975)) * se
    return Estimate(
        name="d_ppc2" if sd == "pooled" else "d_ppc1",
        value=value,
        ci_low=value - half,
        ci_high=value + half,
        unit="SD before",
        n=total,
        n_of="people",
        se=se,
        method="pre-post-control effect (Morris 2008), large-sample interval",
    )


def _shrinkage(df: float) -> float:
    """The exact small-sample correction of a standardised mean difference (Hedges 1981)."""
    return math.exp(math.lgamma(df / 2) - math.lgamma((df - 1) / 2)) / math.sqrt(df / 2)
