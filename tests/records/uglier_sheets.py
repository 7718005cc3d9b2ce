"""Further ugly sheets made on the spot: pairs in one cell, names on first rows only, prices and times beside readings.

As in `own_sheets`: a function writes a file and returns the true readings in it.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np

from tests.records.own_sheets import (
    KTW,
    PAIN,
    ROT,
    SB,
    SLR,
    Truth,
    _reading,
    days,
    made,
    save_book,
    save_ods,
    save_text,
)

SIDES = ("left", "right")
TWO = ("before", "after")


def _four(rng: np.random.Generator, low: float, high: float, step: float = 1.0) -> list[float]:
    """Left before, left after, right before, right after."""
    return [_reading(rng, low, high, step) for _ in range(4)]


def _enter(truth: Truth, client: str, when: str, measure: str, values: list[Any]) -> None:
    """Four readings (left before, left after, right before, right after); None = not taken."""
    for (side, phase), value in zip([(s, p) for s in SIDES for p in TWO], values, strict=True):
        if value is not None:
            truth[(client, when, measure, side, phase)] = float(value)


@made
def arrows_in_one_cell(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, before→after in one cell, marks, US dates, pain as "6/10 → 4/10", a price."""
    rows: list[list[Any]] = [
        ["Neck clients 2024 – rotation in degrees"],
        ["pre → post in one box"],
        [],
        ["Pt", "Date", "Muscle", "Tx", "Rot L (pre→post)", "Rot R (pre→post)", "Pain (pre→post)", "Fee"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 22)):
        client, values = f"B{place % 7 + 1:02d}", [*_four(rng, 45, 80), _reading(rng, 3, 8), _reading(rng, 0, 5)]
        texts = [f"{values[0]}{('→', ' -> ', ' → ')[place % 3]}{values[1]}", f"{values[2]} → {values[3]}"]
        if place == 4:
            texts[0] = f"{values[0]}* → {values[1]}*"
        if place == 9:
            texts[1], values[3] = f"{values[2]} → same", values[2]
        if place == 13:
            texts[1], values[2], values[3] = "nt", None, None
        pain = f"{values[4]}/10 → {values[5]}/10" if place % 2 else f"{values[4]}→{values[5]}"
        region, tx = str(rng.choice(["L UT", "R levator", "bilat scalenes"])), str(rng.choice(["gun", "hands"]))
        rows.append([client, day.strftime("%m/%d/%Y"), region, tx, *texts, pain, "$65.00"])
        _enter(truth, client, day.isoformat(), ROT, values[:4])
        for phase, value in zip(TWO, values[4:], strict=True):
            truth[(client, day.isoformat(), PAIN, "none", phase)] = value
    return save_book(path / "arrows.xlsx", {"2024": rows}), truth


