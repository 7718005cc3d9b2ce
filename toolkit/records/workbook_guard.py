"""A workbook (XLSX, ODS) measured before a reader lays it out: its archive unpacked within bounds, its cells counted.

Sheets are found by what they hold, not by their names; rows and columns are counted whatever the order of attributes,
the quotation marks, the prefix of the names or the encoding. What is handed on is an archive of exactly the parts that
were measured, so that nothing else can be unpacked.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.parsers import expat

from toolkit.errors import ExportError
from toolkit.records.bounds import MOST_CELLS, MOST_PLAIN, MOST_UNPACKED, check_area, check_bytes, check_file

_SMALL, _RATIO, _MOST_MEMBERS = 50_000_000, 300, 10_000
_NOT_NEEDED = re.compile(
    r"(?i).*\.(png|jpe?g|gif|bmp|emf|wmf|svg|bin|vml|ttf|odttf)|(.*/)?(media|pictures|thumbnails)/.*"
)
_TAGS = rb"[ >/\t\r\n]"
_PREFIXED = re.compile(rb"<[\w.\-]{1,99}:(?:c|row|sheetData)" + _TAGS)
_WIDE = re.compile(rb'<c r="([A-Za-z]{2,9})')
_ROWS = re.compile(rb'<row r="(\d{1,20})"')
_ODD_ROW = re.compile(rb'<row r="(?!\d{1,7}")')
_ODD_CELL = re.compile(rb'<c r="(?![A-Z]{1,3}\d{1,7}")')


@dataclass(frozen=True, kw_only=True, eq=False)
class MeasuredArchive:
    """`data`: the archive to read; `sheets`: the XML of each sheet of an XLSX, by its place in the archive."""

    data: bytes
    sheets: dict[str, bytes]


def measured_archive(data: bytes, *, file: str) -> MeasuredArchive:
    """Unpack a workbook within bounds and measure its sheets.

    Parameters
    ----------
    data : bytes
        The file as it stands on disk, beginning with "PK".
    file : str
        Its name, for messages.

    Raises
    ------
    ExportError
        Another archive, a damaged one, one that unpacks to too much, or a sheet with cells far outside any table.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_members(archive, len(data), file=file)
            parts = {item.filename: _unpacked(archive, item) for item in archive.infolist() if _needed(item)}
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError, ValueError) as fault:
        raise ExportError(f"{file}: the workbook is damaged ({fault}). Open it and save it again.") from None
    sheets = {name: part for name, part in parts.items() if b"sheetData" in part or b"\x00" in part[:400]}
    for name, part in parts.items():
        if name == "content.xml":
            check_area(*_open_document_area(part, file=file), file=file)
        elif name in sheets:
            check_area(*_area(part, file=file), file=file)
    return MeasuredArchive(data=_packed(parts), sheets=sheets)


def _check_members(archive: zipfile.ZipFile, packed: int, *, file: str) -> None:
    """Refuse other archives, and those whose directory promises far more than a workbook of sessions holds."""
    members, names = archive.infolist(), archive.namelist()
    if "xl/workbook.xml" not in names and not ("content.xml" in names and "mimetype" in names):
        raise ExportError(f"{file}: this is an archive, not a workbook. Save the sheet as XLSX or CSV.")
    if len(set(names)) < len(names) or len(names) > _MOST_MEMBERS:
        raise ExportError(f"{file}: the workbook is damaged (parts that come twice). Open it and save it again.")
    unpacked = sum(member.file_size for member in members)
    if unpacked > MOST_UNPACKED or (unpacked > _SMALL and unpacked > _RATIO * packed):
        raise ExportError(
            f"{file}: {packed / 1e6:.1f} MB would unpack to {unpacked / 1e6:,.0f} MB, far more than sessions need. "
            "It is not opened. Copy the rows into a new workbook, or save the sheet as CSV."
        )


def _needed(item: zipfile.ZipInfo) -> bool:
    """Pictures, macros and fonts are left where they are."""
    return not item.is_dir() and _NOT_NEEDED.fullmatch(item.filename) is None


def _unpacked(archive: zipfile.ZipFile, item: zipfile.ZipInfo) -> bytes:
    """One part; never more bytes than the directory promised."""
    with archive.open(item) as part:
        content = part.read(item.file_size + 1)
    if len(content) != item.file_size:
        raise zipfile.BadZipFile(f"{item.filename} is longer or shorter than it says")
    return content


