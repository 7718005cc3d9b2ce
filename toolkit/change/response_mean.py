"""The mean change over the SD of the changes: d_z, the standardised response mean, Hedges' g_z."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from toolkit.change.paired_tests import varying_differences
from toolkit.change.small_sample import hedges_correction, jackknife_variance, noncentral_t_limits
from toolkit.result import Estimate


def dz_change(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """d_z: mean change over the SD of the changes, with the exact noncentral t interval (normal changes).

    Args:
        differences: one oriented change a person.

    Raises:
        NotEnoughError: fewer than two persons, or no variation.

    Source: Cohen (1988) p. 48; interval Steiger & Fouladi (1997).

    Example:
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

    Source: Liang, Fossel & Larson (1990) Medical Care 28:632-642.

    Example:
        >>> standardised_response_mean(dz_change([1.0, 2.0, 3.0])).value
        2.0
    """
    return replace(dz, name="standardised response mean")


def gz_change(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """Hedges' g_z: d_z freed of its small-sample bias (exact correction); the interval is that of d_z.

    Example:
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

    Raises:
        NotEnoughError: fewer than two persons, or no variation.

    Example:
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
