"""Who read: blinding by arm, who treated counted as not blind, copied second readings, other eyes for one arm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.effect.comparison import Compared, find_comparison
from toolkit.effect.doubts import coarser_after, examiners_by_arm
from toolkit.effect.observer import blind_rows, copied_second_readings, observer_of
from toolkit.simulate import ClinicDials, simulate_clinic

SEM = 2.5


def compared_of(rows: pd.DataFrame) -> Compared:
    dials = ClinicDials()
    asked = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
    found = find_comparison(rows, **asked, better=dials.better)
    assert found is not None
    return found


def rows_of(seed: int = 1, **dials) -> pd.DataFrame:
    return simulate_clinic(ClinicDials(**dials), rng=seed).rows


def allowance(rows: pd.DataFrame, asked: float | None = None) -> float:
    return observer_of(blind_rows(compared_of(rows)), sem=SEM, sem_source="own records", asked=asked).allowance


def test_blind_readers_in_both_arms_spare_the_allowance():
    assert allowance(rows_of()) == 0.0
    assert allowance(rows_of(blinded_share=0.0)) == pytest.approx(SEM / 2)


def test_one_blind_arm_is_not_enough_however_many_are_blind_in_all():
    rows = rows_of()
    first = rows["order"] == "technique_first"
    told = rows.assign(examiner_blinded=np.where(first, "no", "yes"))
    assert allowance(told) == pytest.approx(1.96 * SEM)


@pytest.mark.parametrize("written", ["p1", "P1 ", "P01"])
def test_whoever_treated_is_not_blind_however_the_name_is_written(written):
    rows = rows_of().assign(practitioner="P1", examiner=written, examiner_blinded="yes")
    assert allowance(rows) == pytest.approx(SEM / 2)


def test_words_held_as_categories_learn_a_new_one():
    rows = rows_of().assign(practitioner="P1", examiner="p1", examiner_blinded="yes")
    words = ["practitioner", "examiner", "examiner_blinded"]
    held = rows.assign(**{name: rows[name].astype("category") for name in words})
    assert set(blind_rows(compared_of(held)).rows["blinded"].astype(str)) == {"no"}
    assert allowance(held) == pytest.approx(SEM / 2)


def test_readers_who_knew_and_found_more_set_the_allowance():
    rows = rows_of(blinded_share=0.5, lean=6.0)
    assert allowance(rows) > 1.5 * SEM


def test_a_sheet_may_ask_for_more_and_not_for_less():
    rows = rows_of(blinded_share=0.0)
    assert allowance(rows, asked=2.0) == 2.0
    assert allowance(rows, asked=0.5) == pytest.approx(SEM / 2)


@pytest.mark.parametrize("step", [0.1, 1.0, 5.0])
def test_rounding_alone_copies_nothing(step):
    for seed in range(10):
        rng = np.random.default_rng(seed)
        true = rng.normal(35, 6, 200)
        first, second, later = (pd.Series(np.round((true + rng.normal(0, SEM, 200)) / step) * step) for _ in range(3))
        assert copied_second_readings(first, second, later) == ""


def test_copied_and_remembered_second_readings_are_found():
    rng = np.random.default_rng(1)
    true = rng.normal(35, 6, 200)
    first, fresh, later = (pd.Series(np.round(true + rng.normal(0, SEM, 200), 1)) for _ in range(3))
    assert "equal the first" in copied_second_readings(first, fresh.where(rng.random(200) < 0.5, first), later)
    assert "remembered" in copied_second_readings(first, (0.8 * first + 0.2 * fresh).round(1), later)


def test_other_examiners_in_one_arm_cannot_be_told_from_the_technique():
    rows = rows_of()
    first = rows["order"] == "technique_first"
    assert examiners_by_arm(compared_of(rows.assign(examiner="e1")))[0] == ""
    said, _ = examiners_by_arm(compared_of(rows.assign(examiner=np.where(first, "e2", "e1"))))
    assert "cannot be told apart" in said
    mostly = np.where(first == (np.random.default_rng(1).random(len(rows)) < 0.8), "e2", "e1")
    said, adjusted = examiners_by_arm(compared_of(rows.assign(examiner=mostly)))
    assert said == ""
    assert "adjust examiner 1" in adjusted.rows


def test_coarser_rounding_after_the_technique_is_taken_off():
    rows = rows_of()
    assert coarser_after(compared_of(rows))[0] == 0.0
    first = rows["order"] == "technique_first"
    up = rows.assign(after=rows["after"].where(~first, np.ceil(rows["after"] / 5) * 5))
    assert coarser_after(compared_of(up))[0] == 2.5
    coarse = {name: np.round(rows[name] / 5) * 5 for name in ("before", "before_2", "after", "after_wait")}
    assert coarser_after(compared_of(rows.assign(**coarse)))[0] == 0.0
