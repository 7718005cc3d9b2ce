"""Shares and their differences, with intervals that also hold for few people and for 0 or all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import normal_reach


def checked_count(count: float, n: float, what: str) -> None:
    """Refuse counts that are negative, not whole, or above their n.

    Raises
    ------
    ToolkitError
        The count cannot be right.
    NotEnoughError
        Nobody was counted.
    """
    if n < 1:
        raise NotEnoughError(f"{what}: nobody was counted (n = {n:g}), so there is no share.")
    if not (0 <= count <= n and float(count).is_integer() and float(n).is_integer()):
        raise ToolkitError(f"{what}: {count:g} of {n:g} cannot be a count. Give whole numbers, the first not above n.")


def wilson_limits(share: float, n: float, *, confidence_level: float = 0.95) -> tuple[float, float]:
    """Wilson's score limits for a share observed on `n` (which may be an effective number, not whole).

    References
    ----------
    Wilson (1927) Journal of the American Statistical Association 22:209-212.

    Examples
    --------
    >>> low, high = wilson_limits(0.5, 10)
    >>> round(low, 4), round(high, 4)
    (0.2366, 0.7634)
    """
    z = normal_reach(confidence_level)
    widened = 1 + z * z / n
    centre = (share + z * z / (2 * n)) / widened
    reach = z * float(np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))) / widened
    return (0.0 if share == 0 else max(0.0, centre - reach)), (1.0 if share == 1 else min(1.0, centre + reach))


def share_of(
    count: int, n: int, *, name: str = "share", n_of: str = "clients", confidence_level: float = 0.95
) -> Estimate:
    """A share with Wilson's score interval.

    Parameters
    ----------
    count, n
        How many of how many.
    name, n_of
        For the words.

    Raises
    ------
    ToolkitError
        The counts cannot be right.
    NotEnoughError
        N is 0.

    Examples
    --------
    >>> round(share_of(0, 20).ci_high, 4)
    0.1611
    """
    checked_count(count, n, name)
    low, high = wilson_limits(count / n, n, confidence_level=confidence_level)
    return Estimate(
        name=name,
        value=count / n,
        ci_low=low,
        ci_high=high,
        unit="share",
        n=n,
        n_of=n_of,
        method="Wilson interval",
        confidence_level=confidence_level,
    )


def unpaired_difference(
    count_1: int, n_1: int, count_2: int, n_2: int, *, confidence_level: float = 0.95, n_of: str = "clients"
) -> Estimate:
    """Difference of two shares of different people (first minus second), Newcombe's hybrid score interval.

    Raises
    ------
    ToolkitError, NotEnoughError
        As `share_of`.

    References
    ----------
    Newcombe (1998) Statistics in Medicine 17:873-890, method 10.

    Examples
    --------
    >>> round(unpaired_difference(56, 70, 48, 80).ci_low, 4)
    0.0524
    """
    one = share_of(count_1, n_1, name="first group", confidence_level=confidence_level)
    two = share_of(count_2, n_2, name="second group", confidence_level=confidence_level)
    difference = one.value - two.value
    return Estimate(
        name="difference of shares (first - second)",
        value=difference,
        ci_low=difference - float(np.hypot(one.value - one.ci_low, two.ci_high - two.value)),
        ci_high=difference + float(np.hypot(one.ci_high - one.value, two.value - two.ci_low)),
        unit="share",
        n=n_1 + n_2,
        n_of=n_of,
        method="Newcombe's hybrid score interval (1998, independent shares)",
        confidence_level=confidence_level,
    )


@dataclass(frozen=True, kw_only=True)
class PairedShares:
    """The four cells of a sign read twice as shares that sum to 1, worth `n` independent pairs (not always whole)."""

    yes_yes: float
    yes_no: float
    no_yes: float
    no_no: float
    n: float

    @property
    def first(self) -> float:
        """Share of yes at the first reading."""
        return self.yes_yes + self.yes_no

    @property
    def second(self) -> float:
        """Share of yes at the second reading."""
        return self.yes_yes + self.no_yes


@dataclass(frozen=True, kw_only=True)
class PairedCounts:
    """A 2 x 2 table of one sign read twice: how many were yes then yes, yes then no, no then yes, no then no.

    Raises
    ------
    ToolkitError
        A count is negative or not whole.
    NotEnoughError
        All four are 0.
    """

    yes_yes: int
    yes_no: int
    no_yes: int
    no_no: int

    def __post_init__(self) -> None:
        for name in ("yes_yes", "yes_no", "no_yes", "no_no"):
            count = getattr(self, name)
            if count < 0 or not float(count).is_integer():
                raise ToolkitError(f"The 2 x 2 table holds {count} for '{name}': counts are whole numbers from 0 up.")
        if self.n < 1:
            raise NotEnoughError(
                "The 2 x 2 table is empty: no pair has both answers. Record the sign before and after."
            )

    @property
    def n(self) -> int:
        """All pairs."""
        return self.yes_yes + self.yes_no + self.no_yes + self.no_no

    @property
    def discordant(self) -> int:
        """Pairs whose answer changed."""
        return self.yes_no + self.no_yes

    def shares(self) -> PairedShares:
        """The same table as shares of all pairs."""
        return PairedShares(
            yes_yes=self.yes_yes / self.n,
            yes_no=self.yes_no / self.n,
            no_yes=self.no_yes / self.n,
            no_no=self.no_no / self.n,
            n=float(self.n),
        )

    @property
    def first_share(self) -> float:
        """Share of yes at the first reading."""
        return (self.yes_yes + self.yes_no) / self.n

    @property
    def second_share(self) -> float:
        """Share of yes at the second reading."""
        return (self.yes_yes + self.no_yes) / self.n


def _phi(cells: PairedShares, *, corrected: bool = True) -> float:
    """Correlation of the two answers, corrected for continuity (method 10) when positive; 0 on an empty margin."""
    a, b, c, d = cells.yes_yes, cells.yes_no, cells.no_yes, cells.no_no
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    if margins <= 1e-15:
        return 0.0
    product = a * d - b * c
    shrunk = max(product - 1 / (2 * cells.n), 0.0) if corrected and product > 0 else product
    return shrunk / float(np.sqrt(margins))


def paired_score_limits(
    cells: PairedShares, *, confidence_level: float = 0.95, corrected: bool = True
) -> tuple[float, float]:
    """Newcombe's score limits for second minus first share, for whole or effective numbers of pairs.

    `corrected`: method 10, with the continuity-corrected phi; else method 8, with phi as it is.
    """
    one, two = cells.first, cells.second
    low_1, high_1 = wilson_limits(one, cells.n, confidence_level=confidence_level)
    low_2, high_2 = wilson_limits(two, cells.n, confidence_level=confidence_level)
    phi = _phi(cells, corrected=corrected)

    def reach(here: float, there: float) -> float:
        return float(np.sqrt(max(0.0, here * here - 2 * phi * here * there + there * there)))

    return two - one - reach(two - low_2, high_1 - one), two - one + reach(high_2 - two, one - low_1)


def newcombe_paired_difference(counts: PairedCounts, *, confidence_level: float = 0.95) -> Estimate:
    """Difference of two shares in the same people (second minus first), Newcombe's score interval for pairs.

    Wilson limits of the two shares, squared and added with the correlation of the answers (continuity-corrected phi).
    Holds also with an empty cell, all yes or all no.

    References
    ----------
    Newcombe (1998) Statistics in Medicine 17:2635-2650, method 10.

    Examples
    --------
    >>> found = newcombe_paired_difference(PairedCounts(yes_yes=794, yes_no=150, no_yes=86, no_no=570))
    >>> round(found.value, 3), round(found.ci_low, 4), round(found.ci_high, 4)
    (-0.04, -0.0587, -0.0212)
    """
    low, high = paired_score_limits(counts.shares(), confidence_level=confidence_level)
    return Estimate(
        name="change of the share of yes (second - first)",
        value=counts.second_share - counts.first_share,
        ci_low=low,
        ci_high=high,
        unit="share",
        n=counts.n,
        n_of="pairs",
        method="Newcombe's paired score interval (1998, method 10)",
        confidence_level=confidence_level,
    )


def newcombe_paired_difference_8(counts: PairedCounts, *, confidence_level: float = 0.95) -> Estimate:
    """The same difference with Newcombe's method 8: the score interval for pairs with phi not corrected.

    References
    ----------
    Newcombe (1998) Statistics in Medicine 17:2635-2650, method 8.

    Examples
    --------
    >>> found = newcombe_paired_difference_8(PairedCounts(yes_yes=794, yes_no=150, no_yes=86, no_no=570))
    >>> round(found.ci_low, 4), round(found.ci_high, 4)
    (-0.0587, -0.0213)
    """
    low, high = paired_score_limits(counts.shares(), confidence_level=confidence_level, corrected=False)
    return replace(
        newcombe_paired_difference(counts, confidence_level=confidence_level),
        ci_low=low,
        ci_high=high,
        method="Newcombe's paired score interval (1998, method 8)",
    )


def wald_paired_difference(counts: PairedCounts, *, confidence_level: float = 0.95) -> Estimate:
    """The same difference with the textbook's Wald interval; too narrow for few pairs, given to compare with articles.

    References
    ----------
    Agresti (2013) Categorical Data Analysis, section 11.1.

    Examples
    --------
    >>> round(wald_paired_difference(PairedCounts(yes_yes=794, yes_no=150, no_yes=86, no_no=570)).ci_low, 3)
    -0.059
    """
    difference = counts.second_share - counts.first_share
    moved = counts.no_yes - counts.yes_no
    error = float(np.sqrt(counts.discordant - moved**2 / counts.n)) / counts.n
    reach = normal_reach(confidence_level) * error
    return Estimate(
        name="change of the share of yes (second - first)",
        value=difference,
        ci_low=difference - reach,
        ci_high=difference + reach,
        unit="share",
        n=counts.n,
        n_of="pairs",
        method="Wald interval",
        confidence_level=confidence_level,
        se=error,
    )
