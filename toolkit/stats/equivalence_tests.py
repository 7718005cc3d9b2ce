"""Small enough not to matter? Two one-sided tests (TOST) for paired and for two separate groups."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, QuestionError, ToolkitError
from toolkit.number_words import figure_text, p_words
from toolkit.quantiles import t_above, t_below, t_quantile
from toolkit.result import Estimate, Shown
from toolkit.stats.paired_tests import checked_differences, varying_differences


@dataclass(frozen=True, kw_only=True, eq=False)
class Equivalence(Shown):
    """Two one-sided tests of a difference against two bounds.

    `difference` has the interval at 1 - 2 alpha that belongs to the test (90 % for alpha 0.05). `p` is the larger of
    `p_lower` (against "at or below the lower bound") and `p_upper`; `equivalent` when it is at most alpha. `estimate`
    is what was given where an estimate was tested, with its own interval; else the difference.
    """

    difference: Estimate
    lower_bound: float
    upper_bound: float
    t_lower: float
    t_upper: float
    p_lower: float
    p_upper: float
    df: float
    alpha: float
    estimate: Estimate

    @property
    def ci_low(self) -> float:
        """Lower end of the interval at 1 - 2 alpha."""
        return self.difference.ci_low

    @property
    def ci_high(self) -> float:
        """Upper end of the interval at 1 - 2 alpha."""
        return self.difference.ci_high

    @property
    def smallest_change_that_matters(self) -> float:
        """The bound, where both are as far from 0."""
        return self.upper_bound

    @property
    def p(self) -> float:
        """The larger of the two one-sided p values."""
        return max(self.p_lower, self.p_upper)

    @property
    def equivalent(self) -> bool:
        """Whether both bounds are excluded at alpha."""
        return self.p <= self.alpha

    def sentence(self) -> str:
        """Whether the difference can be called too small to matter."""
        verdict = (
            "lies within the bounds: too small to matter by this measure"
            if self.equivalent
            else "cannot be said to lie within the bounds (which does not mean that it lies outside)"
        )
        found = self.difference
        return (
            f"The difference, {found.with_interval()}; n = {found.n} {found.n_of}), {verdict} "
            f"({figure_text(self.lower_bound)} to {figure_text(self.upper_bound)}; TOST {p_words(self.p)})."
        )

    def table(self) -> pd.DataFrame:
        """The difference and the two tests as rows."""
        tests = [
            {"what": "above the lower bound", "value": self.t_lower, "unit": "t", "df": self.df, "p": self.p_lower},
            {"what": "below the upper bound", "value": self.t_upper, "unit": "t", "df": self.df, "p": self.p_upper},
        ]
        return pd.DataFrame([self.difference.as_row(), *tests])


@dataclass(frozen=True, kw_only=True)
class Group:
    """A group's mean, SD and n, as an article prints them."""

    mean: float
    sd: float
    n: int

    def __post_init__(self) -> None:
        if self.n < 2:
            raise NotEnoughError(f"A group of {self.n}: two people or more are needed for an SD.")
        if not self.sd > 0:
            raise ToolkitError(f"The SD is {self.sd:g}: it must be above 0.")


def _tested(
    difference: float,
    error: float,
    df: float,
    *,
    bounds: tuple[float, float],
    alpha: float,
    unit: str,
    n: int,
    n_of: str,
    method: str,
) -> Equivalence:
    """The two tests from a difference, its standard error and df."""
    low, high = bounds
    if not low < high:
        raise ToolkitError(f"The bounds {low:g} and {high:g} are in the wrong order: give the lower one first.")
    if not 0 < alpha < 0.5:
        raise ToolkitError(f"alpha is {alpha:g}: write it as a share, 0.05 for 5 %.")
    reach = float(t_quantile(1 - alpha, df)) * error
    t_lower, t_upper = (difference - low) / error, (difference - high) / error
    found = Estimate(
        name="difference",
        value=difference,
        ci_low=difference - reach,
        ci_high=difference + reach,
        unit=unit,
        n=n,
        n_of=n_of,
        method=method,
        confidence_level=1 - 2 * alpha,
        se=error,
        df=df,
    )
    return Equivalence(
        difference=found,
        estimate=found,
        lower_bound=low,
        upper_bound=high,
        t_lower=t_lower,
        t_upper=t_upper,
        p_lower=float(t_above(t_lower, df)),
        p_upper=float(t_below(t_upper, df)),
        df=df,
        alpha=alpha,
    )


def equivalence_of(estimate: Estimate, *, smallest_change_that_matters: float, alpha: float = 0.05) -> Equivalence:
    """TOST of any estimate that has a standard error against ± the smallest change that matters.

    Parameters
    ----------
    estimate
        With `se`; without `df` the normal distribution is used.
    smallest_change_that_matters
        Above 0, in the estimate's unit.
    alpha
        Level of each of the two tests.

    Raises
    ------
    QuestionError
        The limit is not above 0.
    NotEnoughError
        The estimate has no standard error.

    References
    ----------
    Schuirmann (1987) Journal of Pharmacokinetics and Biopharmaceutics 15:657-680.

    Examples
    --------
    >>> difference = Estimate(name="A - B", value=0.5, se=1.0, df=30.0, ci_low=-1.5, ci_high=2.5, unit="deg", n=20,
    ...                       method="example")
    >>> equivalence_of(difference, smallest_change_that_matters=5.0).equivalent
    True
    """
    limit = smallest_change_that_matters
    if not (np.isfinite(limit) and limit > 0):
        raise QuestionError(f"The smallest change that matters is {limit:g}: it must be above zero.")
    if estimate.se is None or not estimate.se > 0:
        raise NotEnoughError(f"{estimate.name} has no standard error: equivalence cannot be judged.")
    found = _tested(
        estimate.value,
        estimate.se,
        float("inf") if estimate.df is None else estimate.df,
        bounds=(-limit, limit),
        alpha=alpha,
        unit=estimate.unit,
        n=estimate.n,
        n_of=estimate.n_of,
        method=f"two one-sided tests; {estimate.method}",
    )
    return replace(found, estimate=estimate)


