"""What the report says it used is what ran, and everything that ran and is a method is known to the list."""

from __future__ import annotations

import importlib
import inspect
import sys

import pandas as pd
import pytest

from toolkit.auditing import Audit, audit
from toolkit.explanations.all_explanations import EXPLANATIONS as ASKED_EXPLANATIONS
from toolkit.findings.methods_used import ENTRIES, EXPLANATIONS, MAIN, SIZED, conditions
from toolkit.resources import shared_file
from toolkit.simulate import ClinicDials, simulate_clinic

PAGE = pd.read_csv(shared_file("methods.csv"), dtype=str, keep_default_na=False)
NAMED = [
    *(name for names in (*ENTRIES.values(), *EXPLANATIONS.values()) for name in names),
    *(one for _, one in SIZED.values()),
]
MENTIONED = {f"toolkit.{name}" for name in NAMED}
MENTIONED |= {"toolkit.effect.estimate.with_also"}  # a step of `estimate`
CODES = {}
for dotted in PAGE["name"]:
    module, _, bare = dotted.rpartition(".")
    CODES[inspect.unwrap(getattr(importlib.import_module(module), bare)).__code__] = dotted


def traced(rows: pd.DataFrame, question) -> tuple[Audit, set[str]]:
    """An audit, and the methods that really ran."""
    ran = set()

    def watch(frame, event, _):
        if event == "call" and frame.f_code in CODES:
            ran.add(CODES[frame.f_code])

    for dotted in CODES.values():  # what an earlier test left remembered must run again to be seen
        module, _, bare = dotted.rpartition(".")
        getattr(getattr(importlib.import_module(module), bare), "cache_clear", lambda: None)()
    before = sys.getprofile()
    sys.setprofile(watch)
    try:
        found = audit(rows, question=question)
        assert found.findings["findings"]  # put together when asked for
    finally:
        sys.setprofile(before)
    return found, ran


def clinic(**dials) -> pd.DataFrame:
    return simulate_clinic(ClinicDials(effect=4.0, start="2024-01-08", **dials), rng=1).rows


CASES = {
    "drawn order": lambda: clinic(n_clients=24),
    "few clients": lambda: clinic(n_clients=12),
    "sessions only measured": lambda: clinic(n_clients=24, design="comparison_sessions"),
    "read once before": lambda: clinic(n_clients=24, design="comparison_sessions").drop(columns="before_2"),
    "nothing to compare with": lambda: clinic(n_clients=24).assign(order=""),
    "two clients": lambda: clinic(n_clients=2),
}


@pytest.mark.parametrize("name", CASES)
def test_what_is_listed_ran_and_what_ran_is_known(asked, name):
    found, ran = traced(CASES[name](), asked)
    listed = {line["name"] for line in found.findings["methods_used"]}
    assert sorted(listed - ran) == []
    assert sorted(ran - MENTIONED) == []
    assert len(listed) > 15


def test_undeclared_questions_list_what_corrects_for_many(rows):
    two = rows.assign(intervention=rows["intervention"].where(rows["client"].astype(str) > "c0015", "hand"))
    found = audit(two)
    assert "several questions" in conditions(found.findings)
    assert any(method["name"] == "Correction for several questions" for method in found.findings["methods"])


def test_redraws_are_named_only_where_they_were_made(asked):
    for name, redrawn in (("drawn order", False), ("few clients", True)):
        names = {method["name"] for method in audit(CASES[name](), question=asked).findings["methods"]}
        assert ("Re-randomisation test and interval by inversion" in names) == redrawn


def test_every_entry_mentioned_is_on_the_page():
    assert sorted(MENTIONED - set(PAGE["name"])) == []


def test_every_explanation_has_its_entries(asked):
    found = audit(CASES["drawn order"](), question=asked).findings["findings"][0]
    assert {explanation["rival"] for explanation in found["rivals"]} == set(EXPLANATIONS)
    assert len(EXPLANATIONS) == len(ASKED_EXPLANATIONS)


def test_conditions_are_the_same_words_in_both_tables(asked):
    known = set(ENTRIES) | set(MAIN)
    possible = conditions(audit(CASES["drawn order"](), question=asked).findings)
    assert possible <= known
