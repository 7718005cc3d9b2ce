"""Published and independently computed figures, and how a test module claims them.

`expected.json` holds 399 figures, each with its data or inputs, value, absolute tolerance and source. Every one of them
is either checked by exactly one test module of this folder, or listed with a reason in `out_of_scope.csv`
(`test_every_figure_is_claimed.py` sees to it).

How a test module claims figures: it has a module-level dict `CHECKS`, id → function without arguments that computes
the figure through the toolkit, and one table-driven test over it:

    import pytest
    from published_figures import expected, open_data
    from toolkit.stats.intraclass import icc

    def _judges(): ...                       # open_data("judges_shrout_fleiss_1979.csv") as a tidy frame

    CHECKS = {
        "sf_icc_1_1": lambda: icc(_judges()).icc_1_1.value,
        "sf_bms": lambda: icc(_judges()).ms_subjects,
    }

    @pytest.mark.parametrize("figure", CHECKS)
    def test_the_toolkit_agrees_with_the_published_figure(figure):
        expected(figure).check(CHECKS[figure]())

`check` raises with the figure's source, method and how it was computed. When a module claims an id, delete the id's
line from `out_of_scope.csv` in the same commit. `CHECKS` must not repeat an id of another module. Importing a test
module must be cheap: compute inside the functions (use `functools.cache` for a model that several ids share).
`python tests/against_published/agreement_report.py` prints, per method, the checks, sources and the worst disagreement.
"""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd

HERE = Path(__file__).resolve().parent
OPEN_DATA = HERE.parent.parent / "datasets" / "open" / "data"


@dataclass(frozen=True, kw_only=True, eq=False)
class Expected:
    """One figure from outside: its value, how closely it must be met, and where it comes from."""

    id: str
    value: float
    tolerance: float
    method: str
    what: str
    source: str
    how: str
    status: str
    data: str = ""
    inputs: dict[str, Any] = field(default_factory=dict)
    published_value: float | None = None
    published_read: str = ""
    computed_with: str = ""
    note: str = ""

    def disagreement(self, got: float) -> float:
        """How far `got` lies from the figure, as a multiple of the tolerance."""
        return abs(float(got) - self.value) / self.tolerance

    def check(self, got: float, *, tolerance: float | None = None) -> None:
        """Raise AssertionError with the figure's source unless `got` meets it (within `tolerance`, else its own)."""
        allowed = self.tolerance if tolerance is None else tolerance
        if not abs(float(got) - self.value) <= allowed:
            raise AssertionError(
                f"{self.id}: {self.method}, {self.what}\n"
                f"  expected {self.value!r} within {allowed:g}, got {float(got)!r}"
                f"\n  source: {self.source}\n  how: {self.how}\n  status: {self.status} {self.note}"
            )


@cache
def all_figures() -> dict[str, Expected]:
    """Every figure of `expected.json` by its id, in the file's order."""
    entries = json.loads((HERE / "expected.json").read_text(encoding="utf-8"))
    return {entry["id"]: Expected(**entry) for entry in entries}


def expected(figure: str) -> Expected:
    """The figure with this id."""
    return all_figures()[figure]


def open_data(name: str) -> pd.DataFrame:
    """One of the re-entered open data sets, by file name; `NA` is read as missing."""
    return pd.read_csv(OPEN_DATA / name)


def out_of_scope() -> dict[str, str]:
    """The ids no test module claims, with the reason."""
    listed = pd.read_csv(HERE / "out_of_scope.csv", dtype=str, keep_default_na=False)
    return dict(zip(listed["id"], listed["reason"], strict=True))


def test_modules() -> dict[str, ModuleType]:
    """The test modules of this folder that claim figures, by file name."""
    found: dict[str, ModuleType] = {}
    for path in sorted(HERE.glob("test_*.py")):
        if "CHECKS" in path.read_text(encoding="utf-8") and path.stem != "test_every_figure_is_claimed":
            found[path.name] = _import(path)
    return found


test_modules.__test__ = False  # type: ignore[attr-defined]  # gives modules, is no test itself


def _import(path: Path) -> ModuleType:
    name = f"claims_of_{path.stem}"
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module
