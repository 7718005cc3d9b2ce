"""The simulated clinic: every dial does what it says, and turned to zero it does nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, SimulatedClinic, simulate_clinic, with_all_explanations

READINGS = ["before", "before_2", "after_wait", "after"]
PAST = "2024-01-08"  # records refuse days in the future
BIG = ClinicDials(n_clients=400, visits=3.0)


def clinic(dials: ClinicDials = BIG, seed: int = 1) -> SimulatedClinic:
    return simulate_clinic(dials, rng=seed)


def first_period(rows: pd.DataFrame) -> pd.DataFrame:
    """First reading after the last reading before, with the arm drawn."""
    first = rows["order"] == "technique_first"
    return pd.DataFrame({"first": first, "change": rows["after"].where(first, rows["after_wait"]) - rows["before_2"]})


def within(values: pd.Series, truth: float) -> bool:
    """Is the mean within four standard errors of the truth?"""
    return bool(abs(values.mean() - truth) <= 4 * values.std() / np.sqrt(values.count()))


def test_the_same_seed_gives_the_same_clinic():
    pd.testing.assert_frame_equal(clinic(seed=3).rows, clinic(seed=3).rows)


def test_another_seed_gives_another_clinic():
    assert not clinic(seed=3).rows["before"].equals(clinic(seed=4).rows["before"])


def test_a_generator_serves_as_well_as_a_seed():
    by_generator = simulate_clinic(BIG, rng=np.random.default_rng(3)).rows
    pd.testing.assert_frame_equal(by_generator, clinic(seed=3).rows)


def test_a_clean_clinic_has_no_bias():
    rows = clinic().rows
    period = first_period(rows)
    assert within(rows["before_2"] - rows["before"], 0.0)
    assert within(period.loc[period["first"], "change"], 0.0)
    assert within(period.loc[~period["first"], "change"], 0.0)
    assert within(rows["after"] - rows["before"], 0.0)


def test_a_clean_clinic_is_read_completely():
    rows = clinic().rows
    waits = rows["order"] == "wait_first"
    assert rows[["before", "before_2", "after"]].notna().all().all()
    assert rows["after_wait"].notna().equals(waits)


@pytest.mark.parametrize("effect", [3.0, -2.0])
def test_the_effect_is_what_the_technique_adds(effect):
    period = first_period(clinic(replace(BIG, effect=effect)).rows)
    assert within(period.loc[period["first"], "change"], effect)
    assert within(period.loc[~period["first"], "change"], 0.0)


def test_where_lower_is_better_the_effect_lowers():
    period = first_period(clinic(replace(BIG, effect=3.0, better="lower")).rows)
    assert within(period.loc[period["first"], "change"], -3.0)


def test_each_further_reading_warms_up():
    rows = clinic(replace(BIG, warm_up=1.5)).rows
    assert within(rows["before_2"] - rows["before"], 1.5)
    assert within(rows["after_wait"] - rows["before_2"], 1.5)


def test_waiting_rises_in_both_arms():
    period = first_period(clinic(replace(BIG, wait_rise=1.0)).rows)
    assert within(period["change"], 1.0)


def test_the_course_is_seen_from_visit_to_visit_and_not_within_one():
    rows = clinic(replace(BIG, course_per_week=1.0)).rows
    assert within(rows["after"] - rows["before"], 0.0)
    ordered = rows.sort_values(["client", "date"])
    between = ordered.groupby("client")["before"].diff().dropna()
    assert within(between, 1.5)  # visits are one and a half weeks apart


def test_another_reader_raises_all_readings_from_the_middle_of_the_year_and_no_change_within_a_session():
    rows = clinic(replace(BIG, reader_change=5.0)).rows
    day = (pd.to_datetime(rows["date"]) - pd.Timestamp(BIG.start)).dt.days
    late = day >= 120
    assert rows.loc[late, "before"].mean() - rows.loc[~late, "before"].mean() == pytest.approx(5.0, abs=1.0)
    assert within(rows["after"] - rows["before"], 0.0)


def test_only_restricted_sides_are_treated_and_drift_back():
    rows = clinic(replace(BIG, restricted_below=0.0)).rows
    assert (rows["before"] <= 35.0).mean() > 0.75
    assert (rows["before_2"] - rows["before"]).mean() > 0.5


def test_about_the_share_asked_for_of_unmoved_sides_is_left_empty():
    made = clinic(replace(BIG, not_written=0.6))
    unmoved = made.all_readings["after"] - made.all_readings["before"] < made.dials.unmoved_below
    assert made.rows.loc[unmoved, "after"].isna().mean() == pytest.approx(0.6, abs=4 * 0.5 / np.sqrt(unmoved.sum()))
    assert made.rows.loc[~unmoved, "after"].notna().all()


def test_readings_left_empty_are_kept_for_who_must_know():
    made = clinic(replace(BIG, not_written=0.6))
    assert made.all_readings["after"].notna().all()
    there = made.rows["after"].notna()
    assert made.rows.loc[there, "after"].equals(made.all_readings.loc[there, "after"])


def test_a_reader_leans_only_where_the_treatment_is_known():
    rows = clinic(replace(BIG, lean=2.0, blinded_share=0.5)).rows
    period = first_period(rows).assign(knew=rows["examiner_blinded"] == "no")
    assert within(period.loc[period["first"] & period["knew"], "change"], 2.0)
    assert within(period.loc[period["first"] & ~period["knew"], "change"], 0.0)
    assert within(period.loc[~period["first"], "change"], 0.0)


def test_the_share_of_blinded_readings_is_the_one_asked_for():
    rows = clinic(replace(BIG, blinded_share=0.3)).rows
    assert (rows["examiner_blinded"] == "yes").mean() == pytest.approx(0.3, abs=4 * 0.5 / np.sqrt(len(rows)))


def test_a_reading_scatters_by_the_sem():
    rows = clinic(replace(BIG, sem=2.0)).rows  # difference of two readings: SEM × √2
    scatter = (rows["before_2"] - rows["before"]).std()
    assert scatter == pytest.approx(2.0 * np.sqrt(2), rel=4 / np.sqrt(2 * len(rows)))


def test_heavy_tails_keep_the_sem_and_reach_further():
    usual, heavy = (clinic(replace(BIG, heavy_tails=df)).rows for df in (0.0, 5.0))
    gaps = [rows["before_2"] - rows["before"] for rows in (usual, heavy)]
    assert gaps[1].std() == pytest.approx(gaps[0].std(), rel=0.15)
    assert gaps[1].kurt() > gaps[0].kurt() + 0.3


def test_readings_are_rounded_to_the_step():
    rows = clinic(replace(BIG, round_to=5.0)).rows
    assert (rows[READINGS].stack().dropna() % 5 == 0).all()


def test_clients_come_about_as_often_as_they_would():
    assert clinic(replace(BIG, visits=4.0)).rows.groupby("client").size().mean() == pytest.approx(4.0, abs=0.7)


def test_keen_clients_come_more_often_after_a_change_that_pleased():
    rows = clinic(replace(BIG, keen=0.5)).rows.sort_values(["client", "date"])
    pleased = rows.groupby("client")["after"].first() - rows.groupby("client")["before"].first()
    counts = rows.groupby("client").size()
    assert np.corrcoef(pleased, counts)[0, 1] > 4 / np.sqrt(len(counts))


def test_practitioners_carry_their_own_effect_around_the_same_mean():
    dials = replace(BIG, effect=2.0, practitioner_effect_sd=8.0, n_practitioners=3)
    rows = clinic(dials).rows
    period = first_period(rows)
    means = period[period["first"]].groupby(rows["practitioner"])["change"].mean()
    assert means.max() - means.min() > 2.0
    assert means.mean() == pytest.approx(2.0, abs=0.8)


@pytest.mark.parametrize("design", ["side_drawn", "other_side"])
def test_the_other_side_is_read_and_gets_the_share_that_spills_over(design):
    rows = clinic(replace(BIG, design=design, effect=4.0, spill_over=0.5)).rows
    treated = rows["measured_side"] == rows["treated_side"]
    change = rows["after"] - rows["before_2"]
    assert treated.mean() == 0.5
    assert within(change[treated], 4.0)
    assert within(change[~treated], 2.0)
    assert set(rows["side_drawn"]) == {"yes" if design == "side_drawn" else ""}


def test_comparison_sessions_are_measured_and_not_treated():
    rows = clinic(replace(BIG, design="comparison_sessions", effect=4.0, measured_only_share=0.3)).rows
    only = rows["intervention"] == "measured_only"
    assert only.mean() == pytest.approx(0.3, abs=4 * 0.5 / np.sqrt(len(rows)))
    assert within((rows["after"] - rows["before_2"])[only], 0.0)
    assert within((rows["after"] - rows["before_2"])[~only], 4.0)


def test_without_a_second_baseline_there_is_none():
    assert clinic(replace(BIG, second_baseline=False)).rows["before_2"].isna().all()


def test_orders_and_sides_are_drawn_evenly():
    rows = clinic().rows
    for drawn in (rows["order"] == "technique_first", rows["treated_side"] == "left"):
        assert drawn.mean() == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(len(rows)))


@pytest.mark.parametrize("design", ["order_drawn", "side_drawn", "comparison_sessions", "other_side", "none"])
def test_every_row_of_a_clinic_is_one_that_records_keep(design):
    made = simulate_clinic(with_all_explanations(ClinicDials(design=design, start=PAST)), rng=1)
    records = load_records(made.rows)
    assert records.source.rows_kept == len(made.rows)


def test_the_truth_stands_beside_the_rows():
    assert clinic(replace(BIG, effect=2.5)).truth["effect"] == 2.5


def test_all_explanations_are_turned_on_at_once():
    turned = with_all_explanations(ClinicDials(), lean=1.0)
    for dial in ("warm_up", "wait_rise", "course_per_week", "keen", "not_written", "effect_sd", "round_to", "lean"):
        assert getattr(turned, dial) > 0
    assert turned.restricted_below is not None


def test_a_clinic_of_nobody_new_is_small_and_not_broken():
    rows = simulate_clinic(ClinicDials(n_clients=1, visits=1.0), rng=1).rows
    assert len(rows) == 1
