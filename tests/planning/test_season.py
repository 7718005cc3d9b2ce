"""Planning by simulated seasons: the plan follows the truth, and says what it stands on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from toolkit.claim.question import Question
from toolkit.errors import NotEnoughError
from toolkit.findings.finding import judge
from toolkit.findings.measured import ruler_of
from toolkit.planning.season import AS_NOW, changes_of_record_keeping, dials_from, plan_clients, rank_record_keeping
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
