"""Bounded work: workbooks are measured before they are laid out, texts are looked at in a time that grows with them."""

import io
import os
import time
import zipfile

import pytest

from tests.safety.corpus import GOOD
from tests.safety.hostile_files import (
    FAR_SHEETS,
    LAUGHING,
    NEAR,
    far_workbooks,
    lying_zip,
    open_document,
    sheet_xml,
    workbook,
)
from toolkit import __main__ as entry
from toolkit import writing
from toolkit.errors import ExportError, ToolkitError, WritingError
from toolkit.planning.opened_lines import opened_lines
from toolkit.records.bounds import LONGEST_CELL, Clock, check_bytes, check_cells, check_shape
from toolkit.records.encodings import decode
from toolkit.records.grid import make_grid
from toolkit.records.records import load_records
from toolkit.records.safe_harbour import kind_in_cell
from toolkit.records.workbook_guard import measured_archive

FAR = dict(far_workbooks())


@pytest.mark.parametrize("name", FAR)
def test_a_far_cell_is_seen_however_it_is_written(name):
    assert len(FAR[name]) < 10_000
    with pytest.raises(ExportError, match=r"used area is 1,04\d,\d+ rows by .*Delete stray cells"):
        measured_archive(FAR[name], file="a.xlsx")


def test_a_declared_document_type_is_refused():
    with pytest.raises(ExportError, match="declares a document type"):
        measured_archive(workbook(LAUGHING), file="a.xlsx")


def test_a_workbook_as_usual_is_handed_on_whole():
    measured = measured_archive(workbook(sheet_xml(NEAR), more={"xl/media/image1.png": b"\x89PNG"}), file="a.xlsx")
    archive = zipfile.ZipFile(io.BytesIO(measured.data))
    assert archive.read("xl/worksheets/sheet1.xml").decode() == sheet_xml(NEAR)
    assert "xl/media/image1.png" not in archive.namelist()
    assert list(measured.sheets) == ["xl/worksheets/sheet1.xml"]


def test_a_part_longer_than_it_says_is_never_unpacked():
    with pytest.raises(ExportError, match="is damaged"):
        measured_archive(lying_zip(), file="a.xlsx")


def test_an_archive_that_unpacks_to_too_much_is_not_opened():
    with pytest.raises(ExportError, match="would unpack to"):
        measured_archive(workbook(sheet_xml("<row/>" * 12_000_000)), file="a.xlsx")


@pytest.mark.parametrize("data", [b"PK", b"PK\x03\x04" + b"\0" * 100, workbook("no xml")[:-30]])
def test_a_damaged_archive_is_a_sentence(data):
    with pytest.raises(ExportError, match="damaged"):
        measured_archive(data, file="a.xlsx")


FULL_CELL = '<t:table-cell o:value-type="float" o:value="1"/>'


@pytest.mark.parametrize(
    "rows",
    [
        '<t:table-row t:number-rows-repeated="1048576">'
        '<t:table-cell o:value-type="float" o:value="1" t:number-columns-repeated="16384"/></t:table-row>',
        f'<t:table-row t:number-rows-repeated="1048570"><t:table-cell/></t:table-row><t:table-row>'
        f'<t:table-cell t:number-columns-repeated="1000"/>{FULL_CELL}</t:table-row>',
    ],
)
def test_repeated_cells_of_an_open_document_are_counted(rows):
    with pytest.raises(ExportError, match="used area is"):
        measured_archive(open_document(rows), file="a.ods")


def test_empty_rows_repeated_to_the_end_of_an_open_document_are_nothing():
    rows = f"<t:table-row>{FULL_CELL}</t:table-row>" + (
        '<t:table-row t:number-rows-repeated="1048575"><t:table-cell t:number-columns-repeated="16384"/></t:table-row>'
    )
    assert measured_archive(open_document(rows), file="a.ods").data


def test_every_bound_is_a_sentence():
    for refuse in (
        lambda: check_bytes(3_000_000_000, file="a.csv"),
        lambda: check_shape(30_000_000, 3, file="a.csv"),
        lambda: check_shape(3, 3_000, file="a.csv"),
        lambda: check_cells(LONGEST_CELL + 1, file="a.csv", column="notes"),
        Clock(file="a.csv", most=-1.0).check,
    ):
        with pytest.raises(ExportError, match=r"a\.csv.*(Split|Keep only|Shorten)"):
            refuse()


LONG_TEXTS = {
    "letters": "a" * 40_000,
    "digits": "1" * 40_000,
    "zeros": "0" * 40_000,
    "spaces": " " * 40_000,
    "ats": "@" * 40_000,
    "letters and points": "a." * 20_000,
    "phone-like": "+49 1-" * 7_000,
    "digits in pairs": "01 " * 13_000,
    "dashes": "-" * 40_000,
    "account-like": "AB12 " * 8_000,
    "words": "Anna " * 8_000,
    "slashes": "1/" * 20_000,
    "pluses": "+ " * 20_000,
    "commas": " , " * 13_000,
    "accents": "é" * 40_000,
    "brackets": "(" * 40_000,
    "marks": "~≈<>" * 10_000,
    "links": "www." * 10_000,
}


