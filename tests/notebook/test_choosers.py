"""Drop-downs made from the records, dials over a simulated clinic, and what a notebook shows."""

import pandas as pd
import pytest

from toolkit import audit, load_records
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.notebook import show
from toolkit.notebook.choosers import choose, choose_client, choose_question, choose_two
from toolkit.notebook.dials import turn_explanations
from toolkit.simulate import ClinicDials, simulate_clinic


@pytest.fixture(scope="module")
def rows():
    """Two interventions on one measure, one of them on another measure and region too."""
    neck = simulate_clinic(ClinicDials(n_clients=12, visits=2, effect=3.0), rng=1).rows
    other = simulate_clinic(ClinicDials(n_clients=8, visits=2, intervention="manual_release"), rng=2).rows
    ankle = ClinicDials(n_clients=6, visits=2, measure="ankle_dorsiflexion_lunge", region="soleus")
    third = simulate_clinic(ankle, rng=3).rows
    parts = [
        part.assign(client=part["client"].astype(str) + name)
        for part, name in zip((neck, other, third), "abc", strict=True)
    ]
    both = pd.concat(parts, ignore_index=True)
    return both.assign(session_id=both["client"] + "-" + both["date"].astype(str))


@pytest.fixture(scope="module")
def records(rows):
    return load_records(rows)


@pytest.fixture(scope="module")
def found(records):
    return audit(records, question=choose_question(records, smallest_change=3.0).question)


def values(box):
    return [value for _, value in box.options]


def test_the_first_choice_is_the_one_with_most_clients(records):
    chosen = choose_question(records).question
    assert (chosen["measure"], chosen["intervention"]) == ("cervical_lateral_flexion", "percussive_release")


def test_drop_downs_hold_only_what_the_records_hold(records):
    measure, region, intervention, _ = choose_question(records).widget.children
    assert set(values(measure)) == {"cervical_lateral_flexion", "ankle_dorsiflexion_lunge"}
    assert values(region) == ["upper_trapezius"]
    assert values(intervention) == ["percussive_release", "manual_release"]


def test_choosing_a_measure_refills_the_other_lists(records):
    chooser = choose_question(records)
    chooser.widget.children[0].value = "ankle_dorsiflexion_lunge"
    assert chooser.question["region"] == "soleus"


def test_comparison_sessions_are_no_intervention_to_ask_about(rows):
    records = load_records(rows.assign(intervention="measured_only", order=""))
    with pytest.raises(NotEnoughError, match="no session with an intervention"):
        choose_question(records)


def test_what_is_wanted_first_stands_first_where_the_records_hold_it(records):
    wanted = ("ankle_dorsiflexion_lunge", "soleus", "not_in_the_records")
    assert choose_question(records, first=wanted).question["measure"] == "ankle_dorsiflexion_lunge"


def test_the_question_names_its_size_and_the_reason(records):
    words = str(choose_question(records, smallest_change=3.0, why="own judgement").words)
    assert "It matters from 3° on (own judgement)." in words


def test_a_size_is_not_carried_over_to_another_measure(records):
    chooser = choose_question(records, smallest_change=3.0)
    chooser.widget.children[0].value = "ankle_dorsiflexion_lunge"
    assert "smallest_change_that_matters" not in chooser.question


def test_a_question_chosen_while_looking_pays_for_all_that_could_have_been_chosen(records):
    found = audit(records, question=choose_question(records, smallest_change=3.0).question).findings["findings"][0]
    assert not found["claim"]["declared"]
    assert found["questions_judged_together"] == 3  # the measures, regions and interventions of these records


def test_two_protocols_are_never_the_same_one(records):
    chooser = choose_two(records)
    chooser.widget.children[2].value = "manual_release"
    assert chooser.question["protocol_b"] == "percussive_release"


