"""Readings that were not written down: never dropped, but filled in against the technique, then for it.

Against it (lower): a missing technique change is taken to be the lower quartile of the comparison's changes, a
missing comparison change their median. For it (upper): a missing technique change is taken to be the median of the
comparison's changes, a missing comparison change their 15th percentile: further down than the lower quartile, because
those who leave out what did not move leave out more of it where nothing was done. Simulated clinics in which 60 % of
the unmoved sides are not written down: with the lower quartile up to 7 % of the upper limits lie below the truth, with
the 15th percentile at most 1.3 % (150 clinics a
cell; tests/benchmarks/validity.md shows what the interval then covers, 500 a cell).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

LOWER = (0.25, 0.50)
UPPER = (0.50, 0.15)


def n_missing(rows: pd.DataFrame) -> int:
    """How many compared rows have no reading after."""
    return int(rows["y"].isna().sum())


def fill(rows: pd.DataFrame, quantiles: tuple[float, float]) -> pd.DataFrame:
    """Compared rows with every missing change filled in by quantiles of the comparison's observed changes.

    Args:
        rows: compared rows with `arm` and `y`.
        quantiles: the quantile that a missing technique change gets, and the one a missing comparison change gets.

    Returns:
        The rows, none missing; unchanged where the comparison has no observed change to fill from.

    Example:
        >>> rows = pd.DataFrame({"arm": [1.0, 0.0, 0.0, 0.0], "y": [np.nan, 0.0, 2.0, 4.0]})
        >>> fill(rows, LOWER)["y"].tolist()
        [1.0, 0.0, 2.0, 4.0]
    """
    observed = rows.loc[(rows["arm"] == 0) & rows["y"].notna(), "y"].to_numpy()
    if len(observed) == 0:
        return rows
    technique, comparison = np.quantile(observed, quantiles)
    value = np.where(rows["arm"].to_numpy() == 1, technique, comparison)
    return rows.assign(y=rows["y"].where(rows["y"].notna(), value))
