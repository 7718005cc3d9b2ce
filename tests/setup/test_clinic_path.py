"""A clinic's owner on the command line: from three folders to a page, from three summaries to a pooled page."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from toolkit import __main__ as entry
from toolkit.resources import demo

QUESTION = """format = "question/1"
measure = "ankle_dorsiflexion_lunge"
region = "soleus"
intervention = "long_hold"
comparison = "short_hold"
smallest_change_that_matters = 3.0
unit = "deg"
source = "own judgement"
"""
BETWEEN = ["--measure", "ankle_dorsiflexion_lunge", "--between", "long_hold", "short_hold", "--smallest", "3"]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "question.toml").write_text(QUESTION)
    (tmp_path / "wait.toml").write_text(QUESTION.replace("short_hold", "wait"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_from_a_folder_of_three_folders_to_a_page(here: Path, capsys):
    assert entry.run(["compare", str(demo("three_sites")), *BETWEEN]) == 0
    said = capsys.readouterr().out
    assert "went with more improvement" in said
    assert "north" in said
    assert (here / "comparison" / "comparison.html").is_file()
    assert json.loads((here / "comparison" / "comparison.json").read_text())["verdict"] == "went_with_more"


def test_sites_named_by_hand_give_the_same_number(here: Path):
    sites = [f"--site={name}={demo('three_sites') / name}" for name in ("north", "south", "west")]
    assert entry.run(["compare", str(demo("three_sites")), *BETWEEN, "--out", "one"]) == 0
    assert entry.run(["compare", *sites, *BETWEEN, "--out", "other"]) == 0
    one, other = (json.loads((here / name / "comparison.json").read_text())["estimates"] for name in ("one", "other"))
    assert one == other


def test_from_three_summaries_to_a_pooled_page(here: Path, capsys):
    for name in ("north", "south", "west"):
        words = ["summarise", str(demo("three_sites") / name), "--question", "question.toml", "--site", name]
        assert entry.run([*words, "--out", f"{name}.json"]) == 0
    assert entry.run(["pool", "north.json", "south.json", "west.json"]) == 0
    assert "another site may expect" in capsys.readouterr().out
    assert (here / "pooled" / "pooled.html").is_file()
    assert "C001" not in (here / "north.json").read_text()


def test_what_the_readme_types_for_a_clinic_runs_as_it_is_typed(tmp_path: Path, monkeypatch, capsys):
    (tmp_path / "clinic").mkdir()
    monkeypatch.chdir(tmp_path / "clinic")
    shutil.copytree(demo("three_sites"), "datasets/three_sites")
    root = demo("three_sites").parents[1]
    part = (
        (root / "README.md").read_text(encoding="utf-8").split("**A clinic compares")[1].split("**A registry keeps")[0]
    )
    lines = [line.split("#")[0].split()[2:] for line in part.splitlines() if line.startswith("    python3 start.py ")]
    by_job = {words[0]: words[1:] for words in lines}
    assert entry.run(["compare", *by_job["compare"]]) == 0
    assert "went with more improvement" in capsys.readouterr().out
    for name in ("north", "south", "west"):
        assert entry.run(["summarise", *(word.replace("north", name) for word in by_job["summarise"])]) == 0
    assert entry.run(["pool", *by_job["pool"]]) == 0
    assert entry.run(["draw-order", *by_job["draw-order"]]) == 0
    made = {"comparison/comparison.html", "north.json", "south.json", "west.json", "pooled/pooled.html", "order.csv"}
    assert [name for name in sorted(made) if not Path(name).is_file()] == []


def test_what_the_readme_types_for_a_registry_runs_as_it_is_typed(tmp_path: Path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    shutil.copytree(demo("three_sites"), "datasets/three_sites")
    shutil.copy("datasets/three_sites/question.toml", "question.toml")
    shutil.copy("datasets/three_sites/south/sessions.csv", "south.csv")
    part = (demo("three_sites").parents[1] / "README.md").read_text(encoding="utf-8")
    part = part.split("**A registry keeps")[1].split("Notebooks, ")[0]
    typed = [line.split("#")[0].split()[2:] for line in part.splitlines() if line.startswith("    python3 start.py ")]
    code = [line.strip() for line in part.splitlines() if line.startswith("    ") and "start.py" not in line]
    assert [words[0] for words in typed] == ["registry", "pool", "registry"]
    assert entry.run(typed[0]) == 0
    assert "1 site," in capsys.readouterr().out
    exec("\n".join(code[:3]), room := {})
    assert entry.run(typed[1]) == 0
    assert "2 sites" in capsys.readouterr().out
    assert (tmp_path / "pooled" / "pooled.html").is_file()
    assert room["clinics"].only(["south"]).accounts()["site"].tolist() == ["south"]


def test_of_a_registry_pooling_needs_a_question_and_summaries_none(here: Path, capsys):
    assert entry.run(["registry", "clinics", "--store", str(demo("three_sites") / "north"), "--site", "north"]) == 0
    assert entry.run(["pool", "clinics"]) == 2
    assert "--question QUESTION.toml" in capsys.readouterr().err
    (here / "a.json").write_text("{}")
    assert entry.run(["pool", "a.json", "--question", "question.toml"]) == 2
    assert "summaries hold their question already" in capsys.readouterr().err


def test_a_question_sheet_says_what_to_compare(here: Path):
    assert entry.run(["compare", str(demo("three_sites")), *BETWEEN, "--region", "soleus", "--out", "one"]) == 0
    assert entry.run(["compare", str(demo("three_sites")), "--question", "question.toml", "--out", "other"]) == 0
    one, other = (json.loads((here / name / "comparison.json").read_text())["estimates"] for name in ("one", "other"))
    assert one == other


def test_one_of_two_protocols_is_drawn_and_opened_by_its_name(here: Path, capsys):
    words = ["--key", str(here.parent / "key.txt")]
    drawn = ["draw-order", "--client", "A", "--sessions", "2", "--between", "long_hold", "short_hold", "--new-key"]
    assert entry.run([*drawn, *words]) == 0
    capsys.readouterr()
    assert entry.run(["open-order", "order.csv", "--client", "A", "--session", "1", *words]) == 0
    assert capsys.readouterr().out.strip() in ("long_hold", "short_hold")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--site", "north"], "Write each site once as NAME=FOLDER"),
        (["--site", "a=x", "--site", "a=y"], "Write each site once as NAME=FOLDER"),
        (["year.csv", "--site", "a=x"], "Name either files or sites"),
        (["year.csv"], "Say what to compare: --measure NAME --between A B"),
        (["year.csv", "--question", "question.toml", "--region", "soleus"], "Name either a question sheet or what to"),
        (["year.csv", "--question", "wait.toml"], "wait.toml names no second way of working"),
    ],
)
def test_what_is_missing_is_said(here: Path, capsys, words, said):
    assert entry.run(["compare", *words]) == 2
    assert said in capsys.readouterr().err
