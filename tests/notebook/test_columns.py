"""What a column means, chosen from lists: as proposed, changed, and refused where it cannot be."""

from pathlib import Path

import pandas as pd
import pytest

from toolkit import load_records
from toolkit.errors import ToolkitError
from toolkit.notebook.columns import choose_columns
from toolkit.resources import dataset_file


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    """A sheet of session rows in which two headers were mixed up."""
    path = tmp_path_factory.mktemp("sheet") / "year.csv"
    rows = [
        {"Client": f"C{n % 6}", "Date": f"2024-01-{n + 1:02d}", "Therapist": "P1", "Region": "upper trapezius",
         "Side": "left", "What I did": "stretching", "Neck rotation L pre": 50 + n, "Neck rotation L post": 53 + n}
        for n in range(20)
    ]  # fmt: skip
    pd.DataFrame(rows).to_csv(path, index=False)
    return path


def test_as_proposed_nothing_is_handed_on(sheet):
    chooser = choose_columns(sheet)
    assert chooser.columns is None
    assert "Neck rotation L pre: cervical rotation, left, before" in repr(chooser)


def test_another_meaning_changes_what_the_records_hold(sheet):
    chooser = choose_columns(sheet)
    boxes = chooser._shown.boxes
    first, second = (boxes[f"Neck rotation L {when}"] for when in ("pre", "post"))
    first.value, second.value = second.value, first.value
    rows = load_records(sheet, columns=chooser.columns).readings
    assert (rows["after"] - rows["before"]).unique().tolist() == [-3.0]


def test_a_column_can_be_left_out(sheet):
    chooser = choose_columns(sheet)
    chooser._shown.boxes["Neck rotation L post"].value = ""
    assert chooser.columns["ignore"] == ["Neck rotation L post"]
    assert load_records(sheet, columns=chooser.columns).readings["after"].isna().all()


def test_one_meaning_for_two_columns_is_refused(sheet):
    chooser = choose_columns(sheet)
    chooser._shown.boxes["Therapist"].value = "client"
    with pytest.raises(ToolkitError, match="“client” is chosen for two columns: Client and Therapist"):
        chooser.columns  # noqa: B018


def test_the_values_that_stand_in_a_column_are_shown(sheet):
    from ipywidgets import HTML

    def said(box):
        inner = [said(child) for child in getattr(box, "children", ())]
        return box.value + " ".join(inner) if isinstance(box, HTML) else " ".join(inner)

    assert "“50”, “51”, “52”, “53”" in said(choose_columns(sheet).widget)


@pytest.mark.parametrize("name", ["sessions.csv", "sessions_own_words.xlsx"])
def test_the_demo_clinics_sheets_read_the_same_with_a_choice_made_and_taken_back(name):
    path = dataset_file("demo") / name
    chooser = choose_columns(path)
    box = next(iter(chooser._shown.boxes.values()))
    start = box.value
    box.value = "" if start else "setting"
    assert chooser.columns is not None
    box.value = start
    assert chooser.columns is None


@pytest.fixture
def two_tables(tmp_path, sheet):
    """A workbook with a sheet of sessions and a sheet of other headers."""
    path, rows = tmp_path / "two.xlsx", pd.read_csv(sheet)
    summer = rows.head(10).rename(columns={"Therapist": "Done by"})
    with pd.ExcelWriter(path) as book:
        rows.to_excel(book, sheet_name="Spring", index=False)
        summer.assign(Date=summer["Date"].str.replace("-01-", "-06-")).to_excel(book, sheet_name="Summer", index=False)
    return path


def test_of_several_tables_one_can_be_chosen_and_is_read_alone(two_tables):
    chooser = choose_columns(two_tables)
    assert chooser.columns is None
    assert len(load_records(two_tables, columns=chooser.columns).readings) == 30
    chooser._table.value = "two.xlsx [Summer]"
    assert "Done by" in chooser._shown.boxes
    chooser._shown.boxes["Neck rotation L post"].value = ""
    readings = load_records(two_tables, columns=chooser.columns).readings
    assert len(readings) == 10
    assert readings["after"].isna().all()


def test_of_two_tables_in_one_sheet_the_second_can_be_chosen():
    path = Path(__file__).parents[1] / "records" / "real_sheets" / "hand clinic.xlsx"
    chooser = choose_columns(path)
    chooser._table.value = "hand clinic.xlsx (table 2)"
    assert set(load_records(path, columns=chooser.columns).readings["measure"]) == {"pressure_pain_threshold"}
