"""Sheets as practitioners keep them: what a careful reader finds in them is what is read, or the question is asked.

The sheets, and the statement of what is in each, are simulated; `sheet_truth` compares.
"""

from pathlib import Path

import pytest

from tests.records.sheet_truth import Outcome, outcome_table, read_sheet

HERE = Path(__file__).parent / "real_sheets"
SHEETS = sorted(path for path in HERE.iterdir() if not path.name.endswith((".expected.json", ".readings.csv")))


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [read_sheet(path) for path in SHEETS]


def test_there_are_two_dozen_sheets() -> None:
    assert len(SHEETS) == 24


@pytest.mark.parametrize("place", range(len(SHEETS)), ids=[path.name for path in SHEETS])
def test_a_sheet_is_read_right_or_its_question_is_asked(place: int, outcomes: list[Outcome]) -> None:
    assert outcomes[place].right, outcomes[place].details


def test_what_became_of_every_sheet_is_shown(outcomes: list[Outcome], capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\n{outcome_table(outcomes)}")
    assert sum(one.right for one in outcomes) >= 23
    assert sum(one.wrong for one in outcomes) == 0
