"""Means, SDs and percentages that people cannot have produced."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import SheetError
from toolkit.replicating import mean_possible, percentage_fits, sd_possible, sd_within_scale

answers = st.lists(st.integers(1, 7), min_size=5, max_size=60)


def test_a_published_example_of_an_impossible_mean():
    # Brown & Heathers (2017), introduction: 5.19 from 28 whole numbers (from memory)
    check = mean_possible("5.19", n=28)
    assert not check.possible
    assert check.nearest == pytest.approx((145 / 28, 146 / 28))


@given(answers)
def test_every_mean_of_whole_numbers_is_possible(values):
    assert mean_possible(f"{np.mean(values):.2f}", n=len(values)).possible


@given(answers)
def test_every_sd_of_whole_numbers_is_possible(values):
    check = sd_possible(f"{np.std(values, ddof=1):.2f}", mean=f"{np.mean(values):.2f}", n=len(values))
    assert check.possible


def test_an_sd_that_no_whole_numbers_have_is_seen():
    # five whole numbers with the sum 15: squared deviations sum to an even number, so 0.90 (sum 3.24) cannot be
    check = sd_possible("0.90", mean="3.00", n=5)
    assert not check.possible
    assert check.nearest == pytest.approx((1.0, np.sqrt(0.5)))


def test_a_mean_no_sum_can_have_makes_the_sd_impossible():
    assert "no whole-number sum has the mean 3.11" in sd_possible("1.00", mean="3.11", n=5).sentence()


def test_with_more_people_than_decimals_the_check_says_that_it_tells_nothing():
    assert "tells nothing" in mean_possible("3.45", n=150).sentence()


def test_averaged_items_make_finer_steps():
    assert not mean_possible("3.45", n=10).possible
    assert mean_possible("3.45", n=10, items=2).possible


@given(st.lists(st.integers(0, 10), min_size=2, max_size=40))
def test_no_sample_spreads_more_than_its_scale_allows(values):
    check = sd_within_scale(float(np.std(values, ddof=1)), n=len(values), low=0, high=10, mean=float(np.mean(values)))
    assert check.possible


def test_half_at_each_end_is_the_most_a_scale_allows():
    assert sd_within_scale(5.0, n=20, low=0, high=10).nearest[0] == pytest.approx(np.std([0] * 10 + [10] * 10, ddof=1))


@given(st.integers(1, 60), st.data())
def test_every_true_percentage_fits(n, data):
    count = data.draw(st.integers(0, n))
    assert percentage_fits(f"{100 * count / n:.1f}", n=n).possible


def test_a_percentage_that_fits_no_count_names_its_neighbours():
    assert percentage_fits("35.5", n=23).sentence().endswith("8 of 23 is 34.78 % and 9 of 23 is 39.13 %")


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: mean_possible("5.19", n=0), "n = 0 is not a number of people"),
        (lambda: mean_possible("<5", n=3), "is a limit, not a figure"),
        (lambda: sd_possible("1.0", mean="2.0", n=1), "n must be at least 2"),
        (lambda: sd_within_scale(1.0, n=9, low=5, high=5), "low < high"),
        (lambda: sd_within_scale(1.0, n=9, low=0, high=5, mean=7), "mean 7 lies outside the scale"),
        (lambda: percentage_fits("101", n=9), "is not between 0 and 100"),
    ],
)
def test_what_cannot_be_checked_says_why(call, says):
    with pytest.raises(SheetError, match=says):
        call()
