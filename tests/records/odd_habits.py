"""Further habits: phases, sides and tests as sheets, the day written once, letters above, tables side by side.

As in `own_sheets`: a function writes a file and returns the true readings in it. `ASKED` are sheets that cannot be read
before a person answers: nothing of them may be taken for granted.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.records.own_sheets import KTW, PAIN, ROT, SB, SLR, Truth, _reading, days, made, save_book, save_text
from tests.records.uglier_sheets import _enter, _four


@made
def phases_as_sheets(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a sheet "Before" and a sheet "After", each row a visit."""
    truth = {}
    rows = [["Client", "Date", "Muscle", "Tx", "Rot L", "Rot R"]]
    others = [["Client", "Date", "Muscle", "Tx", "Rot L", "Rot R"]]
    for place, day in enumerate(days(rng, 14)):
        values = _four(rng, 45, 80)
        client = f"C{place % 4 + 1}"
        rows.append([client, day, "UT", "hands", values[0], values[2]])
        others.append([client, day, "UT", "hands", values[1], values[3]])
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "neck.xlsx", {"Before": rows, "After": others}), truth


@made
def sides_as_sheets(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a sheet "Left" and a sheet "Right"."""
    truth = {}
    rows = [["Client", "Date", "Muscle", "Tx", "Neck rot pre", "Neck rot post"]]
    others = [rows[0]]
    for place, day in enumerate(days(rng, 14)):
        values = _four(rng, 45, 80)
        client = f"C{place % 4 + 1}"
        rows.append([client, day, "UT", "hands", values[0], values[1]])
        others.append([client, day, "UT", "hands", values[2], values[3]])
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "neck.xlsx", {"Left": rows, "Right": others}), truth


@made
def measures_as_sheets(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a sheet a test, named by the sheet alone."""
    truth = {}
    sheets = {}
    for name, measure in (("Rotation", ROT), ("Side bend", SB)):
        rows = [["Client", "Date", "Muscle", "Tx", "L pre", "L post", "R pre", "R post"]]
        for place, day in enumerate(days(rng, 10)):
            values = _four(rng, 30, 60)
            client = f"C{place % 4 + 1}"
            rows.append([client, day, "UT", "hands", *values])
            _enter(truth, client, day.isoformat(), measure, values)
        sheets[name] = rows
    return save_book(path / "neck.xlsx", sheets), truth


@made
def line_breaks(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, line breaks inside the headers."""
    truth = {}
    rows = [
        [
            "Client\nID",
            "Date of\nvisit",
            "Muscle\ntreated",
            "Tx",
            "Neck Rot L\npre",
            "Neck Rot L\npost",
            "Neck Rot R\npre",
            "Neck Rot R\npost",
        ]
    ]
    for place, day in enumerate(days(rng, 10)):
        values = _four(rng, 45, 80)
        client = f"C{place % 4 + 1}"
        rows.append([client, day, "UT", "hands", *values])
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "n.xlsx", {"S": rows}), truth


@made
def post1_post2(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, two readings after: the first is used."""
    truth = {}
    rows = [["Client", "Date", "Muscle", "Tx", "Side", "SLR baseline", "SLR post 1", "SLR post 2"]]
    for place, day in enumerate(days(rng, 12)):
        values = [_reading(rng, 50, 80) for _ in range(3)]
        client = f"C{place % 4 + 1}"
        rows.append([client, day, "hams", "hands", "L", *values])
        truth[(client, day.isoformat(), SLR, "left", "before")] = values[0]
        truth[(client, day.isoformat(), SLR, "left", "after")] = values[1]
    return save_book(path / "n.xlsx", {"S": rows}), truth


@made
def units_in_cells(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, the unit beside each number, a time and a price."""
    truth = {}
    rows = [
        [
            "Kürzel",
            "Datum",
            "Muskel",
            "Seite",
            "Technik",
            "Knie-Wand vorher",
            "Knie-Wand nachher",
            "Schmerz vorher",
            "Schmerz nachher",
            "Uhrzeit",
            "€",
        ]
    ]
    for place, day in enumerate(days(rng, 16)):
        values = [_reading(rng, 5, 13, 0.5), _reading(rng, 5, 13, 0.5), _reading(rng, 2, 8), _reading(rng, 0, 6)]
        client = f"K{place % 4 + 1}"

        def comma(value):
            return f"{value:g}".replace(".", ",")

        rows.append(
            [
                client,
                day.strftime("%d.%m.%y"),
                "Wade",
                "li",
                "Massage",
                comma(values[0]) + " cm",
                comma(values[1]) + "cm",
                f"{values[2]}/10",
                f"{values[3]} / 10",
                "10:30",
                "65,00",
            ]
        )
        for key, value in zip(
            [(KTW, "left", "before"), (KTW, "left", "after"), (PAIN, "none", "before"), (PAIN, "none", "after")],
            values,
            strict=False,
        ):
            truth[(client, day.isoformat(), *key)] = float(value)
    return save_text(path / "wade.csv", rows, encoding="cp1252"), truth


@made
def date_once_a_day(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, the date written once a day, above several clients."""
    truth = {}
    rows = [
        ["Date", "Client", "Muscle", "Tx", "Neck rot L pre", "Neck rot L post", "Neck rot R pre", "Neck rot R post"]
    ]
    for day in days(rng, 6):
        for number in range(3):
            values = _four(rng, 45, 80)
            client = f"C{number + 1}"
            rows.append([day if number == 0 else "", client, "UT", "hands", *values])
            _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "n.xlsx", {"S": rows}), truth


@made
def rows_phases_filled_down(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, two rows a visit, the visit told on the first only."""
    truth = {}
    rows = [["Klient", "Datum", "Muskel", "Technik", "Zeitpunkt", "Rot li", "Rot re", "Schmerz"]]
    for place, day in enumerate(days(rng, 12)):
        values = _four(rng, 45, 80)
        client = f"K{place % 4 + 1}"
        pain = [_reading(rng, 2, 8), _reading(rng, 0, 6)]
        rows.append([client, day, "Trapezius", "Massage", "vorher", values[0], values[2], pain[0]])
        rows.append(["", "", "", "", "nachher", values[1], values[3], pain[1]])
        _enter(truth, client, day.isoformat(), ROT, values)
        truth[(client, day.isoformat(), PAIN, "none", "before")] = pain[0]
        truth[(client, day.isoformat(), PAIN, "none", "after")] = pain[1]
    return save_book(path / "HWS.xlsx", {"S": rows}), truth


@made
def letter_above(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a letter and a legend above a header of three levels."""
    truth = {}
    rows = [
        ["Dear colleague,"],
        ["please find below the readings of 2024 (room 3, goniometer no. 2)."],
        ["Best wishes, 12 January 2025"],
        [],
        ["Legend:"],
        ["nt", "not tested"],
        ["UT", "upper trapezius"],
        ["B", "both sides"],
        [],
        ["total sessions: 14; clients: 4"],
        [],
        ["", "", "", "", "Cervical rotation", "", "", ""],
        ["", "", "", "", "Left", "", "Right", ""],
        ["No.", "Client", "Date", "Area / Tx", "Before", "After", "Before", "After"],
    ]
    for place, day in enumerate(days(rng, 14)):
        values = _four(rng, 45, 80)
        client = f"C-{place % 4 + 1}"
        rows.append([place + 1, client, day, "UT", *values])
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "letter.xlsx", {"Sheet1": rows}), truth


@made
def two_tables_side_by_side(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, two groups side by side under titles that hold words of a phase."""
    truth = {}
    header = ["Client", "Date", "Muscle", "Tx", "Rot L pre", "Rot L post", "Rot R pre", "Rot R post"]
    rows = [["Anterior group – neck", "", "", "", "", "", "", "", "", "Posterior group – neck"], [*header, "", *header]]
    a = days(rng, 8)
    b = days(rng, 8)
    for day, later in zip(a, b, strict=False):
        values, more = _four(rng, 45, 80), _four(rng, 45, 80)
        client = f"C{day.day % 4}"
        second = f"G{later.day % 4}"
        rows.append([client, day, "UT", "hands", *values, "", second, later, "LS", "gun", *more])
        _enter(truth, client, day.isoformat(), ROT, values)
        _enter(truth, second, later.isoformat(), ROT, more)
    return save_book(path / "n.xlsx", {"S": rows}), truth


@made
def session_numbered_cols(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a row a client, "S1 pre" … "S3 post"."""
    truth = {}
    rows = [["Client", "Muscle", "Tx", "S1 pre", "S1 post", "S2 pre", "S2 post", "S3 pre", "S3 post"]]
    for place in range(10):
        values = [_reading(rng, 50, 90) for _ in range(6)]
        client = f"C{place}"
        rows.append([client, "R hams", "hands", *values])
        for key in range(3):
            for phase, value in zip(("before", "after"), values[2 * key : 2 * key + 2], strict=False):
                truth[(client, f"visit {key + 1}", SLR, "right", phase)] = float(value)
    return save_book(path / "SLR degrees.xlsx", {"S": rows}), truth


@made
def utf16_tabs_quotes(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Spanish, UTF-16, tabs, a comment over two lines."""
    truth = {}
    rows = [
        [
            "Nº paciente",
            "Fecha",
            "Zona",
            "Técnica",
            "Rot izq antes",
            "Rot izq después",
            "Rot der antes",
            "Rot der después",
            "Comentarios",
        ]
    ]
    for place, day in enumerate(days(rng, 12)):
        values = _four(rng, 45, 80)
        client = f"{place % 4 + 1:03d}"
        rows.append(
            [client, day.strftime("%d-%m-%Y"), "trapecio izq", "masaje", *values, '"dijo\nbien"' if place == 3 else ""]
        )
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_text(path / "cuello.txt", rows, separator="\t", encoding="utf-16"), truth


@made
def csv_names_once(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, plain CSV, the client on the first row of each."""
    truth = {}
    rows = [
        ["Client", "Date", "Muscle", "Tx", "Neck rot L pre", "Neck rot L post", "Neck rot R pre", "Neck rot R post"]
    ]
    for number in range(5):
        for key, day in enumerate(days(rng, 4)):
            values = _four(rng, 45, 80)
            client = f"C{number + 1}"
            rows.append([client if key == 0 else "", day.isoformat(), "UT", "hands", *values])
            _enter(truth, client, day.isoformat(), ROT, values)
    return save_text(path / "n.csv", rows, separator=","), truth


@made
def csv_day_once(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, semicolons, the date once a day."""
    truth = {}
    rows = [
        ["Date", "Client", "Muscle", "Tx", "Neck rot L pre", "Neck rot L post", "Neck rot R pre", "Neck rot R post"]
    ]
    for day in days(rng, 6):
        for number in range(3):
            values = _four(rng, 45, 80)
            client = f"C{number + 1}"
            rows.append([day.strftime("%d.%m.%Y") if number == 0 else "", client, "UT", "hands", *values])
            _enter(truth, client, day.isoformat(), ROT, values)
    return save_text(path / "n.csv", rows), truth


@made
def a_line_of_keys_above_each_block(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, a block a client with the same header, "Patient: P02, Muskel: …" on a line of four cells above."""
    rows = [["Verlaufsbogen Schulter 2024"], []]
    truth = {}
    for number in range(1, 6):
        client = f"P{number:02d}"
        rows += [["Patient:", client, "", "Muskel:", "Infraspinatus re"]]
        rows += [["Datum", "Behandlung", "ARO li vor", "ARO li nach", "ARO re vor", "ARO re nach", "Bemerkung"]]
        for day in days(rng, 4):
            values = _four(rng, 40, 90)
            rows.append([day, "Massage", *values, ""])
            _enter(truth, client, day.isoformat(), "shoulder_external_rotation", values)
        rows += [["Mittelwert", "", 1, 2, 3, 4, ""], []]
    return save_book(path / "Schulter.xlsx", {"Tabelle1": rows}), truth


@made
def a_bare_code_above_each_block(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, two blocks on one sheet, above each nothing but the client's code."""
    rows = []
    truth = {}
    for client in ("C1", "C2"):
        rows += [
            [client],
            ["Date", "Muscle", "Tx", "Neck rot L pre", "Neck rot L post", "Neck rot R pre", "Neck rot R post"],
        ]
        for day in days(rng, 5):
            values = _four(rng, 45, 80)
            rows.append([day, "UT", "hands", *values])
            _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "neck.xlsx", {"S": rows}), truth


ASKED: dict[str, tuple[Callable[[Path, np.random.Generator], Path], str]] = {}
"""name → (writes the sheet, what the question must say)."""


def asked(
    words: str,
) -> Callable[[Callable[[Path, np.random.Generator], Path]], Callable[[Path, np.random.Generator], Path]]:
    """Register a sheet that asks."""

    def enter(maker: Callable[[Path, np.random.Generator], Path]) -> Callable[[Path, np.random.Generator], Path]:
        ASKED[maker.__name__] = (maker, words)
        return maker

    return enter


@asked("kg or lbf")
def grip_wide_no_unit(path: Path, rng: np.random.Generator) -> Path:
    """A row a test, strength without a unit."""
    rows = [["Client", "Date", "Region", "Side", "Technique", "Test", "Before", "After"]]
    for place, day in enumerate(days(rng, 16)):
        values = [_reading(rng, 25, 60), _reading(rng, 25, 60)]
        rows.append([f"C{place % 4}", day.isoformat(), "forearm", "L", "hands", "grip strength", *values])
    return save_text(path / "grip.csv", rows, separator=",")


@asked("kg/cm2 or N/cm2")
def ppt_long_no_unit(path: Path, rng: np.random.Generator) -> Path:
    """A row a reading, a threshold without a unit."""
    rows = [["Client", "Date", "Area", "Side", "Tx", "Test", "When", "Result"]]
    for place, day in enumerate(days(rng, 16)):
        for more in ("pre", "post"):
            value = round(float(rng.uniform(2, 6)), 1)
            rows += [[f"C{place % 4}", day.isoformat(), "UT", "L", "hands", "PPT", more, value]]
    return save_text(path / "ppt.csv", rows, separator=",")


@asked("kg/cm2 or N/cm2")
def ppt_own_names_no_unit(path: Path, rng: np.random.Generator) -> Path:
    """The toolkit's own headers, the unit left empty."""
    rows = [
        [
            "client",
            "date",
            "region",
            "treated_side",
            "intervention",
            "measure",
            "measured_side",
            "before",
            "after",
            "practitioner",
            "unit",
        ]
    ]
    for place, day in enumerate(days(rng, 16)):
        rows.append(
            [
                f"C{place % 4}",
                day.isoformat(),
                "upper_trapezius",
                "left",
                "manual_release",
                "pressure_pain_threshold",
                "left",
                round(float(rng.uniform(2, 6)), 1),
                round(float(rng.uniform(2, 6)), 1),
                "P",
                "",
            ]
        )
    return save_text(path / "ppt.csv", rows, separator=",")


@asked("day first or month first")
def ambiguous_dates(path: Path, rng: np.random.Generator) -> Path:
    """No date after the 12th."""
    rows = [["Client", "Date", "Muscle", "Tx", "Neck rot L pre", "Neck rot L post"]]
    for place in range(10):
        day = f"{place % 9 + 1:02d}/{(place * 2) % 11 + 1:02d}/2024"
        rows += [[f"C{place % 3}", day, "UT", "hands", _reading(rng, 45, 80), _reading(rng, 45, 80)]]
    return save_text(path / "n.csv", rows, separator=",")


@asked("kg or lbf")
def kg_lb_unknown(path: Path, rng: np.random.Generator) -> Path:
    """A row a visit, strength without a unit."""
    rows = [["Client", "Date", "Muscle", "Tx", "Grip L pre", "Grip L post", "Grip R pre", "Grip R post"]]
    for place, day in enumerate(days(rng, 10)):
        rows.append([f"C{place % 3}", day.isoformat(), "forearm flexors", "hands", *_four(rng, 30, 70)])
    return save_text(path / "n.csv", rows, separator=",")
