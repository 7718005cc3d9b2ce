"""The first screen of `check` and the questions of `columns`, as they are typed."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from toolkit.__main__ import commands
from toolkit.records.check_screen import check_screen, unknown_words
from toolkit.records.records import load_records

SHEETS = Path(__file__).parent / "real_sheets"


def run(*words: str, typed: str = "") -> str:
    """What a command prints."""
    done = CliRunner().invoke(commands, list(words), input=typed)
    assert done.exit_code == 0, done.output
    return done.output


def test_the_screen_says_first_what_matters_and_fits() -> None:
    screen = check_screen(load_records(SHEETS / "neck ROM log 2024.xlsx"))
    assert screen.splitlines()[0].startswith("48 rows read from 1 file: 47 kept, 1 set aside")
    assert "1 row: a line of averages, no session" in screen
    assert "taken as the reading before" in screen
    assert len(screen.splitlines()) <= 24
    assert max(map(len, screen.splitlines())) <= 80


def test_a_word_that_is_not_in_the_codebook_comes_with_the_line_that_accepts_it() -> None:
    words = unknown_words(load_records(SHEETS / "squat check.xlsx"))
    assert words == [
        'intervention "ankle drills" (69 rows), kept as you wrote it; to give it a name: codebook.toml: '
        '[[interventions]] intervention = "ankle_drills", words = ["ankle drills"]'
    ]


def test_check_shows_the_screen_before_the_rows() -> None:
    printed = run("check", str(SHEETS / "squat check.xlsx"))
    assert printed.index("Not in the codebook") < printed.index("Row by row")


def test_columns_asks_one_question_and_writes_the_answer(tmp_path: Path) -> None:
    out = tmp_path / "columns.toml"
    printed = run("columns", str(SHEETS / "visits spring.csv"), "--ask", "--out", str(out), typed="1\n\n")
    assert "1  day first: 8 April 2024" in printed
    assert 'date_order = "day_first"' in out.read_text(encoding="utf-8")
    assert load_records(SHEETS / "visits spring.csv", columns=out).source.readings_kept > 130


def test_columns_asks_again_where_the_answer_is_no_choice(tmp_path: Path) -> None:
    out = tmp_path / "columns.toml"
    printed = run("columns", str(SHEETS / "visits spring.csv"), "--ask", "--out", str(out), typed="7\n2\n\n")
    assert "Please type a number from 1 to 2" in printed
    assert 'date_order = "month_first"' in out.read_text(encoding="utf-8")


def test_columns_writes_nothing_where_nobody_says_yes(tmp_path: Path) -> None:
    out = tmp_path / "columns.toml"
    run("columns", str(SHEETS / "visits spring.csv"), "--ask", "--out", str(out), typed="\nn\n")
    assert not out.exists()


@pytest.mark.parametrize("name", ["neck ROM log 2024.xlsx", "hamstrings 2023-24.xlsx", "daybook autumn.xlsx"])
def test_what_columns_writes_is_read_as_without_it(tmp_path: Path, name: str) -> None:
    out = tmp_path / "columns.toml"
    run("columns", str(SHEETS / name), "--yes", "--out", str(out))
    plain, told = load_records(SHEETS / name), load_records(SHEETS / name, columns=out)
    assert told.rows[["client", "measure", "before", "after"]].equals(
        plain.rows[["client", "measure", "before", "after"]]
    )
