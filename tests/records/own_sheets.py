"""Ugly sheets made on the spot, in further languages and habits, each with the readings that are in it.

A sheet is a function of a random generator: it writes a file and returns the true readings, one a
(client, when, measure, measured side, phase). Regions, techniques and layout follow what people do.
"""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import openpyxl
from openpyxl.utils import get_column_letter

Truth = dict[tuple[str, str, str, str, str], float]
Sheet = Callable[[Path, np.random.Generator], tuple[Path, Truth]]
MADE: dict[str, Sheet] = {}
ROT, SB, PAIN = "cervical_rotation", "cervical_lateral_flexion", "pain_rating"
KTW, SLR, FTF = "ankle_dorsiflexion_lunge_distance", "straight_leg_raise", "fingertip_to_floor"


def made(maker: Sheet) -> Sheet:
    """Register a sheet."""
    MADE[maker.__name__] = maker
    return maker


def days(rng: np.random.Generator, count: int, *, year: int = 2024) -> list[dt.date]:
    """Rising dates of one year, one of them after the 12th."""
    offsets = np.sort(rng.choice(np.arange(14, 340), size=count, replace=False))
    return [dt.date(year, 1, 1) + dt.timedelta(days=int(one)) for one in offsets]


def save_book(path: Path, sheets: dict[str, list[list[Any]]], merges: dict[str, list[str]] | None = None) -> Path:
    """Write a workbook."""
    book = openpyxl.Workbook()
    del book[book.sheetnames[0]]
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([None if cell == "" else cell for cell in row])
        for area in (merges or {}).get(name, []):
            sheet.merge_cells(area)
    book.save(path)
    return path


def save_text(path: Path, rows: list[list[Any]], *, separator: str = ";", encoding: str = "utf-8") -> Path:
    """Write separated text."""
    lines = [separator.join(str(cell) for cell in row) for row in rows]
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))
    return path


