"""Question sheets, their seals, and the look log."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json

import numpy as np
import pandas as pd
import pytest

from toolkit.claim import look_log
from toolkit.claim.look_log import HOME, log_path, look_of
from toolkit.claim.question import Question, read_question
from toolkit.claim.seal import check_seal, seal_path, seal_question
from toolkit.errors import QuestionError
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic

SHEET = """format = "question/1"
measure = "cervical_lateral_flexion"
region = "upper_trapezius"
intervention = "percussive_release"
comparison = "wait"
smallest_change_that_matters = 5.0
unit = "deg"
looks_planned = 2
declared_on = 2026-01-05
"""


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "question.toml"
    path.write_text(SHEET, encoding="utf-8")
    return path


def test_a_sheet_and_a_mapping_say_the_same(sheet):
    import tomllib

    assert read_question(sheet).as_dict() == read_question(tomllib.loads(SHEET)).as_dict()


@pytest.mark.parametrize(
    ("line", "match"),
    [
        ("alpha = 2", "between 0 and 0.5"),
        ('alpha = "small"', "must be a number"),
        ("smallest_change_that_matters = 0", "would make every change matter"),
        ('better = "more"', '"higher" or "lower"'),
        ("looks_planned = 1.5", "whole number"),
        ('declared_on = "soon"', "a day such as"),
        ('treated_reading = "left"', "same_side"),
        ('format = "question/9"', "is not known"),
        ("colour = 3", "colour is not a field"),
        ("measure = 3", "must be words in quotes"),
        ('intervention = ""', "intervention is missing"),
    ],
)
def test_what_is_wrong_with_a_sheet_is_named(sheet, line, match):
    name = line.split(" =")[0]
    kept = [old for old in SHEET.splitlines() if not old.startswith(f"{name} =")]
    sheet.write_text("\n".join([*kept, line]), encoding="utf-8")
    with pytest.raises(QuestionError, match=match):
        read_question(sheet)


def test_a_sheet_that_is_not_toml_says_how_to_write_it(sheet):
    sheet.write_text("measure is pain", encoding="utf-8")
    with pytest.raises(QuestionError, match="one field a line"):
        read_question(sheet)


def test_a_missing_sheet_is_named(tmp_path):
    with pytest.raises(QuestionError, match=r"gone\.toml cannot be read"):
        read_question(tmp_path / "gone.toml")


def test_a_sealed_sheet_that_was_changed_is_refused(sheet):
    assert check_seal(sheet) is None
    made = seal_question(sheet)
    assert check_seal(sheet) == made
    sheet.write_text(SHEET.replace("5.0", "2.0"), encoding="utf-8")
    with pytest.raises(QuestionError, match="changed after it was sealed"):
        check_seal(sheet)


def test_a_seal_is_never_replaced(sheet):
    seal_question(sheet)
    with pytest.raises(QuestionError, match="never replaced"):
        seal_question(sheet)


def test_a_damaged_seal_is_named(sheet):
    seal_question(sheet)
    seal_path(sheet).write_text("{}", encoding="utf-8")
    with pytest.raises(QuestionError, match="is damaged"):
        check_seal(sheet)


@pytest.fixture(scope="module")
def year():
    return simulate_clinic(ClinicDials(n_clients=20), rng=1).rows


def test_the_same_export_is_one_look_and_a_grown_one_is_another(sheet, year):
    question = read_question(sheet)
    half, whole = load_records(year.head(len(year) * 3 // 4)), load_records(year)
    assert [look_of(question, records) for records in (half, half, whole, whole, half)] == [1, 1, 2, 2, 1]


def test_another_clinic_is_not_a_look_at_these_records(sheet, year):
    question = read_question(sheet)
    other = load_records(simulate_clinic(ClinicDials(n_clients=20), rng=2).rows)
    assert [look_of(question, load_records(year)), look_of(question, other)] == [1, 1]


def test_the_log_holds_no_reading_and_no_client(sheet, year):
    look_of(read_question(sheet), load_records(year))
    held = log_path(sheet).read_text(encoding="utf-8")
    assert not any(client in held for client in year["client"].unique())
    assert set(json.loads(held)["looks"][0]) == {"day", "key", "export", "readings", "sketch"}


def test_nothing_in_the_log_can_be_found_by_trying_all_there_could_be(sheet, year):
    """Whoever has the records and the code, but not this computer's key, recognises no reading in the log."""
    records = load_records(year)
    look_of(read_question(sheet), records)
    held = json.loads(log_path(sheet).read_text(encoding="utf-8"))["looks"][0]
    rows = records.rows
    tried = rows[["client", "session_id", "measured_side"]].astype(str).agg("|".join, axis=1)
    tried = tried + "|" + rows["before"].map("{:.6g}".format)
    plain = set(pd.util.hash_array(tried.to_numpy(dtype=object), categorize=False).tolist())
    assert not plain & set(held["sketch"])
    assert held["export"] not in records.source.sha256


