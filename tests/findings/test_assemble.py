"""One audit's findings put together."""

from toolkit.auditing import audit
from toolkit.findings.assemble import record_next


def test_every_region_and_intervention_of_the_model_has_its_name_in_words(records, asked):
    part = audit(records, question=asked).findings["by_region_and_intervention"]
    named = {row["intervention"]: row["labels"]["intervention"] for row in part["rows"]}
    assert (
        named["percussive_release"] == "percussion with a hand-held device"
    )  # as shared/codebook/interventions.csv has it


def test_nothing_to_change_is_nothing_to_record():
    explanation = {
        "status": "open",
        "what_would_close_it": "Nothing to change in the records: count clients, not rows.",
    }
    findings = [{"claim": {"next_step": "Draw the order."}, "rivals": [explanation]}]
    assert [step["what"] for step in record_next(findings)] == ["Draw the order."]


def test_what_would_close_an_open_explanation_is_to_be_recorded():
    explanation = {"status": "open", "what_would_close_it": "Read twice before."}
    findings = [{"claim": {"next_step": "Draw the order."}, "rivals": [explanation]}]
    assert [step["what"] for step in record_next(findings)] == ["Draw the order.", "Read twice before."]
