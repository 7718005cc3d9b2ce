"""Two groups of different people: Student's and Welch's t, Mann and Whitney's test; always second minus first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from toolkit.errors import NotEnoughError
from toolkit.result import Estimate
from toolkit.stats.centre import checked_level, normal_reach, t_reach
from toolkit.stats.clients import Floats, same_throughout
from toolkit.stats.paired_tests import Alternative, TestResult, checked_differences

PFrom = Literal["auto", "exact", "normal"]
_FEW = 50
_MOST_WITH_TIES = 300


@dataclass(frozen=True, kw_only=True)
class GroupDifference:
    """What two groups differ by (second minus first), and the test of it."""

    difference: Estimate
    test: TestResult


def _two(first: Any, second: Any, *, fewest: int = 2) -> tuple[Floats, Floats]:
    one, two = checked_differences(first, fewest=fewest), checked_differences(second, fewest=fewest)
    if same_throughout(np.concatenate([one, two])):
        raise NotEnoughError("Everybody in both groups has the same value: there is no variation to compare with.")
    return one, two


def _mean_difference(
    one: Floats, two: Floats, *, equal: bool, level: float, alternative: Alternative, unit: str
) -> GroupDifference:
    from scipy import stats

    if same_throughout(one) and same_throughout(two):
        raise NotEnoughError("Nobody differs within a group: there is no variation to compare the groups with.")
    found = stats.ttest_ind(two, one, equal_var=equal, alternative=alternative)
    difference, df = float(two.mean() - one.mean()), float(found.df)
    se = (
        abs(difference / float(found.statistic))
        if found.statistic
        else float(np.sqrt(one.var(ddof=1) / len(one) + two.var(ddof=1) / len(two)))
    )
    reach = t_reach(checked_level(level), df) * se
    name = "Student's t, equal variances" if equal else "Welch's t, unequal variances"
    return GroupDifference(
        difference=Estimate(
            name="difference of the groups' means (second - first)", value=difference, ci_low=difference - reach,
            ci_high=difference + reach, unit=unit, n=len(one) + len(two), method=name, confidence_level=level, se=se,
            df=df, p=float(found.pvalue),
        ),
        test=TestResult(
            name=name, statistic=float(found.statistic), p=float(found.pvalue), n=len(one) + len(two), method=name,
            df=df, alternative=alternative,
        ),
    )  # fmt: skip


def welch_t(
    first: Any, second: Any, *, unit: str = "", level: float = 0.95, alternative: Alternative = "two-sided"
) -> GroupDifference:
    """Welch's t test of two groups' means: no equal variances supposed.

    Parameters
    ----------
    first, second : array-like of float
        One number a person, at least two in each group, in `unit`.
    unit : str
        Unit of the values.
    level : float
        Confidence level of the interval.
    alternative : {"two-sided", "greater", "less"}
        "greater": the second group is higher.

    Returns
    -------
    GroupDifference
        `.difference` second minus first with its t interval, `.test` the t, df (Satterthwaite) and p.

    Raises
    ------
    NotEnoughError
        A group with fewer than two people, or no variation.
    ToolkitError
        Something is not a number.

    References
    ----------
    Welch (1947) Biometrika 34:28-35; computed by scipy.

    Examples
    --------
    >>> round(welch_t([1, 2, 3, 4], [3, 5, 7, 9]).test.df, 2)
    4.41
    """
    return _mean_difference(*_two(first, second), equal=False, level=level, alternative=alternative, unit=unit)


def student_t(
    first: Any, second: Any, *, unit: str = "", level: float = 0.95, alternative: Alternative = "two-sided"
) -> GroupDifference:
    """Student's t test of two groups' means, one variance for both.

    Parameters, results and refusals as in `welch_t`.

    References
    ----------
    Student (1908) Biometrika 6:1-25; computed by scipy.

    Examples
    --------
    >>> student_t([1, 2, 3, 4], [3, 5, 7, 9]).test.df
    6.0
    """
    return _mean_difference(*_two(first, second), equal=True, level=level, alternative=alternative, unit=unit)


def mann_whitney(
    first: Any,
    second: Any,
    *,
    unit: str = "",
    level: float = 0.95,
    alternative: Alternative = "two-sided",
    p_from: PFrom = "auto",
    continuity: bool = True,
) -> GroupDifference:
    """Mann and Whitney's (Wilcoxon's) rank-sum test of two groups, with the shift between them.

    Parameters
    ----------
    first, second : array-like of float
        One number a person, at least one in each group, two in all that differ.
    unit, level, alternative
        As in `welch_t`.
    p_from : {"auto", "exact", "normal"}
        "auto": exact below 50 a group without ties, else the normal approximation (tie-corrected).
    continuity : bool
        Whether the normal approximation is corrected by one half.

    Returns
    -------
    GroupDifference
        `.difference` is Hodges and Lehmann's shift: the median of all differences second minus first, with the
        interval of ranks (normal approximation); `.test.statistic` is U of the second group: in how many pairs of
        people the second group's is higher, ties half.

    Raises
    ------
    NotEnoughError
        An empty group, or everybody alike.

    References
    ----------
    Mann & Whitney (1947) Ann Math Stat 18:50-60; Hollander & Wolfe (1973) ch. 4; p by scipy.

    Examples
    --------
    >>> mann_whitney([1, 2, 3, 4], [3.5, 5, 7, 9]).test.statistic
    15.0
    """
    from scipy import stats

    one, two = _two(first, second, fewest=1)
    tied = len(np.unique(np.concatenate([one, two]))) < len(one) + len(two)
    exact = p_from == "exact" or (p_from == "auto" and not tied and max(len(one), len(two)) < _FEW)
    if exact and tied:
        p = _exact_with_ties(one, two, alternative)
    else:
        p = float(
            stats.mannwhitneyu(
                two, one, alternative=alternative, use_continuity=continuity, method="exact" if exact else "asymptotic"
            ).pvalue
        )
    u = float(stats.mannwhitneyu(two, one).statistic)
    how = "exact p" if exact else f"normal approximation{', continuity-corrected' if continuity else ''}"
    n = len(one) + len(two)
    return GroupDifference(
        difference=_shift(one, two, unit=unit, level=checked_level(level), p=p),
        test=TestResult(
            name="Mann-Whitney test", statistic=u, p=p, n=n, method=f"U of the second group, {how}",
            alternative=alternative,
        ),
    )  # fmt: skip


def _exact_with_ties(one: Floats, two: Floats, alternative: Alternative) -> float:
    """p from every way to split these people: how many have a rank sum of the second group as extreme as this one.

    Ranks are doubled so that mid-ranks are whole numbers; `ways[k, s]` counts the choices of k people with sum s.
    """
    from scipy import stats

    if len(one) + len(two) > _MOST_WITH_TIES:
        raise NotEnoughError(
            f"{len(one) + len(two)} people with ties split in too many ways for an exact p. "
            "Take the normal approximation."
        )
    ranks = np.rint(2 * stats.rankdata(np.concatenate([two, one]))).astype(int)
    ways = np.zeros((len(two) + 1, int(ranks.sum()) + 1))
    ways[0, 0] = 1.0
    for rank in ranks:
        ways[1:, rank:] += ways[:-1, : ways.shape[1] - rank]
    chance = ways[-1] / ways[-1].sum()
    sums, mine = np.arange(len(chance)), int(ranks[: len(two)].sum())
    if alternative == "two-sided":
        middle = float((chance * sums).sum())
        return float(min(1.0, chance[np.abs(sums - middle) >= abs(mine - middle) - 1e-9].sum()))
    return float(chance[sums >= mine].sum() if alternative == "greater" else chance[sums <= mine].sum())


def _u_distribution(n_1: int, n_2: int) -> Floats:
    """Chance of each U from 0 to n_1 n_2 where the groups do not differ and nobody is tied."""
    ways = np.zeros((n_1 + 1, n_1 * n_2 + 1))
    ways[0, 0] = 1.0
    for rank in range(1, n_1 + n_2 + 1):
        for taken in range(min(rank, n_1), 0, -1):
            above = rank - taken  # people of the other group that this one exceeds
            if 0 <= above <= n_2:
                ways[taken, above:] += ways[taken - 1, : n_1 * n_2 + 1 - above]
    return np.asarray(ways[n_1] / ways[n_1].sum())


def _shift(one: Floats, two: Floats, *, unit: str, level: float, p: float) -> Estimate:
    """The median of all differences, with the interval of ranks: exact for few people without ties, else normal."""
    differences = np.sort((two[:, None] - one[None, :]).ravel())
    n_1, n_2, m = len(one), len(two), len(one) * len(two)
    if max(n_1, n_2) < _FEW and len(np.unique(np.concatenate([one, two]))) == n_1 + n_2:
        below = np.cumsum(_u_distribution(n_1, n_2))
        cut = int(np.searchsorted(below, 0.5 - level / 2 + 1e-12)) - 1
    else:
        cut = int(np.floor(m / 2 - normal_reach(level) * np.sqrt(m * (n_1 + n_2 + 1) / 12)))
    low, high = (differences[cut], differences[m - 1 - cut]) if cut >= 0 else (-np.inf, np.inf)
    return Estimate(
        name="shift between the groups (median of all differences, second - first)",
        value=float(np.median(differences)),
        ci_low=float(low), ci_high=float(high), unit=unit, n=n_1 + n_2, confidence_level=level, p=p,
        method="Hodges-Lehmann, interval of ranks",
    )  # fmt: skip
