"""Nothing unknown is kept: columns of twelve languages, names in every place, numbers known by their check digits."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import SheetError
from toolkit.privacy.deidentify import Deidentified, deidentify
from toolkit.privacy.files import deidentify_files
from toolkit.privacy.keys import key_from
from toolkit.records.personal_numbers import KINDS_OF_NUMBERS, numbers_of_persons
from toolkit.records.personal_words import personal_kind
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic

KEY = hashlib.sha256(b"a key for tests").digest()
CLIENTS = ("Wilhelmine Obermoser", "Quentin Achterberg", "Zofia Kowalczyk", "Ibrahim Yildizhan")
DAYS = ("2026-03-02", "2026-03-05", "2026-02-11", "2026-01-23")

# Header: values of the four clients. Invented people; numbers with check digits are the public examples of each kind.
IDENTIFYING: dict[str, tuple[object, object, object, object]] = {
    "Geburtsjahr": (1951, 1968, 1980, 1933),
    "Date of birth": ("1951-04-01", "1968-12-24", "1980-06-30", "1933-10-10"),
    "Année de naissance": (1951, 1968, 1980, 1933),
    "Wohnort": ("Buxtehude", "Enkhuizen", "Zakopane", "Kayseri"),
    "PLZ": ("21614", "1601 AB", "34-500", "38000"),
    "Code postal": (21614, 16010, 34500, 38000),
    "Ciudad": ("Buxtehude", "Enkhuizen", "Zakopane", "Kayseri"),
    "Straße": ("Lange Str. 14", "Dijk 3", "Krupówki 8", "Yeni 1"),
    "Handy": ("0171 5550142", "06 55501422", "601 555 014", "0532 5550142"),
    "Téléphone portable": ("0655501421", "0655501422", "0655501423", "0655501424"),
    "E-Mail": ("wo@example.org", "qa@example.org", "zk@example.org", "iy@example.org"),
    "Correo": ("wo at example", "qa at example", "zk at example", "iy at example"),
    "Steuer-ID": ("86095742719", "47036892816", "65929970489", "57549285017"),
    "Codice fiscale": ("RSSMRA85T10A562S", "RSSMRA85T10A562S", "RSSMRA85T10A562S", "RSSMRA85T10A562S"),
    "BSN": ("111222333", "123456782", "111222333", "123456782"),
    "PESEL": ("44051401359", "44051401359", "44051401359", "44051401359"),
    "Personnummer": ("811228-9874", "811228-9874", "670919-9530", "670919-9530"),
    "Henkilötunnus": ("131052-308T", "131052-308T", "131052-308T", "131052-308T"),
    "CPR-nr.": ("070761-4285", "070761-4285", "070761-4285", "070761-4285"),
    "Rodné číslo": ("710319/2745", "710319/2745", "710319/2745", "710319/2745"),
    "N° de sécurité sociale": ("255081416802538",) * 4,
    "NHS no": ("943 476 5919", "401 023 2137", "943 476 5870", "943 476 5919"),
    "Krankenkasse": ("Hansekasse", "Zorgpolis", "NFZ Kraków", "SGK Kayseri"),
    "Versichertennummer": ("X110411675", "X110411676", "X110411677", "X110411678"),
    "Mutuelle": ("Hansekasse", "Zorgpolis", "NFZ Kraków", "SGK Kayseri"),
    "IBAN": ("DE89 3704 0044 0532 0130 00",) * 4,
    "Hausarzt": ("Dr. Pfefferkorn", "Dr. Pfefferkorn", "Dr. Wisniewska", "Dr. Wisniewska"),
    "Referred by": ("Dr. Pfefferkorn", "Dr. Pfefferkorn", "Dr. Wisniewska", "Dr. Wisniewska"),
    "Médico": ("Dra. Quintanilla", "Dra. Quintanilla", "Dra. Quintanilla", "Dra. Quintanilla"),
    "Kontaktperson": ("Tochter Roswitha", "Zoon Maarten", "mama Grażyna", "kardeş Mehmetcan"),
    "Anhörig": ("Roswitha", "Maarten", "Grażyna", "Mehmetcan"),
    "Spitzname": ("Mine", "Quin", "Zosia", "Ibo"),
    "Surnom": ("Mine", "Quin", "Zosia", "Ibo"),
    "Bemerkungen": ("kommt mit Roswitha", "nach Sturz vom Rad", "arbeitet bei Tatra", "fastet gerade"),
    "Anamnese": ("Unfall A7 im Mai", "Unfall A7 im Mai", "nichts", "nichts"),
    "Beruf": ("Orgelbauerin", "Kaaskeurder", "Skilehrerin", "Teppichhändler"),
    "Lieblingsverein": ("HSV", "AZ", "Wisła", "Erciyesspor"),
    "Zimmer": (204, 311, 118, 402),
    "Kennzeichen": ("STD-WO 51", "22-QA-68", "KR 5ZK80", "38 IY 33"),
    "Instagram": ("@mine_o", "@quinachter", "@zosia_k", "@ibo33"),
    "Termin-Nr": ("T-88121", "T-88122", "T-88123", "T-88124"),
    "Next appointment": ("2026-05-01", "2026-05-02", "2026-05-03", "2026-05-04"),
}
KNOWN = {
    "region": "upper_trapezius",
    "treated_side": "left",
    "intervention": "percussive_release",
    "measure": "cervical_rotation",
    "measured_side": "left",
    "unit": "deg",
}


def office(visits: int = 3) -> pd.DataFrame:
    """Four clients, three visits each, one row a visit, in the order in which they came."""
    lines = []
    for number in range(visits):
        for place, name in enumerate(CLIENTS):
            day = pd.Timestamp(DAYS[place]) + pd.Timedelta(days=7 * number)
            personal = {header: values[place] for header, values in IDENTIFYING.items()}
            read = {"before": 50 + place + number, "after": 55 + place + number}
            lines.append({"Patient": name, "Date": day.strftime("%Y-%m-%d"), **personal, **KNOWN, **read})
    return pd.DataFrame(lines).sort_values("Date", kind="stable", ignore_index=True)


@pytest.fixture(scope="module")
def done() -> Deidentified:
    return deidentify(office(), key=KEY)


@pytest.mark.parametrize("header", IDENTIFYING)
def test_an_identifying_column_goes_whatever_its_language(done, header):
    assert header not in done.rows.columns
    assert done.report.set_index("column").loc[header, "done"] == "left out"


def test_no_value_of_an_identifying_column_stands_anywhere(done):
    told = done.rows.to_csv() + done.report.to_csv() + done.sentence()
    values = {str(value) for values in IDENTIFYING.values() for value in values if len(str(value)) > 3}
    assert not [value for value in (*values, *CLIENTS) if value in told]


def test_what_the_codebook_explains_is_kept_and_loads(done):
    assert set(done.rows.columns) == {"client", "day", *KNOWN, "before", "after"}
    records = load_records(done.rows.astype({"day": object}))
    assert (records.source.rows_kept, records.rows["client"].nunique()) == (12, 4)


def test_the_order_of_rows_gives_no_date_back():
    """Sorted by date, the rows' places gave every first visit back; sorted by pseudonym they give none."""
    rows = deidentify(office(), key=KEY).rows
    again = deidentify(office().sample(frac=1.0, random_state=1), key=KEY).rows
    pd.testing.assert_frame_equal(rows, again)
    assert rows["client"].is_monotonic_increasing
    other = deidentify(office(), key=hashlib.sha256(b"another").digest()).rows
    assert rows["before"].tolist() != other["before"].tolist()


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Rok urodzenia", "births"), ("Födelseår", "births"), ("Syntymävuosi", "births"), ("Rok narození", "births"),
        ("Geboortejaar", "births"), ("Ano de nascimento", "births"), ("Data di nascita", "births"),
        ("Kod pocztowy", "places"), ("Postnummer", "places"), ("Postinumero", "places"), ("CAP", "places"),
        ("Woonplaats", "places"), ("Miejscowość", "places"), ("Bydliště", "places"), ("geburts_ort", "births"),
        ("Verwijzend arts", "referrers"), ("Médecin traitant", "referrers"), ("Lekarz kierujący", "referrers"),
        ("Telefoonnummer", "phones"), ("Puhelin", "phones"), ("Tlf", "phones"), ("Cellulare", "phones"),
        ("Przezwisko", "names"), ("Apodo", "names"), ("Příjmení", "names"), ("patientName", "names"),
        ("Opmerkingen", "remarks"), ("Uwagi", "remarks"), ("Osservazioni", "remarks"), ("Poznámka", "remarks"),
        ("Fysiotherapeut", "staff"), ("Fizjoterapeuta", "staff"), ("Kinésithérapeute", "staff"),
        ("Leeftijd", "ages"), ("Wiek", "ages"), ("Ålder", "ages"), ("Idade", "ages"),
    ],
)  # fmt: skip
def test_headers_are_understood_in_twelve_languages(header, kind):
    assert personal_kind(header) == kind


