"""How readings and changes are distributed: their spread, whether it changed, their shape, scatter as a percentage."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError, ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import checked_level
from toolkit.stats.clients import same_throughout
from toolkit.stats.clustered import sd_interval
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


MOST_FOR_SHAPIRO = 5000


def shapiro_wilk(values: Any) -> TestResult:
    """Shapiro and Wilk's test of normality. A large p does not show normality: with few people nothing is found.

    Parameters
    ----------
    values : array-like of float, shape (n,)
        One number a person (changes, differences, residuals), 3 to 5000 of them, not all the same.

    Returns
    -------
    TestResult
        `statistic` is W (1 = as normal as can be), `p` its two-sided p.

    Raises
    ------
    NotEnoughError
        Fewer than three values, or all the same, or more than 5000 (the p is not known there).

    References
    ----------
    Shapiro & Wilk (1965) Biometrika 52:591-611; p after Royston (1995) Applied Statistics 44:547-551, by scipy.

    Examples
    --------
    >>> round(shapiro_wilk([148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236]).statistic, 2)
    0.79
    """
    from scipy import stats

    read = checked_differences(values, fewest=3)
    if same_throughout(read):
        raise NotEnoughError("All values are the same: there is no shape to test. Record values that vary.")
    if len(read) > MOST_FOR_SHAPIRO:
        raise NotEnoughError(
            f"{len(read)} values: the p of this test is known up to {MOST_FOR_SHAPIRO}. Look at the Q-Q figure instead."
        )
    found = stats.shapiro(read)
    return TestResult(
        name="Shapiro-Wilk test",
        statistic=float(found.statistic),
        p=float(found.pvalue),
        n=len(read),
        method="W, p after Royston (1995)",
    )


def normal_scores(values: Any) -> pd.DataFrame:
    """The points of a Q-Q figure: each value beside the one that a normal distribution would have at its place.

    Parameters
    ----------
    values : array-like of float, shape (n,)
        One number a person, at least 3.

    Returns
    -------
    pandas.DataFrame
        `expected` (standard normal quantile at Blom's place (i - 3/8)/(n + 1/4)), `value` (sorted, in the values'
        unit), `line` (mean + SD x expected: where the points would lie).

    References
    ----------
    Blom (1958) Statistical Estimates and Transformed Beta-Variables.

    Examples
    --------
    >>> normal_scores([3, 1, 2])["value"].tolist()
    [1.0, 2.0, 3.0]
    """
    from scipy import special

    read = np.sort(checked_differences(values, fewest=3))
    place = (np.arange(1, len(read) + 1) - 0.375) / (len(read) + 0.25)
    expected = special.ndtri(place)
    return pd.DataFrame({"expected": expected, "value": read, "line": read.mean() + read.std(ddof=1) * expected})


def within_person_cv(
    data: pd.DataFrame, *, subject: str = "subject", value: str = "value", level: float = 0.95
) -> Estimate:
    """Coefficient of variation within a person, from the logs of repeated readings: 100 (exp(s) - 1) percent.

    s is the SD within a person of the natural logs. It fits where the error grows in proportion to the reading.

    Parameters
    ----------
    data : pandas.DataFrame
        One row a reading.
    subject, value : str
        Columns: the person, and the reading (above 0).
    level : float
        Confidence level.

    Returns
    -------
    Estimate
        In percent; the interval is that of s (chi-squared), carried through.

    Raises
    ------
    SheetError
        A reading that is not above 0, no number, or a missing column.
    NotEnoughError
        Nobody read twice, or no variation within anybody.

    References
    ----------
    Bland & Altman (1996) BMJ 313:106 (Measurement error proportional to the mean).

    Examples
    --------
    >>> rows = pd.DataFrame({"subject": [1, 1, 2, 2], "value": [10, 11, 20, 22]})
    >>> round(within_person_cv(rows).value, 2)
    6.97
    """
    for column in (subject, value):
        if column not in data.columns:
            raise SheetError(f'The data have no column "{column}". They have: {", ".join(map(str, data.columns))}.')
    readings = pd.to_numeric(data[value], errors="coerce")
    if (readings.isna() & data[value].notna()).any():
        raise SheetError(f'The column "{value}" holds something that is no number. Write plain numbers.')
    if (readings <= 0).any():
        raise SheetError(f'The column "{value}" holds a reading that is not above 0: logs need readings above 0.')
    logs = pd.DataFrame({"subject": data[subject], "log": np.log(readings)}).dropna()
    groups = logs.groupby("subject", observed=True)["log"]
    df = int(len(logs) - groups.ngroups)
    if df < 1:
        raise NotEnoughError("Nobody was read twice: the error within a person cannot be seen.")
    within = float(np.sqrt(((logs["log"] - groups.transform("mean")) ** 2).sum() / df))
    if within <= 1e-12:
        raise NotEnoughError("Every person's readings are the same: no error can be seen. Were they copied?")
    low, high = sd_interval(within, df, confidence_level=level)
    return Estimate(
        name="coefficient of variation within a person",
        value=100 * float(np.expm1(within)),
        ci_low=100 * float(np.expm1(low)),
        ci_high=100 * float(np.expm1(high)),
        unit="%",
        n=int(groups.ngroups),
        method="from the SD of logs within a person",
        confidence_level=level,
        df=df,
    )
