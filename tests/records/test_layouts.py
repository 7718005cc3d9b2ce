"""Three layouts, one result."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import ExportError
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.records import load_records
from toolkit.records.tidy import TIDY_COLUMNS


def test_long_and_wide_give_the_same_readings(long: pd.DataFrame, wide: pd.DataFrame) -> None:
    first = load_records(wide.iloc[:4]).rows
    second = load_records(long).rows
    for column in ("session_id", *READING_FIELDS, "visit", "day", "region"):
        assert first[column].astype(str).tolist() == second[column].astype(str).tolist()


def test_the_tidy_columns_are_always_there(wide: pd.DataFrame) -> None:
    rows = load_records(wide).rows
    assert tuple(rows.columns) == TIDY_COLUMNS
    assert rows["comfort"].isna().all()
    assert (rows["site"] == "").all()


def test_visits_and_days_are_counted_for_each_client(wide: pd.DataFrame) -> None:
    rows = load_records(wide.iloc[::-1]).rows.sort_values("date")
    assert rows["visit"].tolist() == [1, 1, 1, 2, 2, 2]
    assert rows["day"].tolist() == [0, 0, 0, 3, 3, 3]


def test_days_may_stand_in_place_of_dates(wide: pd.DataFrame) -> None:
    rows = load_records(wide.drop(columns="date").assign(day=["0", "0", "0", "7", "7", "7"])).rows
    assert rows["day"].tolist() == [0, 0, 0, 7, 7, 7]
    assert rows["date"].isna().all()
    assert rows["visit"].tolist() == [1, 1, 1, 2, 2, 2]


def test_headers_may_differ_in_case_spaces_and_underscores(wide: pd.DataFrame) -> None:
    named = wide.rename(columns={"treated_side": "Treated side", "before_2": "Before 2", "client": "CLIENT"})
    pd.testing.assert_frame_equal(load_records(named).rows, load_records(wide).rows)


def test_session_rows_become_one_row_a_measured_side(plain: pd.DataFrame) -> None:
    rows = load_records(plain).rows
    assert len(rows) == 4 * 7
    first = rows[(rows["measure"] == "ankle_dorsiflexion_lunge_distance") & (rows["measured_side"] == "right")].iloc[0]
    assert (first["before"], first["after"], first["unit"]) == (8, 11, "cm")


def test_in_session_rows_only_the_bad_reading_is_set_aside(plain: pd.DataFrame) -> None:
    sheet = plain.astype({"Pain pre": "str"})
    sheet.loc[1, "Pain pre"] = "four"
    records = load_records(sheet)
    reasons = records.set_aside[["row", "column", "value", "scope"]].to_numpy().tolist()
    assert reasons[0] == [3, "Pain pre", "four", "reading"]
    assert records.source.rows_kept == 4


def test_a_session_row_of_which_nothing_is_left_is_set_aside_once(plain: pd.DataFrame) -> None:
    sheet = plain[["Patient code", "Visit", "Technique", "Area(s) treated", "Pain pre", "Pain post"]].astype("str")
    sheet.loc[2, ["Pain pre", "Pain post"]] = "?!"
    records = load_records(sheet)
    assert records.set_aside["scope"].tolist() == ["row", "reading"]
    assert (records.source.rows_kept, records.source.rows_set_aside) == (3, 1)


def test_in_wide_rows_one_unreadable_reading_sets_the_row_aside(wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = "forty"
    line = load_records(wide).set_aside.iloc[0]
    assert line[["row", "column", "value", "reason", "scope", "readings"]].tolist() == [
        2,
        "after",
        "forty",
        "not a number",
        "row",
        3,
    ]


def test_a_row_without_a_reading_before_is_set_aside(wide: pd.DataFrame) -> None:
    wide.loc[0, ["before", "before_2"]] = ""
    assert load_records(wide).set_aside["reason"].tolist() == ["no reading before"]


def test_a_row_without_a_reading_after_is_kept(wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = ""
    records = load_records(wide)
    assert records.source.rows_kept == 6
    assert np.isnan(records.rows.loc[0, "after"])


def test_further_repeats_of_a_long_reading_are_set_aside(long: pd.DataFrame) -> None:
    third = long.iloc[[0]].assign(reading="3", value="99")
    records = load_records(pd.concat([long, third]))
    assert "a further repeat" in records.set_aside["reason"].iloc[0]
    assert records.rows["before_2"].tolist() == [56, 57, 58, 59]


def test_readings_without_a_number_are_counted_in_their_order(long: pd.DataFrame) -> None:
    rows = load_records(long.drop(columns="reading")).rows
    assert rows["before"].tolist() == [55, 56, 57, 58]
    assert rows["before_2"].tolist() == [56, 57, 58, 59]


def test_the_same_long_reading_with_two_values_is_set_aside_twice(long: pd.DataFrame) -> None:
    records = load_records(pd.concat([long, long.iloc[[0]].assign(value="99")]))
    assert records.set_aside["row"].tolist() == [2, 14]


def test_units_that_differ_are_converted(wide: pd.DataFrame) -> None:
    sheet = wide.assign(measure="ankle_dorsiflexion_lunge_distance", unit="mm", before="95", before_2="90", after="105")
    sheet.loc[1, ["unit", "before", "before_2", "after"]] = ["cm", "9", "9", "10"]
    rows = load_records(sheet).rows
    assert rows.loc[0, ["before", "after"]].tolist() == [9.5, 10.5]
    assert set(rows["unit"]) == {"cm"}


def test_one_unit_throughout_stays_as_it_was_written(wide: pd.DataFrame) -> None:
    sheet = wide.assign(measure="pressure_pain_threshold", unit="kg/cm²", before="3.1", before_2="3", after="3.4")
    records = load_records(sheet)
    assert records.rows.loc[0, ["before", "after", "unit"]].tolist() == [3.1, 3.4, "kg/cm2"]
    measure = records.codebook.measure("pressure_pain_threshold")
    assert (measure.unit, measure.high) == ("kg/cm2", pytest.approx(2000 / 98.0665))


def test_what_lies_outside_the_plausible_range_is_seen_in_any_unit(wide: pd.DataFrame) -> None:
    sheet = wide.assign(measure="ankle_dorsiflexion_lunge_distance", unit="mm", before="95", before_2="90", after="950")
    assert "outside the plausible range" in load_records(sheet).set_aside["reason"].iloc[0]


def test_a_unit_in_the_cell_that_contradicts_the_column_is_refused(wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = "61 rad"
    assert "different units" in load_records(wide).set_aside["reason"].iloc[0]


def test_a_force_is_no_pressure(wide: pd.DataFrame) -> None:
    sheet = wide.assign(measure="pressure_pain_threshold", unit="kg", before="3", before_2="3", after="4")
    line = load_records(pd.concat([wide.iloc[:1], sheet.iloc[1:]])).set_aside.iloc[0]
    assert line["reason"] == "a force in kg is no pressure"
    assert "kg/cm2" in line["remedy"]


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("-999", "looks like a code for missing"),
        ("999", "looks like a code for missing"),
        ("250", "outside the plausible range of cervical_rotation (0 to 110 deg)"),
        ("yes", "a word where a number is expected"),
    ],
)
def test_impossible_readings_are_set_aside(wide: pd.DataFrame, value: str, reason: str) -> None:
    wide.loc[0, "after"] = value
    assert load_records(wide).set_aside["reason"].iloc[0].startswith(reason)


def test_a_listed_code_is_simply_missing(wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = "-999"
    records = load_records(wide, columns={"missing": ["-999"]})
    assert records.source.rows_kept == 6
    assert records.source.readings_read == 17


def test_signs_are_yes_or_no(wide: pd.DataFrame) -> None:
    sheet = wide.assign(measure="heel_lift_in_squat", unit="", before="yes", before_2="x", after="no")
    sheet.loc[1, "after"] = "3"
    records = load_records(sheet)
    assert records.rows.loc[0, ["before", "before_2", "after"]].tolist() == [1, 1, 0]
    assert records.set_aside["reason"].tolist() == ["a sign is yes or no"]


def test_what_is_missing_is_said_with_what_was_found() -> None:
    with pytest.raises(ExportError, match=r'no column was found for measure.*Found: "client", "date"'):
        load_records(pd.DataFrame({"client": ["K1"], "date": ["2026-01-01"], "before": ["1"]}))