@pytest.mark.parametrize(
    "header",
    [
        "Neck rot L pre", "Reach far R post", "Flexion via gonio", "Comfort", "Lunge L (cm)", "Side", "Technique",
        "Pain pre", "before_2", "Straight leg raise left", "Kraft re. vorher", "Rotation gauche avant", "session_id",
    ],
)  # fmt: skip
def test_headers_of_readings_are_not_taken_for_personal(header):
    assert personal_kind(header) == ""


# Public examples of each kind of number, from the pages of those who issue them; from memory.
EXAMPLES = {
    "de.idnr": "86095742719",
    "fr.nir": "255081416802538",
    "it.codicefiscale": "RSSMRA85T10A562S",
    "es.dni": "12345678Z",
    "nl.bsn": "111222333",
    "pl.pesel": "44051401359",
    "se.personnummer": "811228-9874",
    "fi.hetu": "131052-308T",
    "dk.cpr": "070761-4285",
    "ch.ssn": "756.9217.0769.85",
    "at.vnr": "1237010180",
    "be.nn": "85.07.30-033 28",
    "br.cpf": "111.444.777-35",
    "gb.nhs": "943 476 5919",
    "pt.nif": "501964843",
    "cz.rc": "710319/2745",
}


def test_the_kinds_of_numbers_are_those_that_have_examples_here_and_more():
    assert set(EXAMPLES) <= set(KINDS_OF_NUMBERS)


