"""The entry sheet: what is typed into it loads with no mapping and nothing set aside."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from toolkit.errors import SheetError, WritingError
from toolkit.records.codebook import load_codebook
from toolkit.records.entry_sheet import COLUMNS, planned_rows, write_entry_sheet
from toolkit.records.records import load_records

BOOK = load_codebook()
MEASURES = ["cervical_rotation", "pain_rating", "heel_lift_in_squat"]
ORDERS = ["wait_first", "technique_first", "technique_first"]
SCHEDULE = pd.DataFrame(
    {"client": ["K1", "K1", "K2"], "session": [1, 2, 1], "season": "spring", "seal": ["ab" * 49, "cd" * 49, "ef" * 49]}
)


def _write(path: Path, **changes: Any) -> Path:
    options: dict[str, Any] = {
        "codebook": BOOK,
        "measures": MEASURES,
        "regions": ["upper_trapezius", "soleus"],
        "interventions": ["percussive_release", "my own way"],
        "rows": 20,
    }
    return write_entry_sheet(path, **{**options, **changes})


def _fill(path: Path, readings: dict[str, tuple[Any, Any, Any]]) -> int:
    """Type a date, what was done and readings into every planned row, and three sessions below; rows typed."""
    book = openpyxl.load_workbook(path)
    sheet = book["sessions"]
    at = {name: place for place, name in enumerate(COLUMNS, 1)}
    row, typed = 2, 0
    while sheet.cell(row, at["client"]).value:
        session = str(sheet.cell(row, at["session_id"]).value)
        sheet.cell(row, at["order"]).value = ORDERS[["K1-1", "K1-2", "K2-1"].index(session)]
        typed += _type(sheet, at, row, dt.date(2026, 3, int(session[-1])), readings)
        row += 1
    for number in range(3):
        for name, value in {"session_id": f"X{number}", "client": "K9", "measure": "cervical_rotation"}.items():
            sheet.cell(row, at[name]).value = value
        sheet.cell(row, at["measured_side"]).value = "left"
        typed += _type(sheet, at, row, dt.date(2026, 4, 1 + number), readings)
        row += 1
    book.save(path)
    return typed


def _type(sheet: Any, at: dict[str, int], row: int, date: dt.date, readings: dict[str, tuple[Any, Any, Any]]) -> int:
    before, again, after = readings[sheet.cell(row, at["measure"]).value]
    values = {"practitioner": "P1", "date": date, "region": "upper_trapezius", "treated_side": "left"}
    values |= {"intervention": "percussive_release", "before": before, "before_2": again, "after": after}
    for name, value in (values | {"comfort": 8, "adverse_event": "none", "examiner_blinded": "yes"}).items():
        sheet.cell(row, at[name]).value = value
    return 1


READINGS = {"cervical_rotation": (60, 61, 66.5), "pain_rating": (5, 5, 3), "heel_lift_in_squat": ("yes", "yes", "no")}


def test_a_filled_in_sheet_loads_with_no_mapping_and_nothing_set_aside(tmp_path: Path) -> None:
    path = _write(tmp_path / "sessions.xlsx", schedule=SCHEDULE)
    typed = _fill(path, READINGS)
    records = load_records(path)
    assert records.set_aside.empty
    assert (records.source.rows_read, records.source.rows_kept) == (typed, typed)
    assert set(records.rows["order"]) == {"wait_first", "technique_first", ""}
    signs = records.rows[records.rows["measure"] == "heel_lift_in_squat"]
    assert signs["before"].eq(1).all()
    assert signs["after"].eq(0).all()


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed here")
def test_a_sheet_saved_by_libreoffice_loads_the_same(tmp_path: Path) -> None:
    path = _write(tmp_path / "sessions.xlsx", schedule=SCHEDULE)
    typed = _fill(path, READINGS)
    saved = tmp_path / "saved"
    command = [
        "soffice",
        f"-env:UserInstallation={(tmp_path / 'office').as_uri()}",
        "--headless",
        "--convert-to",
        "xlsx",
    ]
    subprocess.run([*command, "--outdir", str(saved), str(path)], check=True, capture_output=True, timeout=180)
    ours, theirs = load_records(path), load_records(saved / "sessions.xlsx")
    assert theirs.set_aside.empty
    assert len(theirs.rows) == typed
    pd.testing.assert_frame_equal(ours.rows.drop(columns="file"), theirs.rows.drop(columns="file"))
    kept = openpyxl.load_workbook(saved / "sessions.xlsx")["sessions"]
    assert kept.protection.sheet
    assert len(kept.data_validations.dataValidation) >= 15


@settings(max_examples=8, deadline=None, phases=[Phase.generate])
@given(st.data())
def test_any_plausible_reading_of_any_measure_can_be_entered(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    names = data.draw(st.lists(st.sampled_from(sorted(BOOK.measures["measure"])), min_size=1, max_size=4, unique=True))
    readings: dict[str, tuple[Any, Any, Any]] = {"cervical_rotation": (60, 61, 66)}
    for name in names:
        measure = BOOK.measure(name)
        steps = st.integers(0, int((measure.high - measure.low) / measure.resolution))
        number = steps.map(lambda step, one=measure: round(one.low + step * one.resolution, 6))
        value = st.sampled_from(["yes", "no"]) if measure.kind == "sign" else number
        readings[name] = data.draw(st.tuples(value, value, value))
    path = _write(tmp_path_factory.mktemp("sheet") / "s.xlsx", measures=names, schedule=SCHEDULE)
    typed = _fill(path, readings)
    records = load_records(path)
    assert records.set_aside.empty, records.set_aside.to_string()
    assert len(records.rows) == typed


def test_the_drawn_order_stays_sealed_and_is_written_down_by_hand(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(_write(tmp_path / "s.xlsx", schedule=SCHEDULE))
    sheet, sealed = book["sessions"], book["sealed order"]
    assert [cell.value for cell in sealed["D"][3:7]] == ["seal", *SCHEDULE["seal"]]
    at = {name: place for place, name in enumerate(COLUMNS, 1)}
    for row in range(2, 2 + 3 * 5):  # two sided measures and one without a side: five rows a session
        cell = sheet.cell(row, at["order"])
        assert cell.value is None
        assert not cell.protection.locked
        assert sheet.cell(row, at["client"]).protection.locked
        assert not sheet.cell(row, at["before"]).protection.locked
    assert sheet.cell(17, at["client"]).value is None
    assert not sheet.cell(17, at["client"]).protection.locked


def test_the_sheet_has_frozen_headers_drop_downs_warnings_and_two_before_columns(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(_write(tmp_path / "s.xlsx", clients=["K1", "K2"]))
    sheet = book["sessions"]
    assert sheet.freeze_panes == "C2"
    assert sheet.protection.sheet
    header = [cell.value for cell in sheet[1]]
    assert header == list(COLUMNS)
    assert {"before", "before_2"} <= set(header)
    kinds = [rule.type for rule in sheet.data_validations.dataValidation]
    assert kinds.count("list") >= 10
    assert kinds.count("custom") == 4
    offered = [row[header.index("region")].value for row in book["lists"].iter_rows(min_row=2)]
    assert "K1" in [cell.value for row in book["lists"].iter_rows() for cell in row]
    assert len(offered) >= 3


def test_the_second_tab_says_how_to_record_and_carries_the_cautions(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(_write(tmp_path / "s.xlsx"))
    assert book.sheetnames[1] == "how to record"
    text = "\n".join(str(row[0].value or "") for row in book["how to record"].iter_rows())
    for part in ("before_2", "wait_first", "heel_lift_in_squat", "licensed professional", "front of the neck", "calf"):
        assert part in text


def test_a_text_that_looks_like_a_formula_stays_a_text(tmp_path: Path) -> None:
    path = _write(tmp_path / "s.xlsx", clients=["=1+1"], interventions=["@SUM(A1)"])
    cells = [cell for row in openpyxl.load_workbook(path)["lists"].iter_rows() for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert "=1+1" in [cell.value for cell in cells]


def test_an_empty_sheet_says_that_it_holds_no_rows(tmp_path: Path) -> None:
    from toolkit.errors import ExportError

    with pytest.raises(ExportError, match="no row below it"):
        load_records(_write(tmp_path / "s.xlsx"))


def test_a_filled_in_sheet_is_never_overwritten(tmp_path: Path) -> None:
    path = _write(tmp_path / "s.xlsx", schedule=SCHEDULE)
    _fill(path, READINGS)
    for replace in (False, True):
        with pytest.raises(WritingError, match="What stands there was not touched"):
            _write(path, replace=replace)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"measures": ["cervical_rotatoin"]}, "cervical_rotation"),
        ({"measures": []}, "at least one measure"),
        ({"measures": "cervical_rotation"}, "as a list"),
        ({"regions": ["upper_trapezium"]}, "upper_trapezius"),
        ({"rows": -1}, "empty rows"),
        ({"schedule": SCHEDULE.drop(columns="seal").assign(order="wait_first")}, r"lacks seal.*orders stay sealed"),
        ({"schedule": SCHEDULE.assign(session=1)}, "scheduled twice"),
        ({"schedule": SCHEDULE.assign(client=None)}, "empty cells"),
    ],
)
def test_a_wrong_wish_is_answered_in_words(tmp_path: Path, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(SheetError, match=said):
        _write(tmp_path / "s.xlsx", **changes)
    assert not list(tmp_path.iterdir())


def test_another_ending_and_a_missing_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"\.xlsx"):
        _write(tmp_path / "s.csv")
    with pytest.raises(WritingError, match="folder"):
        _write(tmp_path / "nowhere" / "s.xlsx")


def test_planned_rows_read_both_sides_of_a_sided_measure_and_one_of_the_others() -> None:
    rows = planned_rows(SCHEDULE.head(1), [BOOK.measure("cervical_rotation"), BOOK.measure("pain_rating")])
    assert rows[["measure", "measured_side", "unit"]].to_numpy().tolist() == [
        ["cervical_rotation", "left", "deg"],
        ["cervical_rotation", "right", "deg"],
        ["pain_rating", "none", "points"],
    ]


def test_the_only_region_and_intervention_stand_in_every_planned_row(tmp_path: Path) -> None:
    one = _write(tmp_path / "s.xlsx", schedule=SCHEDULE, regions=["soleus"], interventions=["stretching"])
    sheet = openpyxl.load_workbook(one)["sessions"]
    at = {name: place for place, name in enumerate(COLUMNS, 1)}
    assert [sheet.cell(2, at[name]).value for name in ("region", "intervention")] == ["soleus", "stretching"]
    several = openpyxl.load_workbook(_write(tmp_path / "t.xlsx", schedule=SCHEDULE))["sessions"]
    assert [several.cell(2, at[name]).value for name in ("region", "intervention")] == [None, None]


def test_a_planned_session_that_was_not_held_is_called_so(tmp_path: Path) -> None:
    records = load_records(_write(tmp_path / "s.xlsx", schedule=SCHEDULE))
    assert records.rows.empty
    assert set(records.set_aside["reason"]) == {"planned, not held yet: no date and no reading"}
    assert len(records.set_aside) == records.source.rows_read
