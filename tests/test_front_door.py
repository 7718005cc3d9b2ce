"""The package's front door: what it offers, and that opening it is light."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import toolkit
from toolkit import stats

HEAVY = ("pandas", "scipy", "statsmodels", "pingouin", "seaborn", "matplotlib", "jinja2", "formulaic")


PUBLIC = [*(f"toolkit.{name}" for name in toolkit.__all__ if name != "stats"), *(f"stats.{n}" for n in stats.__all__)]


def offered(path):
    """A public object by the name a reader types."""
    room, name = path.split(".")
    return getattr(toolkit if room == "toolkit" else stats, name)


@pytest.mark.parametrize("path", PUBLIC)
def test_every_name_that_is_offered_is_there(path):
    assert callable(offered(path))


def test_dir_lists_the_door_and_nothing_else():
    assert dir(toolkit) == sorted([*toolkit.__all__, "__version__"])
    assert sorted(toolkit.WHERE) == sorted(toolkit.__all__)
    assert sorted(stats.WHERE) == sorted(stats.__all__)


@pytest.mark.parametrize("path", [path for path in PUBLIC if not path.split(".")[1][0].isupper()])
def test_every_function_of_the_door_is_typed_and_has_an_example(path):
    function = offered(path)
    given = inspect.signature(function)
    assert given.return_annotation is not given.empty
    assert all(one.annotation is not one.empty for one in given.parameters.values())
    assert ">>>" in inspect.getdoc(function)


@pytest.mark.parametrize("path", PUBLIC)
def test_every_name_of_the_door_is_documented_by_the_numpy_convention(path):
    thing = offered(path)
    document = inspect.getdoc(thing)
    if isinstance(thing, type):
        fields = dataclasses.fields(thing) if dataclasses.is_dataclass(thing) else ()
        assert [one.name for one in fields if one.name not in document] == []
        return
    wanted = ("Parameters", "Returns", "Raises", "Examples")
    assert [name for name in wanted if f"\n{name}\n{'-' * len(name)}\n" not in document] == []
    described = document.split("\nParameters\n")[1].split("\nReturns\n")[0]
    named = {word.strip(" *") for line in re.findall(r"^([*\w, ]+)$", described, re.M) for word in line.split(",")}
    assert [name for name in inspect.signature(thing).parameters if name not in named] == []


IGNORED = {
    "D105": "what __float__ or __str__ does is known",
    "D400": "a first line may end in a question mark (D415)",
    "D401": "a first line may say what comes back",
    "D403": "p and the libraries' names are written small",
}


def test_a_linter_finds_the_docstrings_in_order():
    modules = {f"toolkit.{module}" for module, _ in toolkit.WHERE.values()}
    modules |= {f"toolkit.stats.{module}" for module in stats.WHERE.values()}
    files = sorted(str(Path(importlib.import_module(module).__file__)) for module in modules)
    rules = ["--select", "D,D415", "--ignore", ",".join(IGNORED), "--config", 'lint.pydocstyle.convention="numpy"']
    said = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "--output-format", "concise", *rules, *files],
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.stdout.strip() == "All checks passed!"


def test_no_public_function_is_without_a_door():
    root = Path(toolkit.__file__).parent.parent
    said = subprocess.run(
        [sys.executable, "-m", "scripts.unreached"], cwd=root, capture_output=True, text=True, check=False
    )
    assert said.stdout.splitlines()[:-1] == []


def test_audit_is_the_function_however_often_and_wherever_it_was_imported():
    said = (
        "import toolkit.auditing; from toolkit import audit; from toolkit import audit as again; "
        "import types; assert audit is again and isinstance(audit, types.FunctionType)"
    )
    assert subprocess.run([sys.executable, "-c", said], check=False).returncode == 0


def test_importing_the_toolkit_imports_nothing_heavy():
    said = f"import sys, toolkit; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", said], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


NOT_FOR_AN_ANSWER = ("scipy.stats", "statsmodels", "pingouin", "seaborn", "matplotlib", "formulaic")


def test_an_answer_waits_for_no_library_that_it_does_not_need():
    said = (
        "import sys; from toolkit import audit; from toolkit.resources import dataset_file; "
        "asked = dict(measure='ankle_dorsiflexion_lunge', region='soleus', intervention='percussive_release'); "
        "audit(dataset_file('demo/sessions.csv'), question=asked); "
        f"print([m for m in {NOT_FOR_AN_ANSWER!r} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", said], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_name_that_is_not_offered_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        toolkit.nothing  # noqa: B018
