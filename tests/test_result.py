"""One result for all: its columns, its views, its files."""

import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import FRAME_COLUMNS, Estimate, Result, standard_frame

ROW = {
    "what": "mean change",
    "estimate": 3.123456789,
    "ci_low": 1.0,
    "ci_high": 5.0,
    "level": 0.95,
    "p": 0.0001,
    "n_clients": 12,
    "unit": "deg",
    "method": "t interval",
}


def result(**more):
    rows = [ROW | {"region": "a"}, ROW | {"region": "=2+3", "ci_low": -np.inf, "p": None}]
    return Result.of(rows, says="Moved by 3° & more_or_less 5 %.", groups=("region",), title="Change", **more)


def test_the_frame_begins_with_the_groups_and_the_columns_of_every_result():
    frame = standard_frame([ROW | {"region": "a", "sd": 2.0}], groups=("region",))
    assert list(frame.columns) == ["region", *FRAME_COLUMNS, "sd"]
    assert frame["estimate"].iloc[0] == 3.123456789
    assert str(frame["n_clients"].dtype) == "Int64"


def test_a_result_or_an_estimate_is_its_number_where_one_is_expected():
    found = Estimate(name="x", value=2.5, ci_low=1, ci_high=4, unit="deg", n=3, method="t")
    assert (float(found), float(result())) == (2.5, 3.123456789)
    with pytest.raises(NotEnoughError, match="no row"):
        float(Result.of([], says="Nothing."))


def test_a_row_is_found_by_name_and_a_wrong_name_lists_the_right_ones():
    assert result().row("mean change")["region"] == "a"
    with pytest.raises(ToolkitError, match=r"no row 'median'\. It has: 'mean change'"):
        result().row("median")


def test_both_views_round_for_reading_and_leave_empty_columns_out():
    text, page = str(result()), result()._repr_html_()
    for shown in (text, page):
        assert "3.12" in shown
        assert "3.123456789" not in shown
        assert "no limit" in shown
        assert "statistic" not in shown
        assert "nan" not in shown.lower()
    assert "< 0.001" in text
    assert "&amp;" in page


@pytest.mark.parametrize("ending", ["csv", "xlsx", "docx", "tex", "png", "svg", "pdf"])
def test_every_kind_of_file_can_be_written_and_is_never_written_over(ending, tmp_path):
    path = result().save(tmp_path / f"answer.{ending}")
    assert path.stat().st_size > 100
    foreign = tmp_path / f"mine.{ending}"
    foreign.write_text("mine")
    with pytest.raises(ToolkitError, match=r"is there already\. What stands there was not touched"):
        result().save(foreign)
    assert foreign.read_text() == "mine"


def test_the_csv_holds_full_precision_and_no_formula(tmp_path):
    read = pd.read_csv(result().save(tmp_path / "a.csv"))
    assert read["estimate"].iloc[0] == 3.123456789
    assert read["region"].tolist() == ["a", "'=2+3"]


def test_the_workbook_holds_numbers_as_numbers_and_the_sentence(tmp_path):
    book = openpyxl.load_workbook(result().save(tmp_path / "a.xlsx"))
    assert book["numbers"]["C2"].value == 3.123456789
    assert book["in words"]["A2"].value == result().sentence()
    assert {cell.data_type for row in book["numbers"].iter_rows() for cell in row} <= {"s", "n", "inlineStr"}


def test_the_document_holds_sentence_and_table(tmp_path):
    with zipfile.ZipFile(result().save(tmp_path / "a.docx")) as parts:
        words = parts.read("word/document.xml").decode()
    assert "lower limit" in words
    assert "3.12" in words
    assert "more_or_less 5 %" in words


def test_latex_signs_are_written_out(tmp_path):
    words = result().save(tmp_path / "a.tex").read_text()
    assert r"3\textdegree{} \& more\_or\_less 5 \%" in words
    assert r"$<$ 0.001" in words


def test_a_drawing_is_the_same_file_every_time(tmp_path):
    one, two = (result().save(tmp_path / name).read_bytes() for name in ("a.svg", "b.svg"))
    assert one == two


def test_another_ending_is_refused_with_those_there_are(tmp_path):
    with pytest.raises(ToolkitError, match=r"ends in '\.doc', which nothing here writes\. Choose \.csv, \.xlsx"):
        result().save(tmp_path / "a.doc")


def test_the_figure_draws_every_row_in_its_unit_and_only_what_has_an_estimate():
    rows = [ROW, ROW | {"unit": "kg"}, ROW | {"estimate": None}]
    panels = Result.of(rows, says="x").plot().axes
    assert Result.of(rows, says="In words.").plot().get_label() == "In words."
    assert [axes.get_xlabel() for axes in panels] == ["deg, with 95 % interval", "kg, with 95 % interval"]
    with pytest.raises(NotEnoughError, match="nothing to draw"):
        Result.of([ROW | {"estimate": None}], says="x").plot()
