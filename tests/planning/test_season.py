"""Planning by simulated seasons: the plan follows the truth, and says what it stands on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from toolkit.claim.question import Question
from toolkit.errors import NotEnoughError, QuestionError
from toolkit.findings.finding import judge
from toolkit.findings.measured import ruler_of
from toolkit.planning import playing
from toolkit.planning.playing import SeasonPlayed
from toolkit.planning.season import (
    AS_NOW,
    changes_of_record_keeping,
    dials_from,
    plan_and_rank,
    plan_clients,
    rank_record_keeping,
)
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic
from toolkit.stats.sample_size import pairs_needed

CLINIC = ClinicDials(visits=3)


def judged_of(dials, seed, n=None):
    rows = simulate_clinic(dials, rng=seed).rows
    rows = load_records(rows if n is None else rows.head(n)).rows
    question = Question(
        measure=dials.measure, region=dials.region, intervention=dials.intervention, better="higher", unit="deg"
    )
    ruler = ruler_of(rows, measure=dials.measure, unit="deg")
    return judge(rows, question, declared=True, ruler=ruler, relation="", look=1, rng=0)


def test_dials_read_off_records_come_near_those_that_made_them():
    true = ClinicDials(n_clients=150, visits=5, sem=2.5, between_sd=6.0, day_sd=2.0, blinded_share=0.3)
    found, _ = dials_from(judged_of(true, 5))
    assert found.sem == pytest.approx(2.5, rel=0.15)
    assert found.between_sd == pytest.approx(6.0, rel=0.2)
    assert found.visits == pytest.approx(5.0, rel=0.3)
    assert found.blinded_share == pytest.approx(0.3, abs=0.08)
    assert found.design == "order_drawn"


def test_a_large_effect_is_seen_more_often_than_none():
    large = plan_clients(CLINIC, effect=6.0, smallest=3.0, n_clients=[24], n_seasons=8, rng=1).curve["seen"].iloc[0]
    none = plan_clients(CLINIC, effect=0.0, smallest=3.0, n_clients=[24], n_seasons=8, rng=1).curve["seen"].iloc[0]
    assert large == 1.0
    assert none <= 0.25


def test_the_changes_offered_are_those_still_open():
    poor = replace(CLINIC, design="none", second_baseline=False, blinded_share=0.0, not_written=0.5)
    assert len(changes_of_record_keeping(poor)) == 6
    assert list(changes_of_record_keeping(CLINIC)) == [AS_NOW, "half as many clients again"]


def test_where_nothing_is_compared_the_coin_buys_most():
    poor = replace(CLINIC, design="none", n_clients=24, blinded_share=1.0)
    ranked = rank_record_keeping(poor, effect=6.0, smallest=3.0, n_seasons=5, rng=2)
    assert ranked.rows["change"].iloc[0] == "draw the order by a coin"
    assert "coin" in ranked.sentence()


def test_few_clients_cannot_be_planned_from():
    with pytest.raises(NotEnoughError, match="at least 5"):
        dials_from(judged_of(replace(CLINIC, n_clients=3), 1))


def test_an_effect_of_nothing_cannot_be_planned_for():
    with pytest.raises(NotEnoughError, match="must not be 0"):
        pairs_needed(0.0)


def test_the_same_seasons_give_the_same_levels_on_one_processor_and_on_several(monkeypatch):
    seasons = [SeasonPlayed(dials=replace(CLINIC, n_clients=20), smallest=3.0, seed=(1, place)) for place in range(6)]
    alone = playing.play(seasons)
    monkeypatch.setattr(playing, "FEWEST_FOR_WORKERS", 2)
    monkeypatch.setattr(playing.os, "cpu_count", lambda: 2)
    ticks = []
    assert playing.play(seasons, tick=lambda: ticks.append(1)) == alone
    assert len(ticks) == len(seasons)


def test_a_worker_that_cannot_start_leaves_the_seasons_to_this_python(monkeypatch):
    seasons = [SeasonPlayed(dials=replace(CLINIC, n_clients=20), smallest=3.0, seed=(1, place)) for place in range(2)]
    monkeypatch.setattr(playing.sys, "executable", "/bin/false")
    assert playing._played_elsewhere(seasons, lambda: None) == playing.play(seasons)


def test_who_does_not_want_to_wait_any_longer_is_not_kept_waiting(monkeypatch):
    seasons = [SeasonPlayed(dials=replace(CLINIC, n_clients=20), smallest=3.0, seed=(1, place)) for place in range(60)]
    monkeypatch.setattr(playing.os, "cpu_count", lambda: 2)
    alone = []
    monkeypatch.setattr(playing, "level_of_season", lambda season: alone.append(season) or "")

    def tick():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        playing.play(seasons, tick=tick)
    assert not alone


@pytest.mark.parametrize(("level", "sizes"), [("moved", [12, 24, 48]), ("readings_changed", [48, 96, 192])])
def test_fewer_clients_are_tried_where_as_many_as_now_are_enough_and_more_where_not(monkeypatch, level, sizes):
    monkeypatch.setattr("toolkit.planning.season.play", lambda seasons, *, tick: [level for _ in seasons])
    plan, _ = plan_and_rank(replace(CLINIC, n_clients=48), effect=3.0, smallest=3.0, n_seasons=3)
    assert plan.curve["clients"].tolist() == sizes


def test_lines_share_their_luck_so_a_change_that_changes_nothing_gains_nothing(monkeypatch):
    monkeypatch.setattr("toolkit.planning.season.changes_of_record_keeping", lambda dials: {AS_NOW: dials, "b": dials})
    rows = rank_record_keeping(replace(CLINIC, n_clients=12), effect=2.0, smallest=3.0, n_seasons=8, rng=3).rows
    assert rows["seen"].nunique() == 1
    assert rows["gain"].tolist() == [0.0, 0.0]


def test_where_the_seasons_cannot_tell_changes_apart_it_is_said():
    found = rank_record_keeping(replace(CLINIC, n_clients=30), effect=6.0, smallest=3.0, n_seasons=4, rng=1)
    assert "cannot tell any single change from it: play 200 or more" in found.sentence()


def test_records_without_comparison_get_every_other_change_on_top_of_the_coin():
    poor = replace(CLINIC, design="none", second_baseline=False, blinded_share=0.0, not_written=0.5)
    named = list(changes_of_record_keeping(poor))
    assert named[:2] == [AS_NOW, "draw the order by a coin"]
    assert all(name.startswith("draw the order by a coin, and ") for name in named[2:])
    assert all(dials.design == "order_drawn" for dials in list(changes_of_record_keeping(poor).values())[1:])


def test_both_questions_in_one_go_give_what_each_gives_alone():
    few = replace(CLINIC, n_clients=12)
    how = {"effect": 3.0, "smallest": 3.0, "n_seasons": 4, "rng": 3}
    planned, ranked = plan_and_rank(few, n_clients=[12, 8], **how)
    assert planned.curve.equals(plan_clients(few, n_clients=[8, 12], **how).curve)
    assert ranked.rows.equals(rank_record_keeping(few, **how).rows)


def test_seasons_are_not_played_for_a_sign():
    judged = judged_of(CLINIC, 1)
    sign = replace(judged, question=replace(judged.question, measure="heel_lift_in_squat", unit="yes_no"))
    with pytest.raises(QuestionError, match=r"is a sign .* Choose a measure that is a number"):
        dials_from(sign)
