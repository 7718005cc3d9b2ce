"""What records bear out: losses come back by arm, schedules are accounted for, doubts cost a comparison its word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit.effect.borne_out import BorneOut, bear_out
from toolkit.effect.comparison import Compared, find_comparison
from toolkit.effect.doubts import minutes_apart, without_copied_rereadings
from toolkit.effect.estimate import estimate, with_also
from toolkit.effect.flow import flow_of
from toolkit.effect.missing_readings import filling
from toolkit.effect.schedule import by_schedule
from toolkit.planning.order_schedule import draw_orders
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic


def compared_of(rows: pd.DataFrame, **dials) -> Compared:
    asked = ClinicDials(**dials)
    what = {"measure": asked.measure, "region": asked.region, "intervention": asked.intervention}
    found = find_comparison(rows, **what, better=asked.better)
    assert found is not None
    return found


def borne(seed: int = 1, *, sealed: bool = False, **dials) -> BorneOut:
    clinic = simulate_clinic(ClinicDials(**dials), rng=seed)
    found = compared_of(clinic.rows, **dials)
    return bear_out(found, sem=2.5, sem_source="own", schedule=clinic.schedule if sealed else None, n_draws=199)


def test_every_drawn_session_is_in_one_step_of_the_flow():
    for dials in ({}, {"not_written": 0.6}, {"fault": "order left blank"}):
        flow = borne(**dials).flow
        for arm in ("technique", "comparison"):
            steps = flow.steps[flow.steps["arm"] == arm].set_index("step")["n"]
            assert steps.drop("drawn").sum() == steps["drawn"]


def test_sessions_without_an_order_come_back_where_their_readings_put_them():
    clean, blank = borne(), borne(fault="order left blank")
    n_blank = int((simulate_clinic(ClinicDials(fault="order left blank"), rng=1).rows["order"] == "").sum())
    assert 0 < blank.flow.count("order not written", "technique") <= n_blank
    assert blank.flow.count("order not written", "comparison") == 0
    assert blank.complete.mean > clean.complete.mean + 1.0
    assert blank.attributable is None or blank.attributable.ci_low < clean.complete.mean


def test_rows_set_aside_whole_keep_their_arm():
    rows = simulate_clinic(ClinicDials(n_clients=30), rng=2).rows
    twice = pd.concat([rows, rows.iloc[:5].assign(after=rows["before"].iloc[:5] + 9.0)], ignore_index=True)
    records = load_records(twice)
    assert len(records.lost) == 10
    assert set(records.lost["order"]) <= {"technique_first", "wait_first"}
    flow = flow_of(compared_of(records.rows), lost=records.lost)
    gone = sum(flow.count("row set aside whole", arm) for arm in ("technique", "comparison"))
    assert gone == 5
    assert sum(flow.n_lost) >= 5


def test_repeats_and_planned_rows_are_not_lost():
    rows = simulate_clinic(ClinicDials(n_clients=8), rng=2).rows
    assert load_records(pd.concat([rows, rows.iloc[:4]])).lost.empty


def test_what_one_arm_alone_lost_lies_beyond_what_was_written():
    rng = np.random.default_rng(1)
    rows = pd.DataFrame({"arm": np.repeat([1.0, 0.0], 40), "y": rng.normal(0, 3, 80)})
    lost = rows.assign(y=rows["y"].mask(rows.index < 12))
    found = filling(lost)
    assert found.harsher == "technique"
    assert found.against[0] < lost["y"].min()
    other = filling(rows.assign(y=rows["y"].mask(rows.index >= 68)))
    assert other.harsher == "comparison"
    assert other.against[1] > rows["y"].max()
    even = filling(rows.assign(y=rows["y"].mask((rows.index % 40) < 8)))
    assert even.harsher == ""


def test_a_schedule_is_accounted_for_line_by_line():
    clinic = simulate_clinic(ClinicDials(n_clients=20, fault="good waits not written"), rng=3)
    compared, account = by_schedule(compared_of(clinic.rows), clinic.schedule)
    assert account.count("not written down") >= 3
    assert set(account.lost["order"]) == {"wait_first"}
    assert account.count("other order") == 0
    assert len(account.lines) == account.count("kept") + account.count("not written down")
    assert len(compared.rows) == len(clinic.rows)


def test_an_order_invented_afterwards_is_undone_by_the_schedule():
    told, sealed = (borne(3, sealed=way, fault="order invented") for way in (False, True))
    assert told.complete.ci_low > 0.4
    assert sealed.complete.ci_low < 0 < sealed.complete.ci_high
    assert "drew" not in sealed.drawn_words
    assert sealed.account.count("other order") > 50


def test_the_toolkits_own_schedule_is_kept():
    schedule = draw_orders([f"c{k:04d}" for k in range(1, 21)], sessions=40, rng=1)
    clinic = simulate_clinic(ClinicDials(n_clients=20), rng=4)
    rows = clinic.rows.merge(
        schedule.assign(session_id=schedule["client"] + "-" + schedule["session"].map("{:02d}".format))[
            ["session_id", "order"]
        ],
        on="session_id",
        suffixes=("_old", ""),
    )
    waits = rows["order"] == "wait_first"
    rows = rows.assign(after_wait=rows["after_wait"].fillna(rows["before"]).where(waits))
    found = bear_out(compared_of(rows), schedule=schedule, n_draws=199)
    assert found.draw.verdict == "sealed and kept"
    assert found.randomised
    assert found.drawn_words == "order drawn at random and sealed"


def test_a_draw_that_failed_is_not_believed():
    found = borne(fault="coin begun late")
    assert not found.randomised
    assert "not bear out" in found.drawn_words
    assert "does not look drawn" in found.against_the_draw


def test_other_eyes_or_other_lengths_of_time_take_a_comparison_its_word():
    rows = simulate_clinic(ClinicDials(), rng=1).rows
    first = rows["order"] == "technique_first"
    timed = compared_of(rows.assign(minutes=np.where(first, 12.0, 2.0)))
    assert "differently long" in minutes_apart(timed)
    assert not bear_out(timed).randomised
    assert minutes_apart(compared_of(rows.assign(minutes=10.0))) == ""
    other = bear_out(compared_of(rows.assign(examiner=np.where(first, "e2", "e1"))))
    assert not other.randomised
    assert not other.second_baseline


def test_re_readings_that_repeat_the_reading_before_are_taken_for_none():
    rows = simulate_clinic(ClinicDials(warm_up=2.0), rng=1).rows
    waits = rows["after_wait"].notna() & (np.arange(len(rows)) % 2 == 0)
    copied = compared_of(rows.assign(after_wait=rows["after_wait"].mask(waits, rows["before_2"])))
    kept, said = without_copied_rereadings(copied)
    assert "repeat the reading before" in said
    assert kept.rows["y"].isna().sum() == pytest.approx(waits.sum(), abs=3)
    assert without_copied_rereadings(compared_of(rows))[1] == ""


def test_different_people_tell_nothing_of_a_technique():
    rows = simulate_clinic(ClinicDials(design="comparison_sessions"), rng=2).rows
    person = pd.factorize(rows["client"])[0] % 2 == 0
    apart = rows.assign(intervention=np.where(person, "measured_only", "percussive_release"))
    found = bear_out(compared_of(apart, design="comparison_sessions"))
    assert not found.second_baseline
    assert any("different people" in one for one in found.imbalance)


def test_sides_that_go_opposite_ways_are_said():
    rows = simulate_clinic(ClinicDials(n_clients=80), rng=3).rows
    first, left = rows["order"] == "technique_first", rows["measured_side"] == "left"
    turned = rows.assign(after=rows["after"] + np.where(first, np.where(left, 4.0, -4.0), 0.0))
    assert "By side it goes opposite ways" in bear_out(compared_of(turned)).reversals
    assert bear_out(compared_of(rows)).reversals == ""


def test_a_client_who_comes_all_the_time_does_not_carry_the_answer():
    found = borne(5, fault="one client", n_clients=40)
    assert found.complete.mean < 2.0
    assert found.attributable.ci_low < 0.5


def test_an_effect_of_one_practitioner_alone_is_named():
    rows = simulate_clinic(ClinicDials(n_practitioners=4), rng=6).rows
    carried = (rows["practitioner"] == "p1") & (rows["order"] == "technique_first")
    found = bear_out(compared_of(rows.assign(after=rows["after"] + 9.0 * carried)))
    assert found.rests_on == "p1"
    assert found.attributable.ci_low < found.complete.ci_low


def test_a_baseline_that_follows_the_arm_lends_nothing():
    rows = simulate_clinic(ClinicDials(), rng=7).rows
    down = 1.8 * (rows["order"] == "technique_first")
    leaning = rows.assign(before=rows["before"] - down, before_2=rows["before_2"] - down)
    found = bear_out(compared_of(leaning))
    assert found.complete.ci_low > 0.5
    assert found.attributable.ci_low < 0


def test_quick_is_the_same_estimate():
    clinic = simulate_clinic(ClinicDials(effect=3.0), rng=8)
    slow, quick = (bear_out(compared_of(clinic.rows), quick=way) for way in (False, True))
    assert slow.complete.mean == quick.complete.mean
    assert (
        replace(slow.complete, redrawn=None) == replace(quick.complete, redrawn=None)
        or slow.complete.se == quick.complete.se
    )


def test_a_further_way_of_counting_never_narrows_the_interval():
    rows = simulate_clinic(ClinicDials(effect=3.0), rng=1).rows
    found = estimate(compared_of(rows))
    wider = replace(found, ci_low=found.ci_low - 1.0, ci_high=found.ci_high + 0.5)
    assert with_also(found, ()) is found
    both = with_also(found, (wider,))
    assert (both.mean, both.ci_low, both.ci_high) == (found.mean, wider.ci_low, wider.ci_high)


def test_a_few_hurt_sides_written_under_another_region_come_back():
    rows = simulate_clinic(ClinicDials(n_clients=30), rng=4).rows
    hurt = rows[rows["order"] == "technique_first"].index[::4]
    rows.loc[hurt, "after"] = rows.loc[hurt, "before"] - 8.0
    honest = bear_out(compared_of(rows), sem=2.5, n_draws=199)
    rows.loc[hurt, "region"] = "levator_scapulae"
    found = bear_out(compared_of(rows), sem=2.5, n_draws=199)
    assert len(hurt) - 3 <= found.flow.count("written elsewhere", "technique") <= len(hurt)
    assert found.flow.count("written elsewhere", "comparison") == 0
    assert found.attributable.ci_low < honest.complete.mean < found.complete.mean - 0.5


def test_sessions_drawn_in_another_region_stay_there():
    rows = simulate_clinic(ClinicDials(n_clients=30), rng=4).rows
    rows.loc[rows.index[::4], "region"] = "levator_scapulae"
    assert bear_out(compared_of(rows), sem=2.5, n_draws=199).flow.count("written elsewhere", "technique") == 0
