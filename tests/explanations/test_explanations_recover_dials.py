"""Each explanation against clinics in which exactly its dial is turned: the size is the dial's, and 0 when off."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from explanation_cases import case_from, case_of_clinic
from scipy import stats

from toolkit.explanations.case import Case, Explanation
from toolkit.explanations.chance import chance
from toolkit.explanations.clients_practitioners import informative_visits, one_practitioner, repeated_clients
from toolkit.explanations.observer_bias import examiner_change, observer_bias, step_over_time, tipping_point
from toolkit.explanations.regression_to_the_mean import expected_in_records, regression_to_the_mean
from toolkit.explanations.selective_records import comfort, not_written_down
from toolkit.explanations.time_course import measured_again, natural_course
from toolkit.simulate import ClinicDials, simulate_clinic


def sizes(explanation: Callable[[Case], Explanation], n: int, **dials: Any) -> np.ndarray:
    """Sizes over several clinics of the same dials."""
    found = [explanation(case_of_clinic(seed, **dials)).size for seed in range(n)]
    assert all(one is not None for one in found)
    return np.array([one.value for one in found if one is not None])


def assert_recovers(values: np.ndarray, truth: float) -> None:
    """The mean over clinics lies within four standard errors of the truth."""
    assert values.mean() == pytest.approx(truth, abs=4 * values.std(ddof=1) / np.sqrt(len(values)) + 1e-9)


@pytest.mark.parametrize("rise", [0.0, 2.0])
def test_being_measured_again_is_the_warm_up_from_the_last_reading_before(rise):
    assert_recovers(sizes(measured_again, 6, warm_up=rise), rise)


def test_being_measured_again_counts_the_wait_too():
    assert_recovers(sizes(measured_again, 6, wait_rise=1.5), 1.5)


def test_being_measured_again_is_open_where_nothing_was_waited_for():
    found = measured_again(case_of_clinic(1, design="none", warm_up=1.0))
    assert found.status == "open"
    assert found.size is not None
    assert found.size.ci_low < 1.0 < found.size.ci_high


@pytest.mark.parametrize("course", [0.0, 0.4, -0.3])
def test_natural_course_is_the_drift_a_week(course):
    assert_recovers(sizes(natural_course, 6, course_per_week=course), course)


def test_natural_course_turns_with_the_better_direction():
    case = case_of_clinic(3, course_per_week=0.5, better="lower", n_clients=150)
    size = natural_course(case).size
    assert size is not None
    assert size.ci_low < 0.5 < size.ci_high
    assert size.ci_low > 0


def test_stretches_after_measured_sessions_show_the_course_where_there_are_any():
    values = sizes(natural_course, 6, course_per_week=0.6, design="comparison_sessions", n_clients=120)
    assert_recovers(values, 0.6)


def test_regression_is_the_drift_of_the_second_reading():
    case = case_of_clinic(2, restricted_below=0.5, n_clients=150)
    explanation = regression_to_the_mean(case)
    drift = case.technique.groupby("client").apply(lambda c: (c["before_2"] - c["before"]).mean()).mean()
    assert explanation.size is not None
    assert explanation.size.value == pytest.approx(drift)
    assert explanation.size.ci_low > 0


def test_no_regression_where_every_side_is_treated():
    assert_recovers(sizes(regression_to_the_mean, 8), 0.0)


def test_regression_expected_from_the_records_is_that_of_a_cut_off_normal_distribution():
    # Readings of SD √(6² + 2.5²) around 35, those below 35 treated: the next reading is expected to lie higher by
    # 2.5² / SD × φ(0) / Φ(0) (Davis 1976). One visit a client, 8 clinics of about 250 treated sides.
    rng = np.random.default_rng(4)
    found = []
    for _ in range(8):
        before = rng.normal(35.0, np.hypot(6.0, 2.5), 500)
        taken = before[before <= 35.0]
        client = np.arange(len(taken)).astype(str)
        size = expected_in_records(taken, client, sem=2.5, low_is_selected=True, unit="deg", sem_source="known")
        assert size is not None
        found.append(size.value)
    assert_recovers(np.array(found), 2.5**2 / np.hypot(6.0, 2.5) * stats.norm.pdf(0.0) / stats.norm.cdf(0.0))


def test_regression_expected_turns_with_what_is_restricted():
    rng = np.random.default_rng(4)
    pain = rng.normal(5.0, 2.0, 400)
    taken, client = pain[pain >= 5.0], np.arange((pain >= 5.0).sum()).astype(str)
    told = {"client": client, "sem": 1.0, "unit": "points", "sem_source": "known"}
    down = expected_in_records(taken, low_is_selected=False, **told)
    up = expected_in_records(-taken, low_is_selected=True, **told)
    assert down is not None
    assert up is not None
    assert down.value == pytest.approx(up.value)
    assert down.ci_low > 0


def test_regression_expected_is_next_to_nothing_without_selection():
    values = sizes(regression_to_the_mean, 6, second_baseline=False, n_clients=150)
    assert abs(values.mean()) < 0.15  # of a SEM of 2.5: the highest reading is always taken for a limit


def test_keen_clients_add_to_the_mean_over_sessions():
    turned = sizes(informative_visits, 8, keen=0.4, effect_sd=3.0, design="none")
    assert turned.mean() > 4 * turned.std(ddof=1) / np.sqrt(8) > 0


def test_without_keenness_sessions_and_clients_weigh_alike():
    assert_recovers(sizes(informative_visits, 8, effect_sd=3.0, design="none"), 0.0)


def test_first_visits_alone_do_not_depend_on_who_came_back():
    cases = [case_of_clinic(seed, keen=0.4, effect=3.0, effect_sd=3.0, design="none") for seed in range(8)]
    first = [case.changes().sort_values("date").groupby("client")["change"].first().mean() for case in cases]
    assert np.mean(first) == pytest.approx(3.0, abs=4 * np.std(first, ddof=1) / np.sqrt(8))
    assert all(
        f"First visits alone show {value:.2g}" in informative_visits(c).says
        for value, c in zip(first, cases, strict=True)
    )


def test_readings_not_written_down_flatter_and_the_bound_takes_more_off():
    case = case_of_clinic(5, not_written=0.6)
    explanation = not_written_down(case)
    assert explanation.status == "bounded"
    assert explanation.size is not None
    assert case.complete is not None
    assert case.attributable is not None
    assert case.attributable.ci_low < case.complete.ci_low


def test_where_all_is_written_down_that_explanation_is_not_applicable():
    assert not_written_down(case_of_clinic(5)).status == "not_applicable"


@pytest.mark.parametrize("lean", [0.0, 2.0])
def test_blinded_against_unblinded_recovers_the_lean(lean):
    assert_recovers(sizes(observer_bias, 6, lean=lean, blinded_share=0.5), lean)


def test_the_tipping_lean_is_the_limit_over_the_unblinded_share():
    case = case_of_clinic(1, effect=5.0, blinded_share=0.5)
    assert case.compared is not None
    assert case.attributable is not None
    rows = case.compared.rows
    knew = (rows.loc[rows["arm"] == 1, "blinded"] == "no").mean()
    assert tipping_point(case) == pytest.approx(case.attributable.ci_low / knew)


def test_a_reader_who_was_always_blind_cannot_tip_the_result():
    assert tipping_point(case_of_clinic(1, effect=5.0, blinded_share=1.0)) is None


def test_a_preference_for_fives_after_treatment_is_seen():
    case = case_of_clinic(1, round_to=1.0, n_clients=80)
    heaped = case.technique.assign(
        after=case.technique["after"].where(case.technique["after"] % 5 < 3, lambda a: np.ceil(a / 5) * 5)
    )
    told = observer_bias(case_from(heaped, ClinicDials())).says
    assert "0 or 5" in told
    assert "0 or 5" not in observer_bias(case).says


def test_last_digits_are_not_suspected_because_only_restricted_sides_were_treated():
    said = [
        observer_bias(case_of_clinic(seed, round_to=1.0, restricted_below=below, design="none")).says
        for seed in range(4)
        for below in (0.0, 0.2)
    ]
    assert sum("0 or 5" in one for one in said) <= 1


def test_practitioners_who_do_not_differ_carry_nothing():
    cases = [case_of_clinic(seed, effect=4.0) for seed in range(4)]
    assert {one_practitioner(case).status for case in cases} == {"adjusted"}


def test_one_practitioner_who_does_it_all_is_found():
    dials = ClinicDials(n_clients=80, n_practitioners=3)
    rows = simulate_clinic(dials, rng=1).rows
    carried = rows["after"] + 9.0 * (rows["practitioner"] == "p1")
    explanation = one_practitioner(case_from(rows.assign(after=carried), dials))
    assert explanation.status == "open"
    assert "half of it or more" in explanation.says


def test_chance_is_narrower_with_more_clients():
    # four times the clients, half the width (24 clinics of 1 visit; within a quarter)
    small, large = (sizes(chance, 12, n_clients=n, visits=1.0).mean() for n in (40, 160))
    assert small / large == pytest.approx(2.0, rel=0.25)


def test_rows_of_the_same_client_hold_less_than_they_seem_to():
    assert sizes(repeated_clients, 4, effect_sd=4.0, visits=8.0).min() > 0


def test_a_step_between_two_examiners_is_found():
    dials = ClinicDials(n_clients=80, visits=6.0, day_sd=0.5)
    rows = simulate_clinic(dials, rng=2).rows
    second = np.random.default_rng(1).random(len(rows)) < 0.5
    rows = rows.assign(examiner=np.where(second, "e2", "e1"), before=rows["before"] + 3.0 * second)
    size = examiner_change(case_from(rows, dials)).size
    assert size is not None
    assert size.ci_low < 3.0 < size.ci_high
    assert size.ci_low > 1.0


def test_a_new_instrument_is_found_by_the_scan_over_dates():
    rows = simulate_clinic(ClinicDials(n_clients=150, visits=8.0), rng=3).rows
    found = step_over_time(rows.assign(before=rows["before"] + 4.0 * (rows["date"] >= "2023-05-12")), unit="deg")
    assert found is not None
    assert found.p < 0.01
    assert found.size.ci_low < 4.0 < found.size.ci_high


def test_the_scan_over_dates_is_wrong_in_about_five_percent():
    # 200 sets of 30 clients, 5 visits: at most 19 may fall below 0.05 (99 % of a binomial with p = 0.05)
    rng = np.random.default_rng(1)
    client = np.repeat(np.arange(30), 5)
    wrong = 0
    for _ in range(200):
        day = np.repeat(rng.integers(0, 200, 30), 5) + np.tile(np.arange(5) * 10, 30)
        before = rng.normal(35.0, 6.0, 30)[client] + rng.normal(0.0, 3.0, 150)
        dates = pd.Timestamp("2026-01-05") + pd.to_timedelta(day, unit="D")
        rows = pd.DataFrame({"client": client, "measured_side": "left", "date": dates, "before": before})
        found = step_over_time(rows, unit="deg")
        wrong += found is not None and found.p < 0.05
    assert wrong <= 19


def test_comfort_that_goes_with_the_change_is_measured_within_clients():
    case = case_of_clinic(1, design="none", n_clients=80)
    rows = case.technique
    felt = np.random.default_rng(2).random(len(rows)) < 0.5
    rows = rows.assign(comfort=np.where(felt, 9.0, 4.0), after=rows["after"] + 2.0 * felt)
    size = comfort(case_from(rows, ClinicDials(design="none"))).size
    assert size is not None
    assert size.ci_low < 2.0 < size.ci_high
    assert size.ci_low > 0.5
