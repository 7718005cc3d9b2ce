"""The SD behind a standard error or an interval, and the before/after correlation behind three SDs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.number_words import figure_text
from toolkit.replicating.printed import read_printed
from toolkit.result import Shown

Quantile = Literal["t", "normal"]


def positive(value: float, what: str) -> float:
    """A number above 0, or a word about what cannot be."""
    if not (math.isfinite(value) and value > 0):
        raise SheetError(f"{what} = {value} is impossible: it must be above 0")
    return float(value)


def count(n: int, least: int = 2) -> int:
    """A number of people that is large enough."""
    if n < least:
        raise NotEnoughError(f"n = {n}: at least {least} people are needed")
    return int(n)


def sd_from_se(se: float, *, n: int) -> float:
    """The SD behind a standard error of the mean.

    Args:
        se: standard error of the mean, in the measure's unit.
        n: number of people, at least 2.

    Returns:
        The SD, in the same unit.

    Raises:
        SheetError: a standard error that is not above 0. NotEnoughError: n below 2.

    Source: SE = SD / sqrt(n), elementary.

    Example:
        >>> round(sd_from_se(2.7, n=27), 2)
        14.03
    """
    return positive(se, "the standard error") * math.sqrt(count(n))


def sd_from_interval(
    low: float, high: float, *, n: int, confidence_level: float = 0.95, quantile: Quantile = "t"
) -> float:
    """The SD behind an interval of one mean.

    Args:
        low, high: limits of the interval, in the measure's unit.
        n: number of people, at least 2.
        confidence_level: of the interval.
        quantile: "t", or "normal" where the interval was made with 1.96 and its like (large samples).

    Returns:
        The SD, in the same unit.

    Raises:
        SheetError: limits in the wrong order. NotEnoughError: n below 2.

    Source: Cochrane Handbook for Systematic Reviews of Interventions, section 6.5.2.2 (from memory).

    Example:
        >>> round(sd_from_interval(30.0, 40.0, n=25), 2)
        12.11
    """
    from scipy import stats

    width = positive(high - low, "the interval's width")
    tail = 0.5 + confidence_level / 2
    reach = stats.norm.ppf(tail) if quantile == "normal" else stats.t.ppf(tail, count(n) - 1)
    return float(width / (2 * reach) * math.sqrt(count(n)))


@dataclass(frozen=True, kw_only=True)
class ImpliedCorrelation(Shown):
    """The before/after correlation that three printed SDs imply, with its range from their rounding."""

    r: float
    r_low: float
    r_high: float
    possible: bool
    sds: tuple[str, str, str]

    def sentence(self) -> str:
        """The correlation, or that no correlation gives these SDs."""
        span = f"{figure_text(self.r_low)} to {figure_text(self.r_high)} given the rounding"
        if self.possible:
            return f"the SDs {', '.join(self.sds)} imply a before/after correlation of {figure_text(self.r)} ({span})"
        return f"no correlation gives the SDs {', '.join(self.sds)} together: r would be {figure_text(self.r)} ({span})"

    def table(self) -> pd.DataFrame:
        """One row: r, its range, whether it can be."""
        return pd.DataFrame([{"r": self.r, "r_low": self.r_low, "r_high": self.r_high, "possible": self.possible}])


def correlation_from_change_sd(sd_before: str, sd_after: str, sd_change: str) -> ImpliedCorrelation:
    """The before/after correlation implied by the SDs before, after and of the change.

    Args:
        sd_before, sd_after, sd_change: SDs as printed, of the same people, in one unit.

    Returns:
        An `ImpliedCorrelation`; `possible` is False when the whole range lies outside -1 to 1.

    Raises:
        SheetError: an SD that is not above 0.

    Source: var(change) = s1^2 + s2^2 - 2 r s1 s2, elementary; Cochrane Handbook section 6.5.2.8 (from memory).

    Example:
        >>> round(correlation_from_change_sd("14.0", "17.9", "14.6").r, 2)
        0.61
    """
    three = [read_printed(text) for text in (sd_before, sd_after, sd_change)]
    for printed, name in zip(three, ("before", "after", "of the change"), strict=True):
        positive(printed.value, f"the SD {name}")
    corners = [
        _correlation(a, b, c)
        for a in (max(three[0].low, 1e-12), three[0].high)
        for b in (max(three[1].low, 1e-12), three[1].high)
        for c in (max(three[2].low, 0.0), three[2].high)
    ]
    low, high = min(corners), max(corners)
    return ImpliedCorrelation(
        r=_correlation(*(printed.value for printed in three)),
        r_low=low,
        r_high=high,
        possible=low <= 1 and high >= -1,
        sds=(sd_before, sd_after, sd_change),
    )


def _correlation(before: float, after: float, change: float) -> float:
    return (before**2 + after**2 - change**2) / (2 * before * after)
