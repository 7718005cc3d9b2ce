"""The draw check of a registry, from sums and a few passes of the engine, says what the check in memory says."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from toolkit import compare, load_records, registry
from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.effect.comparison import find_comparison
from toolkit.effect.draw_check import check_draw
from toolkit.effect.draw_units import drawn_units, known_before_draw
from toolkit.registering import draw_by_sums, part_asked
from toolkit.simulate import ClinicDials, simulate_clinic

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}
QUESTION = {**ASKED, "comparison": "wait"}


def clean(seed=1, **dials):
    made = ClinicDials(n_clients=60, visits=6, n_practitioners=4, start="2024-01-08", **dials)
    rows = simulate_clinic(made, rng=seed).rows
    return rows.assign(site="north", position=np.random.default_rng(seed).choice(["seated", "lying"], len(rows)))


def reordered(rows, first):
    """The rows as if these sessions had been treated first."""
    first = np.asarray(first)
    flip = (rows["order"] == "technique_first") != first
    rows = rows.assign(order=np.where(first, "technique_first", "wait_first"))
    rows.loc[flip & ~first, "after_wait"] = rows.loc[flip & ~first, "before"]
    return rows


def in_memory(records):
    """The comparison of the records."""
    relation = records.codebook.limits(ASKED["region"], ASKED["measure"]) or ""
    return find_comparison(records.rows, **ASKED, better="higher", relation=relation, comparison="wait")


def both(folder, rows, engine=None, **question):
    """The check in memory, and that of a registry of the same rows."""
    records = load_records(rows)
    compared = in_memory(records)
    parts = records.rows.groupby("site") if rows["site"].nunique() > 1 else [("north", records.rows)]
    for site, part in parts:
        alone = replace(records, rows=part.reset_index(drop=True), sites=records.sites.iloc[:0])
        registry(folder, new=True).store(alone, site=str(site))
    found = registry(folder, engine=engine).difference({**QUESTION, **question})
    return check_draw(compared, share=question.get("share_treated_first")), found.detail.draw


def p_of(check, part):
    return min((one.p for one in check.patterns if one.part == part), default=1.0)


def by_position(rows, rng):
    return np.where(rng.random(len(rows)) < 0.8, rows["position"] == "seated", rng.random(len(rows)) < 0.5)


def taking_turns_at_a_practitioner(rows, _):
    return rows.groupby("practitioner").cumcount() % 2 == 0


def after_what_the_last_session_moved(rows, rng):
    moved = (rows["after"] - rows["before"]).groupby(rows["client"]).shift(1)
    coin = rng.random(len(rows)) < 0.5
    return np.where(moved.isna() | (rng.random(len(rows)) < 0.2), coin, moved > moved.median()).astype(bool)


def readings_of_one_practitioner(rows, rng):
    hers = rows["practitioner"] == rows["practitioner"].iloc[0]
    return np.where(hers, rows["before"] > rows["before"].median(), rng.random(len(rows)) < 0.5)


def early_visits(rows, rng):
    return rng.random(len(rows)) < np.where(rows.groupby("client").cumcount() <= 2, 0.75, 0.3)


def more_of_one(rows, rng):
    return rng.random(len(rows)) < 0.65


def a_site_of_its_own_mind(rows, rng):
    return rng.random(len(rows)) < np.where(rows["practitioner"].isin(["P1", "P2"]), 0.7, 0.3)


ATTACKS = {
    by_position: ("known before", "position"),
    taking_turns_at_a_practitioner: ("orders before", "of one practitioner"),
    after_what_the_last_session_moved: ("known before", "what the client's last session moved"),
    readings_of_one_practitioner: ("known before", "with one practitioner"),
    early_visits: ("known before", "visit"),
    more_of_one: ("count", "sessions are treated first"),
}


@pytest.mark.parametrize("attack", list(ATTACKS), ids=lambda one: one.__name__)
def test_what_is_found_in_memory_is_found_from_sums(tmp_path, attack):
    rows = clean()
    rows = reordered(rows, attack(rows, np.random.default_rng(2)))
    check, draw = both(tmp_path, rows)
    part, words = ATTACKS[attack]
    assert check.verdict == "not drawn"
    assert part in {one.part for one in check.patterns}
    assert not draw.passed
    assert draw.p[part] / draw_by_sums.WEIGHTS[part] < 0.01
    assert words in draw.says


def test_the_engines_find_the_same(tmp_path, engine):
    rows = clean()
    rows = reordered(rows, taking_turns_at_a_practitioner(rows, None))
    rows["after"] = rows["after"].mask(np.random.default_rng(1).random(len(rows)) < 0.1)
    check, draw = both(tmp_path, rows, engine)
    assert draw.p["orders before"] == pytest.approx(p_of(check, "orders before"), rel=1e-6)
    assert not draw.passed


def test_readings_that_are_missing_in_one_arm_do_not_make_a_draw_look_made_up(tmp_path):
    rows = clean()
    gone = (np.random.default_rng(1).random(len(rows)) < 0.4) & (rows["order"] == "technique_first")
    rows["after"] = rows["after"].mask(gone)
    check, draw = both(tmp_path, rows)
    assert check.verdict == "looks drawn"
    assert draw.passed
    assert f"{len(rows)} draws" in draw.says


def test_orders_drawn_once_for_each_client_pass(tmp_path):
    rows = clean()
    chosen = np.random.default_rng(5).permutation(60) < 30
    check, draw = both(tmp_path, reordered(rows, chosen[pd.factorize(rows["client"])[0]]))
    assert check.verdict == "looks drawn"
    assert draw.passed
    assert draw.p["count"] == 1.0
    assert "60 draws" in draw.says


def test_two_protocols_drawn_client_by_client_pass(tmp_path):
    found = registry(tmp_path, new=True)
    for place in range(2):
        rows = simulate_protocols(ProtocolDials(n_clients=60, choice="drawn_client"), rng=place)
        found = found.store(load_records(rows.drop(columns="visit")), site=f"site {place}")
    two = {"measure": "ankle_dorsiflexion_lunge", "between": ("long_hold", "short_hold")}
    draw = compare(replace(found, most_rows=100), **two, drawn=True).detail.draw
    assert draw.passed
    assert "120 draws" in draw.says


def test_a_share_that_was_meant_is_asked_for(tmp_path):
    rows = clean()
    rows = reordered(rows, np.random.default_rng(4).random(len(rows)) < 0.7)
    check, draw = both(tmp_path / "said", rows, share_treated_first=0.7)
    assert check.passed
    assert draw.passed
    _, unsaid = both(tmp_path / "not", rows)
    assert not unsaid.passed
    assert unsaid.p["count"] < 1e-6


def test_every_column_predicts_as_much_as_in_memory(tmp_path, monkeypatch):
    rows = pd.concat([clean(1), clean(2).assign(site="south")])
    gone = np.random.default_rng(3).random((len(rows), 2)) < 0.1
    rows["after"] = rows["after"].mask(gone[:, 0])
    rows["before_2"] = rows["before_2"].mask(gone[:, 1])
    seen, real = {}, draw_by_sums.best_known

    def kept(blocks, **how):
        for block in blocks:
            for name, value, size in zip(block.names, block.seen, np.sqrt(np.diag(block.gram)), strict=True):
                seen[name] = abs(value / size)
        return real(blocks, **how)

    monkeypatch.setattr(draw_by_sums, "best_known", kept)
    both(tmp_path, rows)
    units = drawn_units(in_memory(load_records(rows)))
    known = known_before_draw(units)
    label = units["label"].to_numpy(dtype=float)
    there = dict(zip(known.words, np.abs((label - label.mean()) @ known.columns()), strict=True))
    same = ["what the client's last session moved", "what the client's last session moved at first"]
    same += ["the reading before, against the client's last visit", "position seated", "treated side left"]
    same += ["the first reading before", "the last reading before", "first less last reading before", "later visits"]
    same += ["second visits", "visits up to the third", "every other day", "every other week"]
    assert {name: seen[name] for name in same} == pytest.approx({name: there[name] for name in same}, rel=1e-6)
    assert seen["gaps since the last visit"] == pytest.approx(there["long gaps since the last visit"], rel=1e-9)
    assert seen["one day of the week (1)"] == pytest.approx(there["one day of the week"], rel=0.5)


@pytest.mark.parametrize(
    "attack", [None, taking_turns_at_a_practitioner, after_what_the_last_session_moved, by_position]
)
def test_of_very_many_draws_those_of_some_practitioners_are_asked(tmp_path, monkeypatch, attack):
    monkeypatch.setattr(part_asked, "MOST_ASKED", 150)
    rows = clean()
    sizes = rows.groupby("practitioner").size()
    if attack is not None:
        rows = reordered(rows, attack(rows, np.random.default_rng(2)))
    _, draw = both(tmp_path, rows)
    assert draw.passed == (attack is None)
    if attack is None:
        told = re.search(r"looked at in (\d+) draws of (\d) practitioners", draw.says)
        assert told
        n, people = int(told[1]), int(told[2])
        sums = {sum(some) for some in combinations(sizes, people)}
        assert people < len(sizes)
        assert 150 <= n < 150 + sizes.max()
        assert n in sums
        assert f"{len(rows)} draws" in draw.says


@pytest.mark.parametrize("turns", [False, True])
def test_without_dates_visits_stand_for_the_order_of_time(tmp_path, turns):
    rows = clean()
    days = pd.to_datetime(rows["date"])
    rows["day"] = (days - days.groupby(rows["client"]).transform("min")).dt.days
    if turns:
        rows = reordered(rows, rows.groupby("client").cumcount() % 2 == 0)
    check, draw = both(tmp_path, rows.drop(columns="date"))
    assert check.passed == draw.passed == (not turns)
