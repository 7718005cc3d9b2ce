"""Which public functions are analyses: they return a result that a reader sees, or name the source of their method."""

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable

from toolkit.result import Estimate, Shown

ROOMS = ("measurement", "change", "models", "rivals", "protocols", "planning", "attributable", "replicate")
RESULT_NAMES = {"TestResult", "FTest", "Rival", "Rung", "Attributable", "Redrawn", "PublishedValue"}


def analysis_functions() -> dict[str, Callable]:
    """Dotted name → function, for every public analysis function of the rooms."""
    found = {}
    for room in ROOMS:
        package = importlib.import_module(f"toolkit.{room}")
        for part in pkgutil.iter_modules(package.__path__):
            module = importlib.import_module(f"toolkit.{room}.{part.name}")
            for name, function in inspect.getmembers(module, inspect.isfunction):
                if function.__module__ == module.__name__ and not name.startswith("_") and _is_analysis(function):
                    found[f"{module.__name__}.{name}"] = function
    return found


def _is_analysis(function: Callable) -> bool:
    if "Source:" in (inspect.getdoc(function) or ""):
        return True
    words = re.findall(r"\w+", str(function.__annotations__.get("return", "")))
    return any(_is_result(function.__globals__.get(word)) for word in words)


def _is_result(one: object) -> bool:
    if not isinstance(one, type):
        return False
    return issubclass(one, Shown | Estimate) or one.__name__ in RESULT_NAMES
