"""What a registry's counts say of how readings were taken is what the records of one clinic say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit import load_records, registry
from toolkit.effect.borne_out import bear_out
from toolkit.effect.comparison import find_comparison
from toolkit.effect.doubts import DIFFERENT_READERS
from toolkit.registering import part_asked
from toolkit.simulate import ClinicDials, simulate_clinic

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}


def clean(seed=1, **dials):
    made = {"n_clients": 60, "visits": 6, "n_practitioners": 4, "effect": 3.0} | dials
    return simulate_clinic(ClinicDials(**made, start="2024-01-08"), rng=seed).rows.assign(site="north")


def both(folder, rows, engine=None):
    """What the records bear out, and the answer from sums."""
    records = load_records(rows)
    relation = records.codebook.limits(ASKED["region"], ASKED["measure"]) or ""
    compared = find_comparison(records.rows, **ASKED, better="higher", relation=relation, comparison="wait")
    lone = replace(records, sites=pd.DataFrame({"site": []}))
    registry(folder, new=True).store(lone, site="north")
    return bear_out(compared), registry(folder, engine=engine).difference({**ASKED, "comparison": "wait"})


def test_nothing_is_said_of_honest_readings(tmp_path, engine):
    borne, answer = both(tmp_path, clean(), engine)
    assert borne.doubts == answer.detail.doubts == ()
    assert borne.copied == ""
    assert answer.detail.also is None


def test_copied_second_readings_are_taken_for_none(tmp_path, engine):
    rows = clean()
    rows = rows.assign(
        before_2=rows["before"].where(np.random.default_rng(1).random(len(rows)) < 0.8, rows["before_2"])
    )
    borne, answer = both(tmp_path, rows, engine)
    assert borne.copied
    assert answer.detail.doubts == (f"{borne.copied}: taken for none.",)
    row = answer.row("as written down")
    assert row["estimate"] == pytest.approx(borne.complete.mean, rel=1e-9)
    assert row["ci_low"] == pytest.approx(borne.complete.ci_low, rel=1e-9)


def test_remembered_second_readings_are_taken_for_none(tmp_path):
    rows = clean()
    near = rows["before"] + np.random.default_rng(1).normal(0, 0.3, len(rows)).round(1) + 0.1
    borne, answer = both(tmp_path, rows.assign(before_2=near.round(1)))
    assert "remembered" in borne.copied
    assert answer.detail.doubts == (f"{borne.copied[0].upper()}{borne.copied[1:]}: taken for none.",)
    assert answer.row("as written down")["estimate"] == pytest.approx(borne.complete.mean, rel=1e-9)


def test_readers_of_one_arm_cannot_be_told_from_it(tmp_path):
    rows = clean()
    rows["examiner"] = np.where(rows["order"] == "technique_first", "E1", "E2")
    borne, answer = both(tmp_path, rows)
    assert DIFFERENT_READERS in borne.doubts
    assert answer.detail.doubts == (DIFFERENT_READERS,)
    assert DIFFERENT_READERS in answer.notes


def test_readers_who_lean_to_one_arm_are_named_as_not_adjusted_for(tmp_path):
    rows = clean()
    mostly = np.random.default_rng(1).random(len(rows)) < 0.8
    rows["examiner"] = np.where((rows["order"] == "technique_first") == mostly, "E1", "E2")
    borne, answer = both(tmp_path, rows)
    assert any(str(name).startswith("adjust examiner") for name in borne.compared.rows.columns)
    assert answer.detail.doubts == (
        "Some examiners read one of the two oftener than the other, which is not adjusted for here.",
    )


def test_more_minutes_in_one_arm_are_named(tmp_path):
    rows = clean()
    rows["minutes"] = np.where(rows["order"] == "technique_first", 12.0, 6.0)
    borne, answer = both(tmp_path, rows)
    assert answer.detail.doubts == borne.doubts
    assert "12 and 6 minutes" in answer.detail.doubts[0]


def test_an_effect_that_one_practitioner_carries_is_held_against_what_is_left(tmp_path):
    rows = clean(effect=0.0, n_clients=80)
    hers = (rows["practitioner"] == rows["practitioner"].iloc[0]) & (rows["order"] == "technique_first")
    rows["after"] = rows["after"] + 9.0 * hers
    borne, answer = both(tmp_path, rows)
    assert borne.rests_on
    first, found = answer.frame.iloc[0], borne.attributable
    width = found.ci_high - found.ci_low
    assert first["ci_low"] == pytest.approx(found.ci_low, abs=width / 100)  # ranks of days are those of all sessions
    assert first["ci_high"] == pytest.approx(found.ci_high, rel=1e-9)
    assert first["ci_low"] < answer.row("as written down")["ci_low"] - width / 10
    assert first["p"] == pytest.approx(found.p, rel=0.01)
    assert any("Without one practitioner" in note for note in answer.notes)


def test_of_very_many_sessions_how_some_were_read_stands_for_all(tmp_path, monkeypatch):
    monkeypatch.setattr(part_asked, "MOST_ASKED", 100)
    rows = clean()
    rows["examiner"] = np.where(rows["order"] == "technique_first", "E1", "E2")
    copies = rows["before"].where(np.random.default_rng(1).random(len(rows)) < 0.8, rows["before_2"])
    borne, answer = both(tmp_path, rows.assign(before_2=copies))
    assert DIFFERENT_READERS in answer.detail.doubts
    assert "taken for none" in answer.detail.doubts[-1]
    assert answer.row("as written down")["n_rows"] == borne.complete.n_sessions
    assert 0 < len(answer.detail.people) < rows["practitioner"].nunique()
    assert any("were looked at in the sessions of" in note for note in answer.notes)
