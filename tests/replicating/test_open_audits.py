"""Real, openly published data through the main job: exports mapped by columns.toml, published figures on its steps."""

import tomllib
from functools import cache
from pathlib import Path

import pytest
import statsmodels.api as sm

from toolkit.auditing import Audit, audit, judge_question
from toolkit.comparing.compare import compare
from toolkit.records.records import Records, load_records
from toolkit.resources import dataset_file

NAMES = ("depression_trial", "knee_goniometer", "maize_pairs")


def _folder(name: str) -> Path:
    return dataset_file(f"open/{name}")


def _codebook(name: str) -> Path | None:
    path = _folder(name) / "codebook.toml"
    return path if path.is_file() else None


@cache
def _records(name: str) -> Records:
    return load_records(_folder(name) / "sessions.csv", codebook=_codebook(name))


@cache
def _audit(name: str) -> Audit:
    # the sheet's content, not its path: a test is no look to be logged beside it
    asked = tomllib.loads((_folder(name) / "question.toml").read_text(encoding="utf-8"))
    return audit(_records(name), question=asked)


def _step(name: str, words: str) -> dict:
    steps = [step for step in _audit(name).to_dict()["findings"][0]["ladder"] if words in step["step"]]
    return steps[0]


@pytest.mark.parametrize(("name", "rows", "readings"), [(NAMES[0], 100, 197), (NAMES[1], 58, 174), (NAMES[2], 30, 60)])
def test_every_row_and_reading_of_an_export_is_kept(name, rows, readings):
    source = _records(name).source
    assert (source.rows_read, source.rows_kept, source.readings_kept) == (rows, rows, readings)


def test_the_trial_is_the_original_file():
    original = dataset_file("open/data/depression_trial_proudfoot_2003.csv")
    assert (_folder("depression_trial") / "sessions.csv").read_bytes() == original.read_bytes()


def test_the_trial_comes_out_as_its_analysis_of_covariance_once_it_is_said_that_chance_decided():
    # R 4.2.2, lm(bdi_2m ~ bdi_pre + treatment): -3.95436, -7.34298 to -0.56575 (open check values, trial_ancova_*)
    asked = {"measure": "depression_inventory", "region": "whole_person", "better": "lower"}
    found = compare(_records("depression_trial"), **asked, between=("computer_program", "measured_only"), drawn=True)
    complete, rows = found.complete, found.compared.rows
    assert complete.mean == pytest.approx(3.95436, abs=5e-5)
    assert complete.ci_low <= 0.56575 + 5e-5
    assert complete.ci_high >= 7.34298 - 5e-5
    assert complete.ci_high - complete.ci_low <= 1.05 * (7.34298 - 0.56575)
    # which is wider: least squares, or its error where arms scatter differently (statsmodels, HC2)
    there = rows.dropna(subset=["y"])
    columns = sm.add_constant(there[["arm", "base"]])
    plain, robust = (sm.OLS(there["y"], columns).fit(cov_type=kind).bse["arm"] for kind in ("nonrobust", "HC2"))
    assert complete.se == pytest.approx(max(plain, robust), rel=1e-6)


def test_told_as_chosen_the_trial_gives_both_brackets_and_the_second_is_the_analysis_of_covariance():
    question = tomllib.loads((_folder("depression_trial") / "question.toml").read_text(encoding="utf-8"))
    ways = judge_question(_records("depression_trial"), question).complete.adjusted.ways
    assert [way.name for way in ways] == ["change score", "baseline-adjusted score"]
    assert ways[1].value == pytest.approx(3.95436, abs=5e-5)


def test_the_trial_is_not_called_drawn_at_random():
    assert _audit("depression_trial").to_dict()["findings"][0]["attributable"]["basis"] == "comparison_sessions"


def test_one_baseline_and_readers_who_knew_do_not_allow_to_say_that_it_moved():
    assert _audit("depression_trial").to_dict()["findings"][0]["claim"]["level"] == "readings_changed"


def test_the_maize_comes_out_as_the_published_paired_t():
    # Fisher (1935): mean difference 20.933 eighths of an inch, p 0.0497 (recalled, agrees with R 4.2.2)
    found = _audit("maize_pairs").to_dict()["findings"][0]["attributable"]
    assert (round(found["mean"], 3), round(found["p"], 4), found["basis"]) == (20.933, 0.0497, "other_side")


def test_the_published_sem_of_the_goniometers_lies_in_the_interval_of_the_records():
    # Eliasziw et al. (1994): SEM within an instrument 0.925 degrees (output of irr::relInterIntra)
    ruler = _audit("knee_goniometer").to_dict()["measurement"][0]
    assert ruler["sem_ci_low"] < 0.925 < ruler["sem_ci_high"]


def test_a_study_without_treatment_claims_nothing_moved():
    level = _audit("knee_goniometer").to_dict()["findings"][0]["claim"]["level"]
    assert level == "not_enough"


@pytest.mark.parametrize("name", NAMES)
def test_every_export_stands_with_its_mapping_question_and_datasheet(name):
    held = {path.name for path in _folder(name).iterdir()}
    assert {"sessions.csv", "columns.toml", "question.toml", "datasheet.md", "replication.toml", "result.csv"} <= held
