"""The audit as a whole: what it promises about its findings and about the folder it writes."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from toolkit import audit
from toolkit.auditing import Audit
from toolkit.claim.question import read_question
from toolkit.errors import NotEnoughError, QuestionError, ToolkitError, WritingError
from toolkit.findings.assemble import check_findings
from toolkit.resources import dataset_file
from toolkit.result import FRAME_COLUMNS
from toolkit.simulate import ClinicDials, simulate_clinic, with_all_explanations

PAST = "2024-01-08"  # records refuse days in the future
ASKED: dict[str, Any] = {
    "measure": "cervical_lateral_flexion",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "smallest_change_that_matters": 3.0,
    "unit": "deg",
    "declared_on": "2023-12-01",
}


def clinic(**dials: Any) -> pd.DataFrame:
    return simulate_clinic(ClinicDials(**{"n_clients": 25, "visits": 3.0, "start": PAST, **dials}), rng=1).rows


@pytest.fixture(scope="module")
def found() -> Audit:
    return audit(clinic(effect=4.0, not_written=0.2), question=ASKED)


@pytest.fixture(scope="module")
def undeclared() -> Audit:
    rows = clinic(effect=4.0)
    return audit(rows.assign(intervention=rows["intervention"].where(rows.index % 2 > 0, "stretching")))


@pytest.fixture(scope="module")
def demo() -> Audit:
    truth = json.loads(dataset_file("demo/truth.json").read_text(encoding="utf-8"))
    sheets = [read_question(dataset_file(f"demo/questions/{one['question']}")) for one in truth["answers"]]
    unlogged = [replace(sheet, sheet=None) for sheet in sheets]  # a look of a test is nobody's look
    return audit(dataset_file("demo/sessions.csv"), question=unlogged)


def claims(found: Audit) -> list[dict[str, Any]]:
    return [one["claim"] for one in found.findings["findings"]]


@pytest.mark.parametrize("which", ["found", "undeclared", "demo"])
def test_findings_keep_to_their_form(which, request):
    check_findings(request.getfixturevalue(which).findings)


@pytest.mark.parametrize("which", ["found", "undeclared", "demo"])
def test_kept_and_set_aside_are_what_was_read(which, request):
    export = request.getfixturevalue(which).findings["export"]
    assert export["rows_kept"] + export["rows_set_aside"] == export["rows_read"] > 0
    assert export["readings_kept"] + export["readings_set_aside"] == export["readings_read"] > 0


def test_the_demos_answers_are_those_of_its_truth(demo):
    truth = json.loads(dataset_file("demo/truth.json").read_text(encoding="utf-8"))
    for one, claim in zip(truth["answers"], claims(demo), strict=True):
        assert claim["level"] in one["levels_that_are_right"]


def test_the_demos_interval_holds_its_truth(demo):
    for one, truth in zip(demo.findings["findings"], (4.0, 0.0, 0.0), strict=True):
        assert one["attributable"]["ci_low"] <= truth <= one["attributable"]["ci_high"]


def test_a_question_given_is_declared_and_one_found_is_not(found, undeclared):
    assert [one["declared"] for one in claims(found)] == [True]
    assert [one["declared"] for one in claims(undeclared)] == [False, False]
    assert "not written down before looking" in claims(undeclared)[0]["sentence"]


def test_undeclared_questions_are_judged_with_holms_correction(undeclared):
    levels = sorted(one["attributable"]["confidence_level"] for one in undeclared.findings["findings"])
    assert levels[-1] == pytest.approx(0.975)
    assert levels[0] in (pytest.approx(0.95), pytest.approx(0.975))


@pytest.mark.parametrize("design", ["side_drawn", "comparison_sessions", "other_side", "none"])
def test_findings_keep_to_their_form_in_every_design(design):
    dials = with_all_explanations(ClinicDials(n_clients=25, visits=3.0, design=design, start=PAST))
    findings = audit(simulate_clinic(dials, rng=2).rows, question=ASKED).findings
    check_findings(findings)
    assert findings["findings"][0]["claim"]["level"] not in ("moved", "moved_enough")


def test_a_comparison_that_is_not_there_is_replaced_and_the_note_says_so():
    rows = clinic(design="comparison_sessions", n_clients=30)
    one = audit(rows, question={**ASKED, "comparison": "wait"}).findings["findings"][0]
    assert one["attributable"]["basis"] == "comparison_sessions"
    assert any("asks for a comparison with “wait”" in note for note in one["notes"])


def test_a_question_without_records_names_what_is_held():
    with pytest.raises(QuestionError, match=r"“soleus”.*The records hold: upper_trapezius"):
        audit(clinic(), question={**ASKED, "region": "soleus"})


def test_records_of_which_no_row_is_kept_are_refused_with_the_first_reason():
    rows = clinic().assign(before=np.nan, before_2=np.nan)
    with pytest.raises(NotEnoughError, match=rf"None of the {len(rows)} rows can be used.*no reading before"):
        audit(rows, question=ASKED)


def test_records_without_an_intervention_hold_nothing_to_judge():
    with pytest.raises(NotEnoughError, match="no session with an intervention"):
        audit(clinic().assign(intervention="measured_only"))


@pytest.mark.parametrize("n", [1, 2, 4])
def test_a_handful_of_clients_gets_an_answer(n):
    found = audit(clinic(n_clients=n, visits=2.0), question=ASKED)
    check_findings(found.findings)
    assert claims(found)[0]["level"] in ("not_enough", "readings_changed")


def test_the_same_records_and_seed_find_the_same():
    one, other = (audit(clinic(n_clients=15), question=ASKED, rng=7).to_dict() for _ in range(2))
    assert {**one, "created": ""} == {**other, "created": ""}


def test_the_order_of_rows_changes_no_estimate():
    rows = clinic(effect=4.0)
    one, other = (
        audit(each, question=ASKED).findings["findings"][0]["attributable"]
        for each in (rows, rows.sample(frac=1.0, random_state=2))
    )
    assert [one[key] for key in ("mean", "ci_low", "ci_high")] == pytest.approx(
        [other[key] for key in ("mean", "ci_low", "ci_high")], rel=1e-6
    )


def test_what_is_written_is_what_was_found(found, tmp_path):
    report = found.write(tmp_path / "audit")
    written = json.loads((tmp_path / "audit" / "findings.json").read_text(encoding="utf-8"))
    assert written == found.to_dict()
    assert report.name == "report.html"
    assert report.exists()


def test_a_second_run_replaces_the_first(found, tmp_path):
    folder = tmp_path / "audit"
    found.write(folder)
    (folder / "figures" / "steps_1.svg").unlink()
    found.write(folder, replace=True)
    assert (folder / "figures" / "steps_1.svg").is_file()
    assert json.loads((folder / "findings.json").read_text(encoding="utf-8"))["format"] == "findings/2"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["audit"]  # nothing is left lying about


@pytest.mark.parametrize("replace", [False, True])
def test_a_folder_with_other_files_is_left_alone(found, tmp_path, replace):
    (tmp_path / "letter.txt").write_text("dear", encoding="utf-8")
    with pytest.raises(WritingError, match=r"letter\.txt.*What stands there was not touched"):
        found.write(tmp_path, replace=replace)
    assert [item.name for item in tmp_path.iterdir()] == ["letter.txt"]


def test_a_file_of_that_name_is_left_alone(found, tmp_path):
    (tmp_path / "audit").write_text("dear", encoding="utf-8")
    with pytest.raises(ToolkitError, match="is a file, not a folder"):
        found.write(tmp_path / "audit")


def test_a_failure_half_way_leaves_the_old_folder(found, tmp_path, monkeypatch):
    folder = tmp_path / "audit"
    found.write(folder)
    before = (folder / "findings.json").read_bytes()

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("toolkit.looks.report.write_report", full)
    with pytest.raises(ToolkitError, match="No space left on device"):
        found.write(folder, replace=True)
    assert (folder / "findings.json").read_bytes() == before
    assert [item.name for item in tmp_path.iterdir()] == ["audit"]


def test_a_folder_that_may_not_be_written_is_said_in_a_sentence(found, tmp_path, monkeypatch):
    def refused(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refused)  # whoever runs the tests may write everywhere
    with pytest.raises(ToolkitError, match=r"was not written \(Permission denied\).*folder that you may write to"):
        found.write(tmp_path / "closed" / "audit")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="this user may write everywhere")
def test_a_read_only_folder_is_said_in_a_sentence(found, tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(ToolkitError, match="was not written"):
            found.write(tmp_path / "audit")
    finally:
        tmp_path.chmod(0o700)


def test_one_line_a_question_in_the_table(undeclared):
    table = undeclared.frame
    assert table["declared"].tolist() == ["no", "no"]
    assert set(table["intervention"]) == {"percussive_release", "stretching"}


def test_a_copy_of_the_findings_can_be_changed_without_harm(found):
    found.to_dict()["findings"][0]["claim"]["level"] = "moved_enough, surely"
    assert claims(found)[0]["level"] != "moved_enough, surely"


def test_the_frame_has_the_columns_of_every_result(found):
    row = found.frame.iloc[0]
    left = found.findings["findings"][0]["attributable"]
    assert list(found.frame.columns[3 : 3 + len(FRAME_COLUMNS)]) == list(FRAME_COLUMNS)
    assert (row["estimate"], row["ci_low"], row["p"]) == (left["mean"], left["ci_low"], left["p"])
    assert row["claim"] == found.findings["findings"][0]["claim"]["level"]
    assert row["n_clients"] == found.judged[0].attributable.n_clients
    assert row["n_rows"] == len(found.data())


def test_an_audit_hands_out_its_data_its_model_and_its_typed_findings(found):
    model, complete = found.model(), found.judged[0].complete  # model_behind
    assert model.n == complete.n_sessions
    assert complete.ci_low < model.contrast("technique").value < complete.ci_high
    assert found.data()["arm"].isin([0, 1]).all()
    assert found.judged[0].question.measure == found.findings["findings"][0]["measure"]


def test_an_audit_hands_out_its_figures(found, tmp_path):
    drawn = found.figures()
    assert {"steps", "before_after", "beyond_error"} <= set(drawn)
    assert all(figure.axes for figure in drawn.values())
    assert found.save(tmp_path / "answer.png").stat().st_size > 1000
