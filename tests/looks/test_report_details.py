"""The sections after the claim, word by word."""

from toolkit.looks import report_details as details
from toolkit.looks import report_tables as tables

NUMBER = {"mean": 1.0, "ci_low": -0.5, "ci_high": 2.5, "unit": "deg", "n_clients": 12, "method": "client means"}
HELD = {
    "sentence": "It is not settled.",
    "readings": NUMBER,
    "compared": {**NUMBER, "confidence_level": 0.98},
    "gain": None,
    "change_a_day": {**NUMBER, "unit": "deg a day"},
    "share_left": {**NUMBER, "mean": -0.001, "ci_low": -0.4, "ci_high": 1.2},
    "share_left_after_days": 7.0,
    "days_between": {"shortest": 2.0, "median": 7.0, "longest": 30.0},
}


def test_the_next_visits_numbers_carry_unit_interval_n_and_method(findings):
    rows = details.held_table({**findings["findings"][0], "held": HELD}).rows
    assert [row[1] for row in rows] == [
        "+1.0° (95 % interval −0.5 to +2.5°)",
        "+1.0° (98 % interval −0.5 to +2.5°)",
        "+1.0° (95 % interval −0.5 to +2.5°) a day",
        "0 % (95 % interval −40 to 120 %)",
        "7 (median; 2 to 30)",
    ]
    assert {row[2] for row in rows[:-1]} == {"12 clients"}
    assert all(row[3] for row in rows)


def test_what_cannot_be_told_of_the_next_visit_says_why(findings):
    finding = {**findings["findings"][0], "held": None, "why_not_held": "2 clients came back."}
    assert details.held_sentence(finding) == "It cannot be told. 2 clients came back."
    assert details.held_table(finding).rows == []


def test_findings_that_never_asked_say_nothing_of_the_next_visit(findings):
    assert details.held_sentence(findings["findings"][0]) == ""


def test_the_agreement_of_two_readings_carries_interval_n_and_how_repeats_were_counted(findings):
    ends = {"value": 2.0, "ci_low": 1.0, "ci_high": 3.0}
    found = {"mean_difference": ends, "lower": ends, "upper": ends, "unit": "deg", "n_clients": 5, "n_pairs": 9}
    found |= {"several_pairs_a_client": "put together", "method": "mean ± 1.96 SD"}
    rulers = [
        {"measure": "lunge", "unit": "deg", "agreement": found, "why_no_agreement": ""},
        {"measure": "pain", "unit": "points", "agreement": None, "why_no_agreement": "nothing was read twice"},
    ]
    table = details.agreement_table(rulers, {"lunge": "ankle bend"})
    assert table.rows[0][0] == "Ankle bend"
    assert table.rows[0][2] == "+2.0° (95 % interval +1.0 to +3.0°)"
    assert table.rows[0][4:] == ("9 pairs, 5 clients", "mean ± 1.96 SD; put together")
    assert table.rows[1][-1] == "Nothing was read twice."
    assert table.full.loc[0, "lower_ci_low"] == 1.0


def test_what_is_compared_stands_side_by_side(findings):
    row = {"characteristic": "reading before", "technique": 31.0, "comparison": 30.0, "unit": "deg", "difference": 0.5}
    row |= {"ci_low": 0.1, "ci_high": 0.9, "n_clients": 9, "n_technique": 20, "n_comparison": 22}
    share = {
        **row,
        "characteristic": "no reading after",
        "unit": "share of sessions",
        "technique": 0.25,
        "comparison": 0,
    }
    share["difference"] = None
    balance = {"says": "not drawn.", "method": "by sessions", "rows": [row, share]}
    table = details.balance_table({**findings["findings"][0], "balance": balance})
    assert table.rows[0] == (
        "Reading before",
        "31°, 20 sessions",
        "30°, 22 sessions",
        "+0.5 SD (95 % interval +0.1 to +0.9 SD)",
        "9 clients",
    )
    assert table.rows[1][1:4] == ("25 % of 20", "0 % of 22", "no spread to measure it by")


