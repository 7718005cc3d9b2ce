"""Which questions are asked of the records, and what is said where nothing answers one."""

from __future__ import annotations

import pytest

from toolkit.claim.question import read_question
from toolkit.errors import QuestionError
from toolkit.findings.ask import checked_question, questions_in
from toolkit.records.records import load_records


def test_without_a_question_every_measure_region_and_intervention_is_one(rows):
    more = rows.assign(
        intervention=rows["intervention"].where(rows.index % 3 > 0, "stretching"), session_id=rows["session_id"] + "x"
    )
    named = {(one.region, one.intervention) for one in questions_in(load_records(more))}
    assert named == {("upper_trapezius", "percussive_release"), ("upper_trapezius", "stretching")}


def test_sessions_only_measured_are_no_question(rows):
    only = rows.assign(intervention="measured_only")
    assert questions_in(load_records(only)) == []


@pytest.mark.parametrize(
    ("field", "value", "held"),
    [
        ("measure", "shoulder_flexion", "cervical_lateral_flexion"),
        ("region", "soleus", "upper_trapezius"),
        ("intervention", "cupping", "percussive_release"),
    ],
)
def test_what_is_not_recorded_is_refused_with_what_is(records, asked, field, value, held):
    with pytest.raises(QuestionError, match=rf"no records of the {field} “{value}”.*{held}"):
        checked_question(read_question({**asked, field: value}), records)


def test_the_users_own_words_are_found_in_the_codebook(records, asked):
    found = checked_question(read_question({**asked, "measure": "neck side bend"}), records)
    assert found.measure == "cervical_lateral_flexion"


def test_the_order_in_which_a_combination_is_written_does_not_matter(rows, asked):
    both = load_records(rows.assign(region="upper_trapezius + levator_scapulae"))
    question = read_question({**asked, "region": "upper_trapezius + levator_scapulae"})
    assert checked_question(question, both).region == "levator_scapulae + upper_trapezius"


def test_a_size_in_millimetres_is_turned_into_the_codebooks_centimetres(rows, asked):
    # 15 mm are 1.5 cm
    tape = rows.assign(measure="ankle_dorsiflexion_lunge_distance", unit="cm", region="soleus")
    for name in ("before", "before_2", "after_wait", "after"):
        tape[name] = tape[name] / 5
    question = read_question(
        {
            **asked,
            "measure": "ankle_dorsiflexion_lunge_distance",
            "region": "soleus",
            "unit": "mm",
            "smallest_change_that_matters": 15.0,
            "leaning_allowance": 5.0,
        }
    )
    found = checked_question(question, load_records(tape))
    assert (found.unit, found.smallest_change_that_matters, found.leaning_allowance) == ("cm", 1.5, 0.5)


def test_a_unit_of_another_kind_is_refused(records, asked):
    with pytest.raises(QuestionError, match="recorded in deg"):
        checked_question(read_question({**asked, "unit": "kg"}), records)


def test_the_codebook_knows_which_direction_is_better(records, asked):
    assert checked_question(read_question(asked), records).better == "higher"
