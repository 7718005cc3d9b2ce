"""Files that cannot be read: one clear message each, naming line, what was found, what was expected."""

import zipfile
from pathlib import Path

import pandas as pd
import pytest

from toolkit.errors import ExportError, ToolkitError
from toolkit.records.records import load_records

HEADER = "client,practitioner,date,region,treated_side,intervention,measure,measured_side,unit,before,after\n"
ROW = "K1,P1,2026-03-04,upper_trapezius,left,percussive_release,cervical_rotation,left,deg,55,60\n"


def write(folder: Path, content: bytes | str, name: str = "export.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "the file is empty"),
        ("\n\n  \n", "the file is empty"),
        (HEADER, "there is a header, but no row below it"),
        (b"\x89PNG\r\n\x1a\n" + bytes(300), "this is a PNG picture"),
        (b"\xff\xd8\xff\xe0" + bytes(300), "this is a JPEG picture"),
        (b"%PDF-1.7\n%abc\n", "this is a document"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "protected by a password"),
        ("x" * 1_500_000, "line 1: no line break within the first 1,000,000 characters"),
        (HEADER.replace("practitioner", "client") + ROW, 'the column "client" stands twice, as columns A and B'),
        ("just one column\n1\n2\n", r"one column was found \(.just one column.\); expected several"),
        (",".join(f"c{place}" for place in range(10_000)) + "\n", "10000 columns were found"),
        (HEADER + ROW.replace("K1", "K\x00") * 30, "line 2: a zero byte"),
        (b"PK\x03\x04nonsense", "the workbook is damaged"),
        (b"PAR1nonsense", "the Parquet file is damaged"),
    ],
)
def test_a_file_that_is_no_export_says_what_it_is(tmp_path: Path, content: bytes | str, message: str) -> None:
    with pytest.raises(ExportError, match=message):
        load_records(write(tmp_path, content))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"nowhere.csv: there is no such file"):
        load_records(tmp_path / "nowhere.csv")


def test_a_folder_without_exports_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="the folder holds no export"):
        load_records(tmp_path)


def test_a_file_with_the_wrong_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="the ending says XLSX, but the content is not"):
        load_records(write(tmp_path, HEADER + ROW, "export.xlsx"))


