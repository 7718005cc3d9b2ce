"""More than two hundred inputs that were made to do harm, or that look as if: the tests make every one of them."""

from __future__ import annotations

import json
from collections.abc import Iterator

HEADER = (
    "client,practitioner,date,region,treated_side,intervention,measure,measured_side,unit,before,before_2,after_wait,"
    "after,order,adverse_event"
)
ROWS = [
    f"K{client},P1,2026-0{1 + visit}-0{1 + client},upper_trapezius,left,percussive_release,cervical_lateral_flexion,left,"
    f"deg,{30 + client + visit},{31 + client},{31 + visit},{33 + client + 2 * visit},"
    f"{('technique_first', 'wait_first')[(client + visit) % 2]},none"
    for client in range(7)
    for visit in range(3)
]
GOOD = "\n".join([HEADER, *ROWS]) + "\n"

PAYLOADS = [
    *("<script>window.ran=1</script>", "<img src=x onerror=window.ran=1>", "<svg onload=window.ran=1>"),
    *(
        '"><script>window.ran=1</script>',
        "'-window.ran-'",
        "javascript:window.ran=1",
        "{{ 7*7 }}",
        "{% raw %}",
        "${7*7}",
    ),
    *(
        "</title><script>window.ran=1</script>",
        "]]><script>window.ran=1</script>",
        "<!--",
        "--><b onclick=window.ran=1>",
    ),
    *(
        "=1+1",
        "=cmd|' /C calc'!A0",
        "+1+1",
        "-1+1",
        "@SUM(1)",
        "\t=1+1",
        '=HYPERLINK("http://example.org";"x")',
        "＝1+1",
    ),
    *(
        "\x1b[2J\x1b[31mred",
        "\x1b]0;title\x07",
        "\x9b31m",
        "\x07",
        "\u202egnp.exe",
        "\u2066a\u2069",
        "\x08\x08\x08x",
        "a\rb",
    ),
    *(
        "../../etc/passwd",
        "C:\\Windows\\x",
        "file:///etc/passwd",
        "%s%s%s%n",
        "$(touch ran)",
        "`touch ran`",
        "; touch ran",
    ),
    *(
        "' OR 1=1 --",
        "NULL",
        "None",
        "nan",
        "inf",
        "-inf",
        "1e400",
        "-0",
        "0x1F",
        "1_000",
        "1,000,000",
        "٣٤",
        "³⁴",
        "Ⅳ",
    ),
    *("9" * 400, "1" * 5000, "." * 300, "-" * 300, "e" * 300, "9999999999999999999", "1e-400", "+", "-", ".", ",", "°"),
    *(
        "a" * 40_000,
        " " * 40_000,
        "é" * 20_000,
        "a." * 20_000,
        "1/" * 20_000,
        "AB12 " * 8_000,
        "( " * 20_000,
        "x\u0301" * 9_000,
    ),
    *(
        "0000-00-00",
        "0001-01-01",
        "9999-12-31",
        "31.02.2026",
        "2026-13-01",
        "1e9",
        "45000",
        "-1",
        "24:00",
        "2026-01-01T99:99",
    ),
    *(
        "👩\u200d👩\u200d👧",
        "\ufeff",
        "\u200b",
        "\x00x"[1:],
        "\ud7ff",
        "ﷺ" * 50,
        "İ",
        "ß",
        "ſ",
        "K",
        "\u0085",
        "\u2028x",
    ),
    *(
        "upper_trapezius" + " + soleus" * 300,
        "left/" * 200,
        "percussive_release;" * 200,
        "yes no",
        "true",
        "[]",
        "{}",
        "#REF!",
    ),
]
COLUMNS = HEADER.split(",")


def with_cell(column: str, text: str) -> bytes:
    """A good export in which one cell says something else."""
    quoted = '"' + text.replace('"', '""') + '"'
    cells = ROWS[4].split(",")
    cells[COLUMNS.index(column)] = quoted
    return "\n".join([HEADER, *ROWS[:4], ",".join(cells), *ROWS[5:]]).encode("utf-8", "surrogatepass")


def cell_inputs() -> Iterator[tuple[str, bytes]]:
    """Every payload once, the columns in turn."""
    for place, text in enumerate(PAYLOADS):
        column = COLUMNS[place % len(COLUMNS)]
        yield f"{column} = {text[:24]!r} ({len(text)})", with_cell(column, text)


