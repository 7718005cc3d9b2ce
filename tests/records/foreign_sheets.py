"""Ugly sheets in further languages: Danish, Norwegian, Finnish, Czech, Turkish, Romanian, each in another layout.

As in `own_sheets`: a function writes a file and returns the true readings in it. Last a sheet in languages that the
toolkit has no words for: nothing of them may be read wrong.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np

from tests.records.own_sheets import KTW, PAIN, ROT, SLR, Truth, _reading, days, made, save_book, save_text
from tests.records.uglier_sheets import _enter, _four


@made
def danish_months(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Danish, a sheet a month, "4. marts" without a year, sides V and H, "uændret" and "im"."""
    sheets: dict[str, list[list[Any]]] = {}
    truth: Truth = {}
    for month, name in enumerate(("januar", "februar", "marts"), start=1):
        rows: list[list[Any]] = [
            [f"Nakkerotation i grader, {name} 2024"],
            ["im = ikke målt"],
            [],
            ["Klientnr.", "Dato", "Muskel", "Side", "Behandling", "V før", "V efter", "H før", "H efter", "Bemærkning"],
        ]
        for place in range(9):
            client, values, day = f"D{(place + month) % 5 + 1:02d}", _four(rng, 45, 80), 3 * place + 2
            texts: list[Any] = list(values)
            if place == 4:
                texts[1], values[1] = "uændret", values[0]
            if place == 6:
                texts[3], values[3] = "im", None
            side, what = str(rng.choice(["V", "H", "begge"])), str(rng.choice(["massage", "udspænding"]))
            rows.append([client, f"{day}. {name}", "øvre trapezius", side, what, *texts, ""])
            _enter(truth, client, f"2024-{month:02d}-{day:02d}", ROT, values)
        rows.append(["gennemsnit", "", "", "", "", 60.2, 63.1, 61.5, 64.4, ""])
        sheets[name] = rows
    return save_book(path / "nakke.xlsx", sheets), truth


@made
def norwegian_marks(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Norwegian, semicolons, decimal commas, marks beside the numbers, the side inside the region."""
    rows: list[list[Any]] = [
        [
            *("Pasientnr.", "Dato", "Klokkeslett", "Område", "Teknikk"),
            *(
                "Kne mot vegg V før (cm)",
                "Kne mot vegg V etter (cm)",
                "Kne mot vegg H før (cm)",
                "Kne mot vegg H etter (cm)",
            ),
            "Merknad",
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 18)):
        client, values = f"N-{place % 6 + 1}", _four(rng, 5, 13, 0.5)
        texts = [f"{one:g}".replace(".", ",") for one in values]
        texts[0] = {3: f"{texts[0]}*", 7: f"~{texts[0]}", 9: f"{texts[0]} (stiv)"}.get(place, texts[0])
        region, what = str(rng.choice(["legg V", "H soleus"])), str(rng.choice(["massasje", "tøyning"]))
        rows.append([client, day.strftime("%d.%m.%Y"), "10:30", region, what, *texts, ""])
        _enter(truth, client, day.isoformat(), KTW, values)
    return save_text(path / "legg.csv", rows), truth


@made
def finnish_long(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Finnish, one reading a row, two readings before."""
    rows: list[list[Any]] = [
        ["Asiakasnro", "Päivämäärä", "Lihas", "Hoidettu puoli", "Hoito", "Testi", "Mitattu puoli", "Ajankohta", "Tulos"]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 12)):
        client, treated = f"A{place % 4 + 1}", str(rng.choice(["vasen", "oikea"]))
        for side, name in (("vasen", "left"), ("oikea", "right")):
            for word, phase in (("ennen 1", "before"), ("ennen 2", "before_2"), ("jälkeen", "after")):
                value, what = _reading(rng, 55, 90), str(["hieronta", "venytys"][place % 2])
                rows.append([client, day.strftime("%d.%m.%Y"), "takareisi", treated, what, "SLR", side, word, value])
                truth[(client, day.isoformat(), SLR, name, phase)] = float(value)
    return save_book(path / "reisi.xlsx", {"Taul1": rows}), truth


