"""Standardised mean changes from two readings a person, each with its interval: numbers in, one `Estimate` out.

d_z and its kin stand in `response_mean` and are passed on here. All others follow one rule (Bonett 2008, 2015): the
squared standard error is the variance of the mean change over the squared denominator, plus the effect squared times
the variance of the denominator's logarithm, both with n - 1; where leaving out one client at a time (jackknife) finds
more spread, that counts. So they hold their level for normal, skewed and heavy-tailed readings from n = 8 on (figures:
tests/benchmarks/coverage_change.csv). Positive = better throughout.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import normal_reach
from toolkit.stats.clients import Floats, direction, same_throughout
from toolkit.stats.paired_tests import checked_differences
from toolkit.stats.response_mean import (
    dz_change,
    dz_change_widened,
    gz_change,
    hedges_correction_approximate,
    jackknife_variance,
    standardised_response_mean,
)

__all__ = [
    "Moments",
    "TwoReadings",
    "baseline_sd_change",
    "dav_change",
    "dav_rms_change",
    "drm_change",
    "dz_change",
    "dz_change_widened",
    "gav_change",
    "gz_change",
    "standardised_response_mean",
    "two_readings",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class Moments:
    """Oriented mean change, variances of first and second reading and their covariance: of one sample, or of many."""

    change: Floats
    var_first: Floats
    var_second: Floats
    cov: Floats

    @property
    def var_change(self) -> Floats:
        """Variance of the change."""
        return self.var_first + self.var_second - 2 * self.cov

    @property
    def r(self) -> Floats:
        """Pearson correlation of the two readings."""
        return np.asarray(self.cov / np.sqrt(self.var_first * self.var_second), dtype=float)


@dataclass(frozen=True, kw_only=True, eq=False)
class TwoReadings:
    """What the standardised changes need: n, the sample's moments, and those with each person left out in turn."""

    n: int
    whole: Moments
    left_out: Moments

    @property
    def r(self) -> float:
        """Pearson correlation of the two readings."""
        return float(self.whole.r)

    @property
    def sd_first(self) -> float:
        """SD of the first reading."""
        return float(np.sqrt(self.whole.var_first))

    @property
    def sd_second(self) -> float:
        """SD of the second reading."""
        return float(np.sqrt(self.whole.var_second))


def _moments_without_each(x: Floats, y: Floats, turned: float) -> Moments:
    """The moments with each person left out in turn (downdated sums of squares; divisor n - 2)."""
    n = len(x)
    dx, dy = x - x.mean(), y - y.mean()
    down = n / (n - 1)

    def without(u: Floats, v: Floats) -> Floats:
        return np.asarray(((u * v).sum() - down * u * v) / max(n - 2, 1), dtype=float)

    change = turned * ((y - x).sum() - (y - x)) / (n - 1)
    return Moments(change=change, var_first=without(dx, dx), var_second=without(dy, dy), cov=without(dx, dy))


def two_readings(first: Any, second: Any, *, better: str = "higher") -> TwoReadings:
    """Summary of two readings a person.

    Parameters
    ----------
    first, second
        One value a person each, in the same order.
    better
        "higher" or "lower".

    Raises
    ------
    ToolkitError
        Unequal lengths, something not a number, or `better` neither word.
    NotEnoughError
        Fewer than two persons, or first, second or change without variation.
    """
    x, y = checked_differences(first), checked_differences(second)
    if len(x) != len(y):
        raise ToolkitError(f"{len(x)} first and {len(y)} second readings: give both readings of the same persons.")
    for values, word in ((x, "first readings"), (y, "second readings"), (y - x, "changes")):
        if same_throughout(values):
            raise NotEnoughError(
                f"The {word} of all {len(x)} persons are the same ({values[0]:.6g}): nothing to standardise by. "
                "Report the change in its own unit."
            )
    turned, cov = direction(better), np.cov(x, y)
    whole = Moments(
        change=np.asarray(turned * (y - x).mean()), var_first=cov[0, 0], var_second=cov[1, 1], cov=cov[0, 1]
    )
    return TwoReadings(n=len(x), whole=whole, left_out=_moments_without_each(x, y, turned))


def _log_scale_variance(readings: TwoReadings, gradient: Floats) -> float:
    """Variance of a denominator's logarithm from its gradient in (var_first, var_second, cov); normal theory, n - 1."""
    a, b, c = float(readings.whole.var_first), float(readings.whole.var_second), float(readings.whole.cov)
    spread = np.array(
        [[2 * a * a, 2 * c * c, 2 * a * c], [2 * c * c, 2 * b * b, 2 * b * c], [2 * a * c, 2 * b * c, a * b + c * c]]
    )
    return float(gradient @ spread @ gradient) / (readings.n - 1)


