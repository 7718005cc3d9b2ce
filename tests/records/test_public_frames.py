"""The frames that records hand out, and what anybody would do with them in a notebook."""

from functools import cache, partial

import numpy as np
import pandas as pd
import pytest

from toolkit import demo, load_records
from toolkit.errors import ToolkitError
from toolkit.records.public_frames import COLUMNS


@cache
def records():
    return load_records(demo())


def test_the_demo_gives_readings_with_every_column_documented():
    readings = records().readings
    assert list(readings.columns) == list(COLUMNS)
    assert records().columns["holds"].str.len().min() > 5
    assert len(readings) == len(records().rows)


def test_missing_is_missing_and_never_an_empty_word():
    readings = records().readings
    words = readings.select_dtypes(["category", "str"])
    assert not (words.astype(object) == "").any().any()
    assert readings["order"].isna().sum() == (records().rows["order"] == "").sum() > 0


def test_words_are_categories_numbers_are_numbers_dates_are_dates():
    kinds = records().readings.dtypes.astype(str)
    assert (kinds[["region", "intervention", "measure", "unit", "order", "practitioner"]] == "category").all()
    assert (kinds[["before", "before_2", "after", "minutes"]] == "float64").all()
    assert kinds["date"].startswith("datetime64")


def test_the_readings_are_those_of_the_export():
    sheet = pd.read_csv(demo(), dtype=str)
    own = records().readings
    row = own.iloc[100]
    assert float(sheet.iloc[int(row["row"]) - 2]["before"]) == row["before"]


def test_changing_a_frame_one_was_given_changes_nobody_elses():
    mine = records().readings
    mine["before"] = 0.0
    assert records().readings["before"].max() > 0


def test_long_has_a_row_for_each_reading_taken():
    long, wide = records().long, records().readings
    assert len(long) == int(wide[["before", "before_2", "after_wait", "after"]].notna().sum().sum())
    assert list(long["phase"].cat.categories) == ["before", "before_2", "after_wait", "after"]
    assert long["value"].notna().all()


def test_changes_has_a_row_a_client_and_measure_and_better_is_positive():
    changes = records().changes()
    assert not changes.duplicated(["client", "measure"]).any()
    pain = records().readings.query("measure == 'pain_rating'").dropna(subset=["before", "after"])
    mine = pain[pain["client"] == pain["client"].iloc[0]]
    found = changes.query("measure == 'pain_rating'").set_index("client").loc[pain["client"].iloc[0]]
    assert found["change"] == pytest.approx((mine["before"] - mine["after"]).mean())
    assert found["better"] == "lower"


def test_changes_by_a_group_says_which_columns_there_are_when_it_is_not_one():
    by = records().changes(by=["region", "intervention"])
    assert {"region", "intervention", "change", "n_sessions"} <= set(by.columns)
    with pytest.raises(ToolkitError, match="There is no column 'body'"):
        records().changes(by="body")


@pytest.mark.parametrize("ending", ["csv", "parquet", "xlsx"])
def test_readings_can_be_saved_and_read_back(ending, tmp_path):
    small = load_records(pd.read_csv(demo(), dtype=str).head(40))
    path = small.save(tmp_path / f"readings.{ending}")
    read = {"csv": pd.read_csv, "parquet": pd.read_parquet, "xlsx": partial(pd.read_excel, engine="calamine")}[ending](
        path
    )
    assert read["before"].tolist() == pytest.approx(small.readings["before"].tolist(), nan_ok=True)


def test_another_ending_is_refused(tmp_path):
    with pytest.raises(ToolkitError, match=r"Choose \.csv, \.xlsx, \.parquet"):
        records().save(tmp_path / "readings.doc")


def test_the_accounts_can_be_drawn():
    assert records().plot().axes[0].get_xlabel() == "Readings"


@pytest.mark.filterwarnings("ignore:The inplace keyword", "ignore:vert. bool")  # pingouin 0.7 and seaborn 0.13 inside
def test_the_cell_anybody_would_write_works_as_anybody_would_guess():
    import pingouin
    import seaborn
    import statsmodels.formula.api as smf
    from matplotlib.figure import Figure

    readings = load_records(demo()).readings
    lunge = readings[readings["measure"] == "ankle_dorsiflexion_lunge"].dropna(subset=["before", "after"])
    axes = Figure().subplots()
    seaborn.boxplot(lunge, x="intervention", y="after", ax=axes)
    tested = pingouin.ttest(lunge["after"], lunge["before"], paired=True)
    per_client = lunge.groupby("client")[["before", "after"]].mean()
    fitted = smf.mixedlm("after ~ before", lunge, groups=lunge["client"]).fit()
    assert axes.get_xlabel() == "intervention"
    assert np.isfinite(tested["T"].iloc[0])
    assert len(per_client) == lunge["client"].nunique()
    assert 0 < fitted.params["before"] < 1.5