def file_inputs() -> Iterator[tuple[str, bytes]]:
    """Files that are damaged, odd, endless, or something else altogether."""
    good = GOOD.encode()
    yield "empty", b""
    yield "blank lines", b"\n\n\r\n \n"
    yield "only a header", HEADER.encode()
    yield "no header", "\n".join(ROWS).encode()
    yield "a zero byte", good.replace(b"K3", b"K\x003")
    yield "only zero bytes", b"\x00" * 5000
    yield "UTF-16", GOOD.encode("utf-16")
    yield "UTF-16 without a mark", GOOD.encode("utf-16-le")
    yield "UTF-32", GOOD.encode("utf-32")
    yield "half a UTF-16 sign", GOOD.encode("utf-16")[:-1]
    yield "three marks", b"\xef\xbb\xbf" * 3 + good
    yield "two encodings", good + "K9,Zoë".encode() + "K9,Zoë".encode("cp1252")
    yield "random bytes", bytes((place * 7919 + 13) % 256 for place in range(20_000))
    yield "an unclosed quotation mark", good.replace(b"P1", b'"P1', 1)
    yield "quotation marks everywhere", good.replace(b",", b'","')
    yield "only quotation marks", b'"' * 9001
    yield "only separators", b"," * 9001 + b"\n" + b";" * 9001
    yield "a line without end", HEADER.encode() + b"\n" + b"x" * 2_000_000
    yield "ten thousand columns", ",".join(f"c{place}" for place in range(10_000)).encode() + b"\n1\n"
    yield "a header of 200,000 signs", b"c" * 200_000 + b"," + good
    yield "the header twice", good + good
    yield "a column twice", good.replace(b"practitioner", b"client", 1)
    yield "carriage returns alone", good.replace(b"\n", b"\r")
    yield "mixed line ends", good.replace(b"\n", b"\r\n", 5)
    yield "rows too long", good + b",".join([b"1"] * 60) + b"\n"
    yield "rows too short", good + b"1\n2\n3,4\n"
    yield "a formula in every header", good.replace(b"client", b"=client").replace(b"region", b"+region")
    yield "markup in every header", good.replace(b"client", b"<b>client</b>").replace(b"region", b"<script>region")
    yield "headers that steer", good.replace(b"client", b"\x1b[2Jclient").replace(b"date", b"\xe2\x80\xaedate")
    yield "one row a thousand times", (HEADER + "\n" + (ROWS[0] + "\n") * 1000).encode()
    yield "one client only", GOOD.replace("K1", "K0").replace("K2", "K0").replace("K3", "K0").encode()
    yield "constant readings", "\n".join([HEADER, *(row.replace("3", "1") for row in ROWS)]).encode()
    yield "a PDF", b"%PDF-1.7\n" + good
    yield "a picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9
    yield "a program", b"\x7fELF" + bytes(range(256)) * 9
    yield "a script", b"#!/bin/sh\ntouch ran\n"
    yield "a page", b"<!doctype html><script>window.ran=1</script>"
    yield "JSON", json.dumps([{"client": "K1"}] * 50).encode()
    yield "a zip of nothing", b"PK\x05\x06" + b"\0" * 18
    yield "the beginning of a zip", b"PK\x03\x04" + b"\0" * 500
    yield "an old workbook's beginning", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 4096
    yield "the beginning of Parquet", b"PAR1" + b"\0" * 500 + b"PAR1"
    yield "gzip", b"\x1f\x8b" + bytes(range(256)) * 9
    yield "sep= and nothing", b"sep=;\r\n"
    yield "sep= of another sign", b"sep=,\r\n" + good.replace(b",", b";")
    yield "a hundred notes above", b"note\n" * 100 + good
    yield "totals below", good + b"\nTotal,,,,,,,,,9999,,,,,\n"
    yield "dates in every order", good.replace(b"2026-01-01", b"01/02/2026").replace(b"2026-02-02", b"2.1.26")


QUESTION = {
    "measure": '"cervical_lateral_flexion"',
    "region": '"upper_trapezius"',
    "intervention": '"percussive_release"',
    "comparison": '"wait"',
    "smallest_change_that_matters": "5.0",
    "unit": '"deg"',
    "alpha": "0.05",
    "looks_planned": "1",
    "declared_on": "2025-01-05",
}
WRONG_VALUES = [
    *(
        "true",
        "1",
        "-1",
        "0",
        "1e308",
        "nan",
        "inf",
        "-inf",
        '""',
        '"x"',
        "[]",
        "{}",
        '["a", "b"]',
        "{a = 1}",
        "9" * 30,
    ),
    *(
        "1979-05-27T07:32:00Z",
        "07:32:00",
        '"\\u001b[2J"',
        '"{{7*7}}"',
        "[[1]]",
        '"' + "x" * 6000 + '"',
        "0x1F",
        '"\\uD7FF"',
    ),
]


