"""Paired tests against scipy, and against their own definition by full enumeration."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.paired_tests import (
    flip_signs,
    paired_t,
    sign_flip_test,
    sign_test,
    signed_ranks,
    wilcoxon_exact,
    wilcoxon_normal,
    wilcoxon_signed_rank,
)

WITH_TIES = st.lists(st.integers(-4, 4), min_size=2, max_size=9)


def test_the_t_test_is_scipy_s() -> None:
    values = np.random.default_rng(1).normal(1, 2, 14)
    ours, theirs = paired_t(values, alternative="greater"), stats.ttest_1samp(values, 0, alternative="greater")
    assert (ours.statistic, ours.p, ours.df) == pytest.approx((theirs.statistic, theirs.pvalue, 13))


@pytest.mark.parametrize("alternative", ["two-sided", "greater", "less"])
@pytest.mark.parametrize("n", [5, 12, 25])
def test_without_ties_the_exact_wilcoxon_is_scipy_s(n: int, alternative: str) -> None:
    values = np.random.default_rng(n).normal(0.5, 1, n)
    theirs = stats.wilcoxon(values, alternative=alternative, method="exact")
    assert wilcoxon_exact(values, alternative=alternative).p == pytest.approx(theirs.pvalue, rel=1e-10)


@given(values=WITH_TIES)
def test_with_ties_and_zeros_the_exact_wilcoxon_is_the_enumeration_of_all_signs(values: list[int]) -> None:
    ranks = np.abs(signed_ranks(np.array(values, dtype=float)))
    if not len(ranks):
        assert wilcoxon_exact(values).p == 1.0
        return
    observed = signed_ranks(np.array(values, dtype=float))
    positive = observed[observed > 0].sum()
    sums = np.array([(ranks * np.array(chosen)).sum() for chosen in product((0, 1), repeat=len(ranks))])
    tail = min((sums <= positive + 1e-9).mean(), (sums >= positive - 1e-9).mean())
    assert wilcoxon_exact(values).p == pytest.approx(min(1.0, 2 * tail), abs=1e-12)


def test_the_normal_wilcoxon_is_scipy_s_with_ties() -> None:
    values = np.random.default_rng(4).integers(-3, 6, 40).astype(float)
    theirs = stats.wilcoxon(values, correction=True, method="asymptotic", zero_method="wilcox")
    assert wilcoxon_normal(values).p == pytest.approx(theirs.pvalue, rel=1e-9)


def test_many_persons_get_the_normal_approximation_and_it_says_so() -> None:
    values = np.random.default_rng(4).normal(0, 1, 301)
    found = wilcoxon_signed_rank(values)
    assert found.method.startswith("normal approximation")
    with pytest.raises(NotEnoughError, match="Use wilcoxon_normal"):
        wilcoxon_exact(values)


def test_floating_dust_does_not_untie_equal_differences() -> None:
    values = np.array([0.1 + 0.2, 0.3, -0.3, 1.0])
    assert np.abs(signed_ranks(values)).tolist() == [2.0, 2.0, 2.0, 4.0]


@given(values=st.lists(st.floats(-10, 10).map(lambda x: round(x, 2)), min_size=2, max_size=8, unique=True))
def test_the_sign_flip_test_is_the_enumeration_of_all_signs(values: list[float]) -> None:
    array = np.array(values)
    sums = np.array([abs((array * np.array(signs)).sum()) for signs in product((-1, 1), repeat=len(values))])
    assert sign_flip_test(array).p == pytest.approx((sums >= abs(array.sum()) - 1e-8).mean())


def test_above_twenty_persons_drawn_signs_come_near_the_exact_answer() -> None:
    values = np.random.default_rng(6).normal(0.45, 1, 21)
    drawn = sign_flip_test(values, rng=3, draws=20_000)
    exact = stats.permutation_test(
        (values,), np.mean, permutation_type="samples", n_resamples=60_000, rng=np.random.default_rng(1)
    )
    assert drawn.method == "20,000 random sign patterns"
    assert drawn.p == pytest.approx(exact.pvalue, abs=0.008)


def test_the_same_seed_gives_the_same_drawn_p() -> None:
    values = np.random.default_rng(6).normal(0.3, 1, 30)
    assert sign_flip_test(values, rng=5).p == sign_flip_test(values, rng=5).p


def test_the_sign_test_is_the_binomial_test_on_those_who_changed() -> None:
    found = sign_test([1, 1, 1, 2, -1, 0, 0])
    assert (found.n, found.p) == (5, pytest.approx(stats.binomtest(4, 5).pvalue))
    assert "4 better, 1 worse, 2 unchanged" in found.method


@pytest.mark.parametrize("test", [sign_test, wilcoxon_exact, wilcoxon_normal])
def test_nobody_moved_gives_p_one_and_says_so(test) -> None:
    found = test([0.0, 0.0, 0.0])
    assert found.p == 1.0
    assert "none of 3 changed" in found.method


@pytest.mark.parametrize("test", [paired_t, sign_flip_test])
def test_identical_differences_are_refused_with_their_size(test) -> None:
    with pytest.raises(NotEnoughError, match=r"All 4 persons changed by exactly 3: .* no interval and no test"):
        test([34.1 - 31.1, 3.0, 35.3 - 32.3, 3.0])


@pytest.mark.parametrize("test", [paired_t, sign_test, sign_flip_test, wilcoxon_exact])
def test_one_person_is_refused(test) -> None:
    with pytest.raises(NotEnoughError, match="needs at least 2"):
        test([2.0])


@pytest.mark.parametrize(("wrong", "said"), [(["a", 1], "not a number"), ([1, np.nan], "empty or infinite")])
def test_what_is_not_a_number_is_refused(wrong: list[object], said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        paired_t(wrong)


def test_signs_flipped_by_hand() -> None:
    # sums of ±1 ±1: 2, 0, 0, −2; two of four are as far from 0 as 2
    assert flip_signs(np.array([1.0, 1.0])).p == pytest.approx(0.5)
    assert flip_signs(np.zeros(3)).p == 1.0
