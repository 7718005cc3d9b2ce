"""The accounts always close: read = kept + set aside, for rows and readings, whatever stands in the cells."""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.records.conftest import long_sheet, plain_sheet, wide_sheet
from toolkit.records.codebook import load_codebook
from toolkit.records.records import Records, load_records

CODEBOOK = load_codebook()
_CELLS = st.sampled_from(
    [
        "",
        "n/a",
        "-999",
        "34°",
        "3,5",
        "3.5",
        "12–14",
        "=A1",
        "yes",
        "left",
        "K1",
        "2999-01-01",
        "1900-01-01",
        "2026-03-02",
        "deg",
        "cm",
        "upper_trapezius",
        "measured_only",
        "cervical_rotation",
        "\u200b",
        "wait_first",
        "1",
        "2",
        "before",
        "after",
    ]
)
_DAMAGE = st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20), _CELLS), max_size=12)


def accounts_close(records: Records) -> bool:
    """Rows and readings close, and each row that is set aside stands there once."""
    source, aside = records.source, records.set_aside
    once = aside.loc[aside["scope"] == "row"]
    return (
        source.rows_read == source.rows_kept + source.rows_set_aside
        and source.readings_read == source.readings_kept + source.readings_set_aside
        and len(once) == source.rows_set_aside
        and not once.duplicated(["file", "row"]).any()
    )


def damaged(frame: pd.DataFrame, damage: list[tuple[int, int, str]]) -> pd.DataFrame:
    """The frame with some cells overwritten and its first rows repeated."""
    frame = pd.concat([frame, frame.iloc[:2]], ignore_index=True).astype("str")
    for row, column, text in damage:
        frame.iloc[row % len(frame), column % frame.shape[1]] = text
    return frame


@given(_DAMAGE)
@settings(max_examples=15)
def test_accounts_of_damaged_wide_rows_close(damage: list[tuple[int, int, str]]) -> None:
    records = load_records(damaged(wide_sheet(8), damage), codebook=CODEBOOK)
    assert accounts_close(records)
    assert records.source.rows_read == 10


@given(_DAMAGE)
@settings(max_examples=15)
def test_accounts_of_damaged_long_rows_close(damage: list[tuple[int, int, str]]) -> None:
    records = load_records(damaged(long_sheet(4), damage), codebook=CODEBOOK)
    assert accounts_close(records)
    assert records.source.rows_read == 14


@given(_DAMAGE)
@settings(max_examples=8)
def test_accounts_of_damaged_session_rows_close(damage: list[tuple[int, int, str]]) -> None:
    columns = _proposed()
    records = load_records(damaged(plain_sheet(), damage), columns=columns, codebook=CODEBOOK)
    assert accounts_close(records)
    assert records.source.rows_read == 6


def _proposed() -> dict[str, object]:
    """The mapping of the plain sheet, so that damage to its values does not change what the columns mean."""
    import tomllib

    from toolkit.records.propose import propose_columns

    return tomllib.loads(propose_columns(plain_sheet()).to_toml())


@given(
    st.lists(st.tuples(st.integers(0, 900), st.integers(0, 900), st.booleans()), min_size=1, max_size=12),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from([".", ","]),
)
@settings(max_examples=15)
def test_what_is_written_is_read(
    readings: list[tuple[int, int, bool]], separator: str, encoding: str, decimal: str
) -> None:
    frame = wide_sheet(len(readings)).assign(client=[f"Ü{place}" for place in range(len(readings))])
    before = np.array([one[0] / 10 for one in readings])
    after = np.array([np.nan if one[2] else one[1] / 10 for one in readings])
    frame = frame.assign(before=before, after=after).drop(columns="before_2")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        frame.to_csv(path, sep=separator, encoding=encoding, decimal=decimal, index=False)
        records = load_records(path, codebook=CODEBOOK)
    assert records.source.rows_kept == len(readings)
    np.testing.assert_array_equal(records.rows["before"], before)
    np.testing.assert_array_equal(records.rows["after"], after)
    assert records.rows["client"].tolist() == frame["client"].tolist()


def test_records_show_what_was_kept_and_why_rows_were_set_aside(wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = "forty"
    records = load_records(wide)
    assert "6 rows read from 1 file: 5 kept, 1 set aside" in str(records)
    assert "not a number" in records._repr_html_()
    assert records.table()["rows"].sum() == 6
    assert records.table()["readings"].sum() == 18


def test_what_is_set_aside_cannot_run_in_a_spreadsheet(tmp_path: Path, wide: pd.DataFrame) -> None:
    wide.loc[0, "after"] = '=HYPERLINK("http://example.org")'
    wide.loc[1, "after"] = "-999"
    path = load_records(wide).write_set_aside(tmp_path / "rows_set_aside.csv", with_text=True)
    written = pd.read_csv(path, dtype=str)
    assert written["value"].tolist() == ['\'=HYPERLINK("http://example.org")', "-999"]
