"""Two readings in one cell: which two is told by header, title or arrow, else asked; nothing is guessed."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from tests.records.odd_habits import ASKED
from toolkit.commands.columns import columns
from toolkit.errors import ExportError
from toolkit.records.lexicon import words_of_language
from toolkit.records.pairs import pair_sign, pairs_apart
from toolkit.records.propose import propose_columns
from toolkit.records.reading_files import read_frame
from toolkit.records.records import load_records

CELLS = ["52/58", "49/55", "61/60", "57/63"]


def sheet(header: str, cells: list[str], **more: list[str]) -> pd.DataFrame:
    """A sheet with one column that may hold pairs."""
    days = [f"2024-03-{day:02d}" for day in range(4, 4 + len(cells))]
    told = {"Client": ["A1", "A2"] * (len(cells) // 2), "Date": days, "Area": "L UT", "Tx": "gun", header: cells}
    return pd.DataFrame(told | more)


def apart(header: str, cells: list[str], **more: list[str]) -> dict[str, list[str]]:
    """Header → cells, after pairs were taken apart."""
    found = pairs_apart(read_frame(sheet(header, cells, **more))).cells
    return {str(name): found[name].astype(str).tolist() for name in found.columns[4:]}


@pytest.mark.parametrize(
    ("header", "cells", "names"),
    [
        ("Neck rot L (pre/post)", CELLS, ["before", "after"]),
        ("Neck rot pre L/R", CELLS, ["left", "right"]),
        ("Neck rot pre (R / L)", CELLS, ["right", "left"]),
        ("Neck rot L", ["52→58", "49 -> 55", "61 > 60", "57→63"], ["before", "after"]),
        ("Neck rot L", ["52-58", "49 - 55", "61–60", "57-63"], ["before", "after"]),
    ],
)
def test_the_header_or_the_arrow_tells_which_two(header, cells, names):
    found = apart(header, cells)
    assert list(found) == [f"{header} [{name}]" for name in names]
    assert [column[0] for column in found.values()] == ["52", "58"]


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Neck rot L pre", ["52-58", "49-55", "61-66", "57-63"]),  # ranges
        ("Pain pre", ["6/10", "4/10", "3/10", "7/10"]),  # a scale
        ("Date seen", ["03/04", "05/04", "06/04", "07/04"]),
        ("Neck rot L pre", ["52", "49/55", "61", "57"]),  # one odd cell
        ("Neck rot L pre", [">90", ">85", "80", "70"]),
    ],
)
def test_ranges_scales_dates_and_limits_are_no_pairs(header, cells):
    assert list(apart(header, cells)) == [header]


def test_units_marks_and_gaps_stay_with_their_number():
    found = apart("Grip L/R pre", ["31/34 kg", "-/30 kg", "28*/29 kg", "n/a"])
    assert found["Grip L/R pre [left]"] == ["31 kg", "-", "28*", "n/a"]
    assert found["Grip L/R pre [right]"] == ["34 kg", "30 kg", "29 kg", "n/a"]


def test_one_number_where_two_are_expected_never_goes_to_a_side():
    found = apart("Neck rot pre L/R", [*CELLS, "52", "50/51"])
    assert found["Neck rot pre L/R [left]"][4] == "one entry for two: 52"
    table = pairs_apart(read_frame(sheet("Neck rot pre L/R", [*CELLS, "52", "50/51"])))
    assert any("1 cells" in note and "set aside" in note for note in table.notes)


def test_what_nothing_tells_is_asked_and_answered_in_one_line(tmp_path: Path):
    frame = sheet("Neck rotation pre", CELLS, **{"Neck rotation post": ["55/60", "50/57", "66/61", "60/65"]})
    asked = propose_columns(frame).mapping.asked
    assert [question.kind for question in asked] == ["pairs"]
    assert "left and the right side" in asked[0].text
    assert [choice.label for choice in asked[0].choices] == ["left 52, right 58", "right 52, left 58"]
    frame.to_csv(tmp_path / "neck.csv", index=False)
    with pytest.raises(ExportError, match="holds two numbers in a cell"):
        load_records(tmp_path / "neck.csv")
    (tmp_path / "columns.toml").write_text('pairs = "right_left"\n', encoding="utf-8")
    rows = load_records(tmp_path / "neck.csv").rows
    first = rows[(rows["measured_side"] == "right") & (rows["client"] == "A1")].iloc[0]
    assert (first["before"], first["after"]) == (52.0, 55.0)


def test_blood_pressure_is_not_asked_about():
    assert pair_sign(["120/80", "130/85"], ["BP"], words_of_language("en")) == "slash"
    frame = sheet("BP", CELLS, **{"Neck rot L pre": ["50"] * 4, "Neck rot L post": ["55"] * 4})
    assert propose_columns(frame).mapping.asked == ()


@pytest.mark.parametrize("name", ["pairs", "grip"])
def test_the_command_asks_and_what_it_writes_is_read(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.csv"
    if name == "pairs":
        sheet("Neck rotation pre", CELLS, **{"Neck rotation post": ["55/60", "50/57", "66/61", "60/65"]}).to_csv(
            path, index=False
        )
    else:
        path = ASKED["grip_wide_no_unit"][0](tmp_path, np.random.default_rng(1))
    done = CliRunner().invoke(columns, [str(path), "--ask", "--out", str(tmp_path / "own.toml")], input="1\ny\n")
    assert done.exit_code == 0, done.output
    records = load_records(path, columns=tmp_path / "own.toml")
    assert records.source.readings_set_aside == 0
    assert records.source.readings_kept == {"pairs": 16, "grip": 32}[name]
    assert records.mapping.asked == ()
