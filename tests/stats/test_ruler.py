"""The ruler on one page, and the ruler from a practitioner's own records."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats.reliability_study import knee_goniometer_ruler, recorded_errors, ruler


def test_the_published_sem_stands_beside_ours_and_agrees_to_its_three_digits():
    figures = knee_goniometer_ruler().table()
    sems = figures[figures["what"] == "SEM"]
    assert sems["value"].round(3).tolist() == sems["published"].tolist()
    assert sems["published_source"].str.contains("Eliasziw").all()


def test_a_figure_without_a_published_one_says_so():
    assert "not available" in str(knee_goniometer_ruler())


def test_every_figure_has_its_interval_unit_and_method():
    figures = knee_goniometer_ruler().table()
    assert (figures["ci_low"] < figures["value"]).all()
    assert (figures["value"] < figures["ci_high"]).all()
    assert figures.loc[figures["what"] != "ICC", "unit"].eq("deg").all()
    assert figures["method"].str.len().min() > 10


def test_the_ruler_reads_a_file_as_well_as_a_frame(tmp_path):
    rng = np.random.default_rng(1)
    rows = pd.DataFrame({"subject": np.repeat(np.arange(8), 4), "reader": list("aabb") * 8, "reading": [1, 2] * 16})
    rows["value"] = rng.normal(35, 6, 8)[rows["subject"]] + rng.normal(0, 1, 32)
    rows.to_csv(tmp_path / "study.csv", index=False)
    from_file, from_frame = (ruler(study, measure="m", unit="deg").table() for study in (tmp_path / "study.csv", rows))
    assert from_file["value"].tolist() == pytest.approx(from_frame["value"].tolist(), rel=1e-9)


def test_the_same_published_figure_twice_is_refused():
    again = pd.DataFrame({"reader": ["a", "a"], "what": ["SEM", "SEM"], "value": [1.0, 2.0], "source": ["x", "y"]})
    rows = pd.DataFrame({"subject": [1, 1, 2, 2] * 2, "reader": ["a"] * 4 + ["b"] * 4, "reading": [1, 2] * 4})
    with pytest.raises(SheetError, match=r"name the same reader and figure twice"):
        ruler(rows.assign(value=[1.0, 2, 5, 4, 2, 2, 6, 4]), measure="m", unit="deg", published=again)


def test_an_empty_study_is_refused():
    rows = pd.DataFrame({"subject": [1], "reader": ["a"], "reading": [1], "value": [np.nan]})
    with pytest.raises(NotEnoughError, match=r"No row has a subject, a reader, a reading and a value"):
        ruler(rows, measure="m", unit="deg")


def records(measure, before, before_2, unit="deg"):
    client = [f"c{i}" for i in range(len(before))]
    return pd.DataFrame({"client": client, "measure": measure, "unit": unit, "before": before, "before_2": before_2})


def test_own_records_give_an_error_by_measure_and_the_reason_where_none():
    rows = pd.concat([records("lunge", [30.0, 34, 41], [32.0, 33, 42]), records("rotation", [60.0, 70], [np.nan, 72])])
    found = recorded_errors(rows)
    assert list(found.errors) == ["lunge"]
    assert found.not_available["measure"].tolist() == ["rotation"]
    assert "1 person with two readings" in found.not_available["reason"].item()


def test_signs_get_a_kappa_with_each_client_counted_once():
    rows = records("heel_lifts", [1.0, 0, 1, 0], [1.0, 0, 0, 0], unit="yes/no")
    found = recorded_errors(pd.concat([rows, rows]))
    assert found.kappas["heel_lifts"].n_people == 4


def test_two_units_of_one_measure_have_no_common_error():
    rows = pd.concat(
        [records("lunge", [3.0, 4, 5], [3.1, 4, 5.5], unit="cm"), records("lunge", [30.0, 34], [32.0, 33])]
    )
    assert "2 units (cm, deg)" in recorded_errors(rows).not_available["reason"].item()


def test_the_table_lists_measures_without_an_error_too():
    rows = pd.concat([records("lunge", [30.0, 34, 41], [32.0, 33, 42]), records("rotation", [60.0, 70], [np.nan, 72])])
    table = recorded_errors(rows).table()
    assert set(table["measure"]) == {"lunge", "rotation"}
