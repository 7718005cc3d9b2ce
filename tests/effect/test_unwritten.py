"""Sessions that a question has no row of, and the traces they leave elsewhere in the file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit import load_records, summarise
from toolkit.auditing import judge_question
from toolkit.effect import unwritten
from toolkit.effect.comparison import Compared
from toolkit.effect.flow import flow_of
from toolkit.effect.unwritten import numbers_left_out
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


def sheet(seed: int = 3, n_clients: int = 25) -> pd.DataFrame:
    """A clinic's year in which the technique does nothing, as it is typed."""
    return simulate_clinic(ClinicDials(n_clients=n_clients), rng=seed).rows.astype(object)


def did_not_move(rows: pd.DataFrame) -> pd.Series:
    """Technique sessions that moved less than two degrees."""
    gain = rows["after"].astype(float) - rows["before_2"].astype(float)
    return (rows["order"] == "technique_first") & (gain < 2.0)


def judged(rows: pd.DataFrame):
    return judge_question(load_records(rows), QUESTION)


def ids(*numbers: int, prefix: str = "s") -> pd.DataFrame:
    return pd.DataFrame({"client": ["a"] * len(numbers), "session_id": [f"{prefix}{n:03d}" for n in numbers]})


def test_numbers_left_out_are_counted_within_a_client_or_through_the_clinic():
    assert numbers_left_out(ids(1, 2, 5, 6, 8, 9)) == 3
    through = pd.DataFrame({"client": list("abcabcab"), "session_id": [f"S{n}" for n in (1, 2, 3, 5, 6, 8, 9, 11)]})
    assert numbers_left_out(through) == 3
    own = pd.DataFrame({"client": ["a"] * 4 + ["b"] * 4, "session_id": ["1", "2", "4", "6", "1", "2", "3", "5"]})
    assert numbers_left_out(own) == 3


@pytest.mark.parametrize("numbers", [(1, 2, 3, 4), (1, 2, 4, 5), (1, 9, 17)], ids=["none", "hardly one", "an extract"])
def test_hardly_one_or_most_of_them_say_nothing(numbers):
    assert numbers_left_out(ids(*numbers)) == 0


def test_sessions_without_running_numbers_say_nothing():
    assert numbers_left_out(pd.DataFrame({"client": ["a", "b"], "session_id": ["a 2026-03-04", "x"]})) == 0
    assert numbers_left_out(pd.DataFrame({"client": [], "session_id": []}, dtype=str)) == 0


def test_sessions_written_under_another_measure_come_back_without_a_change():
    rows = sheet()
    rows.loc[did_not_move(rows), "measure"] = "cervical_rotation"
    found = judged(rows)
    whole = judged(sheet())
    assert len(found.borne.compared.unread) == int(did_not_move(sheet()).sum())
    assert found.borne.flow.count("drawn", "technique") == whole.borne.flow.count("drawn", "technique")
    assert found.attributable.ci_low < 0 < found.complete.ci_low


def test_another_measure_in_both_orders_alike_is_a_session_of_its_own():
    rows = sheet()
    rows.loc[np.arange(len(rows)) % 4 == 0, "measure"] = "cervical_rotation"
    found = judged(rows)
    assert len(found.borne.compared.unread) > 10
    assert found.borne.flow.count("written elsewhere", "technique") == 0


@pytest.mark.parametrize(
    ("column", "value"),
    [("client", ""), (["before", "before_2", "after"], np.nan), ("after", "same"), ("after", "see notes")],
    ids=["no client", "no reading", "the same typed", "words typed"],
)
def test_whatever_takes_a_session_out_it_enters_the_bound(column, value):
    rows = sheet()
    gone = did_not_move(rows)
    inside = rows["date"].between(rows.loc[~gone, "date"].min(), rows.loc[~gone, "date"].max())
    rows = rows[inside | ~gone]
    rows.loc[gone, column] = value
    found = judged(rows)
    assert found.borne.flow.n_lost[0] == int((gone & inside).sum())
    assert found.attributable.ci_low < 0 < found.complete.ci_low


def test_what_was_lost_leaves_the_estimate_of_the_rest_alone():
    rows = sheet()
    rows.loc[did_not_move(rows), "client"] = ""
    kept = sheet()[~did_not_move(sheet())]
    assert judged(rows).complete.mean == pytest.approx(judged(kept).complete.mean, abs=1e-9)


def test_a_row_without_readings_after_the_last_session_is_one_to_come():
    rows = sheet()
    planned = rows.head(6).assign(
        session_id=[f"n{k}" for k in range(6)],
        date="2099-01-04",
        before=np.nan,
        before_2=np.nan,
        after_wait=np.nan,
        after=np.nan,
    )
    planned["date"] = str(pd.to_datetime(rows["date"]).max().date() + pd.Timedelta(days=1))
    both = load_records(pd.concat([rows, planned], ignore_index=True))
    assert both.lost.empty
    assert both.source.rows_set_aside == 6


def test_few_treated_first_is_no_unequal_draw_but_few_that_waited_may_be():
    rows = sheet(5, 40)
    treated = rows["order"] == "technique_first"
    few = rows[~treated | (np.arange(len(rows)) % 8 == 0)]
    assert not judged(few).borne.draw.passed
    unequal = simulate_clinic(ClinicDials(n_clients=40, waiting_share=0.12), rng=5).rows
    assert judged(unequal).borne.draw.passed


def test_numbers_left_out_fill_up_what_a_coin_would_have_given_and_no_more():
    """31 of 74 treated first (z = −1.4): too few to say so, until the file leaves numbers out."""
    arm = np.r_[np.ones(31), np.zeros(43)]
    rows = pd.DataFrame({"client": [f"c{k % 25}" for k in range(74)], "session_id": [f"s{k}" for k in range(74)]})
    rows = rows.assign(practitioner="p", date=pd.Timestamp("2026-01-05"), arm=arm, base=30.0, gap=0.0, y=1.0)
    rows = rows.assign(has_second=True, blinded="yes")
    plain = Compared(basis="randomised_order", rows=rows, against="waiting as long")
    assert flow_of(plain).count("not there, by the count", "technique") == 0
    for gone, filled in ((4, 4), (40, 12)):
        flow = flow_of(replace(plain, numbers_gone=gone))
        assert flow.count("not there, by the count", "technique") == filled
        assert f"{gone} session numbers are left out" in flow.says


def test_a_site_that_sends_a_summary_accounts_for_the_same_sessions():
    rows = sheet()
    rows.loc[did_not_move(rows), "measure"] = "cervical_rotation"
    records = load_records(rows)
    sent = summarise(records, question=QUESTION, site="north").content
    assert sent["estimate"]["ci_low"] == pytest.approx(judge_question(records, QUESTION).attributable.ci_low)
    assert sent["estimate"]["ci_low"] < 0 < sent["estimate_as_written_down"]["ci_low"]


@pytest.mark.parametrize("coded", [False, True])
def test_a_session_that_was_set_aside_beside_others_of_its_own_counts_once(coded):
    sessions = pd.DataFrame({"session_id": ["S1", "S2", "S9"], "client": ["a", "a", "b"]}).astype("str")
    given = sessions.astype("category") if coded else sessions
    others = pd.DataFrame({"session_id": ["S2", "S9", "S5"], "client": ["a", "a", ""]}).astype("str")
    found = unwritten._with_others(given, others)
    assert list(zip(found["session_id"], found["client"], strict=True)) == [
        *(("S1", "a"), ("S2", "a"), ("S9", "b")),
        *(("S9", "a"), ("S5", "")),
    ]
