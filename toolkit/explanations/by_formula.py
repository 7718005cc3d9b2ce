"""What chance alone does, by formula: regression to the mean of chosen sides, and the price of interim looks."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from toolkit.errors import ToolkitError
from toolkit.explanations.chance import fixed_shape_bounds, spending_bounds
from toolkit.explanations.regression_to_the_mean import expected_regression
from toolkit.number_words import figure_text, quantity
from toolkit.quantiles import normal_above
from toolkit.result import Result
from toolkit.stats.data import checked_level, plain_number


def regression_expected(
    threshold: float, *, mean: float, between_sd: Any, sem: Any, n_baselines: int = 1, unit: str = ""
) -> Result:
    """How far sides chosen beyond a threshold drift back to the mean although nothing is done.

    Parameters
    ----------
    threshold
        Sides whose reading (or mean of `n_baselines` readings) lies beyond it were chosen.
    mean
        Of all sides, chosen or not, in `unit`.
    between_sd, sem
        SD of the true values between people, and the standard error of measurement; numbers, `Estimate`s or `Result`s.
    n_baselines
        Readings averaged before choosing.
    unit
        Unit of the readings.

    Returns
    -------
    Result
        One row: the expected drift towards the mean.

    Raises
    ------
    ToolkitError
        A size is not above 0.

    References
    ----------
    Barnett, van der Pols & Dobson (2005) International Journal of Epidemiology 34:215-220.

    Examples
    --------
    >>> round(float(regression_expected(30, mean=35, between_sd=6, sem=2.5, unit="deg")), 2)
    1.29
    """
    spread, error = plain_number(between_sd, "between_sd"), plain_number(sem, "sem")
    if not (spread > 0 and error > 0 and n_baselines >= 1):
        raise ToolkitError("between_sd and sem must be above 0, and at least one reading is taken before choosing.")
    found = expected_regression(
        threshold, mean=mean, between_variance=spread**2, within_variance=error**2, n_baselines=n_baselines
    )
    says = (
        f"Sides chosen beyond {quantity(threshold, unit)} are expected to drift {quantity(found, unit)} "
        f"towards the mean of {figure_text(mean)} although nothing is done."
    )
    row = {"what": "expected drift to the mean", "estimate": found, "unit": unit, "method": "normal readings"}
    return Result.of([row], says=says, title="Regression to the mean")


def interim_boundaries(
    looks: int, *, shape: Literal["spending", "constant", "falling"] = "spending", level: float = 0.95
) -> Result:
    """How far a result must stand out at each of several planned looks at growing records.

    Parameters
    ----------
    looks
        How many, equally spaced.
    shape
        "spending" (O'Brien-Fleming type, as the claim rule uses), "constant" or "falling" (boundaries of fixed shape).
    level
        1 - alpha of the two-sided test over all looks.

    Returns
    -------
    Result
        A row a look: `statistic` the boundary of z, `p` the two-sided p it takes at that look.

    Raises
    ------
    ToolkitError
        No look, or an unknown shape.

    References
    ----------
    Lan & DeMets (1983) Biometrika 70:659-663; Pocock (1977) Biometrika 64:191-199 ("constant"); O'Brien & Fleming
    (1979) Biometrics 35:549-556 ("falling").

    Examples
    --------
    >>> interim_boundaries(2, shape="constant").frame["statistic"].round(3).tolist()
    [2.178, 2.178]
    """
    alpha = (1 - checked_level(level)) / 2
    if not isinstance(looks, int) or looks < 1:
        raise ToolkitError(f"looks is {looks!r}: give a whole number from 1 on.")
    powers = {"constant": 0.5, "falling": 0.0}
    if shape == "spending":
        bounds = spending_bounds([(k + 1) / looks for k in range(looks)], alpha=alpha)
    elif shape in powers:
        bounds = fixed_shape_bounds(looks, alpha=alpha, power=powers[shape])
    else:
        raise ToolkitError(f"There is no shape '{shape}'. Choose spending, constant or falling.")
    rows = [
        {"what": f"look {k + 1} of {looks}", "statistic": z, "p": float(2 * normal_above(np.abs(z))), "level": level}
        | {"unit": "", "method": f"{shape} boundary"}
        for k, z in enumerate(bounds)
    ]
    first = figure_text(rows[0]["p"])
    says = f"Of {looks} planned looks the first needs p below {first}, the last below {figure_text(rows[-1]['p'])}."
    return Result.of(rows, says=says, title="Interim looks")
