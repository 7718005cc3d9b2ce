"""What only the person knows is asked in the sheet's words, and an answer changes what is read."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest

from toolkit.records.choices import as_lines, columns_shown, preview
from toolkit.records.propose import propose_columns
from toolkit.records.questions import Question, with_answers
from toolkit.records.reading_files import read_file
from toolkit.records.records import load_records

SHEETS = Path(__file__).parent / "real_sheets"


def asked(name: str) -> dict[str, Question]:
    """The questions about a sheet, by kind."""
    return {question.kind: question for question in propose_columns(SHEETS / name).mapping.asked}


def answered(name: str, kind: str, number: int) -> dict[str, object]:
    """The content of a columns.toml with one question answered."""
    proposal = propose_columns(SHEETS / name)
    question = next(one for one in proposal.mapping.asked if one.kind == kind)
    return with_answers(tomllib.loads(proposal.to_toml()), question.choices[number].settings)


def test_a_date_that_may_be_two_is_asked_with_both_readings() -> None:
    question = asked("visits spring.csv")["date_order"]
    assert "8 April 2024 or 4 August 2024" in question.text
    assert '"Visit date"' in question.text


@pytest.mark.parametrize(("number", "first"), [(0, "2024-04-08"), (1, "2024-08-04")])
def test_the_answer_about_dates_counts(number: int, first: str) -> None:
    records = load_records(SHEETS / "visits spring.csv", columns=answered("visits spring.csv", "date_order", number))
    assert records.rows["date"].iloc[0] == pd.Timestamp(first)


@pytest.mark.parametrize(("number", "unit"), [(0, "kg"), (1, "lbf")])
def test_the_answer_about_the_unit_counts(number: int, unit: str) -> None:
    rows = load_records(SHEETS / "grip.xlsx", columns=answered("grip.xlsx", "unit", number)).rows
    assert set(rows["unit"]) == {unit}
    assert rows[["before", "after"]].notna().to_numpy().sum() >= 60


def test_the_tip_makes_a_pressure_of_a_force() -> None:
    rows = load_records(SHEETS / "PPT upper trap.xlsx", columns=answered("PPT upper trap.xlsx", "tip", 1)).rows
    assert rows.loc[rows["client"] == "T31", "before"].iloc[0] == pytest.approx(30 / 0.5 * 10)


def test_which_letter_means_treatment_first_is_asked() -> None:
    question = asked("crossover shoulders.xlsx")["order"]
    assert [choice.label for choice in question.choices] == [
        "A = treatment first, B = rest first",
        "B = treatment first, A = rest first",
    ]
    rows = load_records(
        SHEETS / "crossover shoulders.xlsx", columns=answered("crossover shoulders.xlsx", "order", 1)
    ).rows
    assert rows.loc[rows["client"] == "S07", "order"].iloc[0] == "technique_first"


def test_clients_that_may_be_one_are_merged_only_when_the_person_says_so() -> None:
    assert load_records(SHEETS / "back 2024.xlsx").rows["client"].nunique() == 29
    merged = load_records(SHEETS / "back 2024.xlsx", columns=answered("back 2024.xlsx", "client", 0))
    assert merged.rows["client"].nunique() == 17
    assert not merged.flags["what"].str.contains("may be one client").any()


def test_a_header_that_may_be_two_measures_is_asked() -> None:
    frame = pd.DataFrame(
        {
            "Client": ["A", "B"],
            "Date": ["2026-01-05", "2026-01-06"],
            "Tx": "massage",
            "Muscle": ["piriformis", "soleus"],
        }
    ).assign(**{"flexion pre": [60, 61], "flexion post": [66, 67], "side bend L pre": [30, 31]})
    questions = [one for one in propose_columns(frame).mapping.asked if one.kind == "measure"]
    assert all(len(one.choices) > 1 for one in questions)


def test_a_partial_columns_toml_adds_to_what_was_understood(tmp_path: Path) -> None:
    sheet = SHEETS / "visits spring.csv"
    records = load_records(sheet, columns={"date_order": "day_first"})
    assert records.mapping.origin == "columns.toml"
    assert records.source.readings_kept > 130


def test_a_table_of_the_columns_fits_the_terminal() -> None:
    path = SHEETS / "neck ROM log 2024.xlsx"
    lines = as_lines(columns_shown(propose_columns(path), read_file(path))).splitlines()
    assert len(lines) == 16
    assert max(map(len, lines)) <= 80
    assert "neck rotation, left, before, deg" in lines[5]


def test_a_preview_shows_the_readings_or_why_there_are_none() -> None:
    path = SHEETS / "visits spring.csv"
    said = tomllib.loads(propose_columns(path).to_toml())
    assert (
        "day first or the month first" in preview(path, said).iloc[0, 0]
        or "day first" in preview(path, said).iloc[0, 0]
    )
    shown = preview(path, with_answers(said, [("date_order", "day_first")]))
    assert shown.loc[0, ["date", "before", "after"]].tolist() == ["08 Apr 2024", 59.0, 64.0]


def test_what_stands_above_one_client_s_sheet_is_not_said_of_the_others() -> None:
    said = tomllib.loads(propose_columns(SHEETS / "schede clienti.xlsx").to_toml())
    assert "client" not in said.get("constants", {})
    assert load_records(SHEETS / "schede clienti.xlsx", columns=said).rows["client"].nunique() == 9