def quick(work, text: str) -> bool:
    """Whether the work is over in three seconds: milliseconds where it is linear, twenty seconds where not."""
    began = time.process_time()
    work(text)
    return time.process_time() - began < 3.0


@pytest.mark.parametrize("name", LONG_TEXTS)
def test_a_long_cell_is_looked_at_in_no_time(name):
    assert quick(kind_in_cell, LONG_TEXTS[name])


@pytest.mark.parametrize("name", LONG_TEXTS)
def test_a_long_line_is_decoded_in_no_time(name):
    assert quick(lambda text: decode((text + "é").encode(), file="a.csv"), LONG_TEXTS[name])


def test_the_sample_of_foreign_words_is_still_the_words():
    assert decode("Höhe, naïve; plain – Größe".encode(), file="a.csv").sample[:2] == ("Höhe", "naïve")


def test_far_sheets_are_small():
    assert all(len(xml) < 20_000 for xml in FAR_SHEETS.values())


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices")
@pytest.mark.parametrize(
    "words",
    [
        ("check", "{}"),
        ("audit", "{}", "--question", "{}"),
        ("columns", "{}"),
        ("pool", "{}", "{}"),
        ("replicate", "{}"),
        ("replicate", "--paper", "{}"),
        ("ruler", "{}"),
        ("codebook", "{}"),
        ("open-order", "{}", "--key", "{}", "--list", "list.csv"),
        ("deidentify", "{}", "--out", "out.csv", "--key", "{}"),
    ],
)
@pytest.mark.parametrize("place", ["pipe", "/dev/zero"])
def test_what_never_ends_is_not_read(words, place, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe")
    assert entry.run([word.format(place) for word in words]) == 2
    assert "fault of the toolkit" not in capsys.readouterr().err


def test_a_folder_of_many_files_is_not_read_through(tmp_path, monkeypatch):
    for number in range(200):
        (tmp_path / f"picture{number}.jpg").write_text("mine", encoding="utf-8")
    monkeypatch.setattr(writing, "hash_of", lambda path: pytest.fail(f"{path} was read"))
    with pytest.raises(WritingError, match="and many more"):
        writing.check_free_folder(tmp_path, replace=True)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("year = 99999999999", "must be a year"),
        ('year = "2024|x"', "must be a year"),
        ('[units]\n"x y" = "kg"', "has no measure"),
        ('[units]\ngrip_strength = "furlong"', "is no unit"),
        ('pairs = "both"', "is not one of"),
        ("tip_cm2 = " + "9" * 5000, "more digits"),
    ],
)
def test_a_setting_out_of_range_is_told(text, said, tmp_path):
    (tmp_path / "year.csv").write_text(GOOD, encoding="utf-8")
    (tmp_path / "columns.toml").write_text(text + "\n", encoding="utf-8")
    with pytest.raises(ToolkitError, match=said):
        load_records(tmp_path / "year.csv")


def test_a_number_beyond_any_in_a_drawn_order_is_told(tmp_path, capsys):
    order = tmp_path / "order.csv"
    order.write_text("client,session,season,seal\nA,99999999999999999999,s,x\n", encoding="utf-8")
    assert entry.run(["open-order", str(order), "--client", "A", "--session", "1", "--key", "key.txt"]) == 2
    assert "is not an order drawn by this toolkit" in " ".join(capsys.readouterr().err.split())
    log = '{"format": "opened/1", "lines": [{"client": "A", "session": 1e400, "opened": ""}]}'
    (tmp_path / "order.opened.json").write_text(log, encoding="utf-8")
    with pytest.raises(ToolkitError, match="is damaged"):
        opened_lines(order)


def test_merged_ranges_beyond_the_cells_are_cut_off():
    rows = [["Client", "Date"], ["C1", "2024-03-05"]]
    merges = [((0, 0), (0, 16_383)), ((1, 0), (1_048_575, 0)), ((50, 0), (90, 3)), ((0, 1), (0, 0))]
    assert make_grid(rows, file="x", merges=merges).merges == ((0, 0, 0, 1), (1, 0, 1, 0))


def test_a_table_of_shared_texts_that_unpacks_to_too_much_is_not_opened(tmp_path):
    texts = b"<sst><si><t>" + b"a" * 400_000_000 + b"</t></si></sst>"
    place = tmp_path / "year.xlsx"
    place.write_bytes(workbook(sheet_xml(NEAR), more={"xl/sharedStrings.xml": texts}))
    with pytest.raises(ExportError):
        load_records(place)
