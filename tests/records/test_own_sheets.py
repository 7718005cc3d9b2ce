"""Sheets made on the spot, in fifteen languages and many habits: every true reading is found, none is invented."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.records import uglier_sheets
from tests.records.foreign_sheets import sheet_in_unknown_words
from tests.records.odd_habits import ASKED
from tests.records.own_sheets import MADE, Truth
from toolkit.errors import ExportError
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.records import Records, load_records

OWN = Path(__file__).parent / "own"


def readings_of(records: Records) -> Truth:
    """(client, when, measure, side, phase) → value."""
    found: Truth = {}
    for row in records.rows.to_dict("records"):
        day = f"day {row['day']}" if pd.notna(row["day"]) else f"visit {row['visit']}"
        when = row["date"].date().isoformat() if pd.notna(row["date"]) else day
        for phase in READING_FIELDS:
            if pd.notna(row[phase]):
                found[(row["client"], when, row["measure"], row["measured_side"], phase)] = row[phase]
    return found


def without_pairless(truth: Truth) -> Truth:
    """The readings that have one before on the same visit: the others may be set aside."""
    paired = {key[:4] for key in truth if key[4] in ("before", "before_2")}
    return {key: value for key, value in truth.items() if key[:4] in paired}


def test_the_uglier_sheets_are_among_them() -> None:
    assert sum(made.__module__ == uglier_sheets.__name__ for made in MADE.values()) >= 16


@pytest.mark.parametrize("name", MADE)
@pytest.mark.parametrize("seed", [1])
def test_every_reading_of_a_sheet_is_found_and_none_is_invented(tmp_path: Path, name: str, seed: int) -> None:
    path, truth = MADE[name](tmp_path, np.random.default_rng(seed))
    records = load_records(path)
    found = readings_of(records)
    assert {key: pytest.approx(value) for key, value in without_pairless(truth).items()} == found
    source = records.source
    assert source.rows_read == source.rows_kept + source.rows_set_aside
    assert source.readings_read == source.readings_kept + source.readings_set_aside


@pytest.mark.parametrize("name", ASKED)
def test_what_only_a_person_knows_is_asked_before_anything_is_read(tmp_path: Path, name: str) -> None:
    make, words = ASKED[name]
    with pytest.raises(ExportError, match=words):
        load_records(make(tmp_path, np.random.default_rng(1)))


def test_a_unit_asked_for_is_answered_in_one_line(tmp_path: Path) -> None:
    path = ASKED["grip_wide_no_unit"][0](tmp_path, np.random.default_rng(1))
    (tmp_path / "columns.toml").write_text('[units]\ngrip_strength = "lb"\n', encoding="utf-8")
    records = load_records(path)
    assert set(records.rows["unit"]) == {"lbf"}
    assert records.source.readings_kept == 32
    assert records.mapping.asked == ()


@pytest.mark.parametrize("language", ["hu", "el", "ru", "ja"])
def test_of_a_sheet_in_unknown_words_nothing_is_read_and_the_way_on_is_told(tmp_path: Path, language: str) -> None:
    with pytest.raises(ExportError, match=r"no column was found .* columns\.toml"):
        load_records(sheet_in_unknown_words(tmp_path, language))


def test_a_workbook_of_the_old_format_is_read() -> None:
    truth = pd.read_csv(OWN / "hips 2019.readings.csv")
    expected = {tuple(row[:5]): float(row[5]) for row in truth.to_numpy().tolist()}
    assert readings_of(load_records(OWN / "hips 2019.xls")) == expected
