"""Can "it moved" be believed? Two minutes of hidden clinics on every push, and the committed full table held to its
targets. Each target stands with its limit in `benchmarks/validity_targets.py`."""

import json
import sys
from pathlib import Path

import pandas as pd
import pytest
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))

from validity import EFFECTS, HERE, one_clinic, summary
from validity_attacks import CONTROLS, DRAW_FAULTS
from validity_clinics import DRAWN, SCENARIOS
from validity_targets import KNOWN_TO_MISS, TARGETS, missed

CLINICS = {0.0: 4, 3.0: 2}
FULL = pd.read_csv(HERE / "validity.csv")


def small(name: str) -> pd.DataFrame:
    tasks = [(name, effect, number) for effect, clinics in CLINICS.items() for number in range(1000, 1000 + clinics)]
    return summary(pd.DataFrame([one_clinic(task) for task in tasks]))


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_few_clinics_of_each_scenario_meet_the_targets(name):
    found = [
        (row["effect"], target) for row in small(name).to_dict("records") for target in missed(row, by_chance=1e-4)
    ]
    assert [one for one in found if (name, *one) not in KNOWN_TO_MISS] == []


def test_the_usual_test_is_fooled_by_clinics_that_do_not_fool_the_claim():
    rows = small("all rivals").to_dict("records")
    assert rows[0]["rows_t"] > 0.9
    assert rows[0]["claimed"] < 0.1


def test_the_committed_table_is_a_full_run():
    about = json.loads((HERE / "validity.json").read_text(encoding="utf-8"))
    assert about["clinics"] >= 40
    cells = {(name, effect) for name in SCENARIOS for effect in EFFECTS}
    assert set(zip(FULL["scenario"], FULL["effect"], strict=True)) == cells
    assert (FULL["clinics"] >= about["clinics"]).all()


def test_the_committed_table_misses_the_targets_only_where_the_reason_is_written_down():
    found = {
        (row["scenario"], row["effect"], target)
        for row in FULL.to_dict("records")
        for target in missed(row, by_chance=0.001)
    }
    assert found <= set(KNOWN_TO_MISS)


def test_every_target_judges_some_cell_of_the_committed_table():
    judged = {
        target.name
        for target in TARGETS
        for row in FULL.to_dict("records")
        if target.applies(SCENARIOS[row["scenario"]].dials, row["effect"])
    }
    assert judged == {target.name for target in TARGETS}


def of_all(cells: pd.DataFrame, *columns: str) -> tuple[int, int]:
    """How many clinics of these cells the columns count, and how many there are."""
    share = cells[list(columns)].sum(axis=1)
    return round((share * cells["clinics"]).sum()), int(cells["clinics"].sum())


def group(effect: float, belongs) -> pd.DataFrame:
    """The committed table's cells with this effect whose dials belong."""
    return FULL[(FULL["effect"] == effect) & FULL["scenario"].map(lambda name: bool(belongs(SCENARIOS[name].dials)))]


def drawn(dials) -> bool:
    return dials.design in DRAWN


NO_EFFECT = {
    "attacked": lambda dials: drawn(dials) and dials.fault,
    "odd, honest": lambda dials: drawn(dials) and dials in CONTROLS.values(),
    "other explanations at work": lambda dials: drawn(dials) and not dials.fault and dials not in CONTROLS.values(),
}


@pytest.mark.parametrize("kind", NO_EFFECT)
def test_without_an_effect_at_most_one_clinic_in_forty_of_each_kind_claims(kind):
    claims, clinics = of_all(group(0.0, NO_EFFECT[kind]), "moved", "moved_enough")
    assert binomtest(claims, clinics, 0.025, alternative="greater").pvalue > 0.01


def test_without_an_effect_at_most_one_clinic_in_twenty_is_said_to_have_probably_moved():
    claims, clinics = of_all(group(0.0, lambda dials: dials.fault or not drawn(dials)), "probably_moved")
    assert binomtest(claims, clinics, 0.05, alternative="greater").pvalue > 0.01


def test_honest_draws_are_hardly_ever_found_wanting_and_those_that_are_none_nearly_always():
    honest = pd.concat([group(effect, lambda dials: drawn(dials) and not dials.fault) for effect in EFFECTS])
    alarms, clinics = of_all(honest, "caught")
    assert binomtest(alarms, clinics, 0.015, alternative="greater").pvalue > 0.01
    found, attacked = of_all(group(0.0, lambda dials: dials.fault in DRAW_FAULTS), "caught")
    assert binomtest(found, attacked, 0.95, alternative="less").pvalue > 0.01


def test_intervals_of_honest_complete_drawn_records_hold_the_truth_in_94_to_97_of_100():
    def complete(dials) -> bool:
        nothing = not dials.fault and not dials.not_written and not dials.missing_share and not dials.lean
        return drawn(dials) and nothing and dials.ceiling is None

    held, clinics = of_all(pd.concat([group(effect, complete) for effect in EFFECTS]), "covers")
    assert binomtest(held, clinics, 0.94, alternative="less").pvalue > 0.01
    assert binomtest(held, clinics, 0.97, alternative="greater").pvalue > 0.01


def test_a_true_3_degrees_is_seen_in_the_honest_odd_clinics_nearly_as_often_as_by_the_first_rule():
    cells = group(3.0, lambda dials: drawn(dials) and dials in CONTROLS.values())
    ours, clinics = of_all(cells, "moved", "moved_enough")
    theirs, _ = of_all(cells, "first_rule")
    assert binomtest(ours, clinics, theirs / clinics - 0.05, alternative="less").pvalue > 0.01


def test_a_false_claim_too_many_is_seen():
    row = {**FULL[(FULL["scenario"] == "clean") & (FULL["effect"] == 0)].to_dict("records")[0], "clinics": 120}
    row["moved"], row["moved_enough"] = (
        11 / 120,
        0.0,
    )  # by chance once in 4,400 (scipy, binom.sf)
    assert missed(row, by_chance=0.001)[0] == "no effect, drawn: moved in at most 2.5 %"
    row["moved"] = 3 / 120
    assert "no effect, drawn: moved in at most 2.5 %" not in missed(row, by_chance=0.001)