@made
def czech_two_levels(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Czech, tests merged over sides and phases, a legend at the foot."""
    rows: list[list[Any]] = [
        ["Krční páteř – rotace (stupně) a bolest"],
        [],
        ["", "", "", "", "", "Rotace krku", "", "", "", "Bolest (0-10)", ""],
        [*("Č. pacienta", "Datum", "Sval", "Strana", "Ošetření"), "L před", "L po", "P před", "P po", "před", "po"],
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 16)):
        client, values = f"C{place % 5 + 1:02d}", _four(rng, 45, 80)
        pain = [_reading(rng, 3, 8), _reading(rng, 0, 5)]
        texts: list[Any] = [*values, *pain]
        if place == 5:
            texts[3], values[3] = "nm", None
        side, what = str(rng.choice(["L", "P", "obě"])), str(rng.choice(["masáž", "protažení", "PIR"]))
        rows.append([client, day, "horní trapéz", side, what, *texts])
        _enter(truth, client, day.isoformat(), ROT, values)
        for phase, value in zip(("before", "after"), pain, strict=True):
            truth[(client, day.isoformat(), PAIN, "none", phase)] = float(value)
    rows += [[], ["nm = neměřeno"]]
    return save_book(path / "krk.xlsx", {"List1": rows}, {"List1": ["F3:I3", "J3:K3"]}), truth


@made
def turkish_pairs(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Turkish, before and after in one cell."""
    rows: list[list[Any]] = [
        [
            *("Hasta no", "Tarih", "Kas", "Uygulama"),
            *("Boyun rotasyonu sol (önce/sonra)", "Boyun rotasyonu sağ (önce/sonra)", "Açıklama"),
        ]
    ]
    truth: Truth = {}
    for place, day in enumerate(days(rng, 16)):
        client, values = f"H{place % 5 + 1:02d}", _four(rng, 45, 80)
        cells = [f"{values[0]}/{values[1]}", f"{values[2]}/{values[3]}"]
        region, what = str(rng.choice(["üst trapez sağ", "sol levator"])), str(rng.choice(["masaj", "germe"]))
        rows.append([client, day, region, what, *cells, ""])
        _enter(truth, client, day.isoformat(), ROT, values)
    return save_book(path / "boyun.xlsx", {"Sayfa1": rows}), truth


@made
def romanian_visits(path: Path, rng: np.random.Generator) -> tuple[Path, Truth]:
    """Romanian, a row a client, three visits side by side, each under its date."""
    dates = [dt.date(2024, 2, 5), dt.date(2024, 2, 19), dt.date(2024, 3, 4)]
    rows: list[list[Any]] = [
        ["Umăr, grade"],
        ["", "", "", *(cell for day in dates for cell in (day.strftime("%d.%m.%Y"), "", "", ""))],
        [
            *("Nr. pacient", "Mușchi", "Tratament"),
            *("RI stg înainte", "RI stg după", "RI dr înainte", "RI dr după") * len(dates),
        ],
    ]
    truth: Truth = {}
    for number in range(1, 9):
        client, visits = f"R{number:02d}", [_four(rng, 40, 80) for _ in dates]
        rows.append([client, "pectoral mic stânga", "masaj", *(value for four in visits for value in four)])
        for day, values in zip(dates, visits, strict=True):
            _enter(truth, client, day.isoformat(), "shoulder_internal_rotation", values)
    return save_book(path / "umar.xlsx", {"Foaie1": rows}), truth


def sheet_in_unknown_words(path: Path, language: str) -> Path:
    """A sheet in Hungarian, Greek, Russian or Japanese; the numbers are readings, and nobody can tell which."""
    header = {
        "hu": "Páciens száma;Dátum;Izom;Oldal;Kezelés;Nyaki rotáció bal előtte;Nyaki rotáció bal utána",
        "el": "Ασθενής;Ημερομηνία;Μυς;Πλευρά;Θεραπεία;Στροφή αυχένα πριν;Στροφή αυχένα μετά",
        "ru": "Пациент;Дата;Мышца;Сторона;Лечение;Ротация шеи до;Ротация шеи после",
        "ja": "患者番号;日付;筋肉;側;施術;頸部回旋 前;頸部回旋 後",
    }[language]
    rows = [header.split(";")]
    rows += [[f"P{n % 4}", f"2024-03-{n + 1:02d}", "x1", "y1", "z1", 50 + n, 55 + n] for n in range(16)]
    return save_text(path / f"{language}.csv", rows)
