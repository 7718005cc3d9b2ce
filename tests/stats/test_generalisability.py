"""Variance shares, designs with gaps against R, readings to average."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, SheetError
from toolkit.resources import dataset_file
from toolkit.stats.generalisability import icc_of_design, readings_needed, sem_of_design, variance_shares
from toolkit.stats.intraclass import icc
from toolkit.stats.variance_components import _with_gaps, mean_squares


def study(rng, *, subjects=20, readers=4, days=3):
    s, r, o = np.array([(a, b, c) for a in range(subjects) for b in range(readers) for c in range(days)]).T
    value = 35 + rng.normal(0, 5, subjects)[s] + rng.normal(0, 1, readers)[r] + rng.normal(0, 2, len(s))
    return pd.DataFrame({"subject": s, "reader": r, "occasion": o, "value": value})


def knee():
    return pd.read_csv(dataset_file("open/data/knee_goniometer_eliasziw_1994.csv"))


def test_one_facet_gives_the_components_of_the_two_way_table():
    rows = study(np.random.default_rng(1), days=1)
    shares, table = variance_shares(rows, unit="deg", facets=["reader"]), icc(rows)
    assert shares.variance("subject") == pytest.approx(table.var_subjects)
    assert icc_of_design(shares).value == pytest.approx(table.icc_2_1.value)


def test_fitting_constants_gives_the_closed_form_where_nothing_is_missing():
    rows = study(np.random.default_rng(2))
    codes = {name: rows[name].to_numpy() for name in ("subject", "reader", "occasion")}
    closed = mean_squares(rows["value"].to_numpy(), codes)
    fitted = _with_gaps(rows["value"].to_numpy(), codes, (20, 4, 3), closed.terms)
    assert fitted.components == pytest.approx(closed.components, rel=1e-8, abs=1e-10)


def test_a_design_with_gaps_lies_near_the_restricted_likelihood_of_lme4():
    # R 4.2, lme4::lmer(knee_extension_deg ~ 1 + (1|subject) + (1|goniometer) + (1|subject:goniometer)) without rows
    # 3, 40, 77, 100, 101 (from 0) of the open data: 51.392, 0.972, 1.284, 0.818. Henderson's components are another
    # unbiased estimate from the same readings, so they are near, not equal.
    shares = variance_shares(
        knee().drop(index=[3, 40, 77, 100, 101]), unit="deg", facets=["goniometer"], value="knee_extension_deg"
    )
    assert not shares.complete
    assert shares.components["variance"].to_numpy() == pytest.approx([51.392, 0.972, 1.284, 0.818], rel=0.06)


def test_averaging_two_readers_halves_the_part_of_the_error_that_is_theirs():
    shares = variance_shares(study(np.random.default_rng(3), days=1), unit="deg", facets=["reader"])
    one, two = sem_of_design(shares), sem_of_design(shares, average={"reader": 2})
    assert two.value == pytest.approx(one.value / np.sqrt(2))


def test_the_same_reader_again_has_a_smaller_error_than_any_reader():
    shares = variance_shares(knee(), unit="deg", facets=["goniometer"], value="knee_extension_deg")
    assert sem_of_design(shares, same=["goniometer"]).value < sem_of_design(shares).value


def test_two_instruments_leave_the_share_of_instruments_wide_open():
    shares = variance_shares(knee(), unit="deg", facets=["goniometer"], value="knee_extension_deg")
    row = shares.components.set_index("source").loc["goniometer"]
    assert row["share_high"] > 0.5 > row["share"]


def test_readings_needed_finds_the_smallest_number_that_reaches_the_wanted_sem():
    shares = variance_shares(knee(), unit="deg", facets=["goniometer"], value="knee_extension_deg")
    answer = readings_needed(shares, wanted_sem=0.6, same=["goniometer"])
    by_number = answer.by_number.set_index("averaged")["sem"]
    assert answer.needed is not None
    assert by_number[answer.needed] <= 0.6 < by_number[answer.needed - 1]


def test_more_readings_do_not_help_where_the_error_lies_between_readers():
    shares = variance_shares(knee(), unit="deg", facets=["goniometer"], value="knee_extension_deg")
    answer = readings_needed(shares, wanted_sem=1.3)
    assert answer.needed is None
    assert "error from other sources remains" in answer.sentence()


def test_the_same_seed_gives_the_same_intervals():
    rows = study(np.random.default_rng(4))
    one, two = variance_shares(rows, unit="deg", rng=7), variance_shares(rows, unit="deg", rng=7)
    pd.testing.assert_frame_equal(one.components, two.components)


def frame(**columns):
    return pd.DataFrame(columns)


BAD = {
    "one person": (
        frame(subject=[1, 1], reader=["a", "b"], value=[1.0, 2]),
        ["reader"],
        NotEnoughError,
        r"1 person with readings",
    ),
    "one reader": (
        frame(subject=[1, 2], reader=["a", "a"], value=[1.0, 2]),
        ["reader"],
        NotEnoughError,
        r"Only 1 level of 'reader'",
    ),
    "copied": (
        frame(subject=[1, 1, 2, 2], reader=list("abab"), value=[1.0, 1, 2, 2]),
        ["reader"],
        NotEnoughError,
        r"show no error at all",
    ),
    "constant": (
        frame(subject=[1, 1, 2, 2], reader=list("abab"), value=[2.0, 2, 2, 2]),
        ["reader"],
        NotEnoughError,
        r"All 4 readings are the same",
    ),
    "three facets": (frame(subject=[1], a=[1], b=[1], c=[1], value=[1.0]), ["a", "b", "c"], SheetError, r"one or two"),
    "each their own reader": (
        frame(subject=[1, 2, 3], reader=list("abc"), value=[1.0, 2, 3]),
        ["reader"],
        NotEnoughError,
        r"reader cannot be told apart from the rest",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_clear_sentence(case):
    rows, facets, kind, says = BAD[case]
    with pytest.raises(kind, match=says):
        variance_shares(rows, unit="deg", facets=facets)


def test_an_unknown_facet_in_a_design_is_named():
    shares = variance_shares(study(np.random.default_rng(5)), unit="deg")
    with pytest.raises(SheetError, match=r"'examiner' is no facet of this study; there are occasion, reader, reading"):
        sem_of_design(shares, average={"examiner": 2})


def test_a_large_design_with_gaps_says_what_to_do():
    rows = study(np.random.default_rng(6), subjects=300).drop(index=5)
    with pytest.raises(NotEnoughError, match=r"with gaps at most 2500 readings"):
        variance_shares(rows, unit="deg")