def _standardised(
    readings: TwoReadings,
    *,
    name: str,
    denominator: Callable[[Moments], Floats],
    gradient: Floats,
    unit: str,
    confidence_level: float,
) -> Estimate:
    """One standardised change from its denominator and the gradient of the denominator's logarithm."""
    scale = float(denominator(readings.whole))
    effect = float(readings.whole.change) / scale
    expected = float(readings.whole.var_change) / scale**2 / (readings.n - 1)
    expected += effect**2 * _log_scale_variance(readings, gradient)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = jackknife_variance(np.asarray(readings.left_out.change / denominator(readings.left_out)))
    error = float(np.sqrt(max(expected, found)))
    reach = normal_reach(confidence_level) * error
    return Estimate(
        name=name,
        value=effect,
        ci_low=effect - reach,
        ci_high=effect + reach,
        unit=unit,
        n=readings.n,
        method=f"mean change / {unit}; delta interval (Bonett 2008, 2015) or the jackknife's, the wider",
        confidence_level=confidence_level,
        se=error,
    )


def _mean_sd(of: Moments) -> Floats:
    return np.asarray((np.sqrt(of.var_first) + np.sqrt(of.var_second)) / 2, dtype=float)


def _root_mean_square_sd(of: Moments) -> Floats:
    return np.asarray(np.sqrt((of.var_first + of.var_second) / 2), dtype=float)


def _first_sd(of: Moments) -> Floats:
    return np.asarray(np.sqrt(of.var_first), dtype=float)


def _repeated_sd(of: Moments) -> Floats:
    return np.asarray(np.sqrt(of.var_change / (2 * (1 - of.r))), dtype=float)


def dav_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_av: mean change over the mean of the two SDs.

    References
    ----------
    Lakens (2013) Frontiers in Psychology 4:863; interval after Bonett (2008) Psychological Methods 13:99-109.

    Examples
    --------
    >>> round(dav_change(two_readings([30, 34, 39], [33, 36, 45])).value, 3)
    0.682
    """
    s1, s2 = readings.sd_first, readings.sd_second
    return _standardised(
        readings,
        name="d_av",
        denominator=_mean_sd,
        gradient=np.array([0.5 / s1, 0.5 / s2, 0.0]) / (s1 + s2),
        unit="mean of the two SDs",
        confidence_level=confidence_level,
    )


def dav_rms_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_av with the root mean square of the two SDs as denominator, as some articles define it.

    References
    ----------
    Bonett (2008) Psychological Methods 13:99-109.

    Examples
    --------
    >>> round(dav_rms_change(two_readings([30, 34, 39], [33, 36, 45])).value, 3)
    0.673
    """
    squares = readings.sd_first**2 + readings.sd_second**2
    return _standardised(
        readings,
        name="d_av (root mean square)",
        denominator=_root_mean_square_sd,
        gradient=np.array([0.5, 0.5, 0.0]) / squares,
        unit="root mean square of the two SDs",
        confidence_level=confidence_level,
    )


def drm_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_rm: mean change over the SD of the changes, put back on the scale of the readings by sqrt(2 (1 - r)).

    References
    ----------
    Morris & DeShon (2002) Psychological Methods 7:105-125; Lakens (2013), equation 9.

    Examples
    --------
    >>> round(drm_change(two_readings([30, 34, 39], [33, 36, 45])).value, 3)
    0.381
    """
    r, a, b = readings.r, readings.sd_first**2, readings.sd_second**2
    of_spread = 0.5 * np.array([1, 1, -2]) / float(readings.whole.var_change)
    of_r = np.array([-r / (2 * a), -r / (2 * b), 1 / np.sqrt(a * b)])
    return _standardised(
        readings,
        name="d_rm",
        denominator=_repeated_sd,
        gradient=of_spread + 0.5 / (1 - r) * of_r,
        unit="SD of the changes / sqrt(2(1 - r))",
        confidence_level=confidence_level,
    )


def baseline_sd_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """Mean change over the SD of the first reading.

    References
    ----------
    Becker (1988) British Journal of Mathematical and Statistical Psychology 41:257-278; Bonett (2015).

    Examples
    --------
    >>> round(baseline_sd_change(two_readings([30, 34, 39], [33, 36, 45])).value, 3)
    0.813
    """
    return _standardised(
        readings,
        name="change over baseline SD",
        denominator=_first_sd,
        gradient=np.array([0.5 / readings.sd_first**2, 0.0, 0.0]),
        unit="SD of the first reading",
        confidence_level=confidence_level,
    )


def gav_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """Hedges' g_av: d_av x (1 - 3 / (4 (n + n) - 9)); the interval is that of d_av, whose target is the same.

    References
    ----------
    Lakens (2013) Frontiers in Psychology 4:863.
    """
    found = dav_change(readings, confidence_level=confidence_level)
    return replace(
        found,
        name="Hedges' g_av",
        value=found.value * hedges_correction_approximate(2 * readings.n - 2),
        method="d_av x small-sample correction; the interval of d_av",
    )
