"""A season worked by a sealed order, audited by it on the command line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

from toolkit.__main__ import run
from toolkit.planning.opened_lines import note_opened
from toolkit.planning.order_schedule import seal, season_of_two
from toolkit.privacy.keys import key_from
from toolkit.simulate import ClinicDials, simulate_clinic

QUESTION = """format = "question/1"
measure = "cervical_lateral_flexion"
region = "upper_trapezius"
intervention = "percussive_release"
comparison = "wait"
smallest_change_that_matters = 3.0
unit = "deg"
source = "own judgement"
declared_on = 2022-12-01
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a year, its sealed order, the question, and the key outside of it."""
    place = tmp_path / "season"
    place.mkdir()
    monkeypatch.chdir(place)
    clinic = simulate_clinic(ClinicDials(n_clients=25, visits=4.0, fault="order invented"), rng=5)
    clinic.rows.to_csv("year.csv", index=False)
    key = key_from(tmp_path / "key.txt", away_from=[place / "order.csv"], new=True)
    seal(clinic.schedule, key=key, season="2023").to_csv("order.csv", index=False)
    (place / "question.toml").write_text(QUESTION)
    return place


AUDIT = ["audit", "year.csv", "--question", "question.toml", "--replace"]
SEALED = [*AUDIT, "--schedule", "order.csv", "--key", "../key.txt"]


def claimed(place: Path) -> dict:
    return json.loads((place / "audit-year" / "findings.json").read_text(encoding="utf-8"))["findings"][0]


def not_written(said: str) -> int:
    """How many lines the account says are not written down."""
    found = re.search(r"(\d+) not written down", said)
    return int(found[1]) if found else 0


def test_an_order_invented_afterwards_is_undone_on_the_command_line(here: Path, capsys):
    assert run(AUDIT) == 0
    by_word = claimed(here)["attributable"]["mean"]
    assert run(SEALED) == 0
    by_schedule = claimed(here)
    assert "Drawn and sealed: of " in " ".join(capsys.readouterr().out.split())
    assert "Drawn and sealed: of " in by_schedule["draw"]["says"]
    assert by_schedule["claim"]["level"] not in ("moved", "moved_enough")
    assert by_schedule["attributable"]["mean"] < by_word - 1.0


def test_lines_noted_as_opened_are_due_although_nothing_was_written_after_them(here: Path):
    lines = pd.read_csv("order.csv")
    client = str(lines["client"].iloc[0])
    year = pd.read_csv("year.csv")
    n_written = year.loc[year["client"] == client, "session_id"].nunique()
    year[year["client"] != client].to_csv("year.csv", index=False)
    assert run(SEALED) == 0
    before = claimed(here)["draw"]["says"]
    for number in range(1, n_written + 1):
        note_opened(here / "order.csv", client=client, session=number)
    assert run(SEALED) == 0
    after = claimed(here)["draw"]["says"]
    counts = [
        int(said.split("not written down")[0].split()[-1]) if "not written" in said else 0 for said in (before, after)
    ]
    assert counts[1] == counts[0] + n_written


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--schedule", "order.csv"], "order.csv is sealed. Name the key that opens it"),
        (["--key", "../key.txt"], "A key opens a schedule: name it too"),
        (["--schedule", "year.csv", "--key", "../key.txt"], "is not an order drawn by this toolkit"),
    ],
)
def test_what_is_missing_is_said(here: Path, capsys, words, said):
    assert run([*AUDIT, *words]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_a_changed_line_is_refused(here: Path, capsys):
    lines = pd.read_csv("order.csv", dtype=str)
    lines.loc[[0, 1], "seal"] = lines.loc[[1, 0], "seal"].to_numpy()
    lines.to_csv("order.csv", index=False)
    assert run(SEALED) == 2
    assert "does not fit this key" in " ".join(capsys.readouterr().err.split())


def test_a_schedule_of_two_protocols_belongs_to_compare(here: Path, capsys):
    key = key_from(here.parent / "key.txt", away_from=[here / "order.csv"])
    clinic = pd.DataFrame({"client": ["A"], "session": [1], "order": ["wait_first"]})
    seal(clinic, key=key, season=season_of_two("2023", ("a", "b"))).to_csv("order.csv", index=False)
    assert run(SEALED) == 2
    assert "draws one of two protocols" in " ".join(capsys.readouterr().err.split())
