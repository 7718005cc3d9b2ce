"""Do changes look as if drawn from a normal distribution? Shapiro and Wilk's test, and the points of a Q-Q figure."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.stats.clients import same_throughout
from toolkit.stats.paired_tests import TestResult, checked_differences

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
