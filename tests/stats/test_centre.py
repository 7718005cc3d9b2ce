"""Mean, median, trimmed mean, Hodges-Lehmann: against other libraries, and against their own promise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.centre import hodges_lehmann_change, mean_change, median_change, trimmed_mean_change

EVERY = [mean_change, median_change, trimmed_mean_change, hodges_lehmann_change]


def _changes(seed: int, n: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(2, 3, n)


def test_the_t_interval_is_scipy_s() -> None:
    values = _changes(1, 17)
    found = mean_change(values, unit="deg", confidence_level=0.9)
    low, high = stats.ttest_1samp(values, 0).confidence_interval(0.9)
    assert (found.ci_low, found.ci_high) == pytest.approx((low, high))


def test_the_median_s_limits_are_order_statistics_with_enough_binomial_weight() -> None:
    values = np.arange(1.0, 16.0)
    found = median_change(values, unit="deg")
    assert (found.ci_low, found.ci_high) == (
        4.0,
        12.0,
    )  # n = 15: P(B <= 3) = 0.0176, so ranks 4 and 12
    assert "covers 96.5%" in found.method


def test_the_trimmed_mean_is_scipy_s() -> None:
    values = _changes(2, 23)
    assert trimmed_mean_change(values, unit="deg").value == pytest.approx(stats.trim_mean(values, 0.2))


def test_without_trimming_the_trimmed_interval_is_the_t_interval() -> None:
    values = _changes(3, 12)
    trimmed, plain = trimmed_mean_change(values, unit="deg", trim=0.0), mean_change(values, unit="deg")
    assert (trimmed.ci_low, trimmed.ci_high, trimmed.p) == pytest.approx((plain.ci_low, plain.ci_high, plain.p))


def test_hodges_lehmann_limits_are_where_the_signed_rank_test_turns() -> None:
    values = _changes(4, 14)
    found = hodges_lehmann_change(values, unit="deg")
    inside, outside = found.ci_low + 1e-6, found.ci_low - 1e-6
    assert stats.wilcoxon(values - inside, method="exact").pvalue > 0.05
    assert stats.wilcoxon(values - outside, method="exact").pvalue <= 0.05


@pytest.mark.parametrize("estimator", [median_change, hodges_lehmann_change])
def test_five_persons_allow_no_distribution_free_95_percent_interval(estimator) -> None:
    found = estimator([1.0, 2.0, 3.0, 4.0, 6.0], unit="deg")
    assert (found.ci_low, found.ci_high) == (-np.inf, np.inf)
    assert "5 persons allow no exact 95 % " in found.method


@pytest.mark.parametrize("estimator", EVERY)
@settings(max_examples=25)
@given(seed=st.integers(0, 9_999), shift=st.floats(-50, 50), factor=st.floats(0.1, 20))
def test_a_change_of_unit_or_zero_moves_the_interval_along(estimator, seed: int, shift: float, factor: float) -> None:
    values = _changes(seed, 11)
    plain, moved = estimator(values, unit="deg"), estimator(values * factor + shift, unit="mm")
    expected = [factor * x + shift for x in (plain.value, plain.ci_low, plain.ci_high)]
    assert [moved.value, moved.ci_low, moved.ci_high] == pytest.approx(expected, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("estimator", EVERY)
def test_the_interval_keeps_its_promise(estimator) -> None:
    rng = np.random.default_rng(20250611)
    found = [estimator(rng.normal(2, 3, 15), unit="deg") for _ in range(400)]
    hits = sum(each.ci_low <= 2 <= each.ci_high for each in found)
    assert stats.binomtest(hits, 400, 0.95, alternative="less").pvalue > 0.001
    assert hits < 400


def test_a_middle_without_variation_has_no_trimmed_interval() -> None:
    with pytest.raises(NotEnoughError, match="middle 60% of the 10 changes does not vary"):
        trimmed_mean_change([0, 0, 3, 3, 3, 3, 3, 3, 9, 9], unit="deg")


def test_a_percentage_for_a_level_is_refused() -> None:
    with pytest.raises(ToolkitError, match=r"write it as a share, 0\.95"):
        mean_change([1.0, 2.0], unit="deg", confidence_level=95)


def test_many_persons_use_the_normal_rank_for_hodges_lehmann() -> None:
    values = _changes(5, 320)
    found, plain = hodges_lehmann_change(values, unit="deg"), mean_change(values, unit="deg")
    assert found.ci_low == pytest.approx(plain.ci_low, abs=0.1)


def test_very_many_persons_get_the_same_hodges_lehmann_without_every_pair(monkeypatch: pytest.MonkeyPatch) -> None:
    values = np.round(_changes(6, 400), 1)  # ties, as real readings have
    every = hodges_lehmann_change(values, unit="deg")
    monkeypatch.setattr("toolkit.stats.centre.MOST_FOR_EVERY_PAIR", 10)
    halved = hodges_lehmann_change(values, unit="deg")
    assert (halved.value, halved.ci_low, halved.ci_high) == pytest.approx((every.value, every.ci_low, every.ci_high))
