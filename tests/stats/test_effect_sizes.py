"""Effect sizes: their algebra, their orientation, their promise."""

import numpy as np
import pandas as pd
import pytest
from clinic import clinic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.beyond_error import matched_rank_biserial, probability_of_improvement
from toolkit.stats.effect_size_intervals import effect_sizes
from toolkit.stats.response_mean import (
    dz_change,
    dz_change_widened,
    hedges_correction,
    hedges_correction_approximate,
    noncentral_t_limits,
)
from toolkit.stats.standardised import baseline_sd_change, dav_change, drm_change, two_readings

NAMES = [
    "d_z",
    "d_av",
    "d_rm",
    "Hedges' g_av",
    "change over baseline SD",
    "standardised response mean",
    "probability of improvement",
    "matched rank-biserial correlation",
]


def _sizes(rows: pd.DataFrame, better: str = "higher"):
    return {found.name: found for found in effect_sizes(rows, measure="lunge", better=better)}


def test_every_effect_size_comes_with_an_interval_around_it_and_its_method() -> None:
    found = effect_sizes(clinic(1, 15), measure="lunge", better="higher")
    assert [each.name for each in found] == NAMES
    assert all(each.ci_low < each.value < each.ci_high and each.method and each.n == 15 for each in found)


@settings(max_examples=20)
@given(seed=st.integers(0, 9_999), n=st.integers(5, 20))
def test_turning_the_better_direction_mirrors_every_effect_size(seed: int, n: int) -> None:
    rows = clinic(seed, n, change=1.0)
    up, down = _sizes(rows), _sizes(rows, "lower")
    for name in NAMES:
        middle = 1.0 if name == "probability of improvement" else 0.0
        one, other = up[name], down[name]
        assert (one.value, one.ci_low, one.ci_high) == pytest.approx(
            (middle - other.value, middle - other.ci_high, middle - other.ci_low), abs=1e-6
        )


@settings(max_examples=20)
@given(seed=st.integers(0, 9_999), factor=st.floats(0.1, 30), shift=st.floats(-30, 30))
def test_effect_sizes_have_no_unit(seed: int, factor: float, shift: float) -> None:
    rows = clinic(seed, 9)
    other = rows.assign(before=rows["before"] * factor + shift, after=rows["after"] * factor + shift)
    for name, one in _sizes(rows).items():
        two = _sizes(other)[name]
        assert (two.value, two.ci_low, two.ci_high) == pytest.approx((one.value, one.ci_low, one.ci_high), rel=1e-6)


def test_with_equal_sds_d_rm_is_d_av() -> None:
    first = np.array([1.0, 2, 3, 4, 6])
    readings = two_readings(first, first[::-1] + 1)
    assert drm_change(readings).value == pytest.approx(dav_change(readings).value)


def test_a_repeated_client_counts_once() -> None:
    rows = clinic(3, 10)
    again = pd.concat([rows, rows.iloc[[0] * 20]], ignore_index=True)
    for name, one in _sizes(rows).items():
        assert _sizes(again)[name].value == pytest.approx(one.value)


def test_clients_who_come_unequally_often_get_the_widened_interval() -> None:
    rows = clinic(3, 10, visits=3)
    assert "widened" not in _sizes(rows)["d_z"].method
    assert "widened" in _sizes(rows.drop(index=[0]))["d_z"].method


def test_the_widened_interval_is_never_narrower() -> None:
    rng = np.random.default_rng(2)
    for _ in range(50):
        values = rng.standard_t(3, 12) + 1
        plain, widened = dz_change(values), dz_change_widened(values)
        assert widened.ci_low <= plain.ci_low + 1e-12
        assert widened.ci_high >= plain.ci_high - 1e-12


@pytest.mark.parametrize("t", [0.0, 0.5, -2.0, 8.0, -40.0])
@pytest.mark.parametrize("df", [1, 4, 30, 900])
def test_noncentral_limits_put_the_observed_t_at_both_tails(t: float, df: int) -> None:
    low, high = noncentral_t_limits(t, df=df)
    side = (lambda at: stats.nct.cdf(t, df, at)) if t >= 0 else (lambda at: stats.nct.sf(-t, df, -at))
    assert (side(low), side(high)) == pytest.approx((0.975, 0.025), abs=1e-6)