def test_who_moved_says_better_worse_and_within_beside_what_error_alone_gives(findings):
    beyond = {"share": 0.5, "ci_low": 0.3, "ci_high": 0.7, "n": 20, "threshold": 4.0, "threshold_source": "own records"}
    beyond |= {"n_better": 10, "n_worse": 1, "n_within": 9, "worse": {"share": 0.05, "ci_low": 0.01, "ci_high": 0.24}}
    beyond |= {"counted_from": "before_2", "expected_if_nothing_happened": 0.025}
    finding = {**findings["findings"][0], "beyond_measurement_error": beyond}
    said = details.moved_sentence(finding)
    assert said == (
        "Of 20 clients, from the second reading before to the reading after: 10 better by more than measurement error, "
        "50 % (95 % interval 30 to 70 %); 1 worse by as much, 5 % (95 % interval 1 to 24 %); 9 within it. Error alone "
        "would show 2.5 % each way."
    )
    assert [row[1] for row in tables.numbers_table(finding).rows[2:4]] == [
        "50 % (95 % interval 30 to 70 %)",
        "5 % (95 % interval 1 to 24 %)",
    ]


def test_without_a_ruler_nobody_is_said_to_have_moved(findings):
    assert details.moved_sentence(findings["findings"][0]) == ""


def test_every_method_says_what_it_supposes_and_how_it_was_checked():
    line = {"name": "toolkit.a.b", "what_for": "A mean.", "assumptions": "Independent.", "source": "Student (1908)"}
    table = details.methods_table([{**line, "status": "verified", "test": "tests/a.py"}])
    assert table.rows == [("A mean.", "Independent.", "Student (1908)", "checked against published figures")]
    assert table.full.loc[0, "test"] == "tests/a.py"


def test_cautions_stand_by_section_and_name_a_source_only_where_there_is_one():
    said = {"key": "a", "place": "everyone", "text": "Stop when asked.", "source": "common practice, no source"}
    cited = {**said, "text": "Send on.", "source": "Someone, 2020"}
    groups = details.caution_groups({"cautions_by_section": [{"section": "First", "cautions": [said, cited]}]})
    assert groups == [("First", ["Stop when asked.", "Send on. (Someone, 2020)"])]


def test_findings_without_sections_show_their_cautions_all_the_same(findings):
    assert details.caution_groups(findings)[0][1]


def test_the_checklist_says_what_to_add(findings):
    item = {
        "section": "openness",
        "key": "a",
        "should_state": "Who paid",
        "stated": "",
        "to_add": "who paid",
        "guideline": "CONSORT item 25",
    }
    findings["checklist"] = [item]
    assert details.to_add(findings) == ["Openness: who paid."]
    assert details.checklist_table(findings).rows == [("Who paid", "not in the records", "who paid", "CONSORT item 25")]


def test_the_states_of_the_explanations_stand_in_a_line_each_the_open_ones_first(findings):
    lines = details.explanation_states(findings["findings"][0])
    assert lines == ["Open: regression to the mean, being measured again."]


def test_where_nothing_is_open_that_is_said(findings):
    finding = {**findings["findings"][0], "rivals": [{"rival": "chance", "status": "bounded"}]}
    assert details.explanation_states(finding)[0] == "Open: none."


def test_a_source_that_repeats_is_said_once():
    assert tables.said_once([("a", "x"), ("b", "x"), ("c", "y")]) == [("a", "x"), ("b", "as above"), ("c", "y")]


def test_a_published_error_beside_an_icc_of_ones_own_says_which_is_from_where(findings):
    own = {**findings["measurement"][0], "source": "published: Somebody 2020", "n_pairs": 9, "n_clients": 3}
    row = tables.measurement_table([own]).rows[0]
    assert row[-2] == "ICC: 9 pairs, 3 clients"
    assert row[-1].startswith("SEM and MDC95 published: Somebody 2020. ICC from own records: variance components")


def test_every_drawn_session_is_accounted_for_by_arm(findings):
    steps = [
        {"step": "drawn", "technique": 20, "comparison": 21},
        {"step": "no reading before", "technique": 0, "comparison": 0},
        {"step": "no reading after", "technique": 2, "comparison": 1},
        {"step": "in the estimate", "technique": 18, "comparison": 20},
    ]
    finding = {**findings["findings"][0], "flow": {"says": "3 of 41 have no reading after", "steps": steps}}
    table = details.flow_table(finding)
    assert table.rows == [("Drawn", "20", "21"), ("No reading after", "2", "1"), ("In the estimate", "18", "20")]
    assert details.flow_sentence(finding) == "3 of 41 have no reading after."
    assert details.draw_sentence({**finding, "draw": {"says": "it looks drawn"}}) == "It looks drawn."


def test_older_findings_say_nothing_of_the_draw(findings):
    finding = findings["findings"][0]
    assert (details.draw_sentence(finding), details.flow_sentence(finding)) == ("", "")
    assert details.flow_table(finding).rows == []