def question_inputs() -> Iterator[tuple[str, str]]:
    """A good question sheet with one field of another kind, in turn; and texts that are no sheet."""
    fields = list(QUESTION)
    for place, value in enumerate(WRONG_VALUES * 2):
        name = fields[(place * 2 + place // len(WRONG_VALUES)) % len(fields)]
        yield f"{name} = {value[:20]}", toml({**QUESTION, name: value})
    yield from texts_that_are_no_toml()
    yield "an unknown field", toml({**QUESTION, "surprise": "1"})
    yield "another format", toml({**QUESTION, "format": '"question/9"'})
    yield "nothing", ""


def toml(fields: dict[str, str]) -> str:
    return "\n".join(f"{name} = {value}" for name, value in fields.items()) + "\n"


def texts_that_are_no_toml() -> Iterator[tuple[str, str]]:
    yield "deep lists", "measure = " + "[" * 5000 + "]" * 5000
    yield "deep tables", "measure = " + "{a=" * 900 + "1" + "}" * 900
    yield "dotted keys", "a" + ".a" * 3000 + " = 1"
    yield "many digits", "alpha = " + "9" * 6000
    yield "no TOML", "measure: x"
    yield "a key twice", "measure = 'a'\nmeasure = 'b'"
    yield "zero byte", "measure = 'a\x00'"
    yield "Python", "import os; os.system('touch ran')"


COLUMNS_SHEETS = [
    *(
        "header_row = 'abc'",
        "header_row = -5",
        "header_row = 0",
        "header_row = 99999999",
        "header_row = 1.5",
        "header_row = true",
    ),
    *(
        "separator = 'ab'",
        "separator = 5",
        "separator = ''",
        "sheet = 5",
        "sheet = []",
        "readings = 5",
        "readings = ['a']",
    ),
    *(
        "readings = [{column = 5, measure = 6}]",
        "[[readings]]\ncolumn = 'before'\nmeasure = []",
        "missing = 5",
        "missing = [[1]]",
    ),
    *(
        "missing = 'NA'",
        "ignore = 5",
        "client = 5",
        "client = ['a']",
        "client = {a = 1}",
        "constants = 5",
        "[constants]\nclient = []",
    ),
    *(
        "values = 5",
        "[values]\nside = 5",
        "[values.side]\nL = 5",
        "[values.side]\nL = 'up'",
        "layout = 'deep'",
        "layout = []",
    ),
    *(
        "date_order = 'never'",
        "date_order = 5",
        "decimal = 5",
        "decimal = ';'",
        "unknown = 1",
        "client = 'no such header'",
        "x = ",
    ),
    *(
        "[[readings]]\ncolumn = 'before'\nmeasure = 'x'\nphase = 'noon'",
        "[[readings]]\ncolumn = 'before'\nmeasure = 'cervical_rotation'",
    ),
    *(
        "measure = '<script>'",
        "[constants]\nmeasure = '\\u001b[2J'",
        "client = ''",
        "session_id = 'client'\nclient = 'client'",
    ),
]
CODEBOOKS = [
    *(
        "measures = 5",
        "measures = [5]",
        "[[measures]]\nmeasure = 5",
        "[[measures]]\nmeasure = 'jaw'\nunit = 'mm'",
        "words = 5",
    ),
    *(
        "[[measures]]\nmeasure = 'jaw'\nunit = 'mm'\nlow = 'a'\nhigh = 5\nbetter = 'higher'",
        "[words]\nmeasure = 5",
        "x = 1",
    ),
    *(
        "[[measures]]\nmeasure = 'jaw'\nunit = 'mm'\nlow = 9\nhigh = 5\nbetter = 'higher'",
        "[words.measure]\n'a' = 'no_such'",
    ),
    *(
        "[[measures]]\nmeasure = '<b>'\nunit = 'mm'\nlow = 0\nhigh = 5\nbetter = 'higher'",
        "[words.measure]\n'a' = []",
        "[[regions]]",
    ),
    *(
        "[[measures]]\nmeasure = 'jaw'\nunit = []\nlow = 0\nhigh = 5\nbetter = 'higher'",
        "[words.sorrow]\na = 'b'",
        "[[limits]]\nregion=1",
    ),
]


SHEET = """format = "replication/1"
title = "Bending forward"
design = "paired"
citation = "nobody (2026)"
[data]
file = "data.csv"
[columns]
before = "first"
after = "second"
[[figure]]
name = "t"
printed = "4.44"
where = "p. 1"
read = "read"
method = "paired_t"
take = "t"
"""
DATA = "person,first,second,g\n1,10,12,y\n2,11,15,y\n3,9,12,n\n4,12,13,n\n5,10,14,y\n6,11,12,n\n"
MODEL = 'method = "model"\ntake = "estimate"\nwith = {formula = "FORMULA", term = "first"}'
FORMULAS = [
    *(
        "second ~ {eval(\"open('ran', 'w')\")}",
        "second ~ {open('ran','w')}",
        "second ~ {__import__('os').system('touch ran')}",
    ),
    *(
        "second ~ np.exp(first)",
        "second ~ I(open('ran','w'))",
        "second ~ first.__class__",
        "second ~ C(g, levels=open('ran','w'))",
    ),
    *(
        "second ~ `first` + {open('ran','w')}",
        "second ~ lag(first)",
        "second ~ hashed(g)",
        "second ~ first ** 99",
        "second ~ (first)*(" * 40,
    ),
    *(
        "second ~ 0",
        "~",
        "second",
        "second ~ first | g",
        "second ~ (1|g)",
        "second ~ 'first'",
        "second ~ first\\nfirst",
        "x" * 3000 + " ~ first",
    ),
    *(
        "second ~ " + "*".join("first" for _ in range(40)),
        "second ~ log(first)",
        "second ~ C(g, contr.treatment('y'))",
        "second ~ poly(first, 99)",
    ),
]
SHEETS_CHANGED = [
    ('file = "data.csv"', 'file = "/etc/passwd"'),
    ('file = "data.csv"', 'file = "//host/share/x.csv"'),
    ('file = "data.csv"', "file = 5"),
    ('file = "data.csv"', 'file = "data.csv"\nkeep = {g = ["x", "y"]}'),
    ('file = "data.csv"', 'file = "data.csv"\nkeep = 5'),
    ('file = "data.csv"', 'file = "data.csv"\nrepeat_by = "first"'),
    ('file = "data.csv"', 'file = "data.csv"\nrepeat_by = []'),
    ('file = "data.csv"', 'file = "data.csv"\nstack = 5'),
    ('file = "data.csv"', 'file = "data.csv"\nstack = {columns = 5, into = "a", label = "b"}'),
    ('file = "data.csv"', 'file = "data.csv"\nmissing = {a = 1}'),
    ('file = "data.csv"', 'file = "data.csv"\nmissing = [[1]]'),
    ('file = "data.csv"', 'file = "data.csv"\nkeep = {g = {a = 1}}'),
    ('file = "data.csv"', 'file = "\\u0000"'),
    ('file = "data.csv"', 'file = "."'),
    ('before = "first"', "before = 5"),
    ('before = "first"', "before = [1]"),
    ('before = "first"', 'before = "g"'),
    ('before = "first"', "before = {}"),
    ('printed = "4.44"', 'printed = "1e999"'),
    ('printed = "4.44"', 'printed = "' + "9" * 5000 + '"'),
    ('printed = "4.44"', "printed = [1]"),
    ('take = "t"', "take = 5"),
    ('take = "t"', 'take = "t"\nwith = 5'),
    ('take = "t"', 'take = "t"\nwith = {person = []}'),
    ('take = "t"', 'take = "t"\ntolerance = true'),
    ('take = "t"', 'take = "t"\ntolerance = inf'),
    ('take = "t"', 'take = "t"\ndecimals = []'),
    ('title = "Bending forward"', "title = 5"),
    ('title = "Bending forward"', 'title = "\\u001b[2J<script>"'),
    ("[[figure]]", "[figure]"),
    ('method = "paired_t"', "method = []"),
    ('where = "p. 1"', "where = 1"),
    ('read = "read"', "read = []"),
    ("[columns]", "[[columns]]"),
    ('format = "replication/1"', "format = 1"),
    ("[data]", "[[data]]"),
    ('citation = "nobody (2026)"', 'citation = ["a"]'),
]


def sheet_inputs() -> Iterator[tuple[str, str]]:
    """Replication sheets: every formula, every change, and texts that are no sheet."""
    for formula in FORMULAS:
        asked = MODEL.replace("FORMULA", formula.replace("\\", "\\\\").replace('"', '\\"'))
        yield f"formula {formula[:40]}", SHEET.replace('method = "paired_t"\ntake = "t"', asked)
    for place, (old, new) in enumerate(SHEETS_CHANGED):
        yield f"{place}: {new[:40]}", SHEET.replace(old, new)
    yield from texts_that_are_no_toml()
