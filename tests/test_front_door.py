"""The package's front door: what it offers, and that opening it is light."""

from __future__ import annotations

import subprocess
import sys

import pytest

import toolkit

HEAVY = ("pandas", "scipy", "statsmodels", "pingouin", "seaborn", "matplotlib", "jinja2", "formulaic")


@pytest.mark.parametrize("name", toolkit.__all__)
def test_every_name_that_is_offered_is_there(name):
    assert callable(getattr(toolkit, name))


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
