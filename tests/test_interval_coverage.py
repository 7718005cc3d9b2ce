"""Intervals keep their word: a small simulation on every push, and the committed full one held to its target."""

import sys
from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))

from interval_coverage import (
    HERE,
    LEVEL,
    RUNS,
    SHAPES,
    SIZES,
    Entry,
    coverage,
    entries_of,
    known_to_miss,
    tables,
)

SMALL_RUNS = 150
TARGET = (0.935, 0.965)
ROOM_FOR_CHANCE = 0.01  # two standard errors of a coverage of 95 % in 2,000 runs


def _known(interval):
    return any(word in interval for room in tables() for word in known_to_miss(room))


def _entries():
    return [pytest.param(entry, id=f"{room}: {entry.name}") for room in tables() for entry in entries_of(room)]


@pytest.mark.parametrize("entry", _entries())
def test_normal_intervals_hold_the_truth_about_as_often_as_they_promise(entry):
    result = coverage([entry], sizes=(20,), shapes=("normal",), runs=SMALL_RUNS)
    for row in result.itertuples():
        if _known(row.interval):
            continue
        held = round(row.coverage * row.runs)
        too_rare = stats.binomtest(held, row.runs, TARGET[0], alternative="less").pvalue
        assert too_rare > 1e-4, f"{row.interval}: {row.coverage:.3f} of {row.runs} intervals hold {row.truth:.4g}"


def _committed():
    return [pytest.param(path, id=path.name) for path in sorted(HERE.glob("coverage_*.csv"))]


@pytest.mark.parametrize("path", _committed())
def test_the_committed_coverage_meets_the_target_for_normal_values_from_fifteen_clients(path):
    result = pd.read_csv(path)
    normal = result[(result["shape"] == "normal") & (result["n"] >= 15) & ~result["interval"].map(_known)]
    off = normal[
        (normal["coverage"] < TARGET[0] - ROOM_FOR_CHANCE) | (normal["coverage"] > TARGET[1] + ROOM_FOR_CHANCE)
    ]
    assert off[["interval", "clients_repeated", "n", "coverage"]].to_dict("records") == []


@pytest.mark.parametrize("path", _committed())
def test_the_committed_coverage_is_complete_and_says_how_it_was_made(path):
    result = pd.read_csv(path)
    room = path.stem.removeprefix("coverage_")
    promised = {
        (name, shape, repeated, n)
        for entry in entries_of(room)
        for repeated in entry.repeated
        for name in entry.truths("normal", repeated)
        for shape in SHAPES
        for n in SIZES
    }
    stored = set(result[["interval", "shape", "clients_repeated", "n"]].itertuples(index=False, name=None))
    assert stored == promised
    assert (result["runs"] + result["refused"] == RUNS).all()
    assert {"seed", "date", "versions"} <= set(result.columns)


def test_an_interval_that_is_too_short_would_be_noticed():
    short = Entry(
        name="half the width",
        simulate=lambda rng, n, shape, repeated: rng.standard_normal(n),
        intervals=lambda x: {"mean": (x.mean() - x.std() / n_root(x), x.mean() + x.std() / n_root(x))},
        truths=lambda shape, repeated: {"mean": 0.0},
        repeated=(False,),
    )
    held = coverage([short], sizes=(20,), shapes=("normal",), runs=SMALL_RUNS)["coverage"].item()
    assert stats.binomtest(round(held * SMALL_RUNS), SMALL_RUNS, LEVEL, alternative="less").pvalue < 1e-4


def n_root(x):
    return len(x) ** 0.5
