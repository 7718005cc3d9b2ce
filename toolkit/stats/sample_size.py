"""How many, by formula: the planning figures of a paired and of a two-group t test.

Power is the chance of a significant result in the true direction (alpha/2 on that side); one the wrong way round is no
success. The figures assume one change a client and nothing missing; `plan_season` plays records as they really come.
"""

from __future__ import annotations

import math
from typing import Any

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text
from toolkit.result import Result
from toolkit.stats.data import checked_level, plain_number


def _checked(*, effect: float, power: float | None = None, alpha: float) -> None:
    if effect == 0 or not 0 < alpha < 1 or (power is not None and not alpha < power < 1):
        raise NotEnoughError(
            f"An effect of {effect}, alpha {alpha} and power {power} cannot be planned for: the effect must not be 0, "
            "and power must lie between alpha and 1."
        )


def pairs_needed(effect: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Number of clients (not rounded) for a paired t test.

    Parameters
    ----------
    effect
        D_z, the mean change over the SD of the changes.
    power, alpha
        Two-sided test.

    Raises
    ------
    NotEnoughError
        Nothing can be planned for these values.

    References
    ----------
    noncentral t (Cohen 1988, Statistical Power Analysis, ch. 2), through statsmodels.

    Examples
    --------
    >>> round(pairs_needed(0.5), 2)
    33.37
    """
    from statsmodels.stats.power import TTestPower

    _checked(effect=effect, power=power, alpha=alpha)
    return float(TTestPower().solve_power(abs(effect), power=power, alpha=alpha / 2, alternative="larger"))


def power_of_pairs(effect: float, *, n: int, alpha: float = 0.05) -> float:
    """Power of a two-sided paired t test with n clients and effect d_z.

    References
    ----------
    noncentral t (Cohen 1988, ch. 2), through statsmodels.

    Examples
    --------
    >>> round(power_of_pairs(0.421637, n=50), 4)
    0.8321
    """
    from statsmodels.stats.power import TTestPower

    _checked(effect=effect, alpha=alpha)
    return float(TTestPower().power(abs(effect), nobs=n, alpha=alpha / 2, alternative="larger"))


def clients_a_group_needed(effect: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Number of clients in each of two groups (not rounded) for a two-sided t test on d (difference over SD).

    References
    ----------
    noncentral t (Cohen 1988, ch. 2), through statsmodels.

    Examples
    --------
    >>> round(clients_a_group_needed(0.5), 2)
    63.77
    """
    from statsmodels.stats.power import TTestIndPower

    _checked(effect=effect, power=power, alpha=alpha)
    return float(TTestIndPower().solve_power(abs(effect), power=power, alpha=alpha / 2, alternative="larger"))


def clients_for_width(n: int, *, half_width: float, wanted: float) -> int | None:
    """About how many clients bring an interval to a half-width: widths fall with the square root of their number.

    None where there is no width, or no number below 100,000 would do.

    Examples
    --------
    >>> clients_for_width(20, half_width=4.0, wanted=2.0)
    80
    """
    if not (math.isfinite(half_width) and half_width > 0 and wanted > 0):
        return None
    needed = math.ceil(n * (half_width / wanted) ** 2)
    return needed if needed < 100_000 else None


def clients_needed(
    effect: Any, *, groups: int = 1, power: float = 0.8, level: float = 0.95, n: int | None = None
) -> Result:
    """How many clients a t test needs for an effect, or the power that `n` clients give it.

    Parameters
    ----------
    effect
        The effect planned for, in SDs: the mean change over the SD of the changes (`groups` = 1), or the difference of
        two groups over the SD within them (`groups` = 2). A number, an `Estimate` or a `Result`.
    groups
        1 (the same clients before and after) or 2 (different clients).
    power
        Chance of a significant result in the true direction.
    level
        1 - alpha of the two-sided test.
    n
        Clients there are (before and after only): the power is then given in place of a number.

    Returns
    -------
    Result
        One row: "clients needed" (in each group), not rounded, or "power".

    Raises
    ------
    ToolkitError
        `groups` is neither 1 nor 2.
    NotEnoughError
        Nothing can be planned for these values.

    References
    ----------
    Cohen (1988) Statistical Power Analysis, chapter 2; noncentral t through statsmodels.

    Examples
    --------
    >>> round(float(clients_needed(0.5)), 2), round(float(clients_needed(0.5, groups=2)), 2)
    (33.37, 63.77)
    """
    size, alpha = plain_number(effect, "effect"), 1 - checked_level(level)
    if groups not in (1, 2):
        raise ToolkitError(f"groups is {groups}: 1 for the same clients before and after, 2 for different clients.")
    if n is not None and groups == 2:
        raise ToolkitError("The power of a given number is for the same clients before and after (groups=1).")
    method = f"two-sided t test at {figure_text(round(alpha, 10))}, noncentral t, effect {figure_text(size)} SD"
    if n is not None:
        found = power_of_pairs(size, n=n, alpha=alpha)
        says = f"{n} clients give a power of {found:.2f} ({method})."
        row = {"what": "power", "estimate": found, "n_clients": n, "unit": "probability", "method": method}
        return Result.of([row], says=says, title="Power")
    find = pairs_needed if groups == 1 else clients_a_group_needed
    found = find(size, power=power, alpha=alpha)
    each = "" if groups == 1 else " in each group"
    says = f"{math.ceil(found)} clients{each} are needed for a power of {figure_text(power)} ({method})."
    row = {"what": f"clients needed{each}", "estimate": found, "unit": "clients", "method": method, "power": power}
    return Result.of([row], says=says, title="Clients needed")
