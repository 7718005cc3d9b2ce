"""What a report should state: answered from the records where they hold it, named as missing where they do not."""

from __future__ import annotations

import csv

import pytest

from toolkit.auditing import audit
from toolkit.resources import shared_file
from toolkit.simulate import ClinicDials, simulate_clinic


def items(rows, question) -> dict[str, dict[str, str]]:
    return {item["key"]: item for item in audit(rows, question=question).findings["checklist"]}


@pytest.fixture(scope="module")
def drawn(rows, asked):
    return items(rows, asked)


def test_every_item_of_the_sheet_is_answered_or_named_as_missing(drawn):
    text = shared_file("checklists/what_an_audit_report_states.csv").read_text(encoding="utf-8")
    assert list(drawn) == [item["key"] for item in csv.DictReader(text.splitlines())]
    assert [key for key, item in drawn.items() if not item["stated"] and not item["to_add"]] == []


def test_what_no_record_holds_is_left_to_the_practitioner(drawn):
    for key in ("interests", "permission", "what_changed"):
        assert drawn[key]["stated"] == ""
        assert drawn[key]["to_add"]


def test_clients_sessions_and_span_are_those_of_the_records(drawn, rows):
    counts = rows.groupby("client")["session_id"].nunique()
    assert f"{len(counts)} clients, {rows['date'].min()} to {rows['date'].max()}." in drawn["who_came"]["stated"]
    assert f"most {counts.max()}" in drawn["how_often"]["stated"]


def test_a_draw_is_told_from_none(rows, asked, drawn):
    assert "who waited first was drawn" in drawn["what_it_is"]["stated"]
    undrawn = items(rows.assign(order=""), asked)
    assert "nothing was drawn" in undrawn["what_it_is"]["stated"]
    assert "no comparison" in undrawn["what_against"]["stated"]
    assert undrawn["how_assigned"]["stated"] == ""


def test_adverse_events_are_counted_by_session_also_when_there_were_none(rows, asked):
    assert (
        "also when there were none"
        in items(rows.drop(columns="adverse_event", errors="ignore"), asked)["adverse_events"]["to_add"]
    )
    none = items(rows.assign(adverse_event="none"), asked)["adverse_events"]["stated"]
    assert none.startswith("0 sessions with an adverse event, written down in")
    first = rows["session_id"] == rows["session_id"].iloc[0]
    some = rows.assign(adverse_event="none").assign(adverse_event=lambda f: f["adverse_event"].mask(first, "sore"))
    assert items(some, asked)["adverse_events"]["stated"].startswith("1 sessions with an adverse event (soreness: 1)")


def test_readers_who_were_never_said_to_be_blind_are_missing(rows, asked):
    assert items(rows.assign(examiner_blinded=""), asked)["who_knew"]["stated"] == ""


def test_an_unknown_ruler_is_named(asked):
    rows = simulate_clinic(ClinicDials(n_clients=12, design="comparison_sessions"), rng=1).rows.drop(columns="before_2")
    found = audit(rows.assign(measure="thoracic_rotation"), question={**asked, "measure": "thoracic_rotation"})
    item = next(one for one in found.findings["checklist"] if one["key"] == "how_good")
    known = found.findings["measurement"][0]["sem"] is not None
    assert bool(item["stated"]) == known
    assert ("thoracic rotation" in item["to_add"]) != known


def test_a_finding_carries_its_regions_cautions_and_no_other(rows, asked):
    found = audit(rows, question=asked).findings
    assert any("collarbone" in text for text in found["findings"][0]["cautions"])
    assert not any("knee" in text for text in found["findings"][0]["cautions"])
    assert found["cautions_by_section"][0]["section"].startswith("Send on first")
