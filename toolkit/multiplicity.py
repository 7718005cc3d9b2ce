"""Several tests at once: p values adjusted so that one lucky test among many is not taken for a finding."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError

METHODS = {
    "holm": "Holm (1979): family-wise error, any dependence",
    "hochberg": "Hochberg (1988): family-wise error, independent or positively dependent tests",
    "bonferroni": "Bonferroni: family-wise error, any dependence",
    "bh": "Benjamini & Hochberg (1995): false discovery rate, independent or positively dependent tests",
    "by": "Benjamini & Yekutieli (2001): false discovery rate, any dependence",
}
_THEIR_NAMES = {
    "holm": "holm",
    "hochberg": "simes-hochberg",
    "bonferroni": "bonferroni",
    "bh": "fdr_bh",
    "by": "fdr_by",
}


def holm_p(p: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Holm's step-down p values, in the order given; without a library, because every answer by group needs them.

    Missing values stay missing and do not count.

    References
    ----------
    Holm (1979) Scandinavian Journal of Statistics 6:65-70.

    Examples
    --------
    >>> holm_p([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    given = np.asarray(p, dtype=float)
    out = np.full(given.shape, np.nan)
    there = np.flatnonzero(~np.isnan(given))
    order = there[np.argsort(given[there], kind="stable")]
    out[order] = np.minimum(1.0, np.maximum.accumulate(given[order] * np.arange(len(order), 0, -1)))
    return out


def adjusted_p(p_values: Sequence[float], *, method: str = "holm", alpha: float = 0.05) -> pd.DataFrame:
    """Adjusted p values, in the order given; `rejected` where the adjusted value is at most alpha.

    Parameters
    ----------
    p_values
        One p a test.
    method
        holm, hochberg, bonferroni, bh or by.
    alpha
        The level for `rejected`.

    Returns
    -------
    pandas.DataFrame
        Columns `p`, `p_adjusted`, `rejected`.

    Raises
    ------
    ToolkitError
        An unknown method, or a p outside 0 to 1 or missing.
    NotEnoughError
        No p at all.

    References
    ----------
    The articles named in `METHODS`; computed by statsmodels.

    Examples
    --------
    >>> adjusted_p([0.01, 0.04, 0.03])["p_adjusted"].round(2).tolist()
    [0.03, 0.06, 0.06]
    """
    from statsmodels.stats.multitest import multipletests

    if method not in METHODS:
        raise ToolkitError(f"There is no adjustment '{method}'. Choose one of: {', '.join(METHODS)}.")
    given = np.asarray(p_values, dtype=float)
    if given.size == 0:
        raise NotEnoughError("No p value was given, so there is nothing to adjust.")
    if not np.all((given >= 0) & (given <= 1)):
        raise ToolkitError("A p value is missing or outside 0 to 1. Leave tests without a p out, and say so.")
    adjusted = multipletests(given, alpha=alpha, method=_THEIR_NAMES[method])[1]
    return pd.DataFrame({"p": given, "p_adjusted": adjusted, "rejected": adjusted <= alpha})