def test_a_look_under_another_key_counts_as_one_at_these_records(sheet, year, tmp_path, monkeypatch):
    question, records = read_question(sheet), load_records(year)
    assert look_of(question, records) == 1
    monkeypatch.setenv(HOME, str(tmp_path / "another computer"))
    assert look_of(question, records) == 2
    assert look_of(question, records) == 2


def test_without_a_home_every_look_counts(sheet, year, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setenv(HOME, str(tmp_path / "file" / "home"))
    question, records = read_question(sheet), load_records(year)
    assert [look_of(question, records) for _ in range(3)] == [1, 2, 3]


def test_the_same_readings_in_another_file_are_the_same_look(sheet, year, tmp_path):
    question = read_question(sheet)
    assert look_of(question, load_records(year)) == 1
    year.sample(frac=1.0, random_state=1).to_csv(tmp_path / "shuffled.csv", index=False)
    assert look_of(question, load_records(tmp_path / "shuffled.csv")) == 1


def test_a_full_disk_keeps_the_log_and_stops_the_look(sheet, year, monkeypatch):
    question = read_question(sheet)
    look_of(question, load_records(year.head(len(year) * 3 // 4)))
    before = log_path(sheet).read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("toolkit.writing._to_disk", full)
    with pytest.raises(QuestionError, match=r"cannot be written \(No space left on device\).*Nothing was judged"):
        look_of(question, load_records(year))
    assert log_path(sheet).read_bytes() == before
    assert [item.name for item in sheet.parent.iterdir() if ".part" in item.name] == []


def test_a_damaged_log_is_named(sheet, year):
    log_path(sheet).write_text("[]", encoding="utf-8")
    with pytest.raises(QuestionError, match="look log"):
        look_of(read_question(sheet), load_records(year))


def test_a_mapping_has_no_log(year):
    asked = {"measure": "cervical_lateral_flexion", "intervention": "percussive_release", "looks_made": 2}
    assert look_of(read_question(asked), load_records(year)) == 3


@pytest.mark.parametrize("coded", [False, True])
def test_a_look_is_fingerprinted_reading_by_reading(coded):
    readings = [1.0, np.nan, 0.1 + 0.2, 1234567.8, 1.0]
    rows = pd.DataFrame(
        {"client": ["a", "b", "a", "é", "a"], "session_id": ["s1", "s2", "s3", "s4", "s1"], "measured_side": "left"}
    ).assign(measure=["lunge"] * 4 + ["other"], before=readings)
    rows = rows.astype(dict.fromkeys(("client", "session_id"), "category")) if coded else rows
    found = look_log._prints(rows, Question(measure="lunge", region="any", intervention="press"), b"key")
    secret = base64.b64encode(hmac.new(b"key", b"sketch", hashlib.sha256).digest())[:16].decode("ascii")
    said = ["a|s1|left|1", "b|s2|left|nan", "a|s3|left|0.3", "é|s4|left|1.23457e+06"]
    plain = pd.util.hash_array(np.array(said, dtype=object), hash_key=secret, categorize=False)
    assert found.tolist() == sorted(plain.tolist())
