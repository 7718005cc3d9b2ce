"""Standardised mean changes from two readings a person, each with its interval: numbers in, one `Estimate` out.

Every denominator but that of d_z follows one rule (Bonett 2008, 2015): the squared standard error is the variance of
the mean change over the squared denominator, plus the effect squared times the variance of the denominator's logarithm,
both with n - 1. For normal readings these intervals hold their level from n = 8 on; for strongly skewed readings they
cover less (tests/benchmarks/coverage_change.csv has the figures). Positive = better throughout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import optimize, special, stats

from toolkit.change.centre import checked_level
from toolkit.change.clients import Floats, direction, same_throughout
from toolkit.change.paired_tests import checked_differences, varying_differences
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate


@dataclass(frozen=True, kw_only=True)
class TwoReadings:
    """What the standardised changes need: n, oriented mean change, the variances, the covariance."""

    n: int
    change: float
    var_first: float
    var_second: float
    cov: float

    @property
    def var_change(self) -> float:
        """Variance of the change."""
        return self.var_first + self.var_second - 2 * self.cov

    @property
    def r(self) -> float:
        """Pearson correlation of the two readings."""
        return self.cov / float(np.sqrt(self.var_first * self.var_second))


def two_readings(first: Any, second: Any, *, better: str = "higher") -> TwoReadings:
    """Summary of two readings a person.

    Raises:
        ToolkitError: unequal lengths, something not a number, or `better` neither word.
        NotEnoughError: fewer than two persons, or first, second or change without variation.
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
    cov = np.cov(x, y)
    return TwoReadings(
        n=len(x),
        change=direction(better) * float((y - x).mean()),
        var_first=float(cov[0, 0]),
        var_second=float(cov[1, 1]),
        cov=float(cov[0, 1]),
    )


def hedges_correction(df: float) -> float:
    """The factor that makes a standardised mean unbiased, exact gamma form.

    Source: Hedges (1981) Journal of Educational Statistics 6:107-128.

    Example:
        >>> round(hedges_correction(38), 5)
        0.98011
    """
    return float(np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2))


def hedges_correction_approximate(df: float) -> float:
    """The same factor by 1 - 3 / (4 df - 1), as most articles print it.

    Example:
        >>> round(hedges_correction_approximate(38), 5)
        0.98013
    """
    return 1 - 3 / (4 * df - 1)


def noncentral_t_limits(t: float, *, df: float, confidence_level: float = 0.95) -> tuple[float, float]:
    """Limits for the noncentrality behind an observed t.

    Source: Steiger & Fouladi (1997); Cumming & Finch (2001) Educational and Psychological Measurement 61:532-574.

    Example:
        >>> low, high = noncentral_t_limits(2.0, df=20)
        >>> round(low, 2), round(high, 2)
        (-0.08, 4.03)
    """
    tail = (1 - checked_level(confidence_level)) / 2
    size = abs(t)  # the distribution mirrors; scipy's is sound for positive t and not far below 0 only
    lowest = float(stats.norm.ppf(tail)) - 0.5
    highest = size + 6 * float(np.sqrt(1 + size**2 / df)) + 2

    def limit(share: float) -> float:
        return float(optimize.brentq(lambda at: stats.nct.cdf(size, df, at) - share, lowest, highest, xtol=1e-12))

    low, high = limit(1 - tail), limit(tail)
    return (low, high) if t >= 0 else (-high, -low)


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
        ci_low=low / np.sqrt(n),
        ci_high=high / np.sqrt(n),
        unit="SD of the changes",
        n=n,
        df=float(n - 1),
        method="mean change / SD of the changes; noncentral t interval",
        confidence_level=confidence_level,
    )


