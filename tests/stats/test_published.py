"""Published measurement error and important change: read honestly, derived by the published formula."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from toolkit.records.codebook import load_codebook
from toolkit.resources import shared_file
from toolkit.stats.published import published_mic, published_sem, published_values

FILES = ("measurement_error", "important_change", "normal_values")


@pytest.fixture(scope="module")
def every_row() -> pd.DataFrame:
    return pd.concat([pd.read_csv(shared_file(f"reference_values/{name}.csv")) for name in FILES], ignore_index=True)


def test_every_row_names_a_codebook_measure_and_says_whether_it_was_read(every_row: pd.DataFrame) -> None:
    assert set(every_row["measure"]) <= set(load_codebook().measures["measure"])
    assert set(every_row["status"]) == {"verified", "from memory"}
    assert every_row["citation"].str.len().gt(10).all()
    assert every_row.loc[every_row["status"] == "verified", "what_was_read"].notna().all()
    assert every_row.loc[every_row["status"] == "from memory", "what_was_read"].isna().all()


def test_every_row_has_the_codebook_s_unit_or_one_that_is_left_out_of_the_choice(every_row: pd.DataFrame) -> None:
    units = every_row["measure"].map(load_codebook().measures.set_index("measure")["unit"])
    other = every_row[every_row["unit"] != units]
    assert set(other["unit"]) <= {"kgf"}, "a pressure in kgf needs the size of the tip and is not converted"


def test_every_normal_value_lies_in_the_codebook_s_plausible_range(every_row: pd.DataFrame) -> None:
    measures = load_codebook().measures.set_index("measure")
    for row in every_row[every_row["quantity"] == "mean_normal"].itertuples():
        assert measures.loc[row.measure, "low"] <= row.value <= measures.loc[row.measure, "high"], row


# The three printed SEM / MDC pairs check the formula against the authors' own arithmetic:
# Goldberg et al. 2012 (0.9 s, MDC95 2.5 s), Edmondston et al. 2008 (6.4 s, 17.8 s), Bai et al. 2019 (1.8 kg, 4.9-5.1).
@pytest.mark.parametrize("measure", ["sit_to_stand_five", "deep_neck_flexor_endurance", "grip_strength"])
def test_the_sem_derived_from_a_printed_mdc95_agrees_with_the_sem_printed_beside_it(measure: str) -> None:
    values = published_values(measure)
    sem = values.loc[values["quantity"] == "sem", "value"].iloc[0]
    for mdc in values.loc[(values["quantity"] == "mdc") & (values["confidence_level"] == 0.95), "value"]:
        assert mdc / (1.96 * math.sqrt(2)) == pytest.approx(sem, abs=0.055)


def test_a_printed_sem_is_preferred_to_a_derived_one() -> None:
    sem = published_sem("sit_to_stand_five")
    assert sem is not None
    assert (sem.value, sem.unit, sem.derivation, sem.n) == (0.9, "s", "as printed", 29)


def test_an_mdc90_is_divided_by_1_645_root_2() -> None:
    sem = published_sem("shoulder_abduction")
    assert sem is not None
    assert sem.value == pytest.approx(4 / (1.645 * 2**0.5))  # Kolber et al. 2011: MDC90 4 degrees
    assert "MDC90" in sem.derivation


def test_an_mdc_without_a_level_is_taken_as_the_larger_error_and_says_so() -> None:
    sem = published_sem("hip_internal_rotation")
    assert sem is not None
    assert sem.value == pytest.approx(5.4 / (1.645 * 2**0.5))  # Krause et al. 2015: MDC 5.4 degrees
    assert "without a stated level" in sem.derivation


def test_a_verified_figure_goes_before_a_recalled_one() -> None:
    sem = published_sem("ankle_dorsiflexion_lunge")
    assert sem is not None
    assert sem.status == "verified"
    recalled = published_sem("ankle_dorsiflexion_lunge", population="healthy, n=13")
    assert recalled is not None
    assert (recalled.status, recalled.value) == ("from memory", 1.1)


def test_the_middle_of_several_figures_is_taken_and_the_range_is_told() -> None:
    mic = published_mic("pain_rating")
    assert mic is not None
    assert (mic.lowest, mic.highest) == (1.3, 4.1)
    assert mic.lowest < mic.value < mic.highest
    assert f"middle one of {mic.n_published}" in mic.derivation


def test_figures_in_a_unit_that_cannot_be_converted_are_not_chosen() -> None:
    sem = published_sem("pressure_pain_threshold")
    assert sem is not None
    assert sem.unit == "kPa"
    assert "kgf" in set(published_values("pressure_pain_threshold")["unit"])


@pytest.mark.parametrize("measure", ["heel_lift_in_squat", "a_measure_of_my_own"])
def test_where_nothing_is_published_the_answer_is_none(measure: str) -> None:
    assert published_sem(measure) is None
    assert published_mic(measure) is None
    assert published_values(measure).empty


def test_the_sentence_carries_unit_n_source_and_status() -> None:
    sem = published_sem("single_leg_stance")
    assert sem is not None
    said = sem.sentence()
    for part in ("8.7 s", "n = 25", "Gait Posture", "verified", "as printed"):
        assert part in said
    assert "<table>" in sem._repr_html_()
    assert len(sem.table()) == sem.n_published


def test_of_an_even_number_of_figures_the_larger_middle_one_is_taken() -> None:
    sem = published_sem("shoulder_internal_rotation")  # Kolber et al. 2009 and 2011: MDC90 4 and 8 degrees
    assert sem is not None
    assert sem.n_published == 2
    assert sem.value == pytest.approx(8 / (1.645 * 2**0.5))
