"""columns.toml: what it may say, and what is refused."""

from pathlib import Path

import pandas as pd
import pytest

from toolkit.errors import ExportError, SheetError
from toolkit.records.mapping import read_mapping
from toolkit.records.records import load_records

TOML = """
client = "Patient code"
date_order = "day_first"
missing = ["-9"]
[constants]
practitioner = "MK"
[values.side]
S = "left"
"""


def own_headers(wide: pd.DataFrame) -> pd.DataFrame:
    """Six rows with dates that may be read in two orders: the third of month n, or the nth of March."""
    dates = [f"03/{place + 1:02d}/2026" for place in range(len(wide))]
    return wide.drop(columns="practitioner").rename(columns={"client": "Patient code"}).assign(date=dates)


def test_a_columns_file_beside_the_export_is_used(tmp_path: Path, wide: pd.DataFrame) -> None:
    sheet = own_headers(wide).assign(treated_side="S", measured_side="s")
    sheet.loc[0, "after"] = "-9"
    sheet.to_csv(tmp_path / "a.csv", index=False)
    (tmp_path / "columns.toml").write_text(TOML, encoding="utf-8")
    records = load_records(tmp_path / "a.csv")
    assert records.mapping.origin == "columns.toml"
    first = records.rows.iloc[0]
    assert (first["practitioner"], first["treated_side"], first["measured_side"]) == ("MK", "left", "left")
    assert pd.isna(first["after"])
    assert first["date"] == pd.Timestamp("2026-01-03")


def test_a_mapping_may_be_given_as_a_table(wide: pd.DataFrame) -> None:
    columns = {"client": "Patient code", "date_order": "month_first"}
    rows = load_records(own_headers(wide), columns=columns).rows
    assert rows.loc[3, "date"] == pd.Timestamp("2026-03-04")


def test_a_decimal_sign_may_be_set(wide: pd.DataFrame) -> None:
    wide["after"] = "61,250"
    assert load_records(wide, columns={"decimal": ","}).rows["after"].unique().tolist() == [61.25]


def test_a_header_that_is_not_there_is_named(wide: pd.DataFrame) -> None:
    with pytest.raises(ExportError, match=r'columns.toml names "Code", but the file has no such column'):
        load_records(wide, columns={"client": "Code"})


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"clint": "Code"}, '"clint" is not a field or setting'),
        ({"layout": "tall"}, 'layout = "tall" is not one of'),
        ({"date_order": "dmy"}, 'date_order = "dmy" is not one of'),
        ({"missing": "-999"}, "missing must be a list"),
        ({"values": {"colour": {"r": "red"}}}, '"colour", which is not a field'),
        ({"readings": [{"column": "Pain pre"}]}, r"\[\[readings\]\] number 1 needs column"),
        ({"readings": [{"column": "a", "measure": "pain_rating", "phase": "later"}]}, 'phase = "later" is not one of'),
        ({"readings": [{"column": "a", "measure": "pain_rating", "side": "up"}]}, 'side = "up" is not one of'),
        ({"readings": [{"column": "a", "measure": "pain_rating", "colour": "x"}]}, '"colour" is not known'),
    ],
)
def test_what_the_toolkit_does_not_know_is_refused(content: dict[str, object], message: str) -> None:
    with pytest.raises(SheetError, match=message):
        read_mapping(content)


def test_a_reading_of_an_unknown_measure_is_named(plain: pd.DataFrame) -> None:
    columns = {"client": "Patient code", "readings": [{"column": "Pain pre", "measure": "sorrow"}]}
    with pytest.raises(ExportError, match='the codebook has no measure "sorrow"'):
        load_records(plain, columns=columns)


def test_a_broken_file_tells_the_line(tmp_path: Path) -> None:
    path = tmp_path / "columns.toml"
    path.write_text("client = Code\n", encoding="utf-8")
    with pytest.raises(SheetError, match=r"columns.toml is not readable as TOML: .*line 1"):
        read_mapping(path)
