"""Whatever comes in: a sentence or an answer, never a fault of the toolkit, no run without end, nothing executed."""

import time
from pathlib import Path

import pytest

from tests.safety.corpus import (
    CODEBOOKS,
    COLUMNS_SHEETS,
    DATA,
    GOOD,
    PAYLOADS,
    SHEET,
    cell_inputs,
    file_inputs,
    question_inputs,
    sheet_inputs,
    texts_that_are_no_toml,
)
from tests.safety.hostile_files import LAUGHING, far_workbooks, lying_zip, workbook
from toolkit import __main__ as entry
from toolkit.errors import ToolkitError
from toolkit.records.records import load_records

SECONDS = 20.0
CELLS, FILES, QUESTIONS = dict(cell_inputs()), dict(file_inputs()), dict(question_inputs())
SHEETS = dict(sheet_inputs())
NO_TOML = dict(texts_that_are_no_toml())


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty folder to work in; whoever made a file called "ran" there has run something."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def answer_or_sentence(words: list[str], here: Path, capsys) -> str:
    """Run a command: status 0 or 2, in time, without a traceback, and nothing that came in was run. What it said."""
    began = time.process_time()
    status = entry.run(words)
    took = time.process_time() - began
    said = capsys.readouterr()
    told = said.out + said.err
    assert status in (0, 2), told[-600:]
    assert "fault of the toolkit" not in told
    assert "Traceback" not in told
    assert "\x1b" not in told
    assert not list(here.rglob("ran"))
    assert took < SECONDS
    if status == 2:
        assert len(said.err.strip()) > 20
    return told


def test_the_corpus_has_more_than_two_hundred_inputs():
    parts = (CELLS, FILES, QUESTIONS, COLUMNS_SHEETS, CODEBOOKS, SHEETS, dict(far_workbooks()))
    assert sum(map(len, parts)) > 200


def test_the_good_export_is_good(here, capsys):
    (here / "good.csv").write_text(GOOD, encoding="utf-8")
    assert "21 kept, 0 set aside" in answer_or_sentence(["check", "good.csv"], here, capsys)


@pytest.mark.parametrize("name", CELLS)
def test_a_cell_that_means_harm(name, here, capsys):
    (here / "year.csv").write_bytes(CELLS[name])
    try:
        source = load_records(here / "year.csv").source
        assert source.rows_read == source.rows_kept + source.rows_set_aside
        assert source.readings_read == source.readings_kept + source.readings_set_aside
    except ToolkitError:
        pass
    answer_or_sentence(["check", "year.csv", "--set-aside", "aside.csv", "--with-text"], here, capsys)


@pytest.mark.parametrize("name", SHEETS)
def test_a_replication_sheet_that_means_harm(name, here, capsys):
    (here / "data.csv").write_text(DATA, encoding="utf-8")
    (here / "my.toml").write_text(SHEETS[name], encoding="utf-8")
    status = entry.run(["replicate", "my.toml", "--write"])
    said = capsys.readouterr()
    assert status in (0, 1, 2)  # 1: a figure does not come out again
    assert "fault of the toolkit" not in said.err
    assert "\x1b" not in said.out + said.err
    assert not list(here.rglob("ran"))
    assert (here / "data.csv").read_text(encoding="utf-8") == DATA


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_means_harm(name, here, capsys):
    for ending in ("csv", "xlsx", "parquet"):
        (here / f"year.{ending}").write_bytes(FILES[name])
    answer_or_sentence(["audit", "year.csv", "--out", "audited"], here, capsys)
    answer_or_sentence(["check", "year.xlsx"], here, capsys)
    answer_or_sentence(["check", "year.parquet"], here, capsys)


@pytest.mark.parametrize("name", dict(far_workbooks()))
def test_a_workbook_with_a_far_cell(name, here, capsys):
    (here / "year.xlsx").write_bytes(dict(far_workbooks())[name])
    assert "used area" in answer_or_sentence(["check", "year.xlsx"], here, capsys)


@pytest.mark.parametrize("data", [workbook(LAUGHING), lying_zip()])
def test_a_workbook_that_unpacks_to_more(data, here, capsys):
    (here / "year.xlsx").write_bytes(data)
    answer_or_sentence(["check", "year.xlsx"], here, capsys)


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_sheet_that_means_harm(name, here, capsys):
    (here / "year.csv").write_text(GOOD, encoding="utf-8")
    (here / "question.toml").write_text(QUESTIONS[name], encoding="utf-8", errors="surrogatepass")
    answer_or_sentence(["audit", "year.csv", "--question", "question.toml", "--out", "audited"], here, capsys)


@pytest.mark.parametrize("text", [*COLUMNS_SHEETS, *NO_TOML.values()])
def test_a_columns_sheet_that_means_harm(text, here, capsys):
    (here / "year.csv").write_text(GOOD, encoding="utf-8")
    (here / "columns.toml").write_text(text, encoding="utf-8")
    answer_or_sentence(["check", "year.csv"], here, capsys)


@pytest.mark.parametrize("text", [*CODEBOOKS, *NO_TOML.values()])
def test_a_codebook_that_means_harm(text, here, capsys):
    (here / "own.toml").write_text(text, encoding="utf-8")
    answer_or_sentence(["codebook", "own.toml"], here, capsys)


@pytest.mark.parametrize("command", ["compare", "columns", "plan", "summarise", "ruler"])
@pytest.mark.parametrize(
    "name", ["random bytes", "a zero byte", "rows too long", "a column twice", "markup in every header"]
)
def test_every_command_that_reads(command, name, here, capsys):
    (here / "year.csv").write_bytes(FILES[name])
    more = {
        "compare": ["--measure", "cervical_lateral_flexion", "--between", "a", "b"],
        "plan": ["--question", "year.csv"],
        "summarise": ["--out", "sum.json"],
    }
    answer_or_sentence([command, "year.csv", *more.get(command, [])], here, capsys)


@pytest.mark.parametrize("text", PAYLOADS[:40])
def test_de_identification_takes_whatever_comes(text, here, capsys):
    (here / "office").mkdir()
    (here / "safe").mkdir()
    rows = [f'"{text.replace(chr(34), chr(34) * 2)}",2026-03-0{day},30,{day}' for day in (1, 2, 3)]
    (here / "office" / "x.csv").write_text("Patient,Date,before,after\n" + "\n".join(rows), encoding="utf-8")
    words = ["deidentify", "office/x.csv", "--out", "office/year.csv", "--key", "safe/key.txt", "--new-key"]
    answer_or_sentence(words, here, capsys)


@pytest.mark.parametrize("file", ["../../data.csv", "../../../etc/passwd", "x/../../../data.csv"])
def test_a_replication_sheet_reads_nothing_far_from_it(file, here, capsys):
    (here / "far").mkdir()
    sheet = here / "far" / "sheets" / "my.toml"
    sheet.parent.mkdir()
    (here / "data.csv").write_text(DATA, encoding="utf-8")
    sheet.write_text(SHEET.replace("data.csv", file), encoding="utf-8")
    assert entry.run(["replicate", str(sheet)]) == 2
    assert "outside the sheet's folder" in " ".join(capsys.readouterr().err.split())
    sheet.write_text(SHEET.replace("data.csv", "../data.csv"), encoding="utf-8")
    (here / "far" / "data.csv").write_text(DATA, encoding="utf-8")
    assert entry.run(["replicate", str(sheet)]) == 0
