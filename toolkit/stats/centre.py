"""Where the changes lie, with an interval: mean, median, trimmed mean, Hodges-Lehmann. One difference a person."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.quantiles import standard_error, t_half_width
from toolkit.result import Estimate
from toolkit.stats.clients import Floats
from toolkit.stats.paired_tests import (
    MOST_FOR_EXACT_RANKS,
    checked_differences,
    rank_sum_distribution,
    varying_differences,
)

NO_LIMIT = float("inf")
MOST_FOR_EVERY_PAIR = 1_500


def checked_level(confidence_level: float) -> float:
    """A confidence level between 0 and 1.

    Raises
    ------
    ToolkitError
        It is not (95 instead of 0.95, say).
    """
    if not 0.0 < confidence_level < 1.0:
        raise ToolkitError(f"The confidence level is {confidence_level:g}: write it as a share, 0.95 for 95 %.")
    return confidence_level


def normal_reach(confidence_level: float) -> float:
    """How many standard errors a normal interval reaches to each side (1.96 for 0.95)."""
    return float(special.ndtri((1 + checked_level(confidence_level)) / 2))


def t_reach(confidence_level: float, df: float) -> float:
    """How many standard errors a t interval reaches to each side."""
    return float(special.stdtrit(df, (1 + checked_level(confidence_level)) / 2))


def two_sided_p(t: float, df: float) -> float:
    """Two-sided p of a t statistic."""
    return float(2 * special.stdtr(df, -abs(t)))


def mean_change(
    differences: Any, *, unit: str, confidence_level: float = 0.95, name: str = "mean change", n_of: str = "clients"
) -> Estimate:
    """The mean with Student's t interval.

    The interval holds its level for normal and heavy-tailed changes; for strongly skewed changes of fewer than about
    30 persons it covers less than it says (see tests/benchmarks/coverage_change.csv): look at the median beside it.

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or no variation.

    Examples
    --------
    >>> print(round(mean_change([1.0, 2.0, 3.0], unit="deg").ci_high, 3))
    4.484
    """
    values = varying_differences(differences)
    n = len(values)
    error = standard_error(values)
    reach = t_half_width(values, level=checked_level(confidence_level))
    mean = float(values.mean())
    return Estimate(
        name=name,
        value=mean,
        ci_low=mean - reach,
        ci_high=mean + reach,
        unit=unit,
        n=n,
        n_of=n_of,
        method=f"t interval on {n_of}",
        confidence_level=confidence_level,
        se=float(error),
        df=float(n - 1),
        p=two_sided_p(mean / error, n - 1),
    )


def median_change(differences: Any, *, unit: str, confidence_level: float = 0.95) -> Estimate:
    """The median with the exact order-statistic interval (no assumption on the shape; never covers less than it says).

    Fewer than six persons allow no 95 % interval: its ends then are "no limit".

    References
    ----------
    Thompson (1936) Annals of Mathematical Statistics 7:122-128; Conover (1999), section 3.2.

    Examples
    --------
    >>> found = median_change([1, 2, 3, 4, 5, 6, 7, 8], unit="deg")
    >>> (found.value, found.ci_low, found.ci_high)
    (4.5, 1.0, 8.0)
    """
    values = np.sort(checked_differences(differences))
    n = len(values)
    alpha = 1 - checked_level(confidence_level)
    from scipy import stats

    rank = int(stats.binom.ppf(alpha / 2, n, 0.5))  # the smallest k with P(B <= k) >= alpha/2: k-th value is the limit
    low, high = (float(values[rank - 1]), float(values[n - rank])) if rank else (-NO_LIMIT, NO_LIMIT)
    covers = 1 - 2 * float(stats.binom.cdf(rank - 1, n, 0.5)) if rank else 1.0
    return Estimate(
        name="median change",
        value=float(np.median(values)),
        ci_low=low,
        ci_high=high,
        unit=unit,
        n=n,
        method=f"exact order-statistic interval (covers {covers:.1%})"
        if rank
        else f"{n} persons allow no exact {100 * confidence_level:.4g} % interval for a median",
        confidence_level=confidence_level,
    )


def trimmed_mean_change(differences: Any, *, unit: str, trim: float = 0.2, confidence_level: float = 0.95) -> Estimate:
    """The mean of the middle (20 % cut off at each end), with the t interval from the Winsorised variance.

    Raises
    ------
    NotEnoughError
        Fewer than two persons left after trimming, or the middle does not vary.

    References
    ----------
    Tukey & McLaughlin (1963) Sankhya A 25:331-352; Yuen (1974) Biometrika 61:165-170.

    Examples
    --------
    >>> trimmed_mean_change([0, 1, 2, 3, 40], unit="deg").value
    2.0
    """
    values = np.sort(checked_differences(differences))
    n = len(values)
    cut = int(np.floor(trim * n))
    kept = n - 2 * cut
    pulled_in = np.clip(values, values[cut], values[n - cut - 1])
    spread = float(((pulled_in - pulled_in.mean()) ** 2).sum())
    if kept < 2 or spread <= 1e-18 * max(1.0, float(np.abs(values).max()) ** 2):
        raise NotEnoughError(
            f"The middle {1 - 2 * trim:.0%} of the {n} changes does not vary: a trimmed mean has no interval here."
        )
    error = np.sqrt(spread / (kept * (kept - 1)))
    mean = float(values[cut : n - cut].mean())
    reach = t_reach(confidence_level, kept - 1) * float(error)
    return Estimate(
        name=f"{trim:.0%} trimmed mean change",
        value=mean,
        ci_low=mean - reach,
        ci_high=mean + reach,
        unit=unit,
        n=n,
        method="t interval from the Winsorised variance (Yuen 1974)",
        confidence_level=confidence_level,
        se=float(error),
        df=float(kept - 1),
        p=two_sided_p(mean / error, kept - 1),
    )


def walsh_averages(values: Floats) -> Floats:
    """The averages of every pair of values, each value with itself included, sorted."""
    i, j = np.triu_indices(len(values))
    return np.sort((values[i] + values[j]) / 2)


def _walsh_by_halving(ordered: Floats, place: int) -> float:
    """The `place`-th smallest Walsh average (counted from 1) without making them all: for many persons."""
    low, high = float(ordered[0]), float(ordered[-1])
    for _ in range(80):
        middle = (low + high) / 2
        below = np.searchsorted(ordered, 2 * middle - ordered, side="right") - np.arange(len(ordered))
        if np.maximum(below, 0).sum() >= place:
            high = middle
        else:
            low = middle
    return high


def _walsh_at(values: Floats, places: list[int]) -> list[float]:
    """The Walsh averages at the given places, counted from 1."""
    if len(values) <= MOST_FOR_EVERY_PAIR:
        averages = walsh_averages(values)
        return [float(averages[place - 1]) for place in places]
    ordered = np.sort(values)
    return [_walsh_by_halving(ordered, place) for place in places]


def _walsh_rank(n: int, alpha: float) -> int:
    """Which Walsh average from each end is the limit: the largest k with 2 P(V < k) <= alpha; 0 if none."""
    if n > MOST_FOR_EXACT_RANKS:
        spread = np.sqrt(n * (n + 1) * (2 * n + 1) / 24)
        return max(0, int(np.floor(n * (n + 1) / 4 + special.ndtri(alpha / 2) * spread)))
    below = np.cumsum(rank_sum_distribution(np.arange(1.0, n + 1))[::2])
    return int(np.searchsorted(below, alpha / 2 + 1e-12, side="right"))


def hodges_lehmann_change(differences: Any, *, unit: str, confidence_level: float = 0.95) -> Estimate:
    """The Hodges-Lehmann estimate (median of the pairwise averages), interval by inverting the signed-rank test.

    Exact for symmetric changes without ties, wider than promised with ties. Fewer than six persons allow no 95 %
    interval.

    References
    ----------
    Hodges & Lehmann (1963) Annals of Mathematical Statistics 34:598-611; Hollander & Wolfe (1973), 3.2-3.3.

    Examples
    --------
    >>> hodges_lehmann_change([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], unit="deg").value
    3.5
    """
    values = checked_differences(differences)
    n = len(values)
    every = n * (n + 1) // 2
    rank = _walsh_rank(n, 1 - checked_level(confidence_level))
    left, right = _walsh_at(values, [(every + 1) // 2, every // 2 + 1])
    low, high = _walsh_at(values, [rank, every + 1 - rank]) if rank else (-NO_LIMIT, NO_LIMIT)
    return Estimate(
        name="Hodges-Lehmann change",
        value=(left + right) / 2,
        ci_low=low,
        ci_high=high,
        unit=unit,
        n=n,
        method="signed-rank interval on the pairwise averages"
        if rank
        else f"{n} persons allow no exact {100 * confidence_level:.4g} % signed-rank interval",
        confidence_level=confidence_level,
    )