@pytest.mark.parametrize("kind", EXAMPLES)
def test_a_number_of_a_person_in_a_cell_is_emptied(kind):
    """In a column of words that two clients share, which would stay."""
    frame = office()[["Patient", "Date", "before"]].assign(setting=["low", EXAMPLES[kind]] * 6)
    done = deidentify(frame, key=KEY)
    assert EXAMPLES[kind] not in done.rows.to_csv()
    assert done.report.set_index("column").loc["setting", "done"] == "left out" or "low" in set(done.rows["setting"])


def nhs(nine: int) -> str:
    """A number of the British health service: weights 10 to 2, modulus 11 (NHS data dictionary)."""
    digits = [int(sign) for sign in f"{nine:09d}"]
    check = 11 - sum(digit * weight for digit, weight in zip(digits, range(10, 1, -1), strict=True)) % 11
    return "" if check == 10 else f"{nine:09d}{check % 11}"


def test_a_column_of_numbers_is_known_by_its_check_digits_whatever_its_header():
    numbers = [made for nine in range(401_023_213, 401_023_260) if (made := nhs(nine))]
    assert numbers_of_persons(numbers) == ("G", "numbers of the British health service")
    wrong = [number[:-1] + str((int(number[-1]) + 1) % 10) for number in numbers]
    found = numbers_of_persons(wrong)
    assert found is None or found[1] != "numbers of the British health service"


@pytest.mark.parametrize("header", ["Age", "Alter", "Leeftijd", "Wiek", "Patient age", "âge", "Età"])
def test_ages_above_89_go_whatever_the_column_is_called(header):
    frame = office()[["Patient", "Date", "before"]].assign(**{header: [34, 90, 95, 101] * 3})
    rows = deidentify(frame, key=KEY).rows
    assert set(rows[header]) == {"34", "90"}
    kept = deidentify(frame, key=KEY, keep=[header]).rows
    assert set(kept[header]) == {"34", "90"}


def test_a_name_in_a_header_is_replaced_everywhere():
    frame = office()[["Patient", "Date", "before"]].assign(**{"Obermoser says": "a", "tel +49 171 5550142": "b"})
    done = deidentify(frame, key=KEY, keep=["Obermoser says"])
    told = done.rows.to_csv() + done.report.to_csv() + done.sentence()
    assert "Obermoser" not in told
    assert "5550142" not in told
    assert "column 4" in done.rows.columns
    assert "headers that were replaced (column 4, column 5)" in done.sentence()


def test_a_header_that_a_spreadsheet_would_run_is_a_text():
    frame = office()[["Patient", "Date", "before"]].assign(**{"=cmd()": "soft"})
    assert "'=cmd()" in deidentify(frame, key=KEY, keep=["=cmd()"]).rows.columns


def test_own_words_stay_where_two_clients_share_them_and_no_name_stands_in_them():
    frame = office()[["Patient", "Date", *KNOWN, "before", "after"]]
    words = {0: "my own shake", 1: "my own shake", 2: "only for Zofia", 3: "a thing done once"}
    frame["intervention"] = frame["Patient"].map(dict(zip(CLIENTS, words.values(), strict=True)))
    done = deidentify(frame, key=KEY)
    assert set(done.rows["intervention"]) == {"my own shake", ""}
    assert "own words in “intervention” (1 different)" in done.sentence()
    assert done.report.set_index("column").loc["intervention", ["distinct_values", "cells_removed"]].tolist() == [1, 6]