def test_one_protocol_alone_cannot_be_compared(records):
    chooser = choose_two(records, first=("ankle_dorsiflexion_lunge",))
    with pytest.raises(NotEnoughError, match="only one intervention"):
        chooser.question  # noqa: B018


def test_a_clients_visits_come_in_order(records):
    visits = choose_client(records).visits
    assert visits["visit"].is_monotonic_increasing
    assert visits["when"].iloc[0] == 0


def test_nothing_to_choose_from_is_a_sentence():
    with pytest.raises(NotEnoughError, match="nothing to choose from"):
        choose("Analysis", [])


def test_a_chooser_tells_its_choice_without_a_browser(records):
    assert "Measure cervical_lateral_flexion" in repr(choose_question(records))


def test_dials_show_the_truth_the_usual_test_and_the_claim():
    play = turn_explanations(audit, dials=ClinicDials(n_clients=24, visits=2), seed=2).turn(warm_up=1.0, wait_rise=2.0)
    lines = dict(play.words.lines)
    assert lines["Truth"] == "The technique truly adds 0°."
    assert lines["The usual test"].startswith("It works: +")
    assert play.found.findings["findings"][0]["claim"]["level"] not in ("moved", "moved_enough")


def test_a_dial_that_does_not_exist_is_named():
    play = turn_explanations(audit, dials=ClinicDials(n_clients=24, visits=1))
    with pytest.raises(ToolkitError, match="There is no dial “luck”"):
        play.turn(luck=1.0)


def test_every_piece_of_the_report_shows_itself_as_text_and_html(found):
    pieces = [
        show.claim(found),
        show.adjustment_steps(found),
        show.before_after(found),
        show.explanations(found),
        show.ruler(found),
    ]
    pieces += [
        show.numbers(found),
        show.regions(found),
        show.set_aside(found),
        show.last_word(found),
        show.answers(found),
    ]
    assert all(str(piece) and piece._repr_html_().startswith("<") for piece in pieces)


def test_an_answer_that_is_not_there_is_a_sentence(found):
    with pytest.raises(ToolkitError, match="There are 1 answers; ask for one from 1 to 1, not 2"):
        show.claim(found, 2)


def test_words_are_escaped():
    assert "<b>x" not in show.words(("<b>x", "<script>"))._repr_html_()


def test_own_error_goes_before_a_published_one(records):
    assert show.reading_error(records, "cervical_lateral_flexion").source.startswith("own records: 2.")


def test_without_own_pairs_a_published_error_serves(rows):
    once = load_records(rows.assign(before_2=float("nan")))
    assert show.reading_error(once, "cervical_lateral_flexion").source.startswith("published: ")


def test_agreement_without_pairs_says_why(rows):
    once = load_records(rows.assign(before_2=float("nan")))
    assert "Neck side-bending: " in str(show.agreement(once, "cervical_lateral_flexion"))


def test_a_notebook_says_in_a_sentence_what_is_wrong(capsys):
    from IPython.core.interactiveshell import InteractiveShell

    shell = InteractiveShell.instance()
    try:
        show.start()
        shell.run_cell("from toolkit.errors import ExportError\nraise ExportError('This is a picture, not a table.')")
    finally:
        InteractiveShell.clear_instance()
    said = capsys.readouterr().out
    assert "This cannot go on. This is a picture, not a table." in said
    assert said.index("This cannot go on") < said.index("Traceback") < said.index("raise")


def test_many_years_count_who_says_it_works_and_carry_their_interval():
    from toolkit.notebook.dials import many_years

    years = many_years(audit, ClinicDials(n_clients=24, visits=3, effect=8.0), years=3).wait()
    rows = years.shares().set_index("who")
    assert rows.loc["the usual test", "says it works"] == rows.loc["the claim “moved”", "says it works"] == 3
    assert rows["ci_low"].tolist() == pytest.approx([0.4385, 0.4385], abs=1e-4)  # Wilson, 3 of 3
    assert "3 of 3 years" in str(years.words)
