"""Kappas against statsmodels, at the edges, with bad input."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats.rating_agreement import cohen_kappa, fleiss_kappa, kappa_of_table

TABLES = [
    [[20, 5], [10, 15]],
    [[10, 3, 1], [2, 12, 4], [0, 3, 9]],
    [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]],
]


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_kappa_and_its_standard_error_agree_with_statsmodels(table, weights):
    from statsmodels.stats.inter_rater import cohens_kappa

    theirs = cohens_kappa(np.array(table), wt=None if weights == "none" else weights)
    ours = kappa_of_table(table, weights=weights).large_sample
    assert (ours.value, ours.se) == pytest.approx((theirs.kappa, theirs.std_kappa), rel=1e-12)


def test_fleiss_kappa_agrees_with_statsmodels():
    from statsmodels.stats.inter_rater import aggregate_raters
    from statsmodels.stats.inter_rater import fleiss_kappa as theirs

    answers = np.random.default_rng(1).integers(0, 3, (25, 4))
    rows = pd.DataFrame({"subject": np.repeat(np.arange(25), 4), "value": answers.ravel()})
    assert fleiss_kappa(rows).estimate.value == pytest.approx(theirs(aggregate_raters(answers)[0]), rel=1e-12)


def test_complete_agreement_still_has_an_interval():
    result = cohen_kappa(["yes"] * 6 + ["no"] * 6, ["yes"] * 6 + ["no"] * 6)
    assert result.estimate.value == 1
    assert 0.3 < result.estimate.ci_low < 0.8


@given(counts=st.lists(st.integers(0, 30), min_size=4, max_size=4).filter(lambda c: c[0] + c[1] and c[2] + c[3]))
def test_the_adjusted_interval_holds_the_estimate_and_stays_within_bounds(counts):
    e = kappa_of_table(np.reshape(counts, (2, 2))).estimate
    assert -1 <= e.ci_low <= e.value <= e.ci_high <= 1


def test_the_readers_may_be_exchanged():
    one, two = ["yes", "no", "no", "yes", "no"], ["yes", "yes", "no", "yes", "no"]
    there, back = cohen_kappa(one, two).estimate, cohen_kappa(two, one).estimate
    assert (there.value, there.ci_low) == pytest.approx((back.value, back.ci_low))


def test_grades_are_ordered_by_size_and_not_as_text():
    assert cohen_kappa([9, 10, 9, 10, 2], [9, 10, 10, 10, 2], weights="linear").categories == ("2", "9", "10")


def test_people_without_both_answers_are_counted_as_set_aside():
    result = cohen_kappa(["yes", "no", None, "yes"], ["yes", "no", "no", ""])
    assert (result.n_people, result.n_set_aside) == (2, 2)


ROWS = pd.DataFrame({"subject": [1, 1, 2, 2, 2], "value": ["yes", "no", "yes", "yes", "no"]})
BAD = {
    "all yes": (lambda: cohen_kappa(["yes"] * 5, ["yes"] * 5), NotEnoughError, r"All answers are the same"),
    "all yes, three readers": (
        lambda: fleiss_kappa(pd.DataFrame({"subject": [1, 1, 1, 2, 2, 2], "value": ["yes"] * 6})),
        NotEnoughError,
        r"All answers are the same",
    ),
    "one person": (lambda: kappa_of_table([[1, 0], [0, 0]]), NotEnoughError, r"1 person with answers"),
    "nobody": (lambda: cohen_kappa([None], ["yes"]), NotEnoughError, r"No person has an answer from both"),
    "missing readers": (lambda: fleiss_kappa(ROWS), SheetError, r"same number of answers for every person"),
    "one reader": (
        lambda: fleiss_kappa(pd.DataFrame({"subject": [1, 2], "value": ["yes", "no"]})),
        NotEnoughError,
        r"one answer only: agreement needs at least two readers",
    ),
    "unordered words": (
        lambda: cohen_kappa(["mild", "severe"], ["severe", "mild"], weights="linear"),
        SheetError,
        r"give `categories`, from the lowest to the highest",
    ),
    "strange answer": (
        lambda: cohen_kappa(["a", "b"], ["b", "c"], categories=["a", "b"]),
        SheetError,
        r"1 answer\(s\) are not among the categories, the first: 'c'",
    ),
    "unknown weights": (lambda: kappa_of_table([[1, 2], [3, 4]], weights="cubic"), SheetError, r"not 'cubic'"),
    "no square": (lambda: kappa_of_table([[1, 2, 3], [3, 4, 5]]), SheetError, r"square table of counts"),
    "negative count": (lambda: kappa_of_table([[1, -2], [3, 4]]), SheetError, r"none may be negative"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_gets_a_clear_sentence(case):
    call, kind, says = BAD[case]
    with pytest.raises(kind, match=says):
        call()
