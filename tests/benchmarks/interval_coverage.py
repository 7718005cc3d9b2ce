"""Do the toolkit's intervals keep their word? How often they hold a known truth, over simulated clinics.

A table of intervals stands in a module `coverage_<room>.py` of this folder with a module-level tuple `ENTRIES`. One
entry simulates one kind of data and computes any number of intervals from it. An interval left out of the answer, or a
ToolkitError for all of them, counts as refused:

    from interval_coverage import Entry, noise

    def simulate(rng, n, shape, repeated):      # n clients; shape "normal" | "skewed" | "heavy"
        return noise(rng, shape, n) + 3.0

    ENTRIES = (
        Entry(
            name="mean change",
            simulate=simulate,
            intervals=lambda data: {"mean change": (low, high)},       # through the toolkit
            truths=lambda shape, repeated: {"mean change": 3.0},
            repeated=(False,),                                         # the designs it is meant for; default both
        ),
    )

A table may also have a dict `KNOWN_TO_MISS`: words in interval names → why those miss the target (docstrings say so).
`python tests/benchmarks/coverage.py change` runs `coverage_change.py` in full (n = 8, 15, 30, 60; three shapes; 2,000
runs) and writes `coverage_change.csv` with seed, date and versions in every row. `tests/test_interval_coverage.py` runs
a small version of every table and checks the committed files. `noise` has mean 0 and SD 1 in every shape: skewed is a
gamma distribution with shape 4 (skewness 1), heavy a t distribution with 5 df (excess kurtosis 6).
"""

from __future__ import annotations

import importlib
import platform
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
SIZES = (8, 15, 30, 60)
SHAPES = ("normal", "skewed", "heavy")
SEED = 20261125
RUNS = 2000
LEVEL = 0.95


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One kind of simulated data and the intervals computed from it."""

    name: str
    simulate: Callable[[np.random.Generator, int, str, bool], Any]
    intervals: Callable[[Any], Mapping[str, tuple[float, float]]]
    truths: Callable[[str, bool], Mapping[str, float]]
    repeated: tuple[bool, ...] = (False, True)


def noise(rng: np.random.Generator, shape: str, size: int | tuple[int, ...]) -> np.ndarray:
    """Random numbers with mean 0 and SD 1."""
    if shape == "normal":
        return rng.standard_normal(size)
    if shape == "skewed":
        return (rng.gamma(4.0, size=size) - 4) / 2
    if shape == "heavy":
        return rng.standard_t(5, size) / np.sqrt(5 / 3)
    raise ValueError(shape)


def visits(n: int, repeated: bool) -> np.ndarray:
    """Client of each row: one row a client, or very unequal numbers (1, 2, 3, 6, 12, 1, 4, and so on again)."""
    return np.repeat(np.arange(n), np.resize([1, 2, 3, 6, 12, 1, 4], n) if repeated else 1)


def coverage(
    entries: Sequence[Entry],
    *,
    sizes: Sequence[int] = SIZES,
    shapes: Sequence[str] = SHAPES,
    runs: int = RUNS,
    seed: int = SEED,
    places: Sequence[int] | None = None,
) -> pd.DataFrame:
    """One row an interval, size, shape and design: share of runs whose interval holds the truth, median width.

    `places` picks entries by position, so that a long run can be cut in parts without changing its random numbers.
    """
    rows = []
    for place, entry in enumerate(entries):
        if places is not None and place not in places:
            continue
        for shape in shapes:
            for repeated in entry.repeated:
                truths = entry.truths(shape, repeated)
                for n in sizes:
                    rng = np.random.default_rng([seed, place, SHAPES.index(shape), int(repeated), n])
                    rows += _one_cell(entry, truths, rng, n, shape, repeated, runs)
    return pd.DataFrame(rows)


def _one_cell(entry, truths, rng, n, shape, repeated, runs) -> list[dict[str, Any]]:
    from toolkit.errors import ToolkitError

    found: dict[str, list[tuple[float, float]]] = {name: [] for name in truths}
    for _ in range(runs):
        data = entry.simulate(rng, n, shape, repeated)
        try:
            limits = entry.intervals(data)
        except ToolkitError:
            continue
        for name in truths:
            if name in limits:
                found[name].append(limits[name])
    rows = []
    for name, truth in truths.items():
        limits = np.array(found[name]).reshape(-1, 2)
        held = (limits[:, 0] <= truth) & (truth <= limits[:, 1])
        rows.append(
            {
                "interval": name,
                "data": entry.name,
                "shape": shape,
                "clients_repeated": repeated,
                "n": n,
                "truth": truth,
                "coverage": held.mean(),
                "too_high": (limits[:, 0] > truth).mean(),
                "too_low": (limits[:, 1] < truth).mean(),
                "median_width": np.median(limits[:, 1] - limits[:, 0]),
                "runs": len(limits),
                "refused": runs - len(limits),
            }
        )
    return rows


def tables() -> list[str]:
    """The rooms that have a table of intervals here."""
    return sorted(path.stem.removeprefix("coverage_") for path in HERE.glob("coverage_*.py"))


def entries_of(room: str) -> tuple[Entry, ...]:
    """The table of one room."""
    if str(HERE) not in sys.path:
        sys.path.insert(0, str(HERE))
    return tuple(importlib.import_module(f"coverage_{room}").ENTRIES)


def known_to_miss(room: str) -> dict[str, str]:
    """Words in the names of intervals that miss the target for normal values, with the reason the table gives."""
    entries_of(room)
    return dict(getattr(sys.modules[f"coverage_{room}"], "KNOWN_TO_MISS", {}))


def signed(result: pd.DataFrame, *, seed: int = SEED) -> pd.DataFrame:
    """The result with seed, date and versions in every row."""
    import scipy

    libraries = ", ".join(f"{library.__name__} {library.__version__}" for library in (np, scipy, pd))
    versions = f"Python {platform.python_version()}, {libraries}"
    return result.assign(seed=seed, date=date.today().isoformat(), versions=versions)
