"""Lin's concordance correlation: how close pairs of readings lie to the line of perfect agreement."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from toolkit.measurement import checks
from toolkit.measurement.clustered import Floats
from toolkit.measurement.ratings import complete_pairs
from toolkit.quantiles import t_quantile
from toolkit.result import Estimate


def concordance(first: npt.ArrayLike, second: npt.ArrayLike, *, confidence_level: float = 0.95) -> Estimate:
    """Lin's concordance correlation coefficient, variances with 1/n.

    The interval is a jackknife over people through Fisher's z with t quantiles, not Lin's own: that supposes normal
    readings and held the truth in only 85 % of our simulations with heavy-tailed ones (the jackknife: 92–94 %).

    Raises:
        NotEnoughError: fewer than three people, or readings that do not vary.

    Source: Lin (1989) Biometrics 45:255-268.

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
    value = float(_coefficients(one[None, :], two[None, :], np.ones((1, n)))[0])
    left = np.arctanh(_inside(_coefficients(one[None, :], two[None, :], 1 - np.eye(n))))
    se = float(np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum()))
    half = t_quantile((1 + confidence_level) / 2, n - 1) * se
    middle = float(np.arctanh(_inside(np.array([value])))[0])
    return Estimate(
        name="concordance correlation",
        value=value,
        ci_low=float(np.tanh(middle - half)),
        ci_high=float(np.tanh(middle + half)),
        unit="",
        n=n,
        n_of="people",
        method="Lin (1989); jackknife interval through Fisher's z",
        confidence_level=confidence_level,
    )


def _coefficients(one: Floats, two: Floats, weight: Floats) -> Floats:
    """The coefficient for each row of weights (1 = this person counts, 0 = left out)."""
    n = weight.sum(axis=1)
    mean_one, mean_two = (weight * one).sum(axis=1) / n, (weight * two).sum(axis=1) / n
    off_one, off_two = one - mean_one[:, None], two - mean_two[:, None]
    covariance = (weight * off_one * off_two).sum(axis=1) / n
    spread = (weight * (off_one**2 + off_two**2)).sum(axis=1) / n
    return np.asarray(2 * covariance / (spread + (mean_one - mean_two) ** 2), dtype=np.float64)


def _inside(values: Floats) -> Floats:
    """Kept strictly between −1 and 1, so that Fisher's z is finite."""
    return np.clip(values, -1 + 1e-12, 1 - 1e-12)
