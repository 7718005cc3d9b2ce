"""The analysis in the usual libraries stands beside ours: the same numbers, the lines that give them."""

import ast
from contextlib import suppress
from functools import cache

import pytest

from toolkit.errors import SheetError, ToolkitError
from toolkit.replicating import replicate as replicate_sheet
from toolkit.replicating import shipped_sheets, verdict
from toolkit.replicating.in_libraries import in_library, library_table

replicate = cache(replicate_sheet)
SHEETS = {path.parent.name: path for path in shipped_sheets()}
PLAIN = ("sleep_drugs", "nerve_pain", "pain_threshold", "base_running", "wine_judges", "two_methods")


@pytest.mark.parametrize("name", PLAIN)
def test_the_libraries_give_the_same_numbers(name):
    rows = library_table(replicate(SHEETS[name]))
    known = rows[rows["library"].notna() & ~rows["figure"].str.contains("ranks: p")]  # scipy takes ties otherwise there
    assert len(known) >= 3
    assert known["library"].to_numpy() == pytest.approx(known["recomputed"].to_numpy(), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("name", sorted(SHEETS))
def test_the_lines_shown_are_python_on_the_sheets_own_columns(name):
    for one in replicate(SHEETS[name]).compared[:6]:
        with suppress(ToolkitError):  # any other kind of refusal would fail here
            found = in_library(one.figure)
            if found is not None:
                ast.parse(found.code)


def test_a_method_the_libraries_lack_gives_nothing():
    figure = replicate(SHEETS["single_case_phases"]).compared[0].figure
    assert in_library(figure) is None


def test_before_and_after_alone_never_earn_more_than_changed_readings():
    found = verdict(replicate(SHEETS["shoe_soles"]), drawn=True, blinded=True, smallest=0.1)
    assert found.level == "readings_changed"
    assert "Nobody was left untreated" in found.sentence()


@pytest.mark.parametrize(
    ("facts", "level"),
    [
        ({"drawn": True, "blinded": True}, "moved"),
        ({"drawn": True, "blinded": True, "smallest": 0.01}, "moved_enough"),
        ({"drawn": False, "blinded": True}, "not_enough"),
        ({"drawn": True, "blinded": False, "allowance": 0.5}, "not_enough"),
        ({"drawn": True, "blinded": True, "better": "lower"}, "worse_than_waiting"),
    ],
)
def test_a_difference_between_groups_is_judged_by_the_rule(facts, level):
    # ear_acupuncture: pain-free 10 of 43 and 2 of 46; Newcombe's interval of the difference 0.04 to 0.34
    assert verdict(replicate(SHEETS["ear_acupuncture"]), **facts).level == level


def test_a_paper_without_a_change_or_difference_leaves_the_rule_silent():
    found = verdict(replicate(SHEETS["six_targets"]), drawn=True, blinded=True)
    assert found.level is None
    assert "nothing to say" in found.sentence()


def test_the_figure_to_judge_by_can_be_named():
    found = verdict(
        replicate(SHEETS["base_running"]), drawn=False, blinded=False, rests_on="wide minus narrow angle, t"
    )
    assert found.rests_on.startswith("wide minus narrow angle, t")


@pytest.mark.parametrize(
    ("facts", "says"), [({"better": "up"}, "higher or lower"), ({"rests_on": "no such"}, "no figure is")]
)
def test_a_verdict_that_cannot_be_asked_for_is_refused(facts, says):
    with pytest.raises(SheetError, match=says):
        verdict(replicate(SHEETS["sleep_drugs"]), drawn=False, blinded=False, **facts)
