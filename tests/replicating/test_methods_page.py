"""`shared/methods.csv`: one line a method; no public analysis function without one, no test named that is not there.

Columns: name (dotted function), what_for, assumptions, source (year and page where known), status, test. Status
"verified": published or independently computed figures check it (`tests/against_published/`); "from memory": source and
formula were recalled, known answers, other libraries or simulation check it. A test is named for each.
`python tests/replicating/analysis_functions.py` prints a draft line for each function that has none.
"""

import importlib
import re
from functools import cache

import pandas as pd
import pytest
from analysis_functions import analysis_functions

from toolkit.replicating import METHODS
from toolkit.resources import shared_file

ROOT = shared_file("methods.csv").parent.parent
COLUMNS = ["name", "what_for", "assumptions", "source", "status", "test"]


@cache
def _page() -> pd.DataFrame:
    return pd.read_csv(shared_file("methods.csv"), dtype=str, keep_default_na=False)


def test_the_page_has_its_columns_and_no_method_twice():
    assert list(_page().columns) == COLUMNS
    assert _page()["name"].is_unique


def test_no_public_analysis_function_is_without_an_entry():
    assert sorted(set(analysis_functions()) - set(_page()["name"])) == []


def test_no_entry_names_a_function_that_is_gone():
    gone = [name for name in _page()["name"] if not _exists(name)]
    assert gone == []


def _exists(dotted: str) -> bool:
    module, _, name = dotted.rpartition(".")
    return hasattr(importlib.import_module(module), name)


@pytest.mark.parametrize("column", COLUMNS)
def test_nothing_is_left_empty(column):
    assert _page().loc[_page()[column].str.strip() == "", "name"].tolist() == []


def test_the_status_is_one_of_two_words():
    assert set(_page()["status"]) <= {"verified", "from memory"}


def test_every_named_test_is_there_and_speaks_of_the_method():
    silent = []
    for name, tests in zip(_page()["name"], _page()["test"], strict=True):
        bare = name.rpartition(".")[2]
        for test in tests.split():
            path = ROOT / test
            if not path.is_file() or (path.parent.name != "toolkit" and not _speaks(path.read_text("utf-8"), bare)):
                silent.append((name, test))
    assert silent == []


def _speaks(text: str, bare: str) -> bool:
    return re.search(rf"\b{bare}\b", text) is not None


def test_verified_means_checked_against_published_figures():
    verified = _page()[_page()["status"] == "verified"]
    elsewhere = [n for n, t in zip(verified["name"], verified["test"], strict=True) if "against_published" not in t]
    assert elsewhere == []


def test_every_method_of_the_replication_sheet_names_functions_that_are_there():
    used = [one for method in METHODS.values() for one in method.uses.split(", ") if one.startswith("toolkit.")]
    assert [one for one in used if not _exists(one)] == []


def test_every_path_named_is_a_file_of_the_project():
    named = {test for tests in _page()["test"] for test in tests.split()}
    assert sorted(test for test in named if not (ROOT / test).is_file()) == []
    assert len(named) >= 30
