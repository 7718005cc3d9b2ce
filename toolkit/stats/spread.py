"""How far changes spread, and whether the spread of readings changed (Pitman and Morgan)."""

from __future__ import annotations

from typing import Any

import numpy as np

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import checked_level
from toolkit.stats.clients import same_throughout
from toolkit.stats.paired_tests import TestResult, checked_differences


def pitman_morgan(first: Any, second: Any) -> TestResult:
    """Pitman and Morgan's test: do two readings of the same people (or two instruments) spread alike?

    The sum and the difference of two readings are uncorrelated exactly when both have one variance.

    Parameters
    ----------
    first, second : array-like of float
        Two readings a person in one unit, same length, at least three people.

    Returns
    -------
    TestResult
        `statistic` is t (positive: the second spreads more), `df` n - 2, `p` two-sided.

    Raises
    ------
    ToolkitError
        Unequal lengths, or something that is not a number.
    NotEnoughError
        Fewer than three people, or readings that differ by one constant.

    References
    ----------
    Pitman (1939) Biometrika 31:9-12; Morgan (1939) Biometrika 31:13-19.

    Examples
    --------
    >>> round(pitman_morgan([1, 2, 3, 4, 5], [1, 3, 2, 6, 9]).statistic, 2)
    3.47
    """
    from scipy import stats

    one, two = checked_differences(first, fewest=3), checked_differences(second, fewest=3)
    if len(one) != len(two):
        raise ToolkitError(f"{len(one)} first and {len(two)} second readings: give one of each a person, in order.")
    total, apart = one + two, two - one
    if same_throughout(total) or same_throughout(apart):
        raise NotEnoughError("All pairs differ by one constant: the two spreads cannot be told apart.")
    r = float(np.corrcoef(total, apart)[0, 1])
    df = len(one) - 2
    t = r * float(np.sqrt(df / max(1 - r * r, 1e-300)))
    return TestResult(
        name="Pitman-Morgan test",
        statistic=t,
        p=float(2 * stats.t.sf(abs(t), df)),
        n=len(one),
        df=float(df),
        method="correlation of sum and difference",
    )


def sd_of_change(differences: Any, *, unit: str = "", level: float = 0.95) -> Estimate:
    """The standard deviation of the changes (n - 1 in the denominator): how unlike people's changes are.

    Parameters
    ----------
    differences : array-like of float
        One change a person, at least two, in `unit`.
    unit : str
        Unit of the changes.
    level : float
        Confidence level of the interval (chi-squared; supposes normal changes).

    Returns
    -------
    Estimate
        In `unit`.

    Raises
    ------
    NotEnoughError
        Fewer than two changes, or all the same.

    References
    ----------
    Altman (1991) Practical Statistics for Medical Research, section 8.

    Examples
    --------
    >>> round(sd_of_change([1, 3, 5], unit="deg").value, 3)
    2.0
    """
    from toolkit.stats.clustered import sd_interval

    read = checked_differences(differences)
    if same_throughout(read):
        raise NotEnoughError("All changes are the same: their spread is 0 and has no interval. Were they copied?")
    sd = float(read.std(ddof=1))
    low, high = sd_interval(sd, len(read) - 1, confidence_level=checked_level(level))
    return Estimate(
        name="SD of the changes", value=sd, ci_low=low, ci_high=high, unit=unit, n=len(read),
        method="n - 1; chi-squared interval", confidence_level=level, df=float(len(read) - 1),
    )  # fmt: skip
