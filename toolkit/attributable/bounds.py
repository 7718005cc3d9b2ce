"""Readings that were not written down: never dropped, but filled in against the technique, then for it.

Against it (lower): a missing technique change is taken to be the lower quartile of the comparison's changes, a
missing comparison change their median. For it (upper): the technique's missing changes are taken to be the
comparison's upper quartile, the comparison's missing ones their lower quartile.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

LOWER = (0.25, 0.50)
UPPER = (0.75, 0.25)


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
