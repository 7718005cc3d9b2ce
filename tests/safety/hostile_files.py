"""Files made to do harm, made by the tests themselves: workbooks, tables, sheets of settings, texts of cells."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator

TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType='
    '"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>'
)
RELS = (
    '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rId1" Target="xl/workbook.xml" Type='
    '"http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument"/></Relationships>'
)
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
BOOK = (
    f'<?xml version="1.0"?><workbook xmlns="{MAIN}" xmlns:r='
    '"http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets>'
    '<sheet name="s" sheetId="1" r:id="rId1"/></sheets></workbook>'
)


def book_rels(target: str) -> str:
    return (
        '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Target="{target}" Type='
        '"http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet"/></Relationships>'
    )


def workbook(
    sheet: str | bytes, *, target: str = "worksheets/sheet1.xml", more: dict[str, bytes] | None = None
) -> bytes:
    """A minimal XLSX around the XML of one sheet."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", TYPES)
        archive.writestr("_rels/.rels", RELS)
        archive.writestr("xl/workbook.xml", BOOK)
        archive.writestr("xl/_rels/workbook.xml.rels", book_rels(target))
        archive.writestr(f"xl/{target}", sheet)
        for name, content in (more or {}).items():
            archive.writestr(name, content)
    return out.getvalue()


def sheet_xml(rows: str, *, head: str = "") -> str:
    inside = f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>'
    return f'<?xml version="1.0" encoding="UTF-8"?>{head}{inside}'


NEAR = '<row r="1"><c r="A1" t="str"><v>client</v></c></row>'
FAR_SHEETS = {
    "usual": sheet_xml(NEAR + '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'),
    "attributes in another order": sheet_xml(
        NEAR + '<row s="1" r="1048576"><c t="n" r="XFD1048576"><v>1</v></c></row>'
    ),
    "single quotes": sheet_xml(NEAR + "<row r='1048576'><c r='XFD1048576'><v>1</v></c></row>"),
    "spaces round the sign": sheet_xml(NEAR + '<row r = "1048576"><c  r = "XFD1048576"><v>1</v></c></row>'),
    "line breaks": sheet_xml(NEAR + '<row\nr="1048576"><c\n\tr="XFD1048576"><v>1</v></c></row>'),
    "prefix": (
        f'<?xml version="1.0"?><x:worksheet xmlns:x="{MAIN}"><x:sheetData><x:row r="1"><x:c r="A1"/></x:row>'
        '<x:row r="1048576"><x:c r="XFD1048576"><x:v>1</x:v></x:c></x:row></x:sheetData></x:worksheet>'
    ),
    "small letters": sheet_xml(NEAR + '<row r="1048576"><c r="xfd1048576"><v>1</v></c></row>'),
    "signs by number": sheet_xml(NEAR + '<row r="&#49;048576"><c r="XF&#68;1048576"><v>1</v></c></row>'),
    "only the cell tells": sheet_xml(NEAR + '<row><c r="XFD1048576"><v>1</v></c></row>'),
    "rows count on": sheet_xml(NEAR + '<row r="1048000"/>' + "<row/>" * 500 + '<row><c r="XFD9"><v>1</v></c></row>'),
    "cells count on": sheet_xml(NEAR + '<row r="1048576">' + "<c><v>1</v></c>" * 1000 + "</row>"),
    "an attribute named like it": sheet_xml(NEAR + '<row spr="2" r="1048576"><c foor="A1" r="XFD7"><v>1</v></c></row>'),
    "a greater sign inside": sheet_xml(NEAR + '<row spans="1>2" r="1048576"><c x=">" r="XFD7"><v>1</v></c></row>'),
}
OTHER_PLACES = ("worksheets/data.xml", "other/sheet.xml", "worksheets/sheet1.XML", "table.dat")


def far_workbooks() -> Iterator[tuple[str, bytes]]:
    """Small workbooks whose one far cell makes a reader lay out a whole sheet."""
    for name, xml in FAR_SHEETS.items():
        yield name, workbook(xml)
    for place in OTHER_PLACES:
        yield place, workbook(FAR_SHEETS["usual"], target=place)
    yield "in UTF-16", workbook(FAR_SHEETS["usual"].replace("UTF-8", "UTF-16").encode("utf-16"))


LAUGHS = "".join(f'<!ENTITY a{place} "{f"&a{place - 1};" * 10 if place else "ha"}">' for place in range(10))
LAUGHING = sheet_xml('<row r="1"><c r="A1" t="str"><v>&a9;</v></c></row>', head=f"<!DOCTYPE x [{LAUGHS}]>")


def open_document(rows: str) -> bytes:
    """A minimal ODS around the XML of one table's rows."""
    out = io.BytesIO()
    space = "urn:oasis:names:tc:opendocument:xmlns"
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "content.xml",
            f'<?xml version="1.0"?><o:document-content xmlns:o="{space}:office:1.0" xmlns:t="{space}:table:1.0" '
            f'xmlns:x="{space}:text:1.0"><o:body><o:spreadsheet><t:table t:name="s">{rows}</t:table></o:spreadsheet>'
            "</o:body></o:document-content>",
        )
    return out.getvalue()


def lying_zip() -> bytes:
    """A workbook whose sheet unpacks to more than its directory says."""
    data = bytearray(workbook(sheet_xml("<row/>" * 400_000)))
    at = data.rfind(b"PK\x01\x02", 0, data.rfind(b"xl/worksheets/sheet1.xml"))
    data[at + 24 : at + 28] = (100).to_bytes(4, "little")
    return bytes(data)
