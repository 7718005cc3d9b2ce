"""The claim rule, branch by branch; the expected levels are the rule's table, written out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.claim.rule import LEVELS, Context, Evidence, level_of, make_claim

DRAWN = Evidence(
    basis="randomised_order",
    randomised=True,
    second_baseline=True,
    mean=3.0,
    low=2.0,
    high=4.0,
    allowance=0.0,
    smallest=5.0,
    readings_mean=6.0,
    readings_low=5.0,
    readings_high=7.0,
)
NOT_DRAWN = replace(DRAWN, basis="comparison_sessions", randomised=False)
NOTHING = replace(DRAWN, basis=None, randomised=False, mean=None, low=None, high=None)
WORDS = Context(
    measure="lunge",
    region="calf",
    intervention="pressing",
    unit="deg",
    against="waiting as long",
    n_clients=40,
    n_sessions=200,
    confidence_level=0.95,
    method="mixed model",
    allowance_source="half a SEM",
    smallest_source="own judgement",
    readings_method="t over clients",
    n_readings_clients=40,
    n_for_certainty=80,
    declared=True,
    blinded_enough=True,
    n_missing=0,
)

TABLE = [
    ("moved_enough", replace(DRAWN, low=5.0, high=8.0)),
    ("moved_enough", replace(DRAWN, low=6.5, high=8.0, allowance=1.5)),
    ("moved", replace(DRAWN, low=6.4, high=8.0, allowance=1.5)),
    ("moved", DRAWN),
    ("moved", replace(DRAWN, smallest=None)),
    ("readings_changed", replace(DRAWN, low=1.0, high=6.0, allowance=1.0)),
    ("probably_moved", NOT_DRAWN),
    ("probably_moved", replace(NOT_DRAWN, low=9.0, high=12.0)),
    ("no_better_than_waiting", replace(NOT_DRAWN, second_baseline=False)),
    ("readings_changed", replace(NOT_DRAWN, second_baseline=False, high=6.0)),
    ("no_better_than_waiting", replace(DRAWN, low=-2.0, high=2.0)),
    ("no_better_than_waiting", replace(NOT_DRAWN, low=-2.0, high=2.0)),
    ("no_better_than_waiting", replace(DRAWN, low=-3.0, high=-1.0)),
    ("worse_than_waiting", replace(DRAWN, low=-7.0, high=-1.0)),
    ("worse_than_waiting", replace(DRAWN, low=-3.0, high=-1.0, smallest=None)),
    ("readings_changed", replace(DRAWN, low=-2.0, high=5.0)),
    ("readings_changed", replace(NOT_DRAWN, low=-2.0, high=2.0, doubted=True)),
    ("readings_changed", replace(NOT_DRAWN, low=-7.0, high=-1.0, doubted=True)),
    ("readings_changed", NOTHING),
    ("readings_changed", replace(NOTHING, readings_low=-7.0, readings_high=-5.0)),
    ("not_enough", replace(NOTHING, readings_low=-1.0, readings_high=2.0)),
    ("not_enough", replace(NOTHING, readings_mean=None, readings_low=None, readings_high=None)),
    ("not_enough", replace(DRAWN, low=-9.0, high=9.0, readings_low=-1.0)),
    ("readings_changed", replace(DRAWN, low=6.0, high=8.0, looks_used_up=True)),
    ("not_enough", replace(DRAWN, low=6.0, high=8.0, looks_used_up=True, readings_low=-1.0)),
]


@pytest.mark.parametrize(("level", "evidence"), TABLE)
def test_each_row_of_the_rule_gives_its_level(level, evidence):
    assert level_of(evidence) == level


def test_every_level_of_the_rule_is_reached_by_the_table():
    assert {level for level, _ in TABLE} == set(LEVELS)


NUMBERS = st.one_of(st.none(), st.floats(-20, 20))


@given(low=st.floats(-20, 20), width=st.floats(0, 20), allowance=st.floats(0, 5), smallest=NUMBERS)
def test_without_a_draw_moved_is_never_claimed(low, width, allowance, smallest):
    evidence = replace(NOT_DRAWN, low=low, high=low + width, allowance=allowance, smallest=smallest and abs(smallest))
    assert level_of(evidence) not in ("moved", "moved_enough")


@given(low=st.floats(-20, 20), width=st.floats(0, 20), allowance=st.floats(0, 5), more=st.floats(0, 5))
def test_a_larger_allowance_never_gives_a_stronger_claim(low, width, allowance, more):
    strong = ("moved_enough", "moved", "probably_moved")
    evidence = replace(DRAWN, low=low, high=low + width, allowance=allowance)
    if level_of(replace(evidence, allowance=allowance + more)) in strong:
        assert level_of(evidence) in strong


@pytest.mark.parametrize(("level", "evidence"), TABLE)
def test_a_sentence_carries_its_numbers_and_no_gap(level, evidence):
    claim = make_claim(evidence, WORDS)
    assert claim.level == level
    assert all(claim.__dict__[name] for name in ("sentence", "next_step", "may_not_say", "to_say_more"))
    assert not any(word in claim.sentence for word in ("nan", "None", "inf "))


def test_only_the_two_strongest_levels_say_moved_without_a_qualification():
    for level, evidence in TABLE:
        said = make_claim(evidence, WORDS).sentence.lower()
        if level not in ("moved", "moved_enough", "probably_moved"):
            assert "pressing on calf moved" not in said
        if level == "probably_moved":
            assert "probably moved" in said
            assert "not drawn at random" in said


def test_an_undeclared_question_says_so():
    assert "not written down before looking" in make_claim(DRAWN, replace(WORDS, declared=False)).sentence


def test_an_interval_without_ends_is_not_printed_as_one():
    endless = replace(DRAWN, low=float("-inf"), high=float("inf"), readings_low=-1.0)
    said = make_claim(endless, WORDS).sentence
    assert "too few sessions for a 95 % interval" in said
    assert "no limit" not in said


def test_an_end_that_is_missing_carries_no_unit():
    said = make_claim(replace(DRAWN, high=float("inf")), WORDS).sentence
    assert "2 to no limit;" in said


def test_a_comparison_that_cannot_be_estimated_is_not_called_missing():
    words = replace(WORDS, why_not_compared="All 9 changes are the same number, so nothing can be told from chance.")
    claim = make_claim(NOTHING, words)
    assert claim.sentence.endswith(
        "No comparison can be made: All 9 changes are the same number, so nothing can be told from chance."
    )
    assert "coin" not in claim.next_step
