"""Tests of paired differences, one difference a person: t, Wilcoxon signed-rank, sign test, sign-flip permutation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.quantiles import normal_above, normal_below
from toolkit.stats.clients import Floats, same_throughout

Alternative = Literal["two-sided", "greater", "less"]

MOST_FOR_EXACT_RANKS = 300
MOST_FOR_ALL_FLIPS = 20
FEWEST_DRAWS = 9_999


@dataclass(frozen=True, kw_only=True)
class TestResult:
    """One test: its statistic, df where it has one, p, the n that entered, and how p was found."""

    __test__ = False  # a result, not a test class for pytest to collect

    name: str
    statistic: float
    p: float
    n: int
    method: str
    df: float | None = None
    alternative: Alternative = "two-sided"

    def as_row(self) -> dict[str, Any]:
        """The test as one row of a tidy frame."""
        return {
            "test": self.name,
            "statistic": self.statistic,
            "df": self.df,
            "p": self.p,
            "n": self.n,
            "method": self.method,
        }


def checked_differences(differences: Any, *, fewest: int = 2) -> Floats:
    """Differences as a flat array of finite numbers.

    Raises
    ------
    ToolkitError
        Something is not a number, or missing.
    NotEnoughError
        Fewer than `fewest`.
    """
    try:
        values = np.asarray(differences, dtype=float).ravel()
    except (TypeError, ValueError) as wrong:
        raise ToolkitError("The differences hold something that is not a number: write plain numbers.") from wrong
    if not np.all(np.isfinite(values)):
        raise ToolkitError("The differences hold empty or infinite values: take those pairs out first, and count them.")
    if len(values) < fewest:
        raise NotEnoughError(
            f"{len(values)} person(s) with both readings: this needs at least {fewest}. "
            "One person's change cannot be told from chance; record more clients."
        )
    return values


def varying_differences(differences: Any) -> Floats:
    """As `checked_differences`, and not all alike.

    Raises
    ------
    NotEnoughError
        Every difference is the same, so that no interval and no test exists. The size is said.
    """
    values = checked_differences(differences)
    if same_throughout(values):
        raise NotEnoughError(
            f"All {len(values)} persons changed by exactly {values[0]:.6g}: without any variation there is no interval "
            "and no test. Real readings vary; check whether readings were copied or rounded."
        )
    return values


def paired_t(differences: Any, *, alternative: Alternative = "two-sided") -> TestResult:
    """The paired t test: is the mean difference 0?

    Parameters
    ----------
    differences
        One difference a person.
    alternative
        "two-sided", "greater" or "less".

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or no variation.

    References
    ----------
    Student (1908) Biometrika 6:1-25.

    Examples
    --------
    >>> round(paired_t([1.0, 2.0, 4.0]).statistic, 3)
    2.646
    """
    values = varying_differences(differences)
    from scipy import stats

    found = stats.ttest_1samp(values, 0.0, alternative=alternative)
    return TestResult(
        name="paired t test",
        statistic=float(found.statistic),
        p=float(found.pvalue),
        df=float(len(values) - 1),
        n=len(values),
        method="paired t test on clients",
        alternative=alternative,
    )


def signed_ranks(values: Floats) -> Floats:
    """Mid-ranks of the sizes of the non-zero differences, with the sign of each (zeros dropped)."""
    moved = np.round(values, 10)  # 3.1 - 3.0 and 4.1 - 4.0 are tied, whatever the last bit says
    moved = moved[moved != 0]
    return np.asarray(np.sign(moved) * pd.Series(np.abs(moved)).rank().to_numpy(), dtype=float)


def rank_sum_distribution(ranks: Floats) -> Floats:
    """P(2V = 0), P(2V = 1), ... of the sum V of positive ranks when every sign is a coin toss; ties and all."""
    doubled = np.rint(2 * np.sort(ranks)).astype(int)
    chance = np.zeros(int(doubled.sum()) + 1)
    chance[0] = 1.0
    top = 0
    for rank in doubled:
        shifted = chance[: top + 1].copy()
        chance[: top + 1] *= 0.5
        chance[rank : rank + top + 1] += 0.5 * shifted
        top += int(rank)
    return chance


def _tail(below: float, above: float, alternative: Alternative) -> float:
    """p from the two tails, both counting the observed value."""
    tails = {"greater": above, "less": below, "two-sided": 2 * min(below, above)}
    return float(min(1.0, tails[alternative]))


def _nobody_moved(n: int, name: str, alternative: Alternative) -> TestResult:
    return TestResult(
        name=name, statistic=0.0, p=1.0, n=0, method=f"none of {n} changed at all: p = 1", alternative=alternative
    )


def wilcoxon_exact(differences: Any, *, alternative: Alternative = "two-sided") -> TestResult:
    """Wilcoxon's signed-rank test, exact also with tied and zero differences (all sign patterns of the ranks found).

    Zeros are dropped, ties get mid-ranks; `statistic` is V, the sum of the positive ranks.

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or so many that the exact distribution is out of reach.

    References
    ----------
    Wilcoxon (1945) Biometrics Bulletin 1:80-83; permutation of signed mid-ranks: Pratt & Gibbons (1981).

    Examples
    --------
    >>> wilcoxon_exact([1.0, 2.0, 3.0, 4.0, 5.0, 0.0]).p
    0.0625
    """
    values = checked_differences(differences)
    ranks = signed_ranks(values)
    if len(ranks) > MOST_FOR_EXACT_RANKS:
        raise NotEnoughError(
            f"{len(ranks)} persons: the exact distribution is kept to {MOST_FOR_EXACT_RANKS}. Use wilcoxon_normal."
        )
    if not len(ranks):
        return _nobody_moved(len(values), "Wilcoxon signed-rank test", alternative)
    chance = rank_sum_distribution(np.abs(ranks))
    positive = float(ranks[ranks > 0].sum())
    at = round(2 * positive)
    return TestResult(
        name="Wilcoxon signed-rank test",
        statistic=positive,
        p=_tail(float(chance[: at + 1].sum()), float(chance[at:].sum()), alternative),
        n=len(ranks),
        method="exact (all sign patterns, mid-ranks for ties, zeros dropped)",
        alternative=alternative,
    )


def wilcoxon_normal(differences: Any, *, alternative: Alternative = "two-sided", continuity: float = 0.5) -> TestResult:
    """Wilcoxon's signed-rank test by the normal approximation, corrected for ties; for many persons.

    Parameters
    ----------
    differences
        One difference a person; zeros are dropped.
    alternative
        "two-sided", "greater" or "less".
    continuity
        How far V is moved toward its expectation (0.5, or 0 for no correction).

    References
    ----------
    Hollander & Wolfe (1973) Nonparametric Statistical Methods, section 3.1.
    """
    values = checked_differences(differences)
    ranks = signed_ranks(values)
    if not len(ranks):
        return _nobody_moved(len(values), "Wilcoxon signed-rank test", alternative)
    positive = float(ranks[ranks > 0].sum())
    spread = np.sqrt(float((ranks**2).sum()) / 4)
    off = positive - float(np.abs(ranks).sum()) / 2
    moved = {"two-sided": np.sign(off) * continuity, "greater": continuity, "less": -continuity}[alternative]
    z = (off - moved) / spread
    return TestResult(
        name="Wilcoxon signed-rank test",
        statistic=positive,
        p=_tail(float(normal_below(z)), float(normal_above(z)), alternative),
        n=len(ranks),
        method=f"normal approximation, tie-corrected, continuity correction {continuity:g}",
        alternative=alternative,
    )


def wilcoxon_signed_rank(differences: Any, *, alternative: Alternative = "two-sided") -> TestResult:
    """Wilcoxon's signed-rank test: exact whenever it can be (up to 300 persons), else the normal approximation.

    Examples
    --------
    >>> wilcoxon_signed_rank([0.5, 1.5, -0.5, 2.0]).method.startswith("exact")
    True
    """
    moved = int(np.count_nonzero(np.round(checked_differences(differences), 10)))
    if moved <= MOST_FOR_EXACT_RANKS:
        return wilcoxon_exact(differences, alternative=alternative)
    return wilcoxon_normal(differences, alternative=alternative)


def sign_test(differences: Any, *, alternative: Alternative = "two-sided") -> TestResult:
    """The sign test: did more persons improve than got worse? Exact; the unchanged are dropped.

    `statistic` is the number that improved (difference above 0).

    References
    ----------
    Arbuthnott (1710); Conover (1999) Practical Nonparametric Statistics, section 3.4.

    Examples
    --------
    >>> sign_test([1, 2, 3, 4, 5, -1]).p
    0.21875
    """
    values = np.round(checked_differences(differences), 10)
    up, down = int((values > 0).sum()), int((values < 0).sum())
    if up + down == 0:
        return _nobody_moved(len(values), "sign test", alternative)
    from scipy import stats

    found = stats.binomtest(up, up + down, 0.5, alternative=alternative)
    return TestResult(
        name="sign test",
        statistic=float(up),
        p=float(found.pvalue),
        n=up + down,
        method=f"exact binomial: {up} better, {down} worse, {len(values) - up - down} unchanged",
        alternative=alternative,
    )


def _all_sums(values: Floats) -> Floats:
    """The sum of the values under every pattern of signs (the first one's sign held: the rest mirrors it)."""
    sums = np.array([values[0]])
    for value in values[1:]:
        sums = np.concatenate([sums + value, sums - value])
    return sums


def _drawn_sums(values: Floats, *, draws: int, rng: np.random.Generator) -> Floats:
    """Sums under `draws` random patterns of signs, a thousand at a time to spare memory."""
    parts = []
    for start in range(0, draws, 1_000):
        heads = rng.integers(0, 2, size=(min(1_000, draws - start), len(values)), dtype=np.int8)
        parts.append((2.0 * heads - 1.0) @ values)
    return np.concatenate(parts)


def flip_signs(
    values: Floats, *, draws: int = FEWEST_DRAWS, rng: np.random.Generator | int | None = None
) -> TestResult:
    """The sign-flip test of values already checked; all alike is allowed (signs read before and after may well be)."""
    observed = abs(float(values.sum()))
    near = observed - 1e-9 * max(1.0, float(np.abs(values).sum()))
    if len(values) <= MOST_FOR_ALL_FLIPS:
        p = float(np.mean(np.abs(_all_sums(values)) >= near))
        how = f"exact: all {2 ** len(values):,} sign patterns"
    else:
        draws = max(draws, FEWEST_DRAWS)
        sums = _drawn_sums(values, draws=draws, rng=np.random.default_rng(rng))
        p = (1 + int((np.abs(sums) >= near).sum())) / (1 + draws)
        how = f"{draws:,} random sign patterns"
    return TestResult(name="sign-flip permutation test", statistic=float(values.mean()), p=p, n=len(values), method=how)


def sign_flip_test(
    differences: Any, *, draws: int = FEWEST_DRAWS, rng: np.random.Generator | int | None = None
) -> TestResult:
    """The sign-flip permutation test, two-sided: how often do coin-tossed signs give a mean this far from 0?

    All 2^n patterns up to 20 persons; above that `draws` random ones, the observed pattern counted among them.

    Parameters
    ----------
    differences
        One difference a person (clients, never rows: the persons are what is exchangeable).
    draws
        Random patterns above 20 persons, at least 9,999.
    rng
        A numpy Generator or a seed.

    Returns
    -------
    TestResult
        `statistic` is the mean difference.

    References
    ----------
    Fisher (1935) The Design of Experiments, chapter III; Phipson & Smyth (2010) for the random version.

    Examples
    --------
    >>> sign_flip_test([1.0, 2.0, 3.0, 4.0]).p
    0.125
    """
    return flip_signs(varying_differences(differences), draws=draws, rng=rng)
