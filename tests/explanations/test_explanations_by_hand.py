"""Explanations on a few rows whose answers can be worked out on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from explanation_cases import case_from, case_of_clinic, written
from scipy import stats

from toolkit.effect.rerandomisation import difference_interval
from toolkit.explanations.case import client_sums, jackknife
from toolkit.explanations.chance import chance, looking_again, many_questions, mean_over_clients, mean_over_rows
from toolkit.explanations.clients_practitioners import (
    first_visits,
    informative_visits,
    one_practitioner,
    repeated_clients,
)
from toolkit.explanations.observer_bias import blinded_difference, digit_preference, largest_step
from toolkit.explanations.regression_to_the_mean import regression_to_the_mean
from toolkit.explanations.selective_records import comfort, not_written_down, tipping_point
from toolkit.explanations.time_course import course_per_week, untreated_stretches
from toolkit.number_words import amount
from toolkit.simulate import ClinicDials

# client a: changes 2, 4 (mean 3); b: 6; c: 9. Over rows 21/4 = 5.25, over clients 18/3 = 6.
FOUR = written([10, 10, 10, 10], [12, 14, 16, 19], ["a", "a", "b", "c"])


def test_the_jackknife_of_a_mean_is_the_t_interval():
    sums, counts = client_sums(FOUR.changes())
    found = jackknife(sums, counts, mean_over_clients, name="mean", unit="deg", method="")
    assert found is not None
    low, high = stats.t.interval(0.95, 2, loc=6.0, scale=stats.sem([3.0, 6.0, 9.0]))
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx((6.0, low, high))


def test_the_jackknife_leaves_out_each_client_in_turn():
    sums, counts = np.array([2.0, 4.0, 9.0, 1.0]), np.array([1.0, 3.0, 2.0, 5.0])
    without = [np.delete(sums, one).sum() / np.delete(counts, one).sum() for one in range(4)]
    found = jackknife(sums, counts, mean_over_rows, name="", unit="", method="")
    assert found is not None
    assert found.value == pytest.approx(16 / 11)
    assert found.se == pytest.approx(np.sqrt(3 / 4 * np.sum((without - np.mean(without)) ** 2)))


def test_the_jackknife_of_a_registry_costs_its_clients_and_not_their_square():
    change = np.random.default_rng(1).normal(2, 3, 300_000)  # 90 thousand million pairs would not fit into memory
    found = jackknife(change, np.ones(len(change)), mean_over_clients, name="", unit="", method="")
    assert found is not None
    assert found.se == pytest.approx(stats.sem(change))


def test_a_level_asked_for_is_the_level_said():
    found = jackknife(
        *client_sums(FOUR.changes()), mean_over_clients, name="", unit="", method="", confidence_level=0.9
    )
    assert found is not None
    assert found.confidence_level == 0.9


def test_keen_clients_by_hand():
    size = informative_visits(FOUR).size
    assert size is not None
    assert size.value == pytest.approx(5.25 - 6.0)


def test_first_visits_take_the_whole_first_session():
    # client a's first session has two sides (2 and 4); b and c one each: (3 + 6 + 9) / 3
    case = written([10, 10, 10, 10, 10], [12, 14, 16, 19, 40], ["a", "a", "b", "c", "c"])
    rows = case.technique.assign(session_id=["s1", "s1", "s2", "s3", "s4"], measured_side="left")
    assert "First visits alone show 6.0°" in informative_visits(replace(case, technique=rows)).says


def test_repeated_clients_by_hand():
    over_clients = stats.t.ppf(0.975, 2) * stats.sem([3.0, 6.0, 9.0])
    over_rows = stats.t.ppf(0.975, 3) * stats.sem([2.0, 4.0, 6.0, 9.0])
    size = repeated_clients(FOUR).size
    assert size is not None
    assert size.value == pytest.approx(over_clients - over_rows)


def test_without_a_comparison_chance_is_that_of_the_client_means():
    size = chance(FOUR).size
    assert size is not None
    assert size.value == pytest.approx(stats.t.ppf(0.975, 2) * stats.sem([3.0, 6.0, 9.0]))


def test_chance_says_nothing_where_every_client_changes_alike():
    explanation = chance(written([10, 10, 10], [12, 12, 12], ["a", "b", "c"]))
    assert explanation.size is None
    assert explanation.status == "open"


def test_readings_left_empty_are_taken_not_to_have_moved():
    # a: 2 and empty, b: 6, c: 9. Written down: (2 + 6 + 9)/3; nothing moved where empty: (1 + 6 + 9)/3
    explanation = not_written_down(written([10, 10, 10, 10], [12, np.nan, 16, 19], ["a", "a", "b", "c"]))
    assert explanation.size is not None
    assert explanation.size.value == pytest.approx(17 / 3 - 16 / 3)


def test_a_technique_never_read_after_has_no_size():
    explanation = not_written_down(written([10, 10], [np.nan, np.nan], ["a", "b"]))
    assert explanation.size is None
    assert explanation.status == "open"


def test_the_missing_changes_tip_where_their_share_eats_up_the_limit():
    case = case_of_clinic(1, effect=5.0, not_written=0.5)
    assert case.compared is not None
    assert case.complete is not None
    tipping = tipping_point(case)
    assert tipping is not None
    rows = case.compared.rows
    comparison = rows.loc[rows["arm"] == 0, "y"].median()
    technique = rows.loc[rows["arm"] == 1, "y"]
    filled = technique.fillna(comparison - tipping).mean()  # put the missing changes where they are said to tip
    assert technique.mean() - filled == pytest.approx(case.complete.ci_low)


def test_a_course_by_hand():
    # 3 clients, visits 0, 1 and 2 weeks: 0, 1, 2 higher, each from a level of its own
    rows = pd.DataFrame(
        {
            "client": np.repeat(["a", "b", "c"], 3),
            "measured_side": "left",
            "date": np.tile(pd.to_datetime(["2026-01-05", "2026-01-12", "2026-01-19"]), 3),
            "before": np.add.outer([10.0, 20.0, 35.0], [0.0, 1.0, 2.0]).ravel(),
            "intervention": np.tile(["measured_only", "pressing", "pressing"], 3),
        }
    )
    found = course_per_week(rows, sign=1.0, unit="deg")
    assert found is not None
    assert (found.value, found.se) == pytest.approx((1.0, 0.0))
    stretch = untreated_stretches(rows.assign(before=rows["before"] * 3), sign=-1.0, unit="deg")
    assert stretch is not None
    assert stretch.value == pytest.approx(-3.0)


def test_the_days_of_a_course_come_from_the_day_column_where_there_is_no_date():
    rows = pd.DataFrame(
        {
            "client": np.repeat(["a", "b", "c"], 2),
            "date": pd.NaT,
            "day": pd.array([0, 14] * 3, dtype="Int64"),
            "before": [10.0, 12.0, 20.0, 22.0, 30.0, 32.0],
        }
    )
    found = course_per_week(rows, sign=1.0, unit="deg")
    assert found is not None
    assert found.value == pytest.approx(1.0)


def test_examiners_are_compared_over_clients_both_read():
    rows = pd.DataFrame(
        {"client": list("aabbccd"), "examiner": list("xyxyxyx"), "before": [10.0, 12, 20, 23, 30, 34, 99]}
    )
    found = largest_step(rows, unit="deg")
    assert found is not None
    assert (found.value, found.n) == (3.0, 3)
    assert found.ci_high - found.value == pytest.approx(stats.t.ppf(0.975, 2) / np.sqrt(3))


def test_with_three_examiners_the_interval_holds_for_all_pairs():
    rows = pd.DataFrame(
        {
            "client": np.repeat(list("abc"), 3),
            "examiner": list("xyz") * 3,
            "before": [10.0, 12, 11, 20, 23, 21, 30, 34, 33],
        }
    )
    found = largest_step(rows, unit="deg")
    assert found is not None
    assert found.ci_high - found.value == pytest.approx(stats.t.ppf(1 - 0.025 / 3, 2) / np.sqrt(3))


def test_comfort_by_hand():
    # within clients: comfortable less other 2, 3, 4
    case = written([10] * 6, [14, 12, 15, 12, 16, 12], list("aabbcc"), comfort=[9.0, 3, 9, 3, 9, 3])
    size = comfort(case).size
    assert size is not None
    assert (size.value, size.n) == (3.0, 3)


def test_leaving_out_a_practitioner_by_hand():
    # clients a 3, b 6, c 9 with practitioners p1, p1, p2: without p2 the mean is 4.5, without p1 9; all 6
    case = written([10] * 3, [13, 16, 19], list("abc"), practitioner=["p1", "p1", "p2"])
    size = one_practitioner(case).size
    assert size is not None
    assert (size.value, size.ci_low, size.ci_high) == pytest.approx((6 - 4.5, 6 - 9, 6 - 4.5))


def test_a_comparison_that_only_the_one_left_out_has_is_not_taken_for_zero():
    dials = ClinicDials(n_practitioners=2, n_clients=40, effect=3.0)
    case = case_of_clinic(1, n_practitioners=2, n_clients=40, effect=3.0)
    assert case.compared is not None
    rows = case.compared.rows
    alone = replace(case.compared, rows=rows[(rows["arm"] == 1) | (rows["practitioner"] == "p1")])
    explanation = one_practitioner(replace(case, compared=alone))
    without_p2 = case_from(case.rows[case.rows["practitioner"] == "p1"], dials)
    assert explanation.size is not None
    assert without_p2.compared is not None
    assert explanation.size.ci_low == explanation.size.ci_high  # one practitioner only can be left out


def test_the_difference_of_two_means_of_the_same_clients_is_the_paired_one():
    # where every client stands in both groups the linearised variance is that of the paired differences
    one, other = pd.Series([5.0, 7.0, 12.0], list("abc")), pd.Series([1.0, 4.0, 5.0], list("abc"))
    found = difference_interval(one, other)
    assert found is not None
    assert found[2] == pytest.approx(stats.sem(one - other))


def test_one_question_looked_at_once_costs_nothing():
    case = case_of_clinic(1)
    assert many_questions(case).status == looking_again(case).status == "closed_by_design"


def test_looks_and_questions_cost_the_width_between_the_levels():
    case = case_of_clinic(1)
    found = case.attributable
    assert found is not None
    assert found.se is not None
    two_looks = looking_again(replace(case, look=1, looks_planned=2)).size
    # first of two looks: z = 2.9626 one-sided (rpact, O'Brien–Fleming-type spending)
    level = 1 - 2 * stats.norm.sf(2.9626)
    wider = (stats.t.ppf((1 + level) / 2, found.df) - stats.t.ppf(0.975, found.df)) * found.se
    assert two_looks is not None
    assert two_looks.value == pytest.approx(wider, rel=1e-3)
    ten = many_questions(replace(case, attributable=found.at_level(0.995), n_questions=10)).size
    wider = (stats.t.ppf(0.9975, found.df) - stats.t.ppf(0.975, found.df)) * found.se
    assert ten is not None
    assert ten.value == pytest.approx(wider)


def test_more_looks_than_planned_leave_the_explanation_open():
    assert looking_again(replace(case_of_clinic(1), look=2)).status == "open"


def test_signs_are_said_in_percentage_points():
    assert amount(0.25, "yes_no") == "25 percentage points"
    assert amount(1.5, "deg a week") == "1.5° a week"


def test_the_expected_regression_is_not_asked_of_signs():
    signs = written([0.0, 1.0] * 20, [1.0] * 40, [str(i) for i in range(40)])
    assert regression_to_the_mean(replace(signs, unit="yes_no", sem=0.4)).size is None


def test_first_visits_by_hand():
    # a's first session has changes 2 and 4, the later one does not count; b 6, c 9: (3 + 6 + 9) / 3
    change = pd.DataFrame({"client": list("aaabc"), "session_id": ["s1", "s1", "s2", "s3", "s4"]})
    change["date"] = pd.to_datetime(["2026-01-05"] * 2 + ["2026-02-05"] * 3)
    found = first_visits(change.assign(change=[2.0, 4.0, 40.0, 6.0, 9.0]), unit="deg")
    assert found is not None
    assert (found.value, found.n) == (6.0, 3)


def test_readers_who_knew_less_those_who_did_not_by_hand():
    # knew: a 6, b 4, c 5 (mean 5); did not know: a 2, b 2, d 5 (mean 3)
    case = written([10] * 6, [16, 14, 15, 12, 12, 15], list("abcabd"), examiner_blinded=["no"] * 3 + ["yes"] * 3)
    found = blinded_difference(case)
    assert found is not None
    assert (found.value, found.n) == pytest.approx((2.0, 4))


def test_too_few_readers_who_did_not_know_give_no_difference():
    case = written([10] * 4, [16, 14, 15, 12], list("abca"), examiner_blinded=["no", "no", "no", "yes"])
    assert blinded_difference(case) is None


def test_last_digits_that_are_rounded_after_are_seen():
    before = [float(30 + place % 5) for place in range(200)]  # 30, 31, …, 34: of 30, 31 and 34 a third ends in 0
    client = [f"c{place // 5}" for place in range(200)]
    found = digit_preference(written(before, [40.0] * 200, client))
    assert found is not None
    assert found.value == pytest.approx(1 - 1 / 3)
    assert digit_preference(written(before, [one + 10 for one in before], client)) is None
