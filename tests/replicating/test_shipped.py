"""The shipped replications: how many figures, how many come out again, and an explanation for each that does not."""

import csv
from functools import cache

import pytest

from toolkit.replicating import Replication, replicate, replicate_command, shipped_sheets
from toolkit.replicating.run import result_path

SHEETS = shipped_sheets()


@cache
def _replication(place: int) -> Replication:
    return replicate(SHEETS[place])


def _all():
    return [one for place in range(len(SHEETS)) for one in _replication(place).compared]


def test_at_least_34_replications_and_360_figures_are_shipped():
    assert len(SHEETS) >= 34
    assert len(_all()) >= 360


def test_at_least_93_in_100_figures_agree_to_every_printed_digit():
    found = _all()
    assert sum(one.outcome == "agrees within rounding" for one in found) >= 0.93 * len(found)


def test_each_figure_that_does_not_come_out_has_its_explanation():
    wide = "within a stated tolerance wider than the last printed digit"
    open_ones = [one for one in _all() if not one.agrees and one.outcome != wide]
    assert [one.figure.name for one in open_ones if not one.figure.explanation] == []
    assert [one.figure.name for one in _all() if one.outcome == wide and not one.figure.tolerance_because] == []


def test_no_figure_is_explained_away_without_need():
    assert [one.figure.name for one in _all() if one.agrees and one.figure.explanation] == []


@pytest.mark.parametrize("place", range(len(SHEETS)), ids=[f"{s.parent.name}/{s.stem}" for s in SHEETS])
def test_the_shipped_result_is_what_the_sheet_gives_now(place):
    # with a tolerance, the last of 15 certified digits may go either way from computer to computer
    loose = {one.figure.name for one in _replication(place).compared if one.figure.tolerance is not None}

    def told(rows):
        return [
            (row["figure"], row["printed"], row["outcome"].split()[0] if row["figure"] in loose else row["outcome"])
            for row in rows
        ]

    with result_path(SHEETS[place]).open(encoding="utf-8", newline="") as file:
        shipped = told(csv.DictReader(file))
    assert told(_replication(place).table().to_dict("records")) == shipped


@pytest.mark.parametrize("sheet", SHEETS, ids=[f"{s.parent.name}/{s.stem}" for s in SHEETS])
def test_every_replication_has_a_datasheet(sheet):
    assert len((sheet.parent / "datasheet.md").read_text(encoding="utf-8")) > 300


def test_the_command_prints_one_line_a_replication_and_the_sum():
    said = []
    assert replicate_command(say=said.append) == 0
    assert len(said) == len(SHEETS) + 1
    agreeing = sum(one.agrees for one in _all())
    assert said[-1].startswith(f"{len(SHEETS)} replications: {agreeing}/{len(_all())} figures agree")


def test_a_figure_that_differs_without_explanation_is_counted(write_sheet):
    assert replicate_command(write_sheet(), say=lambda line: None) == 1


def test_the_command_on_one_sheet_shows_every_figure(write_sheet):
    said = []
    replicate_command(write_sheet(), say=said.append)
    assert said[0] == "Bending forward: 0/1 figures agree (0 within rounding; 1 not reproduced, 0 of them explained)"
    assert said[1].startswith("  t: printed 3.87, recomputed 4.4721, not reproduced with what is stated")


def test_the_command_writes_the_result_beside_the_sheet(write_sheet):
    path = write_sheet()
    replicate_command(path, write=True, say=lambda line: None)
    assert [file.name for file in sorted(path.parent.glob("[!.]*"))] == ["data.csv", "replication.toml", "result.csv"]