def save_ods(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    """Write an open-document spreadsheet: the least that its standard asks."""
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    space = "urn:oasis:names:tc:opendocument:xmlns"
    names = " ".join(f'xmlns:{name}="{space}:{name}:1.0"' for name in ("office", "table", "text"))
    tables = "".join(
        f'<table:table table:name="{escape(name)}">'
        + "".join(f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {names} office:version="1.2"><office:body>'
        f"<office:spreadsheet>{tables}</office:spreadsheet></office:body></office:document-content>"
    )
    entry = '<manifest:file-entry manifest:full-path="{}" manifest:media-type="{}"/>'
    manifest = (
        f'<?xml version="1.0" encoding="UTF-8"?><manifest:manifest xmlns:manifest="{space}:manifest:1.0" '
        f'manifest:version="1.2">{entry.format("/", kind)}{entry.format("content.xml", "text/xml")}</manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", kind)
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", manifest)
    return path


def _ods_cell(value: Any) -> str:
    """One cell of an open-document spreadsheet."""
    if value == "":
        return "<table:table-cell/>"
    kind, typed = "string", ""
    if isinstance(value, dt.date):
        kind, typed = "date", f' office:date-value="{value}"'
    elif isinstance(value, (int, float)):
        kind, typed = "float", f' office:value="{value}"'
    text = f"<text:p>{escape(str(value))}</text:p>"
    return f'<table:table-cell office:value-type="{kind}"{typed}>{text}</table:table-cell>'


def _reading(rng: np.random.Generator, low: float, high: float, step: float = 1.0) -> float:
    """One reading on the instrument's steps."""
    value = round(float(rng.uniform(low, high)) / step) * step
    return int(value) if step >= 1 else value


@made
def swedish_neck(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Swedish: title, sides V and H, före and efter, means at the foot."""
    rows: list[list[Any]] = [
        ["Nackrörlighet 2024 (grader)"],
        [],
        [
            "Klientnr",
            "Datum",
            "Muskel",
            "Sida",
            "Behandling",
            "Rot V före",
            "Rot V efter",
            "Rot H före",
            "Rot H efter",
            "Smärta före",
            "Smärta efter",
            "Anm.",
        ],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 24)):
        client = f"N{place % 9 + 1:02d}"
        cells = [
            _reading(rng, 50, 75),
            _reading(rng, 55, 80),
            _reading(rng, 50, 75),
            _reading(rng, 55, 80),
            _reading(rng, 2, 7),
            _reading(rng, 0, 5),
        ]
        rows.append(
            [
                client,
                day,
                str(rng.choice(["övre trapezius", "levator"])),
                str(rng.choice(["V", "H", "båda"])),
                str(rng.choice(["massagepistol", "händer", "tänjning"])),
                *cells,
                "",
            ]
        )
        for (measure, side, phase), value in zip(
            [
                (ROT, "left", "before"),
                (ROT, "left", "after"),
                (ROT, "right", "before"),
                (ROT, "right", "after"),
                (PAIN, "none", "before"),
                (PAIN, "none", "after"),
            ],
            cells,
            strict=True,
        ):
            truth[(client, day.isoformat(), measure, side, phase)] = value
    rows.append(["Medel", "", "", "", "", 60.1, 66.2, 61.0, 65.5, 4.2, 2.9, ""])
    return save_book(path / "nacke.xlsx", {"Blad1": rows}), truth


@made
def polish_shoulder(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Polish, semicolons, decimal commas, day-first dates, two-level header without merges."""
    rows: list[list[Any]] = [
        ["Bark – ruchomość (stopnie) i ból"],
        [],
        [
            "Nr pacjenta",
            "Data",
            "Mięsień",
            "Strona",
            "Zabieg",
            "Rotacja wewnętrzna",
            "",
            "",
            "",
            "Ból (0-10)",
            "",
            "Uwagi",
        ],
        ["", "", "", "", "", "L przed", "L po", "P przed", "P po", "przed", "po", ""],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 26)):
        client = f"P-{place % 8 + 1:02d}"
        cells = [*(_reading(rng, 40, 70, 0.5) for _ in range(4)), _reading(rng, 3, 8), _reading(rng, 0, 5)]
        texts = [f"{one:g}".replace(".", ",") for one in cells]
        if place % 6 == 5:
            texts[1] = "bz"
            cells[1] = cells[0]
        if place % 7 == 6:
            texts[3] = "nm"
        rows.append(
            [
                client,
                day.strftime("%d.%m.%Y"),
                str(rng.choice(["podłopatkowy", "podgrzebieniowy"])),
                str(rng.choice(["lewa", "prawa"])),
                str(rng.choice(["masaż", "pistolet", "rozciąganie"])),
                *texts,
                "",
            ]
        )
        keys = [("shoulder_internal_rotation", s, p) for s in ("left", "right") for p in ("before", "after")] + [
            (PAIN, "none", "before"),
            (PAIN, "none", "after"),
        ]
        for (measure, side, phase), value, text in zip(keys, cells, texts, strict=True):
            if text != "nm":
                truth[(client, day.isoformat(), measure, side, phase)] = value
    rows.append(["średnia", "", "", "", "", "55,1", "58,2", "54,9", "57,7", "5,1", "3,0", ""])
    return save_text(path / "bark.csv", rows, encoding="utf-8-sig"), truth


@made
def portuguese_months(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Portuguese, a sheet a month, dates without a year, the side inside the region."""
    sheets: dict[str, list[list[Any]]] = {}
    truth: Truth = {}
    for number, month in enumerate(("janeiro", "fevereiro", "março"), start=1):
        rows: list[list[Any]] = [
            [f"Tornozelo – joelho à parede (cm), {month} 2024"],
            ["nm = não medido; igual = o mesmo que antes"],
            [],
            ["Utente", "Data", "Músculo", "Técnica", "E antes", "E depois", "D antes", "D depois", "Obs."],
        ]
        for place in range(9):
            client, day = f"U{(place * 2 + number) % 7 + 1:02d}", 2 + place * 3
            cells: list[Any] = [_reading(rng, 5, 12, 0.5) for _ in range(4)]
            values = list(cells)
            if place == 4:
                cells[1], values[1] = "igual", values[0]
            if place == 5:
                cells[3], values[3] = "nm", None
            side = str(rng.choice(["E", "D"]))
            rows.append(
                [
                    client,
                    f"{day} {month[:3]}",
                    f"{rng.choice(['gémeos', 'solear'])} {side}",
                    str(rng.choice(["massagem", "rolo", "alongamento"])),
                    *cells,
                    "",
                ]
            )
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], values, strict=True
            ):
                if value is not None:
                    truth[(client, f"2024-{number:02d}-{day:02d}", KTW, s, p)] = float(value)
        rows.append(["média", "", "", "", 8.1, 9.2, 8.0, 9.1, ""])
        sheets[month[:3]] = rows
    return save_book(path / "tornozelo 2024.xlsx", sheets), truth


@made
def german_long(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, one reading a row, units in the cells, the phases in words."""
    rows: list[list[Any]] = [
        ["Klient", "Datum", "Region", "Seite", "Technik", "Test", "Seite Test", "Zeitpunkt", "Wert"]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 14)):
        client = f"K{place % 6 + 1}"
        side = str(rng.choice(["li", "re"]))
        for tested, name in (("li", "left"), ("re", "right")):
            for word, phase in (
                ("vorher 1", "before"),
                ("vorher 2", "before_2"),
                ("nach Pause", "after_wait"),
                ("nach Behandlung", "after"),
            ):
                value = _reading(rng, 60, 85)
                rows.append(
                    [
                        client,
                        day.strftime("%d.%m.%Y"),
                        "ischiokrurale",
                        side,
                        str(["PIR", "manuell"][place % 2]),
                        "SLR",
                        tested,
                        word,
                        f"{value}°",
                    ]
                )
                truth[(client, day.isoformat(), SLR, name, phase)] = value
    return save_text(path / "bein.csv", rows, encoding="cp1252"), truth


@made
def dutch_clients(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Dutch, a sheet a client, named by the sheet alone; the region in a line above."""
    sheets: dict[str, list[list[Any]]] = {"Uitleg": [["nvt = niet gemeten"], ["SLR = gestrekt been heffen, graden"]]}
    truth: Truth = {}
    for number in range(1, 7):
        client = f"NL{number:02d}"
        rows: list[list[Any]] = [
            ["Behandelde regio:", "hamstrings re"],
            [],
            ["Datum", "Techniek", "SLR li voor", "SLR li na", "SLR re voor", "SLR re na", "Opm."],
        ]
        for day in days(rng, 5):
            cells: list[Any] = [_reading(rng, 55, 85) for _ in range(4)]
            if rng.random() < 0.2:
                cells[1] = "nvt"
            rows.append([day, str(rng.choice(["rekken", "massagepistool"])), *cells, ""])
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                if value != "nvt":
                    truth[(client, day.isoformat(), SLR, s, p)] = value
        sheets[client] = rows
    return save_book(path / "clienten.xlsx", sheets), truth


@made
def french_turned(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """French, a column a visit."""
    dates = days(rng, 12)
    clients = [f"F{place % 5 + 1:02d}" for place in range(12)]
    table: list[list[Any]] = [
        ["Épaule, goniomètre"],
        [],
        ["Patient", *clients],
        ["Date", *dates],
        ["Muscle", *(["petit pectoral", "infra-épineux"] * 6)],
        ["Côté", *(["G", "D", "D"] * 4)],
        ["Technique", *(["étirement", "pistolet", "ventouses"] * 4)],
    ]
    truth: Truth = {}
    for label, measure in (("RI", "shoulder_internal_rotation"), ("RE", "shoulder_external_rotation")):
        for letter, side in (("G", "left"), ("D", "right")):
            for word, phase in (("avant", "before"), ("après", "after")):
                values = [_reading(rng, 40, 80) for _ in clients]
                table.append([f"{label} {letter} {word} (°)", *values])
                for client, day, value in zip(clients, dates, values, strict=True):
                    truth[(client, day.isoformat(), measure, side, phase)] = value
    return save_book(path / "epaule.xlsx", {"Feuil1": table}), truth


@made
def spanish_order(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Spanish, order by letters with a legend below, second baseline and rest."""
    rows: list[list[Any]] = [
        [
            "Paciente",
            "Fecha",
            "Músculo",
            "Técnica",
            "Orden",
            "Ciego",
            "Rot izq antes 1",
            "Rot izq antes 2",
            "Rot izq tras reposo",
            "Rot izq después",
            "Rot der antes 1",
            "Rot der antes 2",
            "Rot der tras reposo",
            "Rot der después",
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 22)):
        client = f"E{place % 8 + 1:02d}"
        cells = [_reading(rng, 45, 80) for _ in range(8)]
        rows.append(
            [
                client,
                day,
                str(rng.choice(["trapecio der", "elevador izq"])),
                str(rng.choice(["masaje", "pistola"])),
                str(rng.choice(["A", "B"])),
                str(rng.choice(["sí", "no"])),
                *cells,
            ]
        )
        keys = [(s, p) for s in ("left", "right") for p in ("before", "before_2", "after_wait", "after")]
        for (s, p), value in zip(keys, cells, strict=True):
            truth[(client, day.isoformat(), ROT, s, p)] = value
    rows += [[], ["A = tratamiento primero, luego reposo"], ["B = reposo primero, luego tratamiento"]]
    return save_book(path / "cuello orden.xlsx", {"Hoja1": rows}), truth


@made
def italian_blocks(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Italian, a block a client on one sheet, each with its own header."""
    rows: list[list[Any]] = [["Caviglia, ginocchio al muro (cm)"], []]
    truth: Truth = {}
    for number in range(1, 6):
        client = f"IT{number}"
        rows += [
            ["Paziente", client],
            ["Zona trattata", "polpaccio dx"],
            ["Data", "Tecnica", "dx prima", "dx dopo", "sx prima", "sx dopo"],
        ]
        for day in days(rng, 4):
            cells = [_reading(rng, 5, 13, 0.5) for _ in range(4)]
            rows.append([day, str(rng.choice(["massaggio", "rullo"])), *cells])
            for (s, p), value in zip(
                [("right", "before"), ("right", "after"), ("left", "before"), ("left", "after")], cells, strict=True
            ):
                truth[(client, day.isoformat(), KTW, s, p)] = value
        rows.append([])
    return save_book(path / "caviglia.xlsx", {"Foglio1": rows}), truth


@made
def open_document(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English in an ODS: notes above, client only on the first line of his visits, marks."""
    rows: list[list[Any]] = [
        ["Low backs 2024"],
        ["* = painful, nt = not tested"],
        ["Client", "Date", "Muscle", "Technique", "FTF before (cm)", "FTF after (cm)", "Pain before", "Pain after"],
    ]
    truth: Truth = {}
    for number in range(1, 8):
        for place, day in enumerate(days(rng, 3)):
            cells: list[Any] = [
                _reading(rng, 5, 25, 0.5),
                _reading(rng, 2, 20, 0.5),
                _reading(rng, 3, 8),
                _reading(rng, 0, 5),
            ]
            shown = list(cells)
            if place == 1:
                shown[1] = f"{cells[1]:g}*"
            if place == 2:
                shown[3] = "nt"
            rows.append([f"B{number}" if place == 0 else "", day, "QL", str(rng.choice(["hands", "gun"])), *shown])
            for (measure, phase), value, text in zip(
                [(FTF, "before"), (FTF, "after"), (PAIN, "before"), (PAIN, "after")], cells, shown, strict=True
            ):
                if text != "nt":
                    truth[(f"B{number}", day.isoformat(), measure, "none", phase)] = value
    return save_ods(path / "backs.ods", {"2024": rows}), truth


@made
def visits_with_dates(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, visits side by side, each with its own date."""
    top: list[Any] = ["ID", "Area", "Tx"]
    low: list[Any] = ["", "", ""]
    merges = []
    for visit in (1, 2, 3):
        start = len(top)
        top += [f"Session {visit}", "", "", "", ""]
        low += ["Date", "Rot L pre", "Rot L post", "Rot R pre", "Rot R post"]
        merges.append(f"{get_column_letter(start + 1)}2:{get_column_letter(start + 5)}2")
    rows: list[list[Any]] = [["Neck rotation (deg)"], top, low]
    truth: Truth = {}
    for number in range(1, 13):
        line: list[Any] = [
            f"Z{number:02d}",
            f"{rng.choice(['L', 'R'])} {rng.choice(['UT', 'levator'])}",
            str(rng.choice(["gun", "MFR"])),
        ]
        for place, day in enumerate(days(rng, 3)):
            if place == 2 and number % 3 == 0:
                line += ["", "", "", "", ""]
                continue
            cells = [_reading(rng, 50, 80) for _ in range(4)]
            line += [day, *cells]
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                truth[(f"Z{number:02d}", day.isoformat(), ROT, s, p)] = value
        rows.append(line)
    return save_book(path / "sessions.xlsx", {"all": rows}, {"all": merges}), truth


@made
def three_levels_without_merges(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """A text file with three header levels."""
    rows: list[list[Any]] = [
        ["Case no", "Seen", "Muscle", "Done", "Hip", "", "", "", "", "", "", ""],
        ["", "", "", "", "IR (deg)", "", "", "", "ER (deg)", "", "", ""],
        ["", "", "", "", "L pre", "L post", "R pre", "R post", "L pre", "L post", "R pre", "R post"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 20)):
        client = f"{700 + place % 7}"
        cells = [_reading(rng, 25, 60) for _ in range(8)]
        rows.append(
            [
                client,
                day.strftime("%d %b %Y"),
                str(rng.choice(["L TFL", "R piriformis"])),
                str(rng.choice(["hands", "gun", "cups"])),
                *cells,
            ]
        )
        keys = [
            (m, s, p)
            for m in ("hip_internal_rotation", "hip_external_rotation")
            for s in ("left", "right")
            for p in ("before", "after")
        ]
        for (m, s, p), value in zip(keys, cells, strict=True):
            truth[(client, day.isoformat(), m, s, p)] = value
    return save_text(path / "hips.txt", rows, separator="\t", encoding="utf-16"), truth


@made
def month_lines_and_repeated_header(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, lines with the month's name, the header again on every printed page."""
    header = [
        "Pat.-Nr.",
        "Datum",
        "Muskel",
        "Seite",
        "Technik",
        "FBA vorher (cm)",
        "FBA nachher (cm)",
        "Schmerz vorher",
        "Schmerz nachher",
        "Bemerkung",
    ]
    rows: list[list[Any]] = [["Rücken"], header]
    truth: Truth = {}
    month = 0
    for place, day in enumerate(days(rng, 30)):
        if day.month != month:
            month = day.month
            rows.append(
                [
                    [
                        "Januar",
                        "Februar",
                        "März",
                        "April",
                        "Mai",
                        "Juni",
                        "Juli",
                        "August",
                        "September",
                        "Oktober",
                        "November",
                        "Dezember",
                    ][month - 1]
                ]
            )
        if place in (10, 20):
            rows.append(header)
        client = f"{place % 9 + 31}"
        cells = [_reading(rng, 4, 25, 0.5), _reading(rng, 2, 20, 0.5), _reading(rng, 3, 8), _reading(rng, 0, 5)]
        rows.append(
            [
                client,
                day,
                str(rng.choice(["Rückenstrecker", "QL"])),
                str(rng.choice(["li", "re", "bds."])),
                str(rng.choice(["manuell", "Schröpfen", "Wärme + manuell"])),
                *cells,
                "",
            ]
        )
        for (m, p), value in zip(
            [(FTF, "before"), (FTF, "after"), (PAIN, "before"), (PAIN, "after")], cells, strict=True
        ):
            truth[(client, day.isoformat(), m, "none", p)] = value
    return save_book(path / "ruecken.xlsx", {"Tabelle1": rows}), truth


@made
def tests_down_the_rows(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Swedish, a row a test, a unit column, visits merged over their rows."""
    rows: list[list[Any]] = [
        ["Vem", "När", "Område", "Behandling", "Test", "Enhet", "Vänster", "", "Höger", ""],
        ["", "", "", "", "", "", "före", "efter", "före", "efter"],
    ]
    merges = ["G1:H1", "I1:J1", *(f"{letter}1:{letter}2" for letter in "ABCDEF")]
    truth: Truth = {}
    tests = [("rakt benlyft", "grader", SLR, 55, 85, 1), ("knä mot vägg", "cm", KTW, 5, 13, 0.5)]
    for place, day in enumerate(days(rng, 15)):
        client = f"S{place % 6 + 1}"
        first = len(rows) + 1
        for number, (name, unit, measure, low, high, step) in enumerate(tests):
            cells = [_reading(rng, low, high, step) for _ in range(4)]
            head = (
                [client, day, str(rng.choice(["hö vad", "vä hamstrings"])), str(rng.choice(["massage", "foamroller"]))]
                if number == 0
                else [""] * 4
            )
            rows.append([*head, name, unit, *cells])
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                truth[(client, day.isoformat(), measure, s, p)] = value
        merges += [f"{letter}{first}:{letter}{first + 1}" for letter in "ABCD"]
    return save_book(path / "dagbok.xlsx", {"Blad1": rows}, {"Blad1": merges}), truth


@made
def signs_in_polish(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Polish, signs seen or not."""
    rows: list[list[Any]] = [
        ["Przysiad; x = widać, o = nie widać, nb = nie badano"],
        [],
        [
            "Kod",
            "Data",
            "Mięsień",
            "Strona",
            "Technika",
            "Pięta się unosi L przed",
            "Pięta się unosi L po",
            "Pięta się unosi P przed",
            "Pięta się unosi P po",
        ],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 25)):
        client = f"W{place % 8 + 1:02d}"
        cells = [int(rng.random() < 0.5) for _ in range(4)]
        shown = ["x" if one else "o" for one in cells]
        if place % 6 == 3:
            shown[2] = "nb"
        rows.append(
            [client, day, "łydka", str(rng.choice(["L", "P"])), str(rng.choice(["masaż", "rolowanie"])), *shown]
        )
        for (s, p), value, text in zip(
            [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, shown, strict=True
        ):
            if text != "nb":
                truth[(client, day.isoformat(), "heel_lift_in_squat", s, p)] = value
    return save_book(path / "przysiad.xlsx", {"Arkusz1": rows}), truth


@made
def month_first_and_pressure(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, month first dates, pressure in kg/cm², a summary to the right of the table."""
    rows: list[list[Any]] = [
        ["PPT, kg/cm2"],
        ["Chart #", "Date", "Muscle", "Side", "Tx", "PPT pre", "PPT post", "Comments", "", "Technique", "n", "mean"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 24)):
        client, side = f"{4400 + place % 7}", str(rng.choice(["L", "R"]))
        cells = [round(_reading(rng, 2, 4, 0.1), 1), round(_reading(rng, 2.5, 5, 0.1), 1)]
        extra = [["hands", 12, 0.4], ["gun", 12, 0.5]][place] if place < 2 else ["", "", ""]
        rows.append(
            [
                client,
                day.strftime("%m/%d/%Y"),
                "upper traps",
                side,
                str(rng.choice(["hands", "gun"])),
                *cells,
                "",
                "",
                *extra,
            ]
        )
        for p, value in zip(("before", "after"), cells, strict=True):
            truth[(client, day.isoformat(), "pressure_pain_threshold", {"L": "left", "R": "right"}[side], p)] = value
    return save_book(path / "ppt log.xlsx", {"log": rows}), truth


@made
def codes_and_a_legend_sheet(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, codes for regions and techniques with a sheet that explains them; the technique's number is a number."""
    rows: list[list[Any]] = [
        ["Kürzel", "Datum", "Region", "Seite", "Technik", "Rot re vor", "Rot re nach", "Rot li vor", "Rot li nach"]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 20)):
        client = f"A{place % 6 + 1}"
        cells = [_reading(rng, 50, 80) for _ in range(4)]
        rows.append(
            [client, day, str(rng.choice(["T", "L"])), str(rng.choice(["re", "li"])), int(rng.integers(1, 4)), *cells]
        )
        for (s, p), value in zip(
            [("right", "before"), ("right", "after"), ("left", "before"), ("left", "after")], cells, strict=True
        ):
            truth[(client, day.isoformat(), ROT, s, p)] = value
    legend: list[list[Any]] = [
        ["Schlüssel"],
        ["Technik 1", "manuell"],
        ["Technik 2", "Pistole"],
        ["Technik 3", "nur gemessen"],
        ["T", "Trapezius oben"],
        ["L", "Levator"],
        ["Rot", "Rotation der HWS, Grad"],
    ]
    return save_book(path / "hws.xlsx", {"Daten": rows, "Schlüssel": legend}), truth


@made
def german_compounds(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German compound headers, dates in numbers without a year, marks in the cells, totals at the foot."""
    rows: list[list[Any]] = [
        ["Schulterbeweglichkeit, Jahr 2024"],
        ["* = schmerzhaft    ~ = ungefähr"],
        [],
        [
            "Patientenkürzel",
            "Behandlungsdatum",
            "Behandelter Muskel",
            "Behandlungsseite",
            "Behandlungstechnik",
            "Innenrotation re vorher",
            "Innenrotation re nachher",
            "Innenrotation li vorher",
            "Innenrotation li nachher",
            "Differenz re",
            "Bemerkungen",
        ],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 18)):
        client = f"SCH{place % 6 + 1}"
        cells = [_reading(rng, 40, 70) for _ in range(4)]
        shown: list[Any] = list(cells)
        shown[place % 4] = f"{cells[place % 4]}*" if place % 2 else f"~{cells[place % 4]}"
        rows.append(
            [
                client,
                f"{day.day}.{day.month}.",
                "Subscapularis",
                str(rng.choice(["rechts", "links"])),
                str(rng.choice(["manuell", "Pistole"])),
                *shown,
                cells[1] - cells[0],
                "",
            ]
        )
        for (s, p), value in zip(
            [("right", "before"), ("right", "after"), ("left", "before"), ("left", "after")], cells, strict=True
        ):
            truth[(client, day.isoformat(), "shoulder_internal_rotation", s, p)] = value
    rows.append(["Sitzungen gesamt", 18, "", "", "", "", "", "", "", "", ""])
    return save_book(path / "schulter.xlsx", {"Tabelle1": rows}), truth


@made
def portuguese_long_with_order(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Portuguese, one reading a row, order in words, day counts, a unit column."""
    rows: list[list[Any]] = [
        [
            "Utente",
            "Dia",
            "Ordem",
            "Músculo",
            "Lado",
            "Técnica",
            "Teste",
            "Lado do teste",
            "Momento",
            "Valor",
            "Unidade",
            "Cego",
        ]
    ]
    truth: Truth = {}
    for number in range(1, 8):
        for day in sorted(rng.choice(np.arange(0, 60), size=2, replace=False).tolist()):
            order = str(rng.choice(["tratamento primeiro", "repouso primeiro"]))
            for tested, side in (("E", "left"), ("D", "right")):
                for word, phase in (
                    ("antes 1", "before"),
                    ("antes 2", "before_2"),
                    ("após repouso", "after_wait"),
                    ("depois", "after"),
                ):
                    value = _reading(rng, 50, 80)
                    rows.append(
                        [
                            f"PT{number}",
                            day,
                            order,
                            "trapézio superior",
                            "D",
                            "massagem",
                            "rotação cervical",
                            tested,
                            word,
                            value,
                            "graus",
                            "sim",
                        ]
                    )
                    truth[(f"PT{number}", f"day {day}", ROT, side, phase)] = value
    return save_text(path / "pescoco.tsv", rows, separator="\t", encoding="utf-8"), truth


@made
def swedish_side_by_side(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Swedish, a row a client, visits side by side, visits only numbered, merged headers of three levels."""
    top: list[Any] = ["Klient", "Muskel", "Teknik"]
    mid: list[Any] = ["", "", ""]
    low: list[Any] = ["", "", ""]
    merges = ["A3:A5", "B3:B5", "C3:C5"]
    letter = get_column_letter
    for visit in (1, 2, 3):
        start = len(top) + 1
        top += [f"Besök {visit}", "", "", ""]
        mid += ["Vänster", "", "Höger", ""]
        low += ["före", "efter", "före", "efter"]
        merges += [
            f"{letter(start)}3:{letter(start + 3)}3",
            f"{letter(start)}4:{letter(start + 1)}4",
            f"{letter(start + 2)}4:{letter(start + 3)}4",
        ]
    rows: list[list[Any]] = [["Knä mot vägg (cm), tre besök"], [], top, mid, low]
    truth: Truth = {}
    for number in range(1, 12):
        line: list[Any] = [
            f"V{number:02d}",
            f"{rng.choice(['vä', 'hö'])} {rng.choice(['vad', 'soleus'])}",
            str(rng.choice(["massage", "foamroller"])),
        ]
        for visit in (1, 2, 3):
            cells = [_reading(rng, 5, 13, 0.5) for _ in range(4)]
            line += cells
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                truth[(f"V{number:02d}", f"visit {visit}", KTW, s, p)] = value
        rows.append(line)
    return save_book(path / "fotled.xlsx", {"Blad1": rows}, {"Blad1": merges}), truth


@made
def two_tables_beside_each_other(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, May on the left and June on the right of one sheet."""
    head = ["Client", "Date", "Muscle", "Tx", "Rot L pre", "Rot L post", "Rot R pre", "Rot R post"]
    rows: list[list[Any]] = [["Necks, May", *[""] * 8, "Necks, June"], [*head, "", *head]]
    truth: Truth = {}
    for place in range(10):
        line: list[Any] = []
        for month in (5, 6):
            client, day = f"M{(place * month) % 6 + 1}", dt.date(2024, month, 14 + place)
            cells = [_reading(rng, 50, 80) for _ in range(4)]
            line += [client, day, "L UT", "gun", *cells, *([""] if month == 5 else [])]
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                truth[(client, day.isoformat(), ROT, s, p)] = value
        rows.append(line)
    return save_book(path / "necks.xlsx", {"Sheet1": rows}), truth


@made
def french_client_sheets(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """French, a sheet a client with lines of keys in one cell each, decimal commas typed as text."""
    sheets: dict[str, list[list[Any]]] = {"Synthèse": [["Patient", "Séances"], ["D01", 4], ["D02", 4]]}
    truth: Truth = {}
    for number in range(1, 7):
        client = f"D{number:02d}"
        rows: list[list[Any]] = [
            [f"Patient : {client}"],
            ["Zone traitée : mollet gauche"],
            [],
            [
                "Date",
                "Technique",
                "Genou-mur G avant (cm)",
                "Genou-mur G après (cm)",
                "EVA avant",
                "EVA après",
                "Remarques",
            ],
        ]
        for day in days(rng, 4):
            cells = [
                _reading(rng, 5, 12, 0.5),
                _reading(rng, 5, 13, 0.5),
                _reading(rng, 2, 7, 0.5),
                _reading(rng, 0, 5, 0.5),
            ]
            rows.append(
                [
                    day.strftime("%d/%m/%Y"),
                    str(rng.choice(["étirement", "ventouses"])),
                    *(f"{one:g}".replace(".", ",") for one in cells),
                    "",
                ]
            )
            keys = [(KTW, "left", "before"), (KTW, "left", "after"), (PAIN, "none", "before"), (PAIN, "none", "after")]
            for (m, s, p), value in zip(keys, cells, strict=True):
                truth[(client, day.isoformat(), m, s, p)] = value
        sheets[client] = rows
    return save_book(path / "fiches.xlsx", sheets), truth


@made
def polish_blocks_and_codes(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Polish, two tables below each other for two measures, each with its own title and header."""
    truth: Truth = {}
    rows: list[list[Any]] = []
    for title, measure, low, high, step in (
        ("Skłon głowy w bok (stopnie)", SB, 25, 50, 1),
        ("Próg bólu uciskowego (kPa)", "pressure_pain_threshold", 200, 400, 10),
    ):
        rows += [
            [title],
            [
                "Kod pacjenta",
                "Data zabiegu",
                "Okolica",
                "Strona",
                "Rodzaj zabiegu",
                "L przed",
                "L po",
                "P przed",
                "P po",
            ],
        ]
        for place, day in enumerate(days(rng, 10)):
            client = f"PL{place % 5 + 1}"
            cells = [_reading(rng, low, high, step) for _ in range(4)]
            rows.append(
                [
                    client,
                    day,
                    "czworoboczny górny",
                    str(rng.choice(["lewa", "prawa", "obie"])),
                    str(rng.choice(["masaż", "bańki"])),
                    *cells,
                ]
            )
            for (s, p), value in zip(
                [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
            ):
                truth[(client, day.isoformat(), measure, s, p)] = value
        rows += [[], []]
    return save_book(path / "szyja.xlsx", {"Arkusz1": rows}), truth


@made
def misspelt_and_plain(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English with typing errors in the headers, serial days, bilateral regions, two techniques in a cell."""
    rows: list[list[Any]] = [
        [
            "Clinet",
            "Date",
            "Musle",
            "Techinque",
            "Shoudler flexion L befor",
            "Shoudler flexion L after",
            "Shoudler flexion R befor",
            "Shoudler flexion R after",
            "Coments",
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 16)):
        client = f"T{place % 5 + 1}"
        cells = [_reading(rng, 140, 175) for _ in range(4)]
        serial = (day - dt.date(1899, 12, 30)).days
        rows.append(
            [
                client,
                serial,
                str(rng.choice(["lat bilat", "R pec minor", "both lats"])),
                str(rng.choice(["gun + hands", "cups", "hands"])),
                *cells,
                "ok",
            ]
        )
        for (s, p), value in zip(
            [("left", "before"), ("left", "after"), ("right", "before"), ("right", "after")], cells, strict=True
        ):
            truth[(client, day.isoformat(), "shoulder_flexion", s, p)] = value
    return save_book(path / "typing.xlsx", {"Sheet1": rows}), truth


@made
def sides_inside_the_names_of_tests(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, the side beside the test's name; the body part only in the sheet's name."""
    rows: list[list[Any]] = [["Kürzel", "Datum", "Muskel", "Seite", "Technik", "Test", "vorher", "nachher"]]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 12)):
        client = f"R{place % 4 + 1}"
        for name, measure, side in (
            ("Rotation re", ROT, "right"),
            ("Rotation li", ROT, "left"),
            ("Schmerz", PAIN, "none"),
        ):
            cells = [_reading(rng, 50, 80), _reading(rng, 50, 80)] if measure == ROT else [_reading(rng, 2, 7), 3]
            rows.append([client, day, "Levator", "li", "manuell", name, *cells])
            for phase, value in zip(("before", "after"), cells, strict=True):
                truth[(client, day.isoformat(), measure, side, phase)] = value
    return save_book(path / "tests.xlsx", {"HWS": rows}), truth


@made
def codes_in_the_headers(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, phases as codes in the headers, the order in a column of its own: a second sheet explains both."""
    phases = [("b1", "before"), ("b2", "before_2"), ("rest", "after_wait"), ("tx", "after")]
    header = [f"KTW {side} {code}" for side in "LR" for code, _ in phases]
    rows: list[list[Any]] = [["ID", "Date", "Arm", "Muscle", "Tx", *header]]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 12)):
        client = f"E{place % 4 + 1}"
        cells = [_reading(rng, 5, 13, 0.5) for _ in header]
        rows.append([client, day, "XY"[place % 2], "calf", "gun", *cells])
        keys = [(side, phase) for side in ("left", "right") for _, phase in phases]
        for (side, phase), value in zip(keys, cells, strict=True):
            truth[(client, day.isoformat(), KTW, side, phase)] = value
    legend: list[list[Any]] = [
        *(["Arm X", "treatment first"], ["Arm Y", "rest first"], ["b1, b2", "baseline readings"]),
        *(["rest", "after rest"], ["tx", "after treatment"], ["KTW", "knee to wall, cm"]),
    ]
    return save_book(path / "cross.xlsx", {"data": rows, "key": legend}), truth


@made
def rows_that_are_phases(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Portuguese, two rows a visit (before, after), a column a measure and side."""
    rows: list[list[Any]] = [
        ["Utente", "Data", "Técnica", "Momento", "Rotação cervical E", "Rotação cervical D", "Dor"]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 12)):
        client = f"U-{place % 4 + 1}"
        for word, phase in (("antes", "before"), ("depois", "after")):
            cells = [_reading(rng, 50, 80), _reading(rng, 50, 80), _reading(rng, 1, 8)]
            rows.append([client, day.strftime("%d/%m/%Y"), "massagem", word, *cells])
            for (measure, side), value in zip([(ROT, "left"), (ROT, "right"), (PAIN, "none")], cells, strict=True):
                truth[(client, day.isoformat(), measure, side, phase)] = value
    return save_text(path / "pescoço.csv", rows, encoding="cp1252"), truth
