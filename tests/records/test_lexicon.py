"""The word lists hold together, and words are understood by the sheet's language."""

import csv

import pytest

from toolkit.records.codebook import load_codebook
from toolkit.records.field_words import field_of_header
from toolkit.records.header_words import read_header
from toolkit.records.lexicon import LANGUAGES, fold, language_of, words_of_language
from toolkit.records.mapping import FIELDS
from toolkit.records.surroundings import legend_of, years_in
from toolkit.resources import shared_file

BOOK = load_codebook()
KNOWN = {
    "region": set(BOOK.regions["region"]),
    "intervention": set(BOOK.interventions["intervention"]),
    "measure": set(BOOK.measures["measure"]),
    "field": {*FIELDS, "comment", "difference"},
    "stem": {*FIELDS, "comment", "difference"},
    "side": {"left", "right", "both", "none"},
    "order": {"technique_first", "wait_first"},
    "month": {str(number) for number in range(1, 13)},
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_list_names_what_the_codebook_knows(language: str) -> None:
    with shared_file(f"codebook/words/{language}.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    odd = [row["means"] for row in rows if row["kind"] in KNOWN and row["means"] not in KNOWN[row["kind"]]]
    assert odd == []
    months = {row["means"] for row in rows if row["kind"] == "month"}
    assert len(months) == 12


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_word_of_one_language_stands_for_two_things_of_a_kind(language: str) -> None:
    seen: dict[tuple[str, str], str] = {}
    with shared_file(f"codebook/words/{language}.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            for word in row["words"].split("|"):
                known = seen.setdefault((row["kind"], fold(word)), row["means"])
                assert known == row["means"], (row["kind"], word)


@pytest.mark.parametrize(
    ("texts", "language"),
    [
        (["Pat.-Nr.", "Datum", "Rotation re vorher"], "de"),
        (["N° patient", "Zone traitée", "RI G avant"], "fr"),
        (["Paciente", "Fecha", "Dolor antes"], "es"),
        (["Utente", "Lado", "Dor depois"], "pt"),
        (["Paziente", "Zona trattata", "dolore dopo"], "it"),
        (["Cliënt", "datum", "knie tegen de muur"], "nl"),
        (["Klient", "Sida", "rotation höger före"], "sv"),
        (["Nr pacjenta", "Mięsień", "ból przed"], "pl"),
        (["Pt #", "Date", "Rot L pre"], "en"),
    ],
)
def test_a_sheet_s_language_is_told_by_its_words(texts: list[str], language: str) -> None:
    assert language_of(texts) == language


@pytest.mark.parametrize(
    ("language", "header", "expected"),
    [
        ("fr", "RI D après", ("after", "right", "internal rotation")),
        ("pt", "RE E antes", ("before", "left", "external rotation")),
        ("sv", "Rotation H före", ("before", "right", "rotation")),
        ("pl", "Rotacja wewnętrzna P po", ("after", "right", "internal rotation")),
        ("nl", "endorotatie li na rust", ("after_wait", "left", "internal rotation")),
        ("it", "flessione sx prima", ("before", "left", "flexion")),
        ("es", "abducción der tras reposo", ("after_wait", "right", "abduction")),
        ("de", "Seitneigung re nach Pause", ("after_wait", "right", "lateral flexion")),
    ],
)
def test_headers_of_other_languages_are_taken_apart(language: str, header: str, expected: tuple[str, str, str]) -> None:
    told = read_header(header, words_of_language(language))
    assert (told.phase, told.side, told.rest) == expected


@pytest.mark.parametrize(
    ("language", "header", "field"),
    [
        ("de", "Behandlungsdatum", "date"),
        ("de", "Behandlungstechnik", "intervention"),
        ("sv", "Behandlingsmetod", "intervention"),
        ("es", "Fecha de la sesión", "date"),
        ("pl", "Rodzaj zabiegu", "intervention"),
        ("en", "Techinque", "intervention"),
        ("en", "Chart", "client"),
        ("en", "L diff", "difference"),
        ("en", "Room temperature", None),
    ],
)
def test_fields_are_known_by_their_names_the_heads_of_long_ones_and_near_misses(
    language: str, header: str, field: str | None
) -> None:
    assert field_of_header(header, words_of_language(language)) == field


def test_a_legend_is_taken_apart() -> None:
    legend = legend_of(
        [
            "x = niet gemeten",
            "A = treatment first, then rest; B = rest first, then treatment.",
            "* pain at end of range",
        ],
        [("Tx 1", "hands")],
    )
    assert legend == {
        "x": "niet gemeten",
        "A": "treatment first, then rest",
        "B": "rest first, then treatment",
        "*": "pain at end of range",
        "Tx 1": "hands",
    }


def test_the_nearest_title_with_a_year_counts() -> None:
    assert years_in(["januari", "Enkel 2024", "2019"]) == (2024,)
    assert years_in(["Sept 23"]) == (2023,)
    assert years_in(["season 2023/24"]) == (2023, 2024)
