"""The adjustment steps: every step verifiable by hand, and each changes exactly one thing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from explanation_cases import case_from, case_of_clinic, written
from scipy import stats

from toolkit.explanations.adjustment_steps import AdjustmentStep, adjustment_steps
from toolkit.simulate import ClinicDials


def by_step(steps: list[AdjustmentStep]) -> dict[str, AdjustmentStep]:
    return {step.step: step for step in steps}


def test_the_first_step_is_the_paired_t_test_over_rows():
    case = case_of_clinic(1, n_clients=30)
    top = adjustment_steps(case)[0]
    test = stats.ttest_rel(case.technique["after"], case.technique["before"])
    low, high = test.confidence_interval(0.95)
    assert (top.ci_low, top.ci_high) == pytest.approx((low, high))
    assert top.estimate == pytest.approx((case.technique["after"] - case.technique["before"]).mean())


def test_steps_about_the_readings_by_hand():
    # a: 2 and 4 (second readings 1 and 2 higher), b: 6 (not read twice), c: 9 (second reading 3 higher)
    case = written([10, 10, 10, 10], [12, 14, 16, 19], ["a", "a", "b", "c"], before_2=[11.0, 12.0, np.nan, 13.0])
    steps = by_step(adjustment_steps(case))
    estimates = {name: step.estimate for name, step in steps.items()}
    assert estimates == {
        "the usual answer": pytest.approx(21 / 4),
        "every client counted once": pytest.approx((3 + 6 + 9) / 3),
        "only what was read twice before": pytest.approx((3 + 9) / 2),
        "from the second reading before": pytest.approx((1.5 + 6) / 2),
    }


def test_a_second_reading_without_a_first_changes_no_step():
    # the last row cannot be in the steps above, so it may not come in below
    case = written([10, 10, 10, np.nan], [12, 14, 16, 50], ["a", "b", "c", "d"], before_2=[10.0, 10.0, 10.0, 10.0])
    assert {step.n_rows for step in adjustment_steps(case)} == {3}


def test_a_fall_that_is_better_is_positive():
    assert adjustment_steps(written([10, 12, 11], [8, 11, 8], list("abc"), better="lower"))[
        0
    ].estimate == pytest.approx(2.0)


def test_the_second_baseline_step_changes_only_the_reading_before():
    steps = by_step(adjustment_steps(case_of_clinic(1)))
    one, other = steps["every client counted once"], steps["from the second reading before"]
    assert (one.n_rows, one.n_clients, one.method) == (other.n_rows, other.n_clients, other.method)


def test_what_the_comparison_moved_is_taken_off_and_nothing_else():
    case = case_of_clinic(1)
    assert case.compared is not None
    steps = by_step(adjustment_steps(case))
    waited = case.compared.rows[case.compared.rows["arm"] == 0].groupby("client")["y"].mean().mean()
    gap = steps["only what can be compared"].estimate - steps["less what the comparison moved"].estimate
    assert gap == pytest.approx(waited)


def test_the_model_step_is_the_estimate_without_what_is_missing():
    case = case_of_clinic(1, not_written=0.4)
    step = by_step(adjustment_steps(case))["clients, practitioners and baselines weighed"]
    assert case.complete is not None
    assert step.estimate == case.complete.mean


def test_only_the_interval_changes_where_looks_and_questions_are_paid_for():
    case = case_of_clinic(1)
    assert case.attributable is not None
    paid = replace(case, attributable=case.attributable.at_level(0.99), n_questions=5)
    steps = adjustment_steps(paid)
    assert steps[-1].step == "looks and other questions paid for"
    assert steps[-1].estimate == steps[-2].estimate
    assert steps[-1].ci_low < steps[-2].ci_low


def test_the_allowance_is_taken_off_the_estimate_and_its_lower_limit():
    steps = adjustment_steps(replace(case_of_clinic(1), allowance=1.25))
    last, before = steps[-1], steps[-2]
    assert last.step == "less a leaning reader"
    assert last.estimate == pytest.approx(before.estimate - 1.25)
    assert last.ci_low == pytest.approx(before.ci_low - 1.25)
    assert last.ci_high == before.ci_high


def test_without_anything_to_compare_with_the_adjustment_steps_ends_with_the_readings():
    assert adjustment_steps(case_of_clinic(1, design="none"))[-1].step == "from the second reading before"


def test_no_rows_no_steps():
    assert adjustment_steps(case_from(case_of_clinic(1).rows.iloc[:0], ClinicDials())) == []


def test_in_a_clinic_of_explanations_the_adjustment_steps_goes_down_to_the_truth():
    # no effect at all, yet the usual answer is clearly above 0 and what is left is not
    dials = {"restricted_below": 0.0, "warm_up": 0.8, "wait_rise": 0.5, "keen": 0.15, "n_clients": 100}
    steps = adjustment_steps(case_of_clinic(4, **dials))
    assert steps[0].ci_low > 1.0
    assert steps[-1].ci_low < 0 < steps[-1].ci_high


def test_the_step_from_the_second_reading_names_no_cause_that_the_records_cannot_tell():
    steps = [step for step in adjustment_steps(case_of_clinic(1)) if step.step == "from the second reading before"]
    assert "which it was cannot be told" in steps[0].says
