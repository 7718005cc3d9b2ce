"""Workbooks: the same rows as from CSV; formulas by their saved values."""

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from toolkit.errors import ExportError
from toolkit.records.records import load_records


def test_a_workbook_gives_the_same_rows_as_csv(tmp_path: Path, wide: pd.DataFrame) -> None:
    wide.to_csv(tmp_path / "a.csv", index=False)
    typed = wide.assign(date=pd.to_datetime(wide["date"]), before=wide["before"].astype(int))
    typed.to_excel(tmp_path / "a.xlsx", index=False)
    first, second = (load_records(tmp_path / name).rows.drop(columns="file") for name in ("a.csv", "a.xlsx"))
    pd.testing.assert_frame_equal(first, second)


def test_parquet_gives_the_same_rows_as_csv(tmp_path: Path, wide: pd.DataFrame) -> None:
    wide.to_csv(tmp_path / "a.csv", index=False)
    wide.assign(date=pd.to_datetime(wide["date"]), after=wide["after"].astype(float)).to_parquet(tmp_path / "a.parquet")
    first, second = (load_records(tmp_path / name).rows.drop(columns="file") for name in ("a.csv", "a.parquet"))
    pd.testing.assert_frame_equal(first, second)


def test_a_formula_without_a_saved_value_is_set_aside(tmp_path: Path, wide: pd.DataFrame) -> None:
    path = tmp_path / "a.xlsx"
    wide.astype({"before": int, "before_2": int, "after": int}).to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    book.active["L4"] = "=J4+5"
    book.save(path)
    line = load_records(path).set_aside.iloc[0]
    assert (line["row"], line["column"], line["reason"]) == (4, "after", "a formula without a value")


def test_sheets_with_the_same_header_are_read_and_others_noted(tmp_path: Path, wide: pd.DataFrame) -> None:
    path = tmp_path / "year.xlsx"
    with pd.ExcelWriter(path) as book:
        wide.iloc[:3].to_excel(book, sheet_name="January", index=False)
        wide.iloc[3:].to_excel(book, sheet_name="February", index=False)
        pd.DataFrame({"Ideas": ["a"], "When": ["b"]}).to_excel(book, sheet_name="Ideas", index=False)
    records = load_records(path)
    assert records.source.rows_kept == 6
    assert "not read, as no readings before and after stand there: year.xlsx [Ideas]" in records.flags["what"].tolist()


def test_a_sheet_that_is_not_there_is_named(tmp_path: Path, wide: pd.DataFrame) -> None:
    path = tmp_path / "a.xlsx"
    wide.to_excel(path, index=False, sheet_name="Year")
    with pytest.raises(ExportError, match=r'there is no sheet "Week". The workbook has: Year'):
        load_records(path, columns={"sheet": "Week"})
