"""Measurement error that grows with the reading: the coefficient of variation within a person."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.result import Estimate
from toolkit.stats.clustered import sd_interval


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
