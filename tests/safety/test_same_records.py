"""The same records give the same answer: rows, files, columns and names in any order, and another unit."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from toolkit.auditing import audit
from toolkit.errors import NotEnoughError
from toolkit.records.same_order import content_hashes, content_seed, in_order_of_content
from toolkit.simulate import ALL_EXPLANATIONS, ClinicDials, simulate_clinic

COMPARISON = {
    "order_drawn": "wait",
    "side_drawn": "other_side",
    "comparison_sessions": "measured_only",
    "other_side": "other_side",
}
NAMES = {"client": "Z", "practitioner": "Q", "session_id": "S"}


def clinic(seed: int, design: str) -> pd.DataFrame:
    """A small clinic; every third one has everything at work, every second one sessions that share their day."""
    dials = ClinicDials(
        n_clients=(8, 12, 15, 25)[seed % 4], effect=3.0 * (seed % 2), design=design, second_baseline=seed % 3 > 0
    )
    if seed % 3 == 0:
        dials = replace(dials, **ALL_EXPLANATIONS)
    rows = simulate_clinic(dials, rng=seed).rows
    if seed % 2:
        rows["date"] = pd.to_datetime(rows["date"]).dt.to_period("M").dt.start_time.dt.strftime("%Y-%m-%d")
    return rows


def asked(design: str) -> dict[str, Any]:
    return {
        "measure": "cervical_lateral_flexion",
        "region": "upper_trapezius",
        "intervention": "percussive_release",
        "comparison": COMPARISON[design],
        "smallest_change_that_matters": 5.0,
        "unit": "deg",
    }


def renamed(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Clients, practitioners and sessions under new names, in another alphabetical order."""
    out = rows.copy()
    for column, letter in NAMES.items():
        old = out[column].unique()
        new = rng.permutation([f"{letter}{place:04d}" for place in range(len(old))])
        out[column] = out[column].map(dict(zip(old, new, strict=True)))
    return out


