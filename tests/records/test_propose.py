"""Proposals: plain sheets in different words come out right without editing."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest

from toolkit.errors import ExportError
from toolkit.records.header_words import read_header
from toolkit.records.propose import propose_columns
from toolkit.records.records import load_records

SB, ROT, LUNGE = "cervical_lateral_flexion", "cervical_rotation", "ankle_dorsiflexion_lunge_distance"


def sheet(readings: dict[str, object], **others: object) -> pd.DataFrame:
    """Three sessions with the columns a practitioner has anyway, and these readings."""
    base = {"Patient ID": ["A", "B", "C"], "Date": ["2026-01-05", "2026-01-06", "2026-01-07"], "Treatment": "massage"}
    return pd.DataFrame({**base, **others, **readings})


def meanings(frame: pd.DataFrame) -> dict[str, tuple[str, str, str, str]]:
    """column → (measure, side, phase, unit) of the readings proposed."""
    return {one.column: (one.measure, one.side, one.phase, one.unit) for one in propose_columns(frame).mapping.readings}


def test_a_plain_sheet_with_fourteen_columns_of_readings_needs_no_editing(tmp_path: Path, plain: pd.DataFrame) -> None:
    found = meanings(plain)
    assert len(found) == 14
    assert found["Neck side-bend L pre"] == (SB, "left", "before", "deg")
    assert found["Neck rot R post"] == (ROT, "right", "after", "deg")
    assert found["Pain pre"] == ("pain_rating", "none", "before", "points")
    assert found["Lunge R post (cm)"] == (LUNGE, "right", "after", "cm")


def test_the_proposed_file_reads_the_same_as_the_proposal(tmp_path: Path, plain: pd.DataFrame) -> None:
    path = tmp_path / "year.xlsx"
    plain.to_excel(path, index=False)
    proposed = load_records(path)
    (tmp_path / "columns.toml").write_text(propose_columns(path).to_toml(), encoding="utf-8")
    written = load_records(path)
    assert (proposed.mapping.origin, written.mapping.origin) == ("proposed", "columns.toml")
    pd.testing.assert_frame_equal(proposed.rows, written.rows)
    assert written.source.readings_kept == 4 * 14


def test_fields_of_a_plain_sheet_are_found(plain: pd.DataFrame) -> None:
    fields = propose_columns(plain).mapping.fields
    assert fields == {
        "client": "Patient code",
        "practitioner": "Therapist",
        "date": "Visit",
        "region": "Area(s) treated",
        "treated_side": "Side",
        "intervention": "Technique",
    }


def test_a_proven_date_order_is_proposed(plain: pd.DataFrame) -> None:
    assert tomllib.loads(propose_columns(plain).to_toml())["date_order"] == "day_first"


def test_an_ambiguous_date_is_not_settled_by_a_proposal(plain: pd.DataFrame) -> None:
    with pytest.raises(ExportError, match=r'column "Visit".*date_order'):
        load_records(plain.assign(Visit="03/04/2026"))


def test_body_parts_are_taken_from_the_rest_of_the_sheet() -> None:
    frame = sheet({"SB_l_b4": [34, 35, 36], "SB_l_after": [38, 39, 40]}, muscle="upper traps")
    assert meanings(frame) == {"SB_l_b4": (SB, "left", "before", "deg"), "SB_l_after": (SB, "left", "after", "deg")}


def test_a_movement_of_an_unknown_body_part_is_left_open() -> None:
    proposal = propose_columns(sheet({"SB_l_b4": [34, 35, 36]}))
    assert proposal.mapping.readings == ()
    assert '# not understood: "SB_l_b4"' in proposal.to_toml()


def test_two_readings_before_and_a_wait_are_told_apart() -> None:
    readings = {
        "Neck ROT (L) pre1": [60, 61, 62],
        "Neck ROT (L) pre2": [60, 61, 62],
        "Neck ROT (L) after rest": [61, 62, 63],
        "Neck ROT (L) post": [66, 67, 68],
    }
    assert [meaning[2] for meaning in meanings(sheet(readings)).values()] == [
        "before",
        "before_2",
        "after_wait",
        "after",
    ]


def test_words_in_german_are_understood() -> None:
    readings = {
        "HWS Drehung li vorher": [60, 61, 62],
        "HWS Drehung li nachher": [66, 66, 66],
        "Schmerz vorher": [5, 4, 6],
    }
    found = meanings(sheet(readings))
    assert found["HWS Drehung li nachher"] == (ROT, "left", "after", "deg")
    assert found["Schmerz vorher"][0] == "pain_rating"


def test_signs_are_proposed_for_words() -> None:
    found = meanings(
        sheet({"Heel lift in squat R pre": ["yes", "no", "yes"], "Heel lift in squat R post": ["no", "no", "x"]})
    )
    assert found["Heel lift in squat R post"] == ("heel_lift_in_squat", "right", "after", "yes_no")


def test_values_that_cannot_be_the_measure_are_not_used() -> None:
    guesses = propose_columns(sheet({"Pain pre": [340, 350, 360]})).guesses.set_index("column")
    assert guesses.loc["Pain pre", "confidence"] == "unsure"
    assert "do not look like pain_rating" in str(guesses.loc["Pain pre", "reason"])


def test_a_unit_that_does_not_convert_is_left_open() -> None:
    guesses = propose_columns(sheet({"PPT L pre (cm)": [3, 4, 5]})).guesses.set_index("column")
    assert "cm does not convert to kPa" in str(guesses.loc["PPT L pre (cm)", "reason"])


def test_a_pressure_written_as_a_force_asks_for_the_tip() -> None:
    mapping = propose_columns(sheet({"PPT L pre (kg)": [3, 4, 5], "PPT L post (kg)": [3, 4, 6]})).mapping
    assert [question.kind for question in mapping.asked] == ["tip"]


def test_a_wide_sheet_in_other_words_is_proposed() -> None:
    frame = sheet(
        {"Pre": [60, 61, 62], "Pre 2": [60, 62, 62], "Post": [66, 67, 68]},
        Test="neck rotation",
        Side=["L", "R", "L"],
        Muscle="UT",
    )
    mapping = propose_columns(frame).mapping
    assert mapping.layout == "wide"
    assert (mapping.fields["before"], mapping.fields["before_2"], mapping.fields["after"]) == ("Pre", "Pre 2", "Post")
    assert load_records(frame).rows["measured_side"].tolist() == ["left", "right", "left"]


def test_a_long_sheet_in_other_words_is_proposed() -> None:
    frame = pd.concat([sheet({"Result": [60, 61, 62]}, When="pre"), sheet({"Result": [66, 67, 68]}, When="post")])
    frame = frame.assign(Outcome="neck rotation", Side="R")
    assert propose_columns(frame).mapping.layout == "long"
    assert load_records(frame).rows["after"].tolist() == [66, 67, 68]


def test_what_was_proposed_is_said_in_the_records(plain: pd.DataFrame) -> None:
    records = load_records(plain.assign(Notes="fine"))
    assert "understood from headers and values" in records.flags["what"].iloc[0]
    assert records.flags.loc[records.flags["column"] == "Notes", "what"].tolist() == ["this column is not used"]


@pytest.mark.parametrize(
    ("header", "phase", "side", "unit", "rest"),
    [
        ("painPre2", "before", "none", "", "pain"),
        ("Pain at rest before", "before", "none", "", "pain at rest"),
        ("neckSBLeftPost", "after", "left", "", "neck sb"),
        ("PPT L b4 (kPa)", "before", "left", "kPa", "ppt"),
        ("10 m walk post (s)", "after", "none", "s", "10 m walk"),
        ("Lunge R after (cm)", "after", "right", "cm", "lunge"),
        ("Cx rot (R) - before 2", "before", "right", "", "cx rot"),
        ("SLR R 2nd pre", "before", "right", "", "slr"),
        ("Shoulder flexion, left side, post wait [deg]", "after_wait", "left", "deg", "shoulder flexion"),
        ("Neck side flexion right after", "after", "right", "", "neck side flexion"),
        ("Notes", "", "none", "", "notes"),
    ],
)
def test_headers_are_taken_apart(header: str, phase: str, side: str, unit: str, rest: str) -> None:
    words = read_header(header)
    assert (words.phase, words.side, words.unit, words.rest) == (phase, side, unit, rest)
