"""Three or more readings of the same people: Friedman's test with Kendall's W, repeated-measures ANOVA."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.clients import Floats, numbers
from toolkit.stats.paired_tests import TestResult


def person_by_reading(data: pd.DataFrame, *, person: str, reading: str, value: str) -> pd.DataFrame:
    """One row a person, one column a reading (several values of a cell are averaged); incomplete persons are left out.

    Raises
    ------
    ToolkitError
        A column is missing or text stands among the numbers.
    NotEnoughError
        Fewer than two complete persons or fewer than three readings.
    """
    for column in (person, reading):
        if column not in data.columns:
            raise ToolkitError(f"There is no column '{column}'. The columns are: {', '.join(map(str, data.columns))}.")
    read = data[[person, reading]].assign(value=numbers(data, value))
    wide = read.pivot_table(index=person, columns=reading, values="value", aggfunc="mean", observed=True).dropna()
    if len(wide) < 2 or wide.shape[1] < 3:
        raise NotEnoughError(
            f"{len(wide)} person(s) with all of {wide.shape[1]} reading(s): this needs two persons and three readings. "
            "For two readings use the paired change."
        )
    return wide


def _varying(wide: pd.DataFrame) -> Floats:
    values = wide.to_numpy(dtype=float)
    if np.all(np.ptp(values, axis=1) == 0):
        raise NotEnoughError(f"All {len(values)} persons read the same throughout: there is no change to test.")
    return values


def friedman(data: pd.DataFrame, *, person: str, reading: str, value: str) -> TestResult:
    """Friedman's rank test, corrected for ties: do three or more readings of the same people differ?

    Parameters
    ----------
    data
        One row a reading.
    person, reading, value
        Its columns.

    References
    ----------
    Friedman (1937); Conover (1999), section 5.8; computed by scipy.

    Examples
    --------
    >>> data = pd.DataFrame({"who": [1, 1, 1, 2, 2, 2], "when": list("abcabc"), "deg": [1, 2, 3, 2, 3, 4]})
    >>> friedman(data, person="who", reading="when", value="deg").statistic
    4.0
    """
    values = _varying(person_by_reading(data, person=person, reading=reading, value=value))
    from scipy import stats

    found = stats.friedmanchisquare(*values.T)
    return TestResult(
        name="Friedman test",
        statistic=float(found.statistic),
        p=float(found.pvalue),
        df=float(values.shape[1] - 1),
        n=len(values),
        method="chi-squared, tie-corrected",
    )


def kendall_w(data: pd.DataFrame, *, person: str, reading: str, value: str) -> float:
    """Kendall's coefficient of concordance W: how far all people rank the readings alike (0 not at all, 1 exactly).

    Parameters, refusals as in `friedman`. W = its chi-squared / (people x (readings - 1)), corrected for ties alike.

    References
    ----------
    Kendall & Babington Smith (1939) Ann Math Stat 10:275-287.

    Examples
    --------
    >>> data = pd.DataFrame({"who": [1, 1, 1, 2, 2, 2], "when": list("abcabc"), "deg": [1, 2, 3, 2, 3, 4]})
    >>> kendall_w(data, person="who", reading="when", value="deg")
    1.0
    """
    test = friedman(data, person=person, reading=reading, value=value)
    return test.statistic / (test.n * float(test.df or 1))


def greenhouse_geisser(data: pd.DataFrame, *, person: str, reading: str, value: str) -> float:
    """Greenhouse-Geisser's epsilon: 1 when all differences of readings vary alike, less when they do not.

    References
    ----------
    Greenhouse & Geisser (1959) Psychometrika 24:95-112 (from the double-centred covariance).
    """
    values = _varying(person_by_reading(data, person=person, reading=reading, value=value))
    covariance = np.cov(values, rowvar=False)
    centred = covariance - covariance.mean(axis=0) - covariance.mean(axis=1)[:, None] + covariance.mean()
    return float(np.trace(centred) ** 2 / ((len(centred) - 1) * (centred**2).sum()))


def repeated_anova_plain(data: pd.DataFrame, *, person: str, reading: str, value: str) -> TestResult:
    """One-way repeated-measures ANOVA with its plain df: holds only where all differences of readings vary alike.

    Raises
    ------
    NotEnoughError
        Nothing varies within persons beyond the readings' means.

    References
    ----------
    Winer, Brown & Michels (1991) Statistical Principles in Experimental Design, ch. 4 (from memory).

    Examples
    --------
    >>> data = pd.DataFrame({"who": [1, 1, 1, 2, 2, 2, 3, 3, 3], "when": list("abcabcabc"),
    ...                      "deg": [1, 2, 4, 2, 2, 5, 1, 3, 3]})
    >>> round(repeated_anova_plain(data, person="who", reading="when", value="deg").p, 3)
    0.034
    """
    values = _varying(person_by_reading(data, person=person, reading=reading, value=value))
    n, k = values.shape
    statistic = _f_ratio(values)
    return TestResult(
        name="repeated-measures ANOVA",
        statistic=statistic,
        p=float(special.fdtrc(k - 1, (n - 1) * (k - 1), statistic)),
        df=float(k - 1),
        n=n,
        method=f"F({k - 1}, {(n - 1) * (k - 1)}), no correction of the df",
    )


def _f_ratio(values: Floats) -> float:
    """Mean square of the readings over that of what is left, shape (people, readings)."""
    n, k = values.shape
    means = values.mean(axis=0)
    residual = values - values.mean(axis=1, keepdims=True) - means + values.mean()
    left = float((residual**2).sum()) / ((n - 1) * (k - 1))
    if left <= 1e-24 * float((values**2).mean() + 1):
        raise NotEnoughError(
            "All persons changed in exactly the same way: there is no residual variation to test against."
        )
    return float(n * ((means - values.mean()) ** 2).sum() / (k - 1) / left)


def repeated_anova(data: pd.DataFrame, *, person: str, reading: str, value: str) -> TestResult:
    """One-way repeated-measures ANOVA, its df multiplied by Greenhouse-Geisser's epsilon.

    `df` is the corrected numerator df; the method names both df and epsilon.

    Raises
    ------
    NotEnoughError
        Nothing varies within persons beyond the readings' means.

    Examples
    --------
    >>> data = pd.DataFrame({"who": [1, 1, 1, 2, 2, 2, 3, 3, 3], "when": list("abcabcabc"),
    ...                      "deg": [1, 2, 4, 2, 2, 5, 1, 3, 3]})
    >>> round(repeated_anova(data, person="who", reading="when", value="deg").statistic, 2)
    8.91
    """
    values = _varying(person_by_reading(data, person=person, reading=reading, value=value))
    n, k = values.shape
    statistic = _f_ratio(values)
    epsilon = greenhouse_geisser(data, person=person, reading=reading, value=value)
    df_1, df_2 = epsilon * (k - 1), epsilon * (n - 1) * (k - 1)
    return TestResult(
        name="repeated-measures ANOVA",
        statistic=statistic,
        p=float(special.fdtrc(df_1, df_2, statistic)),
        df=df_1,
        n=n,
        method=f"F({df_1:.3f}, {df_2:.3f}), Greenhouse-Geisser epsilon {epsilon:.4f}",
    )
