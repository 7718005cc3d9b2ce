"""The README's table of the Python interface: every name of the door stands in it, and every line runs."""

import re
from functools import cache

import pytest

import toolkit
from toolkit import stats
from toolkit.resources import dataset_file
from toolkit.result import Result, Shown

README = (dataset_file("").parent / "README.md").read_text(encoding="utf-8")
TABLE = [line for line in README.split("## From Python")[1].split("##")[0].splitlines() if line.startswith("| ")][2:]
LONGEST = 9_900  # characters: it is read before anything is known
SHOWN_ELSEWHERE = {"Audit", "ClinicDials", "Comparison", "Estimate", "MixedModel", "ProtocolDials", "Question"}
SHOWN_ELSEWHERE |= {
    "Records",
    "Registry",
    "Result",
    "ToolkitError",
}  # what the functions of the table return, take or raise


def code_of(line):
    """The line of code of a row: the first that stands between backticks in its second cell."""
    return re.findall(r"`([^`]+)`", line.split(" | ")[1])[0]


@cache
def room():
    """What the lines of code may use."""
    names = {name: getattr(toolkit, name) for name in toolkit.__all__}
    return names | {"records": toolkit.load_records(toolkit.demo()), "m": "ankle_dorsiflexion_lunge"}


def test_every_name_of_the_door_stands_in_the_table():
    words = set(re.findall(r"\w+", "\n".join(TABLE)))
    assert [name for name in toolkit.__all__ if name not in words | SHOWN_ELSEWHERE | {"load_records", "demo"}] == []
    assert [name for name in stats.__all__ if name not in words] == []
    assert "load_records(demo())" in README


@pytest.mark.parametrize("line", [line for line in TABLE if ".toml" not in code_of(line)], ids=code_of)
def test_every_line_of_code_runs_and_gives_something_to_look_at(line):
    found = eval(code_of(line), room())
    if isinstance(found, Result | Shown):
        assert len(found.sentence()) > 20
        assert len(found.frame)
    assert found is not None


def test_the_readme_stays_short():
    assert len(README) <= LONGEST
