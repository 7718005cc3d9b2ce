"""Exports changed by chance: whatever a sheet has become, its accounts close and an audit answers or says why not.

200 of them here; `HOSTILE_RUNS=2000 python start.py test -k mutated` for all.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.safety.corpus import PAYLOADS
from toolkit.auditing import audit
from toolkit.errors import ToolkitError
from toolkit.records.records import load_records
from toolkit.simulate import ALL_EXPLANATIONS, ClinicDials, simulate_clinic

RUNS = int(os.environ.get("HOSTILE_RUNS", "200"))
ASKED = {
    "measure": "cervical_lateral_flexion",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "comparison": "wait",
    "smallest_change_that_matters": 5.0,
    "unit": "deg",
}
SHORT = [text for text in PAYLOADS if len(text) < 400]


@cache
def clinic(number: int) -> pd.DataFrame:
    """One of a few small clinics, every cell a text."""
    design = ("order_drawn", "side_drawn", "comparison_sessions", "none")[number % 4]
    dials = ClinicDials(n_clients=9, visits=3.0, design=design, **(ALL_EXPLANATIONS if number % 2 else {}))
    return simulate_clinic(dials, rng=number).rows.astype(object).fillna("").astype(str)


def blank(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    column = rng.integers(rows.shape[1])
    rows.iloc[rng.random(len(rows)) < rng.random(), column] = ""
    return rows


def spoil(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    for _ in range(int(rng.integers(1, 6))):
        rows.iloc[int(rng.integers(len(rows))), int(rng.integers(rows.shape[1]))] = SHORT[int(rng.integers(len(SHORT)))]
    return rows


def repeat(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    return pd.concat([rows, rows.sample(frac=float(rng.random()), random_state=int(rng.integers(1000)))])


def lose(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    return rows[rng.random(len(rows)) < max(0.05, float(rng.random()))]


def swap(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    one, other = rng.choice(rows.shape[1], 2, replace=False)
    names = list(rows.columns)
    return rows.rename(columns={names[one]: names[other], names[other]: names[one]})


def drop_column(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    return rows.drop(columns=rows.columns[int(rng.integers(rows.shape[1]))])


def rename(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    words = ("Pt #", "Notes", "Datum", "Side L/R", "pre", "post", "", "Kraft", "<b>", "Neck rot L pre")
    return rows.rename(columns={rows.columns[int(rng.integers(rows.shape[1]))]: words[int(rng.integers(len(words)))]})


def mark(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Marks as people make them: 35*, ~40, >90, same, a comma."""
    column = ("before", "after", "before_2")[int(rng.integers(3))]
    ways: list[Callable[[str], str]] = [
        *(lambda t: f"{t}*", lambda t: f"~{t}", lambda t: f">{t}", lambda _: "same", lambda _: "nt"),
        *(lambda t: t.replace(".", ","), lambda t: f"{t} (stiff)", lambda t: f"{t}-{t}", lambda t: f"{t}°"),
    ]
    way = ways[int(rng.integers(len(ways)))]
    if column in rows and rows[column].ndim == 1:
        rows[column] = [way(str(text)) if rng.random() < 0.3 else text for text in rows[column]]
    return rows


def redate(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    ways = ("%d.%m.%Y", "%m/%d/%Y", "%d/%m/%y", "%Y%m%d", "%B %d")
    if "date" in rows and rows["date"].ndim == 1:
        dates = pd.to_datetime(rows["date"], errors="coerce", format="%Y-%m-%d")
        rows["date"] = dates.dt.strftime(ways[int(rng.integers(len(ways)))]).fillna("")
    return rows


def constant(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    rows.iloc[:, int(rng.integers(rows.shape[1]))] = ("1", "x", "left", "2026-01-01")[int(rng.integers(4))]
    return rows


CHANGES = (blank, spoil, repeat, lose, swap, drop_column, rename, mark, redate, constant)


def mutated(number: int) -> pd.DataFrame:
    """The clinic of this number after one to five changes drawn by chance."""
    rng = np.random.default_rng(number)
    rows = clinic(number % 8).copy()
    for _ in range(int(rng.integers(1, 6))):
        if len(rows) and rows.shape[1] > 2:
            rows = CHANGES[int(rng.integers(len(CHANGES)))](rows, rng)
    return rows.sample(frac=1.0, random_state=number) if number % 3 == 0 else rows


def answered(ask: Callable[[], Any]) -> tuple[Any, str]:
    """The answer, or None and the sentence that says why there is none; anything else is a failure."""
    try:
        return ask(), ""
    except ToolkitError as refused:
        return None, str(refused)


@pytest.mark.parametrize("number", range(RUNS))
def test_a_mutated_export_closes_its_accounts_and_is_answered(number, tmp_path):
    place = tmp_path / "year.csv"
    mutated(number).to_csv(place, index=False, sep=",;\t"[number % 3], encoding=("utf-8", "utf-16")[number % 7 == 0])
    records, why = answered(lambda: load_records(place))
    if records is None:
        assert len(why) > 30
        return
    source = records.source
    assert source.rows_read == source.rows_kept + source.rows_set_aside
    assert source.readings_read == source.readings_kept + source.readings_set_aside
    assert (records.set_aside["scope"] == "row").sum() == source.rows_set_aside
    found, why = answered(lambda: audit(records, question=ASKED if number % 4 else None))
    if found is None:
        assert len(why) > 30
        return
    assert found.findings["export"]["rows_read"] == source.rows_read
    assert "nan" not in found.sentence()