def test_the_approximate_correction_is_close_to_the_exact_one() -> None:
    # Hedges (1981), table of the exact factor: 0.9610 at 19 df ("from memory" agrees to 3 decimals)
    assert hedges_correction(19) == pytest.approx(0.960, abs=5e-4)
    assert hedges_correction_approximate(19) == pytest.approx(hedges_correction(19), abs=5e-4)


def test_the_exact_correction_makes_the_standardised_mean_unbiased() -> None:
    rng = np.random.default_rng(8)
    samples = rng.normal(0.7, 1, (200_000, 6))
    dz = samples.mean(axis=1) / samples.std(axis=1, ddof=1)
    assert float(hedges_correction(5) * dz.mean()) == pytest.approx(0.7, abs=0.01)


@given(values=st.lists(st.integers(-5, 5), min_size=3, max_size=15).filter(lambda v: sum(x != 0 for x in v) > 1))
def test_the_rank_biserial_is_the_signed_rank_sum_over_its_largest(values: list[int]) -> None:
    array = np.array(values, dtype=float)
    moved = array[array != 0]
    ranks = stats.rankdata(np.abs(moved)) * np.sign(moved)
    found = matched_rank_biserial(array)
    assert found.value == pytest.approx(ranks.sum() / np.abs(ranks).sum())
    assert -1 <= found.ci_low <= found.value <= found.ci_high <= 1


@pytest.mark.parametrize("shape", ["normal", "skewed", "heavy"])
@pytest.mark.parametrize("size", ["d_av", "change over baseline SD", "matched rank-biserial"])
def test_the_interval_keeps_its_promise(size: str, shape: str) -> None:
    rng = np.random.default_rng(20250612)
    noise = {
        "normal": lambda n: rng.standard_normal(n),
        "skewed": lambda n: (rng.gamma(4.0, size=n) - 4) / 2,
        "heavy": lambda n: rng.standard_t(5, n) / np.sqrt(5 / 3),
    }[shape]
    many = 1 + noise(400_000)
    truth, estimate = {
        "d_av": (1 / ((6 + np.sqrt(37)) / 2), lambda x, y: dav_change(two_readings(x, y))),
        "change over baseline SD": (1 / 6, lambda x, y: baseline_sd_change(two_readings(x, y))),
        "matched rank-biserial": (
            2 * float((many[:200_000] + many[200_000:] > 0).mean()) - 1,
            lambda x, y: matched_rank_biserial(y - x),
        ),
    }[size]
    hits = 0
    for _ in range(300):
        before = 40 + 6 * noise(20)
        found = estimate(before, before + 1 + noise(20))
        hits += found.ci_low <= truth <= found.ci_high
    assert stats.binomtest(hits, 300, 0.95, alternative="less").pvalue > 0.001


def test_all_better_still_leaves_room_below_one() -> None:
    found = probability_of_improvement([1, 2, 3, 1, 2, 3, 4, 5])
    assert found.value == 1.0
    assert found.ci_low < 0.8
    assert found.ci_high == 1.0
    assert matched_rank_biserial([1, 2, 3, 1, 2, 3, 4, 5]).ci_low < 0.5


def test_two_clients_are_too_few() -> None:
    with pytest.raises(NotEnoughError, match=r"lunge: 2 client\(s\) .* at least three"):
        effect_sizes(clinic(1, 2), measure="lunge", better="higher")


def test_a_baseline_without_variation_is_refused() -> None:
    rows = clinic(1, 6).assign(before=30.0)
    with pytest.raises(NotEnoughError, match=r"first readings of all 6 persons are the same \(30\)"):
        effect_sizes(rows, measure="lunge", better="higher")


def test_unequal_lengths_are_refused() -> None:
    with pytest.raises(ToolkitError, match="3 first and 2 second readings"):
        two_readings([1, 2, 3], [1, 2])


def test_nobody_changed_has_no_rank_biserial() -> None:
    with pytest.raises(NotEnoughError, match=r"0 person\(s\)"):
        matched_rank_biserial([0.0, 0.0, 0.0])