def _packed(parts: dict[str, bytes]) -> bytes:
    """An archive of the measured parts alone, not compressed."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def _area(content: bytes, *, file: str) -> tuple[int, int]:
    """(rows, columns) of a sheet's used area."""
    if not _as_usual(content):
        return _area_by_parsing(content, file=file)
    rows = max(map(int, _ROWS.findall(content)), default=1)
    wide = {letters.upper() for letters in _WIDE.findall(content)}
    return rows, max(map(_column_number, wide), default=26)


def _as_usual(content: bytes) -> bool:
    """Whether a sheet is written as spreadsheet programs write it, every row and cell with its place first."""
    rows, cells = (
        sum(content.count(b"<" + tag + after) for after in (b" ", b">", b"/", b"\t", b"\r", b"\n"))
        for tag in (b"row", b"c")
    )
    return (
        content.count(b'<row r="') == rows
        and content.count(b'<c r="') == cells
        and not any(sign in content for sign in (b"\x00", b"<!DOCTYPE", b"<!ENTITY", b"<!["))
        and not any(odd.search(content) for odd in (_PREFIXED, _ODD_ROW, _ODD_CELL))
    )


def _parser(file: str) -> Any:
    """A parser that takes no declarations of a document's own."""
    parser = expat.ParserCreate()

    def refuse(*_: Any) -> None:
        raise ExportError(f"{file}: the workbook declares a document type of its own. Open it and save it again.")

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    return parser


def _parse(parser: Any, content: bytes, *, file: str) -> None:
    try:
        parser.Parse(content, True)
    except expat.ExpatError as fault:
        raise ExportError(f"{file}: the workbook is damaged ({fault}). Open it and save it again.") from None


def _area_by_parsing(content: bytes, *, file: str) -> tuple[int, int]:
    """(rows, columns) of a sheet that is written in an unusual way."""
    at = {"row": 0, "column": 0, "rows": 1, "columns": 1}

    def start(name: str, given: dict[str, str]) -> None:
        tag = name.rpartition(":")[2]
        place = next((value for key, value in given.items() if key.rpartition(":")[2] == "r"), "").strip()
        if tag == "row":
            at["row"] = int(place) if place.isdigit() and len(place) < 20 else at["row"] + 1
            at["column"] = 0
        elif tag == "c":
            found = re.fullmatch(r"\$?([A-Za-z]{1,9})\$?(\d{0,19})", place)
            at["column"] = _column_number(found[1].upper().encode()) if found else at["column"] + 1
            if found and found[2]:
                at["row"] = int(found[2])
            at["columns"] = max(at["columns"], at["column"])
        at["rows"] = max(at["rows"], at["row"])
        if at["rows"] * at["columns"] > MOST_CELLS:
            check_area(at["rows"], at["columns"], file=file)

    parser = _parser(file)
    parser.StartElementHandler = start
    _parse(parser, content, file=file)
    return at["rows"], at["columns"]


def _open_document_area(content: bytes, *, file: str) -> tuple[int, int]:
    """(rows, columns) of the largest sheet of an ODS: repeated rows and cells count as often as they are repeated."""
    at = {"row": 0, "column": 0, "rows": 1, "columns": 1, "repeat": 1}

    def times(given: dict[str, str], what: str) -> int:
        found = next((value for key, value in given.items() if key.rpartition(":")[2] == what), "1").strip()
        return int(found) if found.isdigit() and len(found) < 20 else 1

    def start(name: str, given: dict[str, str]) -> None:
        tag = name.rpartition(":")[2]
        if tag == "table":
            at["row"], at["repeat"] = 0, 0
        elif tag == "table-row":
            at["row"] += at["repeat"]
            at["column"], at["repeat"] = 0, times(given, "number-rows-repeated")
        elif tag in ("table-cell", "covered-table-cell"):
            at["column"] += times(given, "number-columns-repeated")
            if any(key.rpartition(":")[2] in ("value-type", "formula") for key in given):
                at["rows"] = max(at["rows"], at["row"] + at["repeat"])
                at["columns"] = max(at["columns"], at["column"])
                check_area(at["rows"], at["columns"], file=file)

    parser = _parser(file)
    parser.StartElementHandler = start
    _parse(parser, content, file=file)
    return at["rows"], at["columns"]


def _column_number(letters: bytes) -> int:
    """1 for A, 27 for AA."""
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def bounded_bytes(path: Path, *, most: int = MOST_PLAIN) -> io.BytesIO:
    """A small table's file, to be read by a library: bounded, a workbook measured first, nothing unpacked unasked.

    Raises
    ------
    ExportError
        The file is too large, or a workbook that no reader should lay out.
    """
    check_file(path)
    check_bytes(path.stat().st_size, file=path.name, most=most)
    data = path.read_bytes()
    if data.startswith(b"PK"):
        data = measured_archive(data, file=path.name).data
    return io.BytesIO(data)
