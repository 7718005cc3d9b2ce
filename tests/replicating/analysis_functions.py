"""Which public functions are analyses: they return a result that a reader sees, or name the source of their method."""

import csv
import importlib
import inspect
import pkgutil
import re
import sys
from collections.abc import Callable

import pandas as pd

from toolkit import stats
from toolkit.resources import shared_file
from toolkit.result import Estimate, Shown

ROOMS = ("stats", "mixed", "explanations", "comparing", "planning", "effect", "replicating")
# what `dir(toolkit)` and `dir(toolkit.stats)` list: these call the methods that have the lines
FRONTS = {"stats.data", "stats.usual", "mixed.model", "explanations.by_formula"}
FRONTS |= {f"stats.{module}" for module in stats.WHERE.values()}
RESULT_NAMES = {"TestResult", "FTest", "Explanation", "AdjustmentStep", "Attributable", "Redrawn", "PublishedValue"}


def analysis_functions() -> dict[str, Callable]:
    """Dotted name → function, for every public analysis function of the rooms."""
    found = {}
    for room in ROOMS:
        package = importlib.import_module(f"toolkit.{room}")
        for part in pkgutil.iter_modules(package.__path__):
            if f"{room}.{part.name}" in FRONTS:
                continue
            module = importlib.import_module(f"toolkit.{room}.{part.name}")
            for name, function in inspect.getmembers(module, inspect.isfunction):
                if function.__module__ == module.__name__ and not name.startswith("_") and _is_analysis(function):
                    found[f"{module.__name__}.{name}"] = function
    return found


def _is_analysis(function: Callable) -> bool:
    if re.search(r"Source:|^References$", inspect.getdoc(function) or "", re.M):
        return True
    words = re.findall(r"\w+", str(function.__annotations__.get("return", "")))
    return any(_is_result(function.__globals__.get(word)) for word in words)


def _is_result(one: object) -> bool:
    if not isinstance(one, type):
        return False
    return issubclass(one, Shown | Estimate) or one.__name__ in RESULT_NAMES


def missing_lines() -> list[list[str]]:
    """A draft line of `shared/methods.csv` for every analysis function that has none yet."""
    page = pd.read_csv(shared_file("methods.csv"), dtype=str)
    found = analysis_functions()
    drafts = []
    for name in sorted(set(found) - set(page["name"])):
        document = inspect.getdoc(found[name]) or ""
        source = re.search(r"(?:Source: |References\n-+\n)(.*?)(?:\n\s*\n|\Z)", document, re.S)
        what = " ".join(document.split("\n\n")[0].split())
        drafts.append([name, what, "", " ".join(source[1].split()) if source else "", "from memory", "none yet"])
    return drafts


if __name__ == "__main__":  # python tests/replicating/analysis_functions.py prints the lines to complete
    csv.writer(sys.stdout, lineterminator="\n").writerows(missing_lines())
