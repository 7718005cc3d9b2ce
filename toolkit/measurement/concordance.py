"""Lin's concordance correlation: how close pairs of readings lie to the line of perfect agreement."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

from toolkit.measurement import checks
from toolkit.measurement.ratings import complete_pairs
from toolkit.result import Estimate


def concordance(first: npt.ArrayLike, second: npt.ArrayLike, *, confidence_level: float = 0.95) -> Estimate:
    """Lin's concordance correlation coefficient, variances with 1/n, interval through Fisher's z.

    Raises:
        NotEnoughError: fewer than three people, or readings that do not vary.

    Source: Lin (1989) Biometrics 45:255-268, variance as corrected in Lin (2000) Biometrics 56:324-325.

    Example:
        >>> round(concordance([30, 34, 41, 38], [32, 33, 42, 41]).value, 3)
        0.904
    """
    checks.level(confidence_level)
    one, two, _, _ = complete_pairs(first, second, None)
    for name, column in (("first", one), ("second", two)):
        checks.must_vary(
            column, what=f"All `{name}` readings are the same", remedy="concordance needs people who differ."
        )
    n = len(one)
    shift = float(one.mean() - two.mean())
    covariance = float(((one - one.mean()) * (two - two.mean())).mean())
    value = 2 * covariance / (float(one.var()) + float(two.var()) + shift**2)
    r = covariance / float(np.sqrt(one.var() * two.var()))
    scaled = shift**2 / float(np.sqrt(one.var() * two.var()))
    se = float(np.sqrt(max(_concordance_variance(value, r, scaled), 0.0) / (n - 2)))
    half = float(stats.norm.ppf((1 + confidence_level) / 2)) * se
    middle = float(np.arctanh(np.clip(value, -1 + 1e-15, 1 - 1e-15)))
    return Estimate(
        name="concordance correlation",
        value=value,
        ci_low=float(np.tanh(middle - half)),
        ci_high=float(np.tanh(middle + half)),
        unit="",
        n=n,
        n_of="people",
        method="Lin (1989), interval through Fisher's z",
        confidence_level=confidence_level,
    )


def _concordance_variance(value: float, r: float, scaled_shift: float) -> float:
    """(n − 2) × variance of Fisher's z of the concordance correlation; `scaled_shift` = shift² / (SD₁ SD₂)."""
    if abs(r) < 1e-12 or abs(value) >= 1 - 1e-15:
        return 0.0 if abs(value) >= 1 - 1e-15 else 1.0
    rest = 1 - value**2
    return (
        (1 - r**2) * value**2 / (rest * r**2)
        + 2 * value**3 * (1 - value) * scaled_shift / (r * rest**2)
        - value**4 * scaled_shift**2 / (2 * r**2 * rest**2)
    )