def standardised_response_mean(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """Standardised response mean: the same figure as d_z, under the name outcome research gives it.

    Source: Liang, Fossel & Larson (1990) Medical Care 28:632-642.

    Example:
        >>> standardised_response_mean([1.0, 2.0, 3.0]).value
        2.0
    """
    found = dz_change(differences, confidence_level=confidence_level)
    return replace(found, name="standardised response mean")


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


def _log_scale_variance(readings: TwoReadings, gradient: Floats) -> float:
    """Variance of a denominator's logarithm from its gradient in (var_first, var_second, cov); normal theory, n - 1."""
    a, b, c = readings.var_first, readings.var_second, readings.cov
    spread = np.array(
        [[2 * a * a, 2 * c * c, 2 * a * c], [2 * c * c, 2 * b * b, 2 * b * c], [2 * a * c, 2 * b * c, a * b + c * c]]
    )
    return float(gradient @ spread @ gradient) / (readings.n - 1)


def _standardised(
    readings: TwoReadings, *, name: str, scale: float, gradient: Floats, unit: str, how: str, confidence_level: float
) -> Estimate:
    """One standardised change from its denominator `scale` and the gradient of log(scale)."""
    effect = readings.change / scale
    error = np.sqrt(
        readings.var_change / scale**2 / (readings.n - 1) + effect**2 * _log_scale_variance(readings, gradient)
    )
    reach = float(stats.norm.ppf((1 + checked_level(confidence_level)) / 2) * error)
    return Estimate(
        name=name,
        value=effect,
        ci_low=effect - reach,
        ci_high=effect + reach,
        unit=unit,
        n=readings.n,
        method=f"{how}; delta interval (Bonett 2008, 2015)",
        confidence_level=confidence_level,
        se=float(error),
    )


def dav_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_av: mean change over the mean of the two SDs.

    Source: Lakens (2013) Frontiers in Psychology 4:863; interval after Bonett (2008) Psychological Methods 13:99-109.

    Example:
        >>> round(dav_change(two_readings([30, 34, 39], [33, 36, 45])).value, 3)
        0.682
    """
    s1, s2 = np.sqrt(readings.var_first), np.sqrt(readings.var_second)
    scale = float((s1 + s2) / 2)
    return _standardised(
        readings,
        name="d_av",
        scale=scale,
        gradient=np.array([0.25 / s1, 0.25 / s2, 0.0]) / scale,
        unit="mean of the two SDs",
        how="mean change / mean of the two SDs",
        confidence_level=confidence_level,
    )


def dav_rms_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_av with the root mean square of the two SDs as denominator, as some articles define it.

    Source: Bonett (2008) Psychological Methods 13:99-109.
    """
    pooled = (readings.var_first + readings.var_second) / 2
    return _standardised(
        readings,
        name="d_av (root mean square)",
        scale=float(np.sqrt(pooled)),
        gradient=np.array([0.25, 0.25, 0.0]) / pooled,
        unit="root mean square of the two SDs",
        how="mean change / root mean square of the two SDs",
        confidence_level=confidence_level,
    )


def drm_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """d_rm: mean change over the SD of the changes, put back on the scale of the readings by sqrt(2 (1 - r)).

    Source: Morris & DeShon (2002) Psychological Methods 7:105-125; Lakens (2013), equation 9.
    """
    r, a, b = readings.r, readings.var_first, readings.var_second
    spread = readings.var_change
    gradient = 0.5 * np.array([1, 1, -2]) / spread + 0.5 / (1 - r) * np.array(
        [-r / (2 * a), -r / (2 * b), 1 / np.sqrt(a * b)]
    )
    return _standardised(
        readings,
        name="d_rm",
        scale=float(np.sqrt(spread / (2 * (1 - r)))),
        gradient=gradient,
        unit="SD, repeated measures",
        how="mean change / SD of the changes x sqrt(2(1 - r))",
        confidence_level=confidence_level,
    )


def baseline_sd_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """Mean change over the SD of the first reading.

    Source: Becker (1988) British Journal of Mathematical and Statistical Psychology 41:257-278; Bonett (2015).
    """
    return _standardised(
        readings,
        name="change over baseline SD",
        scale=float(np.sqrt(readings.var_first)),
        gradient=np.array([0.5 / readings.var_first, 0.0, 0.0]),
        unit="SD of the first reading",
        how="mean change / SD of the first reading",
        confidence_level=confidence_level,
    )


def gav_change(readings: TwoReadings, *, confidence_level: float = 0.95) -> Estimate:
    """Hedges' g_av: d_av x (1 - 3 / (4 (n + n) - 9)); the interval is that of d_av, whose target is the same.

    Source: Lakens (2013) Frontiers in Psychology 4:863.
    """
    found = dav_change(readings, confidence_level=confidence_level)
    return replace(
        found,
        name="Hedges' g_av",
        value=found.value * hedges_correction_approximate(2 * readings.n - 2),
        method="d_av x small-sample correction; delta interval of d_av (Bonett 2008)",
    )
