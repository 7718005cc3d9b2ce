"""Quantiles of the usual distributions straight from scipy.special: the same figures as scipy.stats, a hundred times
faster, which counts where thousands of intervals are computed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

Floats = np.ndarray[Any, np.dtype[np.float64]]


def normal_quantile(p: float) -> float:
    """Quantile of the standard normal distribution.

    Example:
        >>> round(normal_quantile(0.975), 4)
        1.96
    """
    return float(special.ndtri(p))


def t_quantile(p: float, df: float) -> float:
    """Quantile of Student's t distribution.

    Example:
        >>> round(t_quantile(0.975, 10), 3)
        2.228
    """
    return float(special.stdtrit(df, p))


def chi2_quantile(p: float, df: float | Floats) -> Floats:
    """Quantile of the chi-square distribution, one a df.

    Example:
        >>> chi2_quantile(0.95, 4.0).round(3)
        np.float64(9.488)
    """
    return np.asarray(special.chdtri(df, 1 - p), dtype=np.float64)[()]


def f_quantile(p: float, df_above: float, df_below: float) -> float:
    """Quantile of the F distribution.

    Example:
        >>> round(f_quantile(0.95, 3, 20), 3)
        3.098
    """
    return float(special.fdtri(df_above, df_below, p))