def paired_equivalence(
    differences: Any, *, lower_bound: float, upper_bound: float, unit: str, alpha: float = 0.05, n_of: str = "clients"
) -> Equivalence:
    """TOST on paired differences, one a person.

    Raises
    ------
    ToolkitError
        The bounds are in the wrong order, or something is not a number.
    NotEnoughError
        Fewer than two persons, or no variation.

    References
    ----------
    Schuirmann (1987) Journal of Pharmacokinetics and Biopharmaceutics 15:657-680.

    Examples
    --------
    >>> paired_equivalence([0.1, -0.2, 0.3, 0.0, -0.1], lower_bound=-1, upper_bound=1, unit="deg").equivalent
    True
    """
    values = varying_differences(differences)
    n = len(values)
    return _tested(
        float(values.mean()),
        float(values.std(ddof=1) / np.sqrt(n)),
        float(n - 1),
        bounds=(lower_bound, upper_bound),
        alpha=alpha,
        unit=unit,
        n=n,
        n_of=n_of,
        method="paired TOST",
    )


def paired_equivalence_from_summary(
    *,
    mean_difference: float,
    sd_difference: float,
    n: int,
    lower_bound: float,
    upper_bound: float,
    unit: str,
    alpha: float = 0.05,
) -> Equivalence:
    """Paired TOST from the mean and SD of the differences (`sd_of_difference` gives the SD from two SDs and r).

    Examples
    --------
    >>> sd = sd_of_difference(1.17, 1.29, r=0.75)
    >>> said = {"lower_bound": -0.4 * sd, "upper_bound": 0.4 * sd, "unit": "points"}
    >>> found = paired_equivalence_from_summary(mean_difference=0.08, sd_difference=sd, n=65, **said)
    >>> round(found.p, 4)
    0.0077
    """
    given = Group(mean=mean_difference, sd=sd_difference, n=n)
    return _tested(
        given.mean,
        given.sd / float(np.sqrt(n)),
        float(n - 1),
        bounds=(lower_bound, upper_bound),
        alpha=alpha,
        unit=unit,
        n=n,
        n_of="pairs",
        method="paired TOST from summary statistics",
    )


def sd_of_difference(sd_first: float, sd_second: float, *, r: float) -> float:
    """SD of paired differences from the two SDs and their correlation.

    Examples
    --------
    >>> round(sd_of_difference(3.0, 4.0, r=0.0), 1)
    5.0
    """
    if not -1 <= r <= 1:
        raise ToolkitError(f"The correlation is {r:g}: it must lie between -1 and 1.")
    return float(np.sqrt(sd_first**2 + sd_second**2 - 2 * r * sd_first * sd_second))


def welch_equivalence_from_summary(
    first: Group, second: Group, *, lower_bound: float, upper_bound: float, unit: str, alpha: float = 0.05
) -> Equivalence:
    """TOST of two separate groups with unequal variances, from means, SDs and n (first minus second).

    References
    ----------
    Schuirmann (1987); Welch (1947) for the df; Lakens (2017).

    Examples
    --------
    >>> one, two = Group(mean=5.25, sd=0.95, n=95), Group(mean=5.22, sd=0.83, n=89)
    >>> round(welch_equivalence_from_summary(one, two, lower_bound=-0.38, upper_bound=0.38, unit="points").df, 1)
    181.1
    """
    parts = np.array([first.sd**2 / first.n, second.sd**2 / second.n])
    df = float(parts.sum() ** 2 / (parts[0] ** 2 / (first.n - 1) + parts[1] ** 2 / (second.n - 1)))
    return _tested(
        first.mean - second.mean,
        float(np.sqrt(parts.sum())),
        df,
        bounds=(lower_bound, upper_bound),
        alpha=alpha,
        unit=unit,
        n=first.n + second.n,
        n_of="people",
        method="Welch TOST",
    )


def welch_equivalence(
    first: Any, second: Any, *, lower_bound: float, upper_bound: float, unit: str, alpha: float = 0.05
) -> Equivalence:
    """TOST of two separate groups with unequal variances, one value a person (first minus second).

    Raises
    ------
    ToolkitError
        The bounds are in the wrong order, or something is not a number.
    NotEnoughError
        Fewer than two persons in a group, or no variation in either.

    Examples
    --------
    >>> welch_equivalence([1, 2, 3, 2], [2, 1, 2, 3], lower_bound=-3, upper_bound=3, unit="deg").equivalent
    True
    """
    groups = []
    for values, which in ((checked_differences(first), "first"), (checked_differences(second), "second")):
        if np.ptp(values) == 0:
            raise NotEnoughError(f"All {len(values)} values of the {which} group are the same: there is no SD to use.")
        groups.append(Group(mean=float(values.mean()), sd=float(values.std(ddof=1)), n=len(values)))
    return welch_equivalence_from_summary(
        groups[0], groups[1], lower_bound=lower_bound, upper_bound=upper_bound, unit=unit, alpha=alpha
    )