def numbers(found: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Every number and level of an answer, with its place; no words, for they may name a practitioner."""
    if isinstance(found, dict):
        for key, value in found.items():
            yield from numbers(value, f"{place}.{key}")
    elif isinstance(found, list):
        for number, value in enumerate(found):
            yield from numbers(value, f"{place}[{number}]")
    elif isinstance(found, (int, float)) or place.endswith((".level", ".basis", ".status")):
        yield place, found


def alike(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """The same places, levels equal, numbers to 1e-9."""
    assert one.keys() == other.keys()
    for place, value in one.items():
        same = value if value is None or isinstance(value, str) else pytest.approx(value, rel=1e-9, abs=1e-9)
        assert other[place] == same, place
    return bool(one)


def answer(rows: Any, design: str) -> dict[str, Any]:
    findings = audit(rows, question=asked(design)).findings
    return dict(numbers([*findings["findings"], *findings["measurement"]]))


@pytest.mark.parametrize("design", COMPARISON)
@pytest.mark.parametrize("seed", range(6))
def test_order_of_rows_and_columns_and_names_move_no_number(seed, design):
    rows, rng = clinic(seed, design), np.random.default_rng(seed)
    try:
        one = answer(rows, design)
    except NotEnoughError:
        pytest.skip("too few sessions in this clinic")
    other = renamed(rows.sample(frac=1.0, random_state=seed), rng)
    assert alike(one, answer(other[rng.permutation(other.columns)], design))


def test_several_files_in_any_order_are_one_export(tmp_path):
    rows = clinic(2, "order_drawn")
    rows.to_csv(tmp_path / "whole.csv", index=False)
    parts = [rows.iloc[40:], rows.iloc[:15], rows.iloc[15:40]]
    for place, part in enumerate(parts):
        part.to_csv(tmp_path / f"part{place}.csv", index=False)
    apart = answer([tmp_path / f"part{place}.csv" for place in (2, 0, 1)], "order_drawn")
    assert alike(answer(tmp_path / "whole.csv", "order_drawn"), apart)


IN_THE_UNIT = re.compile(
    r"""\[0\]\.(
      (change|change_from_second_baseline|attributable|attributable\.without_missing)\.(mean|ci_low|ci_high)
    | ladder\[\d+\]\.(estimate|ci_low|ci_high)
    | held\.(readings|gain|change_a_day)\.(mean|ci_low|ci_high)
    | beyond_measurement_error\.threshold
    | smallest_change_that_matters\.value
    | leaning\.(allowance|tipping_point) | observer\.allowance
    )""",
    re.VERBOSE,
)
"""Places of numbers in the unit of the finding; sizes of explanations and balance say their own unit beside them."""


def in_unit_beside(found: Any, place: str = "") -> Iterator[str]:
    """The places of numbers whose own entry names a unit of length ("cm", "cm a week")."""
    if isinstance(found, dict):
        mine = str(found.get("unit")).split(" ")[0] in LENGTHS and not re.fullmatch(r"\[0\]", place)
        for key, value in found.items():
            of_difference = "difference" in found and key.startswith("ci_")  # in SD
            if mine and key in ("size", "ci_low", "ci_high", "technique", "comparison") and not of_difference:
                yield f"{place}.{key}"
            yield from in_unit_beside(value, f"{place}.{key}")
    elif isinstance(found, list):
        for number, value in enumerate(found):
            yield from in_unit_beside(value, f"{place}[{number}]")


LENGTHS = {"cm": 1.0, "mm": 10.0, "in": 1 / 2.54}


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_another_unit_of_the_same_readings_is_shown_back_and_moves_no_number(unit):
    distance = {"measure": "hand_behind_back_distance", "region": "infraspinatus", "unit": "cm"}
    dials = ClinicDials(n_clients=12, level=20.0, between_sd=4.0, better="lower", **distance)
    rows = simulate_clinic(dials, rng=3).rows
    factor = LENGTHS[unit]
    other = {name: rows[name] * factor for name in ("before", "before_2", "after_wait", "after")}
    question = asked("order_drawn") | distance
    cm, own = (audit(each, question=question).findings["findings"] for each in (rows, rows.assign(unit=unit, **other)))
    assert (cm[0]["unit"], own[0]["unit"]) == ("cm", unit)
    assert f" {unit}" in own[0]["claim"]["sentence"]
    assert " cm" not in json.dumps(own)
    scaled = {place for place in dict(numbers(cm)) if IN_THE_UNIT.fullmatch(place)} | set(in_unit_beside(cm))
    expected = {
        place: value * factor if place in scaled and isinstance(value, float) else value for place, value in numbers(cm)
    }
    assert len(scaled) > 50
    assert alike(expected, dict(numbers(own)))


def test_rows_are_told_apart_by_what_their_client_says_elsewhere():
    rows = pd.DataFrame({"client": ["a", "a", "b", "b"], "before": [1.0, 2.0, 1.0, 3.0]})
    assert len(set(content_hashes(rows))) == 4


def test_where_a_row_stood_and_what_it_is_called_is_no_content():
    rows = pd.DataFrame({"client": ["a", "b"], "row": [2, 3], "file": ["x", "y"], "before": [1.0, 2.0]})
    other = pd.DataFrame({"client": ["d", "c"], "row": [9, 4], "file": ["q", "p"], "before": [1.0, 2.0]})
    assert content_hashes(rows).tolist() == content_hashes(other).tolist()


@pytest.mark.parametrize("column", ["before", "intervention"])
def test_what_a_row_says_is_content(column):
    rows = pd.DataFrame({"client": ["a", "b"], "before": [1.0, 2.0], "intervention": ["press", "press"]})
    other = rows.assign(**{column: rows[column].where([True, False], {"before": 9.0, "intervention": "rest"}[column])})
    assert content_hashes(rows)[1] != content_hashes(other)[1]


def test_a_length_is_the_same_in_another_unit_and_an_angle_is_another_thing():
    cm = pd.DataFrame({"client": ["a", "b"], "unit": "cm", "before": [12.5, 8.0], "after": [13.0, np.nan]})
    mm = cm.assign(unit="mm", before=[125.0, 80.0], after=[130.0, np.nan])
    assert content_hashes(cm).tolist() == content_hashes(mm).tolist()
    assert set(content_hashes(cm)).isdisjoint(content_hashes(cm.assign(unit="deg")))


def test_missing_readings_are_alike_and_no_zero():
    rows = pd.DataFrame({"client": list("abc"), "before": [np.nan, 0.0, -0.0]})
    hashes = content_hashes(rows)
    assert hashes[1] == hashes[2] != hashes[0]


def test_nothing_is_lost_by_sorting():
    rows = clinic(1, "order_drawn")
    again = in_order_of_content(rows).sort_values(list(rows.columns), ignore_index=True)
    pd.testing.assert_frame_equal(again, rows.sort_values(list(rows.columns), ignore_index=True))


def test_other_records_get_other_redraws():
    assert content_seed(np.array([1.0, 2.0])) != content_seed(np.array([1.0, 2.5]))
