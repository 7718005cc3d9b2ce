"""Free text of the export stays in the export: no report, no screen, no folder repeats it unless asked."""

import os

import pytest

from toolkit import __main__ as entry
from toolkit.records.free_text import OTHER, kind_of_event, shown, without_free_text
from toolkit.simulate import ClinicDials, simulate_clinic

STORY = "Roswitha drove her, she cried about the divorce"


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    """A clinic in which a story stands in every free field, and in fields where it does not belong."""
    rows = simulate_clinic(ClinicDials(n_clients=15), rng=1).rows.astype(object)
    rows["adverse_event"], rows["setting"], rows["own remarks"] = "none", "low", "-"
    rows.loc[3, "adverse_event"], rows.loc[4, "adverse_event"] = f"dizzy; {STORY}", STORY
    for number, column in enumerate(("setting", "own remarks", "before", "after", "unit", "measure", "date", "order")):
        rows.loc[10 + number, column] = STORY
    rows.loc[30, "treated_side"] = rows.loc[31, "measured_side"] = STORY
    place = tmp_path_factory.mktemp("story") / "year.csv"
    rows.to_csv(place, index=False)
    return place


def everything_in(folder) -> str:
    return "\n".join(
        item.read_text(encoding="utf-8") for item in folder.rglob("*") if item.is_file() and item.suffix != ".xlsx"
    )


def test_an_audit_repeats_no_free_text(export, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert entry.run(["audit", str(export), "--out", "audited"]) == 0
    told = everything_in(tmp_path / "audited") + capsys.readouterr().out
    assert "Roswitha" not in told
    assert "divorce" not in told
    assert "dizziness: 1; other, in own words: 1" in told


def test_a_check_repeats_no_free_text_unless_asked(export, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert entry.run(["check", str(export), "--set-aside", "aside.csv"]) == 0
    told = capsys.readouterr().out + (tmp_path / "aside.csv").read_text(encoding="utf-8")
    assert "Roswitha" not in told
    assert f"(text of {len(STORY)} characters)" in told
    assert entry.run(["check", str(export), "--set-aside", "with.csv", "--with-text"]) == 0
    assert "Roswitha" in (tmp_path / "with.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Muskelkater bis Mittwoch", "soreness"),
        ("mal de tête le soir", "headache"),
        ("bruise on the left calf", "bruise"),
        ("Schwindel", "dizziness"),
        ("rang her son", OTHER),
        ("", OTHER),
    ],
)
def test_adverse_events_are_counted_by_the_codebooks_kinds(text, kind):
    assert kind_of_event(text) == kind


def test_short_entries_are_shown_and_numbers_of_persons_are_not():
    assert [shown(text) for text in ("35?", "upr trap", "lft")] == ["35?", "upr trap", "lft"]
    assert shown("0171 5550142") == "(text of 12 characters)"
    assert shown("sore", field="adverse_event") == "(text of 4 characters)"


def test_headers_in_a_sentence_stay():
    said = 'the column "Neck side-bend left before treatment" holds "she told me all about it"'
    masked = without_free_text(said, known=["Neck side-bend left before treatment"])
    assert masked == 'the column "Neck side-bend left before treatment" holds "(text of 24 characters)"'


@pytest.mark.skipif(os.name != "posix", reason="file names are text elsewhere")
def test_a_file_name_outside_utf8_is_read_and_told(export, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    odd = os.path.join(os.fsencode(tmp_path), b"j\xe4hr\x1b[2J.csv")
    with open(odd, "wb") as file:
        file.write(export.read_bytes())
    assert entry.run(["audit", os.fsdecode(odd), "--out", "audited"]) == 0
    assert entry.run(["check", os.fsdecode(odd)]) == 0
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "\udce4" not in out