def test_a_file_that_cannot_be_opened_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path, HEADER + ROW)

    def locked(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", locked)
    with pytest.raises(ExportError, match=r"export.csv: the file cannot be opened \(Permission denied\)"):
        load_records(path)


def test_a_workbook_that_would_unpack_to_far_too_much_is_not_opened(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", bytes(200_000_000))
    with pytest.raises(ExportError, match="would unpack to 200 MB"):
        load_records(path)


def test_a_stray_cell_in_the_far_corner_is_not_laid_out(tmp_path: Path) -> None:
    path = tmp_path / "corner.xlsx"
    sheet = '<sheetData><row r="1"><c r="A1"/></row><row r="1048576"><c r="XFD1048576"/></row></sheetData>'
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", sheet)
    with pytest.raises(ExportError, match="1,048,576 rows by 16,384 columns"):
        load_records(path)


def test_another_archive_is_no_workbook(tmp_path: Path) -> None:
    path = tmp_path / "letters.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("letter.txt", "hello")
    with pytest.raises(ExportError, match="an archive, not a workbook"):
        load_records(path)


def test_an_endless_line_further_down_is_told_by_its_number(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="line 3: 20,000,000 characters without a line break"):
        load_records(write(tmp_path, HEADER + ROW + "y" * 20_000_000 + "\n" + ROW))


def test_a_very_long_text_in_a_cell_takes_no_time(tmp_path: Path) -> None:
    records = load_records(write(tmp_path, HEADER.strip() + ",setting\n" + ROW.strip() + "," + "x" * 300_000 + "\n"))
    assert len(records.rows.loc[0, "setting"]) == 300_000


def test_an_unclosed_quotation_mark_is_told_by_its_line(tmp_path: Path) -> None:
    content = HEADER + ROW + ROW.replace("K1", '"K1') + ROW * 3
    with pytest.raises(ToolkitError, match="row 3: a quotation mark"):
        load_records(write(tmp_path, content))


def test_two_stray_quotation_marks_do_not_swallow_the_rows_between(tmp_path: Path) -> None:
    stray = ROW.replace(",deg", ',"deg')
    with pytest.raises(ToolkitError, match="row 2: a quotation mark"):
        load_records(write(tmp_path, HEADER + stray + ROW.replace("03-04", "03-05") + stray.replace("03-04", "03-06")))


def test_a_long_note_in_prose_is_no_unclosed_quotation(tmp_path: Path) -> None:
    note = '"sore, tired, stiff,\nbetter, then, worse, then, fine, well, good, calm, light, easy"'
    records = load_records(write(tmp_path, HEADER.strip() + ",setting\n" + ROW.strip() + f",{note}\n"))
    assert records.source.rows_kept == 1


def test_rows_with_too_few_or_too_many_cells_are_set_aside_by_number(tmp_path: Path) -> None:
    content = HEADER + ROW + "K1,P1\n" + ROW.replace("03-04", "03-05") + ROW.strip() + ",extra,more\n"
    records = load_records(write(tmp_path, content))
    assert records.source.rows_kept == 2
    assert records.set_aside[["row", "reason"]].to_numpy().tolist() == [
        [3, "2 cells were found where 11 were expected"],
        [5, "13 cells were found where 11 were expected"],
    ]


@pytest.mark.parametrize("surplus", [",", ",,,", ",  "])
def test_empty_cells_beyond_the_last_column_lose_nothing(tmp_path: Path, surplus: str) -> None:
    content = HEADER + ROW.strip() + surplus + "\n" + ROW.replace("03-04", "03-05")
    records = load_records(write(tmp_path, content))
    assert records.rows["row"].tolist() == [2, 3]
    assert records.set_aside.empty


def test_a_cell_beyond_the_last_column_that_holds_something_is_not_dropped(tmp_path: Path) -> None:
    records = load_records(write(tmp_path, HEADER + ROW.strip() + ",38,\n" + ROW.replace("03-04", "03-05")))
    assert records.set_aside["reason"].tolist() == ["13 cells were found where 11 were expected"]


def test_blank_lines_are_no_records_and_rows_keep_their_numbers(tmp_path: Path) -> None:
    content = HEADER + "\n" + ROW + ",,,,,,,,,,\n" + ROW.replace("03-04", "03-05")
    records = load_records(write(tmp_path, content))
    assert records.rows["row"].tolist() == [3, 5]
    assert records.source.files.loc[0, "rows_blank"] == 2


def test_a_cell_with_a_line_break_is_one_row(tmp_path: Path) -> None:
    content = HEADER + ROW.replace("percussive_release", '"my\nown way"') + ROW.replace("03-04", "03-05")
    records = load_records(write(tmp_path, content))
    assert records.rows["row"].tolist() == [2, 3]
    assert records.rows.loc[0, "intervention"] == "my own way"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separators_and_encodings_are_found(tmp_path: Path, wide: pd.DataFrame, separator: str, encoding: str) -> None:
    path = tmp_path / "export.csv"
    wide["practitioner"] = "Jürgen"
    wide.to_csv(path, sep=separator, index=False, encoding=encoding)
    records = load_records(path)
    assert records.source.rows_kept == 6
    assert records.rows["practitioner"].unique().tolist() == ["Jürgen"]


def test_a_first_line_that_tells_the_separator_is_no_row(tmp_path: Path) -> None:
    records = load_records(write(tmp_path, "sep=;\r\n" + (HEADER + ROW).replace(",", ";")))
    assert records.rows["row"].tolist() == [2]


def test_an_export_of_which_nothing_can_be_used_still_accounts_for_it(tmp_path: Path) -> None:
    records = load_records(write(tmp_path, HEADER + ROW.replace("55", "?!") * 2))
    assert (records.source.rows_read, len(records.rows), records.source.rows_set_aside) == (2, 0, 2)
    assert "2 rows read" in str(records)


def test_a_settings_file_may_name_the_header_row(tmp_path: Path) -> None:
    write(tmp_path, "header_row = 3\n", "columns.toml")
    records = load_records(write(tmp_path, "My clinic\n\n" + HEADER + ROW))
    assert records.rows["row"].tolist() == [4]


def test_a_title_above_the_header_is_no_obstacle(tmp_path: Path) -> None:
    assert load_records(write(tmp_path, "My clinic\n" + HEADER + ROW)).rows["row"].tolist() == [3]
