"""Readings taken twice: ICC, SEM, smallest detectable change, clients repeated."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import NotEnoughError, SheetError, ToolkitError
from toolkit.stats.intraclass import icc_of
from toolkit.stats.ratings import Ratings
from toolkit.stats.reading_error import error_of_pairs, reading_error


def clinic(rng, *, clients=20, visits=4, shift=0.0, error=2.0):
    client = np.repeat(np.arange(clients), visits)
    true = rng.normal(35, 6, clients)[client] + rng.normal(0, 3, len(client))
    return true + rng.normal(0, error, len(client)), true + shift + rng.normal(0, error, len(client)), client


def error_of(one, two, client, **options):
    return reading_error(one, two, client, measure="lunge", unit="deg", **options)


def figures(result):
    return [(e.value, e.ci_low, e.ci_high) for e in (result.icc, result.sem, result.mdc95, result.mdc90, result.shift)]


def test_with_one_pair_a_client_the_icc_is_that_of_the_two_way_table():
    one, two, client = clinic(np.random.default_rng(1), visits=1)
    study = Ratings(
        value=np.concatenate([one, two]),
        subject=np.tile(client, 2),
        reader=np.repeat([0, 1], len(one)),
        n_subjects=len(one),
        n_readers=2,
        n_set_aside=0,
    )
    assert error_of(one, two, client).icc.value == pytest.approx(icc_of(study).icc_2_1.value, rel=1e-12)


def test_with_one_pair_a_client_the_sem_is_the_sd_of_differences_over_root_two():
    one, two, client = clinic(np.random.default_rng(2), visits=1)
    assert error_of(one, two, client).sem.value == pytest.approx(np.std(two - one, ddof=1) / np.sqrt(2), rel=1e-12)


def test_a_shift_between_readings_is_told_and_kept_out_of_the_sem():
    one, two, client = clinic(np.random.default_rng(3))
    plain, shifted = error_of(one, two, client), error_of(one, two + 5, client)
    assert shifted.sem.value == pytest.approx(plain.sem.value, rel=1e-9)
    assert shifted.shift.value == pytest.approx(plain.shift.value + 5, rel=1e-9)
    assert shifted.icc.value < plain.icc.value


def test_a_client_with_forty_pairs_does_not_make_the_interval_forty_times_surer():
    rng = np.random.default_rng(4)
    client = np.repeat(np.arange(6), 40)
    own_shift = rng.normal(0, 3, 6)[client]
    one = rng.normal(35, 6, 240)
    two = one + own_shift + rng.normal(0, 1, 240)
    assert error_of(one, two, client).sem.df < 15


def test_the_smallest_detectable_change_is_a_multiple_of_the_sem():
    result = error_of(*clinic(np.random.default_rng(5)))
    assert result.mdc95.value == pytest.approx(1.96 * np.sqrt(2) * result.sem.value)
    assert result.mdc90.ci_high == pytest.approx(1.645 * np.sqrt(2) * result.sem.ci_high)


@given(seed=st.integers(0, 10_000), scale=st.floats(0.01, 1000), place=st.floats(-1000, 1000))
def test_changing_the_unit_changes_the_sem_and_not_the_icc(seed, scale, place):
    one, two, client = clinic(np.random.default_rng(seed), clients=6, visits=2)
    plain, other = error_of(one, two, client), error_of(one * scale + place, two * scale + place, client)
    assert other.sem.ci_high == pytest.approx(plain.sem.ci_high * scale, rel=1e-6)
    assert other.icc.ci_low == pytest.approx(plain.icc.ci_low, rel=1e-6, abs=1e-9)


@given(seed=st.integers(0, 10_000))
def test_the_order_of_rows_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    one, two, client = clinic(rng, clients=7, visits=3)
    mixed = rng.permutation(len(one))
    again = error_of(one[mixed], two[mixed], client[mixed])
    assert np.ravel(figures(again)) == pytest.approx(np.ravel(figures(error_of(one, two, client))), rel=1e-9)


def test_pairs_without_a_second_reading_are_counted_as_set_aside():
    one, two, client = clinic(np.random.default_rng(6))
    two[[0, 7]] = np.nan
    result = error_of(one, two, client)
    assert (result.n_pairs, result.n_set_aside) == (len(one) - 2, 2)


def test_a_negative_icc_is_reported_and_not_set_to_zero():
    result = error_of([30.0, 31, 30, 31], [31.0, 30, 31.5, 30], ["a", "b", "c", "d"])
    assert result.icc.value < 0


def test_a_wider_confidence_level_gives_a_wider_interval():
    data = clinic(np.random.default_rng(7))
    narrow, wide = error_of(*data, confidence_level=0.8).sem, error_of(*data, confidence_level=0.99).sem
    assert wide.ci_low < narrow.ci_low < narrow.ci_high < wide.ci_high


def test_both_views_show_every_figure():
    result = error_of(*clinic(np.random.default_rng(8)))
    assert list(result.table()["what"]) == ["ICC(2,1)", "SEM", "MDC95", "MDC90", "second minus first"]
    assert result._repr_html_().count("<tr>") == 6


BAD = {
    "one person": (([30.0, 31], [31.0, 30], ["a", "a"]), NotEnoughError, r"1 person with two readings"),
    "nobody": (([np.nan], [1.0], ["a"]), NotEnoughError, r"0 people with two readings"),
    "identical readings": (([30.0, 34], [30.0, 34], ["a", "b"]), NotEnoughError, r"seems to be copied"),
    "constant": (([30.0, 30], [30.0, 30], ["a", "b"]), NotEnoughError, r"All 4 readings are the same number"),
    "text": ((["30", "about 34"], [30.0, 34], ["a", "b"]), SheetError, r"`first`: 1 of 2 values are not numbers.*2 \("),
    "lengths": (([30.0], [30.0, 34], ["a", "b"]), SheetError, r"equally long.*`first` has 1"),
    "people alike": (
        ([30.0, 31], [31.0, 30], ["a", "b"]),
        NotEnoughError,
        r"same mean, so the people read do not differ",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_clear_sentence(case):
    data, kind, says = BAD[case]
    with pytest.raises(kind, match=says):
        error_of(*data)


def test_a_confidence_level_in_percent_is_refused():
    with pytest.raises(ToolkitError, match=r"for 95 % write 0\.95"):
        error_of([1.0, 2], [2.0, 4], ["a", "b"], confidence_level=95)


def test_an_infinite_reading_is_refused():
    with pytest.raises(SheetError, match=r"`second`: 1 of 2 values are not numbers, the first at position 1"):
        error_of([1.0, 2], [np.inf, 4], ["a", "b"])


def test_the_error_of_one_pair_a_client_by_hand():
    # differences 2, −1, 3: SD √(8.667/2) = 2.0817; SEM = SD/√2
    one, two = np.array([30.0, 34.0, 38.0]), np.array([32.0, 33.0, 41.0])
    found = error_of_pairs(one, two, np.arange(3), measure="lunge", unit="deg", n_set_aside=0, confidence_level=0.95)
    assert found.sem.value == pytest.approx(2.0817 / np.sqrt(2), abs=1e-4)
    assert found.mdc95.value == pytest.approx(1.96 * 2.0817, abs=1e-3)
    assert found.shift.value == pytest.approx(4 / 3)
