"""The hour of a visit: from a column of its own, whatever it is called, or from the date's cells."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit import load_records
from toolkit.auditing import judge_question
from toolkit.effect.comparison import find_comparison
from toolkit.effect.estimate import estimate
from toolkit.records.dates import hour_of
from toolkit.simulate import ClinicDials, simulate_clinic

QUESTION = {
    "measure": "cervical_lateral_flexion",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "comparison": "wait",
    "smallest_change_that_matters": 5.0,
    "unit": "deg",
    "source": "own judgement",
}


def sheet(n_clients: int = 12, seed: int = 2) -> pd.DataFrame:
    return simulate_clinic(ClinicDials(n_clients=n_clients), rng=seed).rows


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("09:30", 9.5),
        ("9:30:00", 9.5),
        ("14h15", 14.25),
        ("14 h 15", 14.25),
        ("2 pm", 14.0),
        ("12:30 am", 0.5),
        ("12 p.m.", 12.0),
        ("9 Uhr", 9.0),
        ("00:00", 0.0),
    ],
)
def test_times_are_read_as_people_write_them(text, hour):
    assert hour_of(text) == pytest.approx(hour)


@pytest.mark.parametrize("text", ["35", "9.30", "24:00", "13 pm", "9:75", "morning", "", "03/04", "1:2:3"])
def test_what_is_no_time_is_none(text):
    assert hour_of(text) is None


@pytest.mark.parametrize("header", ["time", "Time", "Uhrzeit", "start", "time_of_day"])
def test_a_column_of_clock_times_is_the_time_of_day_under_any_name(header):
    records = load_records(sheet().assign(**{header: "16:45"}))
    assert records.rows["time_of_day"].eq(16.75).all()
    assert header not in records.mapping.ignored


def test_a_date_may_say_the_hour():
    rows = sheet()
    found = load_records(rows.assign(date=rows["date"].astype(str) + " 08:15")).rows
    assert found["time_of_day"].eq(8.25).all()
    assert found["date"].dt.hour.eq(0).all()
    assert load_records(rows.assign(date=rows["date"].astype(str) + " 00:00:00")).rows["time_of_day"].isna().all()


def test_a_time_that_cannot_be_read_is_left_out_and_told():
    rows = sheet()
    records = load_records(rows.assign(time_of_day=["noon", *["10:00"] * (len(rows) - 1)]))
    assert records.rows["time_of_day"].isna().sum() == 1
    assert records.source.rows_kept == len(rows)
    assert "not a time of day such as 14:30" in " ".join(records.flags["what"])


def test_two_columns_of_times_are_not_guessed_between():
    records = load_records(sheet().assign(came="9:00", left="9:50"))
    assert records.rows["time_of_day"].isna().all()
    assert {"came", "left"} <= set(records.mapping.ignored)


def test_a_row_typed_again_at_another_time_is_the_same_row():
    rows = sheet().assign(time="9:00")
    records = load_records(pd.concat([rows, rows.head(4).assign(time="18:00")], ignore_index=True))
    assert records.source.rows_kept == len(rows)
    assert records.set_aside["reason"].str.startswith("the same as").sum() == 4


def test_without_hours_no_answer_changes_when_the_column_is_there():
    rows = sheet()
    plain, with_column = (judge_question(load_records(one), QUESTION) for one in (rows, rows.assign(time_of_day="")))
    numbers = [(one.mean, one.ci_low, one.ci_high, one.p) for one in (plain.attributable, with_column.attributable)]
    assert numbers[0] == numbers[1]


def test_mornings_treated_first_are_found_by_the_hours_alone():
    clinic = simulate_clinic(ClinicDials(fault="mornings first"), rng=1).rows
    with_hours = judge_question(load_records(clinic.assign(time_of_day=_clock(clinic["time_of_day"]))), QUESTION)
    without = judge_question(load_records(clinic.drop(columns="time_of_day")), QUESTION)
    told = " ".join(one.words for one in with_hours.borne.draw.patterns)
    assert "hours of the day" in told or "first half of the day" in told
    assert "of the day" not in " ".join(one.words for one in without.borne.draw.patterns if "hour" in one.words)


def test_an_hour_that_goes_with_the_change_is_adjusted_for():
    """Who comes early moves 6 degrees more and is mostly treated first; the technique does nothing."""
    rng = np.random.default_rng(11)
    rows = sheet(60, 4)
    hours = rng.integers(8, 18, len(rows)).astype(float)
    first = rng.random(len(rows)) < np.where(hours < 11, 0.8, 0.4)
    moved = (rows["before_2"] + np.where(hours < 11, 6.0, 0.0) + rng.normal(0, 1.5, len(rows))).round(1)
    order = np.where(first, "technique_first", "wait_first")
    rows = rows.assign(order=order, after_wait=moved.where(~first), after=moved, time_of_day=_clock(pd.Series(hours)))
    found = load_records(rows).rows
    asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}
    with_hours = estimate(find_comparison(found, **asked, better="higher"))
    without = estimate(find_comparison(found.drop(columns="time_of_day"), **asked, better="higher"))
    assert without.ci_low > 0.5  # the hours' doing
    assert abs(with_hours.mean) < 0.6
    assert with_hours.ci_low < 0 < with_hours.ci_high


def _clock(hours: pd.Series) -> list[str]:
    return [f"{int(hour):02d}:{round(60 * (hour % 1)):02d}" for hour in hours]