@pytest.mark.parametrize(
    ("region", "kept"),
    [
        ("upper trapezius (Mrs Berg's old scar)", "upper_trapezius"),
        ("L upper trapezius like Annie", "left upper_trapezius"),
        ("Trapezius, Narbe von Frau Berg", "upper_trapezius"),
        ("upper trapezius left", "upper trapezius left"),
    ],
)
def test_of_a_region_that_says_more_its_own_word_stays(region, kept):
    frame = office()[["Patient", "Date", *KNOWN, "before", "after"]].assign(region=region)
    assert set(deidentify(frame, key=KEY).rows["region"]) == {kept}


@pytest.mark.parametrize(
    "words",
    ["gun, like for Annie", "Pistole wie bei Anna", "masaje como Ana", "massage comme Mme B", "shake (for Tom)"],
)
def test_own_words_that_speak_of_somebody_go(words):
    frame = office()[["Patient", "Date", *KNOWN, "before", "after"]].assign(intervention=words)
    assert set(deidentify(frame, key=KEY).rows["intervention"]) == {""}


@pytest.mark.parametrize("header", ["Seen by Dr Smithson", "AK '61", "Mme Berg", "Anna, 1961"])
def test_a_header_with_a_titled_name_or_a_year_of_birth_is_replaced(header):
    frame = office()[["Patient", "Date", "before", "after"]].assign(**{header: "x"})
    done = deidentify(frame, key=KEY)
    assert header not in done.report.to_csv() + done.sentence()


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Fødselsnr", "births"),
        ("Fastlege", "referrers"),
        ("Doğum yılı", "births"),
        ("T.C. kimlik no", "national_numbers"),
        ("Poreclă", "names"),
        ("CNP", "national_numbers"),
    ],
)
def test_norwegian_turkish_and_romanian_headers_are_known(header, kind):
    assert personal_kind(header) == kind


def test_the_report_counts_what_is_kept(done):
    report = done.report.set_index("column")
    assert report.loc["Patient", "distinct_values"] == 4
    assert report.loc["before", "distinct_values"] == office()["before"].nunique()
    assert report.loc["Wohnort", "distinct_values"] == 0


def test_a_reading_of_seven_digits_is_no_reading():
    frame = office()[["Patient", "Date", "before"]]
    frame["before"] = [491715550142, *frame["before"].tolist()[1:]]
    rows = deidentify(frame, key=KEY).rows
    assert "491715550142" not in rows.to_csv()
    assert int((rows["before"] != "").sum()) == 11


def test_the_name_of_the_file_may_not_tell_either(tmp_path: Path):
    for folder in ("office", "safe"):
        (tmp_path / folder).mkdir()
    office().to_csv(tmp_path / "office" / "export.csv", index=False)
    key = tmp_path / "safe" / "key.txt"
    key_from(key, away_from=[], new=True)
    with pytest.raises(SheetError, match="holds a word of somebody's name"):
        deidentify_files(tmp_path / "office" / "export.csv", tmp_path / "office" / "obermoser_2026.csv", key=key)
    assert sorted(item.name for item in (tmp_path / "office").iterdir()) == ["export.csv"]


def test_numbers_that_the_codebook_does_not_explain_can_be_kept_by_name():
    frame = office()[["Patient", "Date", "before"]].assign(grip=np.arange(12) + 30.5)
    assert "grip" not in deidentify(frame, key=KEY).rows
    kept = deidentify(frame, key=KEY, keep=["grip"])
    assert sorted(kept.rows["grip"]) == sorted(frame["grip"])
    assert "“grip”, kept as asked" in kept.sentence()


def test_the_hour_of_a_visit_does_not_leave_the_office_unless_asked_for() -> None:
    """Clients share hours, so the rule for words that two of them share would let each stand."""
    rows = simulate_clinic(ClinicDials(n_clients=12), rng=1).rows
    rows = rows.assign(Uhrzeit=["09:00", "10:30"] * (len(rows) // 2) + ["09:00"] * (len(rows) % 2))
    assert "Uhrzeit" not in deidentify(rows, key=KEY).rows
    assert "Uhrzeit" in deidentify(rows, key=KEY, keep=["Uhrzeit"]).rows


def test_whether_the_examiner_knew_is_kept_and_who_it_was_is_not() -> None:
    rows = simulate_clinic(ClinicDials(n_clients=12, blinded_share=0.5), rng=1).rows
    rows.loc[rows.index[:4], "examiner_blinded"] = "Obermoser"
    done = deidentify(rows, key=KEY).rows["examiner_blinded"]
    assert (done.value_counts()[["yes", "no"]] == rows["examiner_blinded"].value_counts()[["yes", "no"]]).all()
    assert set(done) == {"yes", "no", ""}
