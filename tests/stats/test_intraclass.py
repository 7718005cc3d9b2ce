"""The six ICCs: against pingouin, with gaps, with a thousand readers, with bad input."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats.intraclass import icc


def study(rng, *, subjects=12, readers=3, people_sd=5.0, reader_sd=1.0, error_sd=2.0):
    s, r = np.divmod(np.arange(subjects * readers), readers)
    value = (
        35
        + rng.normal(0, people_sd, subjects)[s]
        + rng.normal(0, reader_sd, readers)[r]
        + rng.normal(0, error_sd, len(s))
    )
    return pd.DataFrame({"subject": s, "reader": r, "value": value})


@pytest.mark.filterwarnings("ignore::pandas.errors.Pandas4Warning")  # pingouin's own, of its use of pandas
def test_the_estimates_agree_with_pingouin():
    import pingouin as pg

    rows = study(np.random.default_rng(1))
    theirs = pg.intraclass_corr(rows, targets="subject", raters="reader", ratings="value")["ICC"].to_numpy()
    assert [e.value for e in icc(rows).estimates] == pytest.approx(theirs, rel=1e-10)


def test_consistency_does_not_see_a_constant_difference_between_readers():
    rows = study(np.random.default_rng(2))
    moved = rows.assign(value=rows["value"] + 3 * rows["reader"])
    assert icc(moved).icc_3_1.value == pytest.approx(icc(rows).icc_3_1.value, rel=1e-9)
    assert icc(moved).icc_2_1.value < icc(rows).icc_2_1.value


def test_the_mean_of_k_readings_follows_spearman_and_brown():
    table = icc(study(np.random.default_rng(3), readers=4))
    one, mean = table.icc_2_1, table.icc_2_k
    assert mean.ci_high == pytest.approx(4 * one.ci_high / (1 + 3 * one.ci_high))


def test_a_study_with_one_reading_missing_lies_near_the_complete_one():
    rows = study(np.random.default_rng(4), subjects=30)
    gappy, whole = icc(rows.drop(index=17)), icc(rows)
    assert (gappy.complete, whole.complete) == (False, True)
    assert gappy.icc_3_1.value == pytest.approx(whole.icc_3_1.value, abs=0.03)


def test_the_equation_for_gaps_gives_the_f_interval_where_nothing_is_missing(monkeypatch):
    rows = study(np.random.default_rng(5))
    exact = icc(rows)
    monkeypatch.setattr(np, "ptp", lambda values: np.inf)  # forces the general equation instead of the closed form
    general = icc(rows)
    for one, other in zip(exact.estimates, general.estimates, strict=True):
        assert (one.value, one.ci_low, one.ci_high) == pytest.approx(
            (other.value, other.ci_low, other.ci_high), rel=1e-8
        )


def test_one_way_with_unequal_numbers_holds_the_limits_of_the_equation_of_harville_and_fenech():
    # the limits must make the F ratio of weighted squares equal its quantiles: checked by plugging them back in
    rng = np.random.default_rng(6)
    subject = np.repeat(np.arange(10), np.resize([2, 3, 5], 10))
    rows = pd.DataFrame({"subject": subject, "value": rng.normal(0, 2, 10)[subject] + rng.normal(0, 1, len(subject))})
    rows["reader"] = rows.groupby("subject").cumcount()
    low = icc(rows).icc_1_1.ci_low
    theta, size = low / (1 - low), rows.groupby("subject").size().to_numpy()
    means = rows.groupby("subject")["value"].mean().to_numpy()
    weight = size / (1 + size * theta)
    between = (weight * (means - (weight * means).sum() / weight.sum()) ** 2).sum() / 9
    within = rows.groupby("subject")["value"].apply(lambda x: ((x - x.mean()) ** 2).sum()).sum() / (len(rows) - 10)
    assert between / within == pytest.approx(stats.f.ppf(0.975, 9, len(rows) - 10), rel=1e-6)


def test_a_negative_icc_is_reported_and_explained():
    rows = pd.DataFrame({"subject": [1, 1, 2, 2, 3, 3], "reader": ["a", "b"] * 3, "value": [1.0, 5, 5, 1, 2, 4.5]})
    table = icc(rows)
    assert table.icc_2_1.value < 0
    assert "A negative ICC means" in table.sentence()


def test_a_thousand_readers_are_no_trouble():
    rows = study(np.random.default_rng(7), subjects=8, readers=1000)
    assert icc(rows).icc_2_1.value == pytest.approx(25 / 30, abs=0.15)


def test_rows_without_a_value_are_counted_as_set_aside():
    rows = study(np.random.default_rng(8))
    rows.loc[3, "value"] = np.nan
    table = icc(rows)
    assert (table.n_readings, table.n_set_aside) == (35, 1)


def frame(subject, reader, value):
    return pd.DataFrame({"subject": subject, "reader": reader, "value": value})


BAD = {
    "one person": (frame([1, 1], ["a", "b"], [1.0, 2]), NotEnoughError, r"1 person with readings"),
    "one reader": (frame([1, 2], ["a", "a"], [1.0, 2]), NotEnoughError, r"Only one reader \(a\) read anything"),
    "all the same": (frame([1, 1, 2, 2], list("abab"), [4.0] * 4), NotEnoughError, r"All 4 readings are the same"),
    "identical readings": (
        frame([1, 1, 2, 2, 3, 3], list("ababab"), [1.0, 1, 2, 2, 5, 5]),
        NotEnoughError,
        r"readings of each person are identical",
    ),
    "text": (frame([1, 1, 2, 2], list("abab"), [1, 2, "x", 4]), SheetError, r"`value`: 1 of 4.*position 3"),
    "twice": (frame([1, 1, 1, 2], list("aabb"), [1.0, 2, 3, 4]), SheetError, r"1 row\(s\) repeat a reader.*subject 1"),
    "no column": (pd.DataFrame({"subject": [1]}), SheetError, r"Column 'reader', 'value' is not there"),
    "own reader each": (
        frame([1, 2, 3], list("abc"), [1.0, 2, 3]),
        NotEnoughError,
        r"no scatter|No two people|Too many",
    ),
    "nothing": (frame([1, 2], ["a", "b"], [np.nan, np.nan]), NotEnoughError, r"No row has"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_clear_sentence(case):
    rows, kind, says = BAD[case]
    with pytest.raises(kind, match=says):
        icc(rows)
