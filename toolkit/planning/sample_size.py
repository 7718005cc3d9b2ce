"""How many, by formula: the planning figures of a paired and of a two-group t test.

Power is the chance of a significant result in the true direction (alpha/2 on that side); one the wrong way round is no
success. The figures assume one change a client and nothing missing; `season` simulates the records as they really come.
"""

from __future__ import annotations

from toolkit.errors import NotEnoughError


def _checked(*, effect: float, power: float | None = None, alpha: float) -> None:
    if effect == 0 or not 0 < alpha < 1 or (power is not None and not alpha < power < 1):
        raise NotEnoughError(
            f"An effect of {effect}, alpha {alpha} and power {power} cannot be planned for: the effect must not be 0, "
            "and power must lie between alpha and 1."
        )


def pairs_needed(effect: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Number of clients (not rounded) for a paired t test.

    Args:
        effect: d_z, the mean change over the SD of the changes. power, alpha: two-sided test.

    Raises:
        NotEnoughError: nothing can be planned for these values.

    Source: noncentral t (Cohen 1988, Statistical Power Analysis, ch. 2), through statsmodels.

    Example:
        >>> round(pairs_needed(0.5), 2)
        33.37
    """
    from statsmodels.stats.power import TTestPower

    _checked(effect=effect, power=power, alpha=alpha)
    return float(TTestPower().solve_power(abs(effect), power=power, alpha=alpha / 2, alternative="larger"))


def power_of_pairs(effect: float, *, n: int, alpha: float = 0.05) -> float:
    """Power of a two-sided paired t test with n clients and effect d_z.

    Source: noncentral t (Cohen 1988, ch. 2), through statsmodels.

    Example:
        >>> round(power_of_pairs(0.421637, n=50), 4)
        0.8321
    """
    from statsmodels.stats.power import TTestPower

    _checked(effect=effect, alpha=alpha)
    return float(TTestPower().power(abs(effect), nobs=n, alpha=alpha / 2, alternative="larger"))


def clients_a_group_needed(effect: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Number of clients in each of two groups (not rounded) for a two-sided t test on d (difference over SD).

    Source: noncentral t (Cohen 1988, ch. 2), through statsmodels.

    Example:
        >>> round(clients_a_group_needed(0.5), 2)
        63.77
    """
    from statsmodels.stats.power import TTestIndPower

    _checked(effect=effect, power=power, alpha=alpha)
    return float(TTestIndPower().solve_power(abs(effect), power=power, alpha=alpha / 2, alternative="larger"))
