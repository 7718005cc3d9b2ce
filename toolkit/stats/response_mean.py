"""The mean change over the SD of the changes, with the small-sample corrections of standardised means."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy import special

from toolkit.quantiles import jackknife_covariance, normal_quantile
from toolkit.result import Estimate
from toolkit.stats.centre import checked_level
from toolkit.stats.clients import Floats
from toolkit.stats.paired_tests import varying_differences


def hedges_correction(df: float) -> float:
    """The factor that makes a standardised mean unbiased, exact gamma form.

    References
    ----------
    Hedges (1981) Journal of Educational Statistics 6:107-128.

    Examples
    --------
    >>> round(hedges_correction(38), 5)
    0.98011
    """
    return float(np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2))


def hedges_correction_approximate(df: float) -> float:
    """The same factor by 1 - 3 / (4 df - 1), as most articles print it.

    Examples
    --------
    >>> round(hedges_correction_approximate(38), 5)
    0.98013
    """
    return 1 - 3 / (4 * df - 1)


def noncentral_t_limits(t: float, *, df: float, confidence_level: float = 0.95) -> tuple[float, float]:
    """Limits for the noncentrality behind an observed t.

    References
    ----------
    Steiger & Fouladi (1997); Cumming & Finch (2001) Educational and Psychological Measurement 61:532-574.

    Examples
    --------
    >>> low, high = noncentral_t_limits(2.0, df=20)
    >>> round(low, 2), round(high, 2)
    (-0.08, 4.03)
    """
    from scipy import optimize

    tail = (1 - checked_level(confidence_level)) / 2
    size = abs(t)  # the distribution mirrors; scipy's is sound for positive t and not far below 0 only
    lowest = float(normal_quantile(tail)) - 0.5
    highest = size + 6 * float(np.sqrt(1 + size**2 / df)) + 2

    def limit(share: float) -> float:
        return float(optimize.brentq(lambda at: special.nctdtr(df, at, size) - share, lowest, highest, xtol=1e-12))

    low, high = limit(1 - tail), limit(tail)
    return (low, high) if t >= 0 else (-high, -low)


def jackknife_variance(effects: Floats) -> float:
    """Variance of an estimate from its values with each person left out; 0 where too few people allow none."""
    n = len(effects)
    if n < 5 or not np.isfinite(effects).all():
        return 0.0
    return float(jackknife_covariance(effects)[0, 0])


def dz_change(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """d_z: mean change over the SD of the changes, with the exact noncentral t interval (normal changes).

    Parameters
    ----------
    differences
        One oriented change a person.

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or no variation.

    References
    ----------
    Cohen (1988) p. 48; interval Steiger & Fouladi (1997).

    Examples
    --------
    >>> dz_change([1.0, 2.0, 3.0]).value
    2.0
    """
    values = varying_differences(differences)
    n = len(values)
    dz = float(values.mean() / values.std(ddof=1))
    low, high = noncentral_t_limits(dz * np.sqrt(n), df=n - 1, confidence_level=confidence_level)
    return Estimate(
        name="d_z",
        value=dz,
        ci_low=float(low / np.sqrt(n)),
        ci_high=float(high / np.sqrt(n)),
        unit="SD of the changes",
        n=n,
        df=float(n - 1),
        method="mean change / SD of the changes; noncentral t interval",
        confidence_level=confidence_level,
    )


def standardised_response_mean(dz: Estimate) -> Estimate:
    """Standardised response mean: the same figure as d_z, under the name outcome research gives it.

    References
    ----------
    Liang, Fossel & Larson (1990) Medical Care 28:632-642.

    Examples
    --------
    >>> standardised_response_mean(dz_change([1.0, 2.0, 3.0])).value
    2.0
    """
    return replace(dz, name="standardised response mean")


def gz_change(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """Hedges' g_z: d_z freed of its small-sample bias (exact correction); the interval is that of d_z.

    Examples
    --------
    >>> round(gz_change([1.0, 2.0, 3.0]).value, 4)
    1.1284
    """
    found = dz_change(differences, confidence_level=confidence_level)
    return replace(
        found,
        name="Hedges' g_z",
        value=found.value * hedges_correction(found.n - 1),
        method="d_z x exact small-sample correction; noncentral t interval of d_z",
    )


def dz_change_widened(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """d_z whose noncentral t limits are drawn apart where leaving out one client at a time finds more spread.

    For clients who come unequally often: their means vary unequally, and the noncentral t interval is then too narrow.

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or no variation.

    Examples
    --------
    >>> plain, widened = dz_change([1, 2, 3, 3, 4, 15]), dz_change_widened([1, 2, 3, 3, 4, 15])
    >>> bool(widened.ci_high > plain.ci_high)
    True
    """
    values = varying_differences(differences)
    found, n = dz_change(values, confidence_level=confidence_level), len(values)
    off = values - values.mean()
    spread = np.maximum(((off**2).sum() - n / (n - 1) * off**2) / max(n - 2, 1), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effects = (values.sum() - values) / (n - 1) / np.sqrt(spread)
    apart = jackknife_variance(effects) / (1 / (n - 1) + found.value**2 / (2 * (n - 1)))
    factor = float(np.sqrt(max(1.0, apart)))
    return replace(
        found,
        ci_low=found.value - factor * (found.value - found.ci_low),
        ci_high=found.value + factor * (found.ci_high - found.value),
        method="mean change / SD of the changes; noncentral t interval, widened to the jackknife's spread",
    )