@made
def left_and_right_in_one_cell(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, both sides in one cell ("52/58"), the header says which is which."""
    rows: list[list[Any]] = [
        [
            "Pat.-Nr.",
            "Datum",
            "Muskel",
            "Technik",
            "Rotation HWS vorher (li/re)",
            "Rotation HWS nachher (li/re)",
            "Honorar",
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 20)):
        client, values = f"P{place % 6 + 1:02d}", _four(rng, 45, 80)
        row = [f"{values[0]}/{values[2]}", f"{values[1]} / {values[3]}"]
        if place == 6:
            row[1], values[3] = f"{values[1]}/-", None
        rows.append(
            [client, day.strftime("%d.%m.%Y"), "Trapezius re", str(rng.choice(["manuell", "Dehnung"])), *row, "85,00 €"]
        )
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_text(path / "hws.csv", rows, encoding="cp1252"), truth


@made
def dashes_between_before_and_after(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """French, "34 - 39" in one cell under a header that says avant - après; decimals with commas."""
    rows: list[list[Any]] = [
        [
            "Fiche n°",
            "Date",
            "Muscle",
            "Côté",
            "Technique",
            "Genou-mur G avant - après (cm)",
            "Genou-mur D avant - après (cm)",
            "Remarques",
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 18)):
        client, values = f"F{place % 6 + 1}", _four(rng, 5, 13, 0.5)
        said = [f"{one:g}".replace(".", ",") for one in values]
        rows.append(
            [
                client,
                day.strftime("%d/%m/%Y"),
                str(rng.choice(["mollet", "soléaire"])),
                str(rng.choice(["G", "D"])),
                str(rng.choice(["étirement", "pistolet"])),
                f"{said[0]} - {said[1]}",
                f"{said[2]}-{said[3]}",
                "",
            ]
        )
        _enter(truth, client, day.isoformat(), KTW, values)
    return save_text(path / "cheville.csv", rows), truth


@made
def names_on_the_first_row_only(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Spanish, the client on the first row of each, an empty row between clients, times, prices, totals."""
    rows: list[list[Any]] = [
        ["Registro de hombro 2024"],
        [],
        [
            "Paciente",
            "Fecha",
            "Hora",
            "Músculo",
            "Técnica",
            "RE izq antes",
            "RE izq después",
            "RE der antes",
            "RE der después",
            "Precio",
            "Pagado",
        ],
    ]
    truth: Truth = {}
    for number in range(1, 7):
        client = f"H-{number:02d}"
        for place, day in enumerate(days(rng, 4)):
            values = _four(rng, 40, 90)
            rows.append(
                [
                    client if place == 0 else "",
                    day,
                    dt.time(9 + place, 30),
                    str(rng.choice(["subescapular", "pectoral menor"])),
                    str(rng.choice(["masaje", "pistola"])),
                    *values,
                    45,
                    "sí",
                ]
            )
            _enter(truth, client, day.isoformat(), "shoulder_external_rotation", values)
        rows.append([])
    rows.append(["Total", "", "", "", "", "", "", "", "", 1080, ""])
    rows.append(["media", "", "", "", "", 60.5, 64.2, 61.1, 66.0, "", ""])
    return save_book(path / "hombro 2024.xlsx", {"Hoja1": rows}), truth


@made
def headers_again_on_every_page(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Italian, the header repeated every eight rows, remarks on lines of their own, pain "/10", sheets by months."""
    header = [
        "Cod. paziente",
        "Data",
        "Muscolo",
        "Lato",
        "Tecnica",
        "SLR prima",
        "SLR dopo",
        "Dolore prima /10",
        "Dolore dopo /10",
    ]
    sheets: dict[str, list[list[Any]]] = {}
    truth: Truth = {}
    for month, name in enumerate(("gennaio", "febbraio"), start=1):
        rows: list[list[Any]] = [[f"Ischiocrurali, {name}"], []]
        for place in range(16):
            if place % 8 == 0:
                rows.append(header)
            client, day, side = f"IT{(place * 3 + month) % 7 + 1}", place + 3, str(rng.choice(["dx", "sx"]))
            values = [_reading(rng, 50, 85), _reading(rng, 55, 90), _reading(rng, 2, 7), _reading(rng, 0, 5)]
            rows.append(
                [
                    client,
                    f"{day}/{month}/2024",
                    "bicipite femorale",
                    side,
                    str(rng.choice(["allungamento", "massaggio"])),
                    *values,
                ]
            )
            when = f"2024-{month:02d}-{day:02d}"
            if place == 5:
                rows.append(["", "arrivato in ritardo, seduta breve"])
            for (measure, phase), value in zip(
                [(SLR, "before"), (SLR, "after"), (PAIN, "before"), (PAIN, "after")], values, strict=True
            ):
                where = "none" if measure == PAIN else {"dx": "right", "sx": "left"}[side]
                truth[(client, when, measure, where, phase)] = value
        sheets[name] = rows
    return save_book(path / "SLR 2024.xlsx", sheets), truth


@made
def three_levels_and_visits(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Dutch, a row a client, visits side by side, three levels of headers (visit, measure, phase), open document."""
    rows: list[list[Any]] = [
        ["Schouder, graden", *[""] * 12],
        ["", "", "", "", "Bezoek 1", "", "", "", "Bezoek 2", "", "", ""],
        ["", "", "", "", "Exorotatie L", "", "Exorotatie R", "", "Exorotatie L", "", "Exorotatie R", ""],
        ["Cliëntnr.", "Spier", "Zijde", "Techniek", *["voor", "na"] * 4],
    ]
    truth: Truth = {}
    for number in range(1, 13):
        client, first, second = f"S{number:02d}", _four(rng, 40, 90), _four(rng, 40, 90)
        rows.append(
            [
                client,
                "infraspinatus",
                str(rng.choice(["li", "re"])),
                str(rng.choice(["massage", "rekken"])),
                *first,
                *second,
            ]
        )
        for visit, values in (("visit 1", first), ("visit 2", second)):
            _enter(truth, client, visit, "shoulder_external_rotation", values)
    return save_ods(path / "schouder.ods", {"Blad1": rows}), truth


@made
def a_client_a_sheet_on_its_side(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Portuguese, a sheet a client, each column a visit, the client's code in the sheet's name only."""
    sheets: dict[str, list[list[Any]]] = {}
    truth: Truth = {}
    for number in range(1, 6):
        client, dates = f"PT{number:02d}", days(rng, 5)
        table: list[list[Any]] = [
            ["Rotação cervical (graus)"],
            [],
            ["Data", *dates],
            ["Músculo", *["trapézio superior", "elevador da escápula"] * 2, "trapézio superior"],
            ["Técnica", *(str(rng.choice(["massagem", "alongamento"])) for _ in dates)],
        ]
        values = [_four(rng, 45, 80) for _ in dates]
        for place, label in enumerate(("Esq. antes", "Esq. depois", "Dir. antes", "Dir. depois")):
            table.append([label, *(one[place] for one in values)])
        for day, four in zip(dates, values, strict=True):
            _enter(truth, client, day.isoformat(), ROT, four)
        sheets[client] = table
    return save_book(path / "pescoço.xlsx", sheets), truth


@made
def long_rows_with_commas(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Swedish, one reading a row, decimal commas, the unit in a column, the rest as a phase."""
    rows: list[list[Any]] = [
        [
            "Löpnr",
            "Klient",
            "Besöksdatum",
            "Muskel",
            "Behandlad sida",
            "Metod",
            "Test",
            "Mätt sida",
            "Tidpunkt",
            "Resultat",
            "Enhet",
        ]
    ]
    truth: Truth = {}
    number = 0
    for place, day in enumerate(days(rng, 10)):
        client, treated = f"S{place % 4 + 1}", str(rng.choice(["hö", "vä"]))
        for side, name in (("hö", "right"), ("vä", "left")):
            for word, phase in (("före", "before"), ("efter vila", "after_wait"), ("efter behandling", "after")):
                value, number = _reading(rng, 5, 12, 0.5), number + 1
                rows.append(
                    [
                        number,
                        client,
                        day.isoformat(),
                        "vadmuskel",
                        treated,
                        str(["massage", "töjning"][place % 2]),
                        "knä mot vägg",
                        side,
                        word,
                        f"{value:g}".replace(".", ","),
                        "cm",
                    ]
                )
                truth[(client, day.isoformat(), KTW, name, phase)] = value
    return save_text(path / "vad.csv", rows, encoding="cp1252"), truth


@made
def two_tables_under_each_other(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Polish, a table of the neck and one of the shoulder on one sheet, each under its title, means at the foot."""
    rows: list[list[Any]] = []
    truth: Truth = {}
    for title, measure, muscle, low in (
        ("Szyja – rotacja (stopnie)", ROT, "czworoboczny", 45),
        ("Bark – zgięcie (stopnie)", "shoulder_flexion", "najszerszy grzbietu", 120),
    ):
        rows += [[title], [], ["Pacjent", "Data", "Mięsień", "Zabieg", "L przed", "L po", "P przed", "P po", "Uwagi"]]
        for place, day in enumerate(days(rng, 9)):
            client, values = f"X{place % 4 + 1}", _four(rng, low, low + 35)
            rows.append(
                [client, day, muscle, str(rng.choice(["masaż", "rozciąganie"])), *values, "ok" if place == 3 else ""]
            )
            _enter(truth, client, day.isoformat(), measure, values)
        rows += [["średnia", "", "", "", 60, 61, 62, 63, ""], []]
    return save_book(path / "pacjenci.xlsx", {"Arkusz1": rows}), truth


@made
def phase_above_measure_above_side(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """German, phases on top (merged), measures below (merged), sides at the bottom; a block of keys above."""
    rows: list[list[Any]] = [
        ["Praxis:", "Nord", "", "Jahr:", 2024],
        ["o. B. = nicht gemessen"],
        [],
        ["", "", "", "", "Vor der Behandlung", "", "", "", "Nach der Behandlung", "", "", ""],
        ["", "", "", "", "Rotation", "", "Seitneigung", "", "Rotation", "", "Seitneigung", ""],
        ["Kürzel", "Datum", "Muskel", "Technik", "li", "re", "li", "re", "li", "re", "li", "re"],
    ]
    merges = ["E4:H4", "I4:L4", "E5:F5", "G5:H5", "I5:J5", "K5:L5"]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 18)):
        client, values = f"K{place % 5 + 1:02d}", [_reading(rng, 30, 80) for _ in range(8)]
        texts: list[Any] = list(values)
        if place == 7:
            texts[6] = "o. B."
        rows.append([client, day, "oberer Trapezius re", str(rng.choice(["Massage", "Pistole"])), *texts])
        keys = [(m, s, p) for p in TWO for m in (ROT, SB) for s in SIDES]
        for (measure, side, phase), value, text in zip(keys, values, texts, strict=True):
            if text != "o. B.":
                truth[(client, day.isoformat(), measure, side, phase)] = value
    return save_book(path / "HWS Messungen.xlsx", {"Tabelle1": rows}, {"Tabelle1": merges}), truth


@made
def words_for_days_and_visits(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """French, dates with the day's name, "idem" and "nr", a column of hours, the side inside the region."""
    weekdays = ("lundi", "mardi", "mercredi", "jeudi", "vendredi", "samedi", "dimanche")
    months = ("janv.", "févr.", "mars", "avril", "mai", "juin", "juil.", "août", "sept.", "oct.", "nov.", "déc.")
    rows: list[list[Any]] = [
        ["Dossier", "Séance du", "Heure", "Zone", "Soin", "Rot G avant", "Rot G après", "Rot D avant", "Rot D après"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 20)):
        client, values = f"D-{place % 6 + 1:03d}", _four(rng, 45, 80)
        texts: list[Any] = list(values)
        if place == 3:
            texts[1], values[1] = "idem", values[0]
        if place == 11:
            texts[3], values[3] = "nr", None
        said = f"{weekdays[day.weekday()]} {day.day} {months[day.month - 1]} {day.year}"
        rows.append(
            [
                client,
                said,
                f"{9 + place % 8}h30",
                str(rng.choice(["trapèze sup. G", "angulaire D"])),
                str(rng.choice(["massage", "étirement"])),
                *texts,
            ]
        )
        _enter(truth, client, day.isoformat(), ROT, values)
    rows.append(["nr = non relevé"])
    return save_book(path / "rotation.xlsx", {"Feuil1": rows}), truth


@made
def blocks_with_a_line_for_each_client(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, a block a client with its header again, "Client: C-07" above, averages below each."""
    rows: list[list[Any]] = [["Hamstring cohort 2024 – SLR in degrees"], []]
    truth: Truth = {}
    for number in range(1, 7):
        client = f"C-{number:02d}"
        rows += [
            [f"Client: {client}"],
            ["Date", "Area", "What I did", "SLR L before", "SLR L after", "SLR R before", "SLR R after", "BP"],
        ]
        for day in days(rng, 4):
            values = _four(rng, 50, 90)
            rows.append(
                [
                    day.strftime("%d %b %Y"),
                    str(rng.choice(["R hams", "L hams"])),
                    str(rng.choice(["PNF", "gun", "hands"])),
                    *values,
                    "120/80",
                ]
            )
            _enter(truth, client, day.isoformat(), SLR, values)
        rows += [["average", "", "", 70, 72, 71, 74, ""], []]
    return save_book(path / "cohort.xlsx", {"Sheet1": rows}), truth


@made
def sides_as_rows_two_for_each_visit(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Spanish, two rows a visit (izq, der), visit's cells merged over both; the unit in the title."""
    rows: list[list[Any]] = [
        ["Tobillo: rodilla a pared en cm"],
        [],
        ["Expediente", "Fecha", "Músculo", "Tratamiento", "Lado", "Antes", "Después", "Obs."],
    ]
    merges: list[str] = []
    truth: Truth = {}
    for place, day in enumerate(days(rng, 14)):
        client, values = f"E{place % 5 + 1}", _four(rng, 5, 13, 0.5)
        top = len(rows) + 1
        first = [client, day, "gemelo der", str(rng.choice(["masaje", "estiramiento"]))]
        rows.append([*first, "izq", values[0], values[1], ""])
        rows.append(["", "", "", "", "der", values[2], values[3], ""])
        merges += [f"{letter}{top}:{letter}{top + 1}" for letter in "ABCD"]
        _enter(truth, client, day.isoformat(), KTW, values)
    return save_book(path / "tobillo.xlsx", {"Hoja1": rows}, {"Hoja1": merges}), truth


@made
def limits_ranges_and_notes(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, tab separated, marks of every kind, long headers, pain out of ten in words, initials for the staff."""
    header = [
        "Client ref",
        "Seen on",
        "Seen by",
        "Muscle worked on",
        "Side",
        "Technique used",
        "Shoulder abduction before (deg)",
        "Shoulder abduction after (deg)",
        "Pain out of 10 before",
        "Pain out of 10 after",
        "Any comments",
    ]
    rows: list[list[Any]] = [header]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 24)):
        client, side = f"R/{place % 6 + 1:02d}", str(rng.choice(["L", "R"]))
        values = [_reading(rng, 90, 165), _reading(rng, 95, 170), _reading(rng, 2, 7), _reading(rng, 0, 5)]
        texts = [str(one) for one in values]
        texts[0] = {2: f"{texts[0]}*", 5: f"~{texts[0]}", 8: f"{texts[0]} (stiff)", 14: f"ca {texts[0]}"}.get(
            place, texts[0]
        )
        texts[1] = {3: "=", 6: "same", 9: "no change", 12: "n/t", 15: "nt", 18: "170+"}.get(place, texts[1])
        values[1] = {3: values[0], 6: values[0], 9: values[0], 12: None, 15: None, 18: 170}.get(place, values[1])
        rows.append(
            [
                client,
                day.strftime("%d/%m/%y"),
                "AK",
                "supraspinatus",
                side,
                str(rng.choice(["hands", "cupping"])),
                *texts,
                "",
            ]
        )
        where = {"L": "left", "R": "right"}[side]
        for (measure, phase), value in zip(
            [("shoulder_abduction", "before"), ("shoulder_abduction", "after"), (PAIN, "before"), (PAIN, "after")],
            values,
            strict=True,
        ):
            if value is not None:
                truth[(client, day.isoformat(), measure, "none" if measure == PAIN else where, phase)] = float(value)
    return save_text(path / "abduction.tsv", rows, separator="\t"), truth


@made
def months_as_sheets_and_the_year_in_the_name(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """English, sheets Jan … Mar, dates "3 Jan", the year in the file name, subtotals in the middle."""
    sheets: dict[str, list[list[Any]]] = {"Notes": [["nt = not tested"], ["UT = upper traps, LS = lev scap"]]}
    truth: Truth = {}
    for month, name in enumerate(("Jan", "Feb", "Mar"), start=1):
        rows: list[list[Any]] = [
            ["Date", "Client", "Area", "Side", "Tx", "SB L pre", "SB L post", "SB R pre", "SB R post", "Paid £"]
        ]
        for place in range(10):
            client, values, day = f"N{(place + month) % 6 + 1}", _four(rng, 25, 50), place * 2 + 8
            texts: list[Any] = list(values)
            if place == 6:
                texts[3], values[3] = "nt", None
            rows.append(
                [
                    f"{day} {name}",
                    client,
                    str(rng.choice(["UT", "LS"])),
                    str(rng.choice(["L", "R", "B"])),
                    str(rng.choice(["hands", "stretch"])),
                    *texts,
                    40,
                ]
            )
            if place == 4:
                rows.append(["Subtotal", "", "", "", "", "", "", "", "", 200])
            _enter(truth, client, f"2023-{month:02d}-{day:02d}", SB, values)
        rows.append(["Total", "", "", "", "", "", "", "", "", 400])
        sheets[name] = rows
    return save_book(path / "sidebend 2023.xlsx", sheets), truth


@made
def both_sides_under_a_merged_test(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Portuguese, tests merged over E and D, pairs before/after in one cell ("52 / 58"), a legend above says which."""
    rows: list[list[Any]] = [
        ["Valores: antes / depois, em graus"],
        [],
        ["", "", "", "", "Rotação cervical", "", "Inclinação cervical", ""],
        ["Nº processo", "Data", "Músculo", "Técnica", "E", "D", "E", "D"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 16)):
        client, rot, bend = f"{100 + place % 5}", _four(rng, 45, 80), _four(rng, 25, 50)
        cells = [f"{four[at]} / {four[at + 1]}" for four in (rot, bend) for at in (0, 2)]
        rows.append([client, day, "trapézio D", str(rng.choice(["massagem", "alongamento"])), *cells])
        _enter(truth, client, day.isoformat(), ROT, rot)
        _enter(truth, client, day.isoformat(), SB, bend)
    return save_book(path / "cervical.xlsx", {"Dados": rows}, {"Dados": ["E3:F3", "G3:H3"]}), truth
