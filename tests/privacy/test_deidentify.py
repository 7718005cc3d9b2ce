"""De-identification: none of the eighteen kinds comes through, pseudonyms are keyed and stable, everything is told."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import stat
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from toolkit.__main__ import commands
from toolkit.errors import ExportError, SheetError, WritingError
from toolkit.privacy.deidentify import LOCAL_LAW, Deidentified, deidentify
from toolkit.privacy.files import deidentify_files
from toolkit.privacy.keys import check_key, key_from
from toolkit.privacy.pseudonyms import pseudonym
from toolkit.privacy.small_groups import small_groups
from toolkit.records.records import load_records
from toolkit.records.safe_harbour import KINDS, kind_in_cell, kind_of_column

KEY = hashlib.sha256(b"a key for tests").digest()

OFFICE = pd.DataFrame(
    {
        "Patient": ["Anna Berg", "anna  berg", "Cem Duru", "Cem Duru", "Eva Falk", "Eva Falk"],
        "Date of birth": ["1961-02-03", "1961-02-03", "1930-12-31", "1930-12-31", "1990-05-06", "1990-05-06"],
        "Date": ["2026-03-04", "2026-03-18", "2026-03-05", "2026-04-04", "2026-03-06", "2026-03-07"],
        "Age": ["65", "65", "95", "95", "35", "35"],
        "practitioner": ["Dr. G. Holm", "Dr. G. Holm", "I. Jung", "I. Jung", "I. Jung", "I. Jung"],
        "E-mail": ["a@x.org", "a@x.org", "c@x.org", "c@x.org", "e@x.org", "e@x.org"],
        "region": ["upper_trapezius"] * 6,
        "treated_side": ["left", "right"] * 3,
        "intervention": ["stretching"] * 3 + ["=HYPERLINK(1)", "stretching", "=HYPERLINK(1)"],
        "measure": ["cervical_rotation"] * 6,
        "measured_side": ["left", "right"] * 3,
        "unit": ["deg"] * 6,
        "before": [60, 61, 55, 58, 70, 71],
        "after": [64, 66, 57, 58, 70, 75],
        "adverse_event": ["none", "", "felt dizzy, daughter Gül called", "none", "none", "no"],
        "Remarks": [
            "Anna was tired after the long drive",
            "ok",
            "asks for his son",
            "",
            "x",
            "moved to Bonn last week",
        ],
    }
)


def of(done: Deidentified, column: str) -> list[object]:
    """A column's values in the order of the office's export: the rows themselves are sorted by pseudonym."""
    who = [pseudonym(name, key=KEY, role="client") for name in ("Anna Berg", "Cem Duru", "Eva Falk")]
    place = done.rows["client"].map({name: number for number, name in enumerate(who)}).fillna(-1)
    return list(done.rows.assign(_who=place).sort_values(["_who", "day"], kind="stable")[column])


def test_what_comes_out_loads_as_records(tmp_path: Path) -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    records = load_records(done.rows.astype({"day": object}))
    assert records.source.rows_kept == 6
    assert records.rows["client"].nunique() == 3


def test_no_name_date_address_or_remark_comes_through() -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    text = done.rows.to_csv(index=False).casefold()
    for told in ("anna", "berg", "duru", "holm", "2026", "1961", "x.org", "dizzy", "gül", "bonn", "tired"):
        assert told not in text, told
    assert {"Date of birth", "E-mail", "Remarks", "Date", "Patient"}.isdisjoint(done.rows.columns)


def test_days_count_from_the_client_s_own_first_visit() -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    assert of(done, "day") == [0, 14, 0, 30, 0, 1]  # counted on a calendar


def test_ages_of_ninety_and_more_become_ninety() -> None:
    assert of(deidentify(OFFICE, key=KEY, client="Patient"), "Age") == ["65", "65", "90", "90", "35", "35"]


def test_of_an_adverse_event_only_whether_there_was_one_is_kept() -> None:
    assert of(deidentify(OFFICE, key=KEY, client="Patient"), "adverse_event") == [
        "none",
        "",
        "reported",
        "none",
        "none",
        "none",
    ]


def test_a_formula_is_made_harmless() -> None:
    assert of(deidentify(OFFICE, key=KEY, client="Patient"), "intervention")[5] == "'=HYPERLINK(1)"


def test_every_column_is_accounted_for_with_a_reason() -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    assert done.report["column"].tolist() == list(OFFICE.columns)
    assert set(done.report["done"]) == {"pseudonym", "days", "coarser", "kept", "left out"}
    assert done.report["why"].str.len().gt(0).all()
    birth = done.report.set_index("column").loc["Date of birth", "why"]
    assert "164.514(b)(2)(i)(C)" in birth


def test_the_screen_names_every_column_once_and_fits(tmp_path: Path) -> None:
    for name in ("office", "away"):
        (tmp_path / name).mkdir()
    export, safe = (tmp_path / "office" / name for name in ("export.csv", "safe.csv"))
    OFFICE.to_csv(export, index=False)
    told = ["deidentify", str(export), "--out", str(safe), "--key", str(tmp_path / "away" / "k"), "--new-key"]
    shown = CliRunner().invoke(commands, [*told, "--client", "Patient"]).output
    table = shown[shown.index("done  ") : shown.index("Written:")]
    assert max(map(len, table.splitlines())) <= 80
    words = re.split(r"[,\s]+", table)
    assert [words.count(name) for name in ("Patient", "region", "before", "Remarks")] == [1, 1, 1, 1]
    assert deidentify(OFFICE, key=KEY, client="Patient").table()["columns"].str.split(", ").explode().nunique() == 16


def test_the_pseudonym_is_hmac_sha256_of_the_evened_out_text() -> None:
    # HMAC as defined in RFC 2104, from Python's standard library; base32 of RFC 4648.
    import base64

    digest = hmac.new(KEY, b"client\0anna berg", hashlib.sha256).digest()
    expected = "C-" + base64.b32encode(digest).decode()[:12].lower()
    assert pseudonym(" Anna\u200b  BERG", key=KEY, role="client") == expected


def test_the_hmac_beneath_agrees_with_the_published_test_case() -> None:
    # RFC 4231, test case 1 (HMAC-SHA-256): key 20 times 0x0b, data "Hi There".
    digest = hmac.new(b"\x0b" * 20, b"Hi There", hashlib.sha256).hexdigest()
    assert digest == "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"


@given(st.lists(st.text(min_size=1, max_size=20), min_size=2, max_size=20), st.binary(min_size=32, max_size=32))
def test_same_key_same_pseudonym_and_other_people_other_pseudonyms(people: list[str], key: bytes) -> None:
    made = {name: pseudonym(name, key=key, role="client") for name in people}
    assert made == {name: pseudonym(name, key=key, role="client") for name in people}
    evened = {" ".join(name.casefold().split()) for name in people}
    assert len(set(made.values())) <= len(evened)
    other = bytes(byte ^ 255 for byte in key)
    for name, one in made.items():
        assert one == "" or one != pseudonym(name, key=other, role="client")
        assert re.fullmatch(r"|C-[a-z2-7]{12}", one)


def test_a_person_has_another_pseudonym_as_client_than_as_practitioner() -> None:
    assert pseudonym("Anna", key=KEY, role="client")[2:] != pseudonym("Anna", key=KEY, role="person")[2:]


# One header for each of the eighteen kinds of 45 CFR 164.514(b)(2)(i), read in the regulation's text.
HEADERS = {
    "A": "Last name",
    "B": "ZIP code",
    "C": "Discharge date",
    "D": "Telephone",
    "E": "Fax",
    "F": "E-mail",
    "G": "Social security no",
    "H": "Medical record number",
    "I": "Health plan beneficiary",
    "J": "Account",
    "K": "Licence",
    "L": "Vehicle",
    "M": "Device serial number",
    "N": "Website",
    "O": "IP address",
    "P": "Fingerprint",
    "Q": "Photo",
    "R": "Case number",
}


def test_the_list_has_the_eighteen_kinds_in_order() -> None:
    assert [kind.letter for kind in KINDS] == list("ABCDEFGHIJKLMNOPQR")


@pytest.mark.parametrize("letter", list(HEADERS))
def test_a_column_of_each_of_the_eighteen_kinds_is_left_out(letter: str) -> None:
    kind = kind_of_column(HEADERS[letter], [])
    assert kind is not None
    assert kind.letter == letter
    frame = OFFICE[["Patient", "Date", "before"]].assign(**{HEADERS[letter]: "something"})
    done = deidentify(frame, key=KEY, client="Patient")
    assert HEADERS[letter] not in done.rows.columns
    assert f"(i)({letter})" in done.report.set_index("column").loc[HEADERS[letter], "why"]


@pytest.mark.parametrize(
    ("text", "letter"),
    [
        ("write to a.b@c.org", "F"),
        ("+49 171 2345678", "D"),
        ("0171 2345678", "D"),
        ("(555) 123-4567", "D"),
        ("123-45-6789", "G"),
        ("https://example.org/me", "N"),
        ("192.168.0.12", "O"),
        ("DE89 3704 0044 0532 0130 00", "J"),
    ],
)
def test_an_identifier_inside_a_cell_is_seen(text: str, letter: str) -> None:
    kind = kind_in_cell(text)
    assert kind is not None
    assert kind.letter == letter


@pytest.mark.parametrize("text", ["34.5", "12–14", "3,5", "-3.5", "034", "upper_trapezius + soleus", "2/10", "120 kPa"])
def test_a_reading_is_not_taken_for_an_identifier(text: str) -> None:
    assert kind_in_cell(text) is None


@settings(max_examples=20, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["Zoltan", "Quirina", "Wibke"]), st.sampled_from(["34", "n/a", "35°", "Zoltan left"])
        ),
        min_size=1,
        max_size=12,
    )
)
def test_a_client_s_name_never_comes_through_in_any_kept_cell(rows: list[tuple[str, str]]) -> None:
    frame = pd.DataFrame(rows, columns=["Patient", "before"]).assign(region=[name for name, _ in rows], group="a")
    done = deidentify(frame, key=KEY, client="Patient")
    text = done.rows.to_csv(index=False)
    assert not re.search("Zoltan|Quirina|Wibke", text)
    assert len(done.rows) == len(rows)


def test_columns_that_tell_who_somebody_is_only_together_make_one_pseudonym() -> None:
    frame = pd.DataFrame({"First": ["Anna", "Anna"], "Last": ["Berg", "Duru"], "before": [1, 2]})
    done = deidentify(frame, key=KEY, client=["First", "Last"])
    assert done.n_clients == 2
    assert list(done.rows.columns) == ["client", "before"]


def test_a_client_who_stands_out_is_warned_of() -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    assert "Age" in done.groups.columns
    assert (done.groups.k, done.groups.exposed) == (1, 3)
    assert "Warning" in done.sentence()
    assert LOCAL_LAW in done.sentence()


def test_the_smallest_group_counts_clients_not_rows() -> None:
    rows = pd.DataFrame({"client": list("aabbcd"), "sex": list("ffffmf"), "age": ["3", "3", "3", "3", "3", "3"]})
    groups = small_groups(rows, client="client", columns=["sex", "age"], hidden_by=3)
    assert (groups.k, groups.exposed, groups.n_clients) == (1, 1, 4)
    assert small_groups(rows, client="client", columns=["age"], hidden_by=3).k == 4


def test_the_smallest_group_agrees_with_the_published_example() -> None:
    # Sweeney 2002, the example of k-anonymity with k = 2 over race, birth, gender and ZIP (eleven people); from memory.
    people = """black 1965 m 0214*|black 1965 m 0214*|black 1965 f 0213*|black 1965 f 0213*|black 1964 f 0213*
    black 1964 f 0213*|white 1964 m 0213*|white 1964 m 0213*|white 1964 m 0213*|white 1967 m 0213*|white 1967 m 0213*"""
    rows = [line.split() for line in people.replace("\n", "|").split("|")]
    table = pd.DataFrame(rows, columns=["race", "birth", "gender", "zip"]).assign(client=range(11))
    groups = small_groups(table, client="client", columns=["race", "birth", "gender", "zip"], hidden_by=2)
    assert (groups.k, groups.exposed, len(groups.groups)) == (2, 0, 5)


def test_readings_that_are_numbers_stay_the_numbers_they_were() -> None:
    done = deidentify(OFFICE, key=KEY, client="Patient")
    assert of(done, "before") == OFFICE["before"].tolist()
    assert done.rows["before"].dtype == OFFICE["before"].dtype


def test_a_text_column_can_be_kept_on_request_and_an_identifier_cannot() -> None:
    kept = deidentify(OFFICE, key=KEY, client="Patient", keep=["Remarks"])
    assert of(kept, "Remarks")[:3] == ["", "ok", "asks for his son"]
    assert "“Remarks”, kept as asked" in kept.sentence()
    with pytest.raises(SheetError, match="e-mail"):
        deidentify(OFFICE, key=KEY, client="Patient", keep=["E-mail"])
    with pytest.raises(SheetError, match=r"\(C\)"):
        deidentify(OFFICE, key=KEY, client="Patient", keep=["Date of birth"])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"client": "Klient"}, "no column “Klient”"),
        ({"client": "Patient", "date": "When"}, "no column “When”"),
        ({"client": "Patient", "keep": ["X"]}, "no column “X”"),
        ({"client": "Patient", "keep": "Remarks"}, "as a list"),
        ({"client": "Patient", "key": b"short"}, "at least 32"),
    ],
)
def test_a_wrong_wish_is_answered_in_words(options: dict[str, object], said: str) -> None:
    with pytest.raises(SheetError, match=said):
        deidentify(OFFICE, **{"key": KEY, **options})  # type: ignore[arg-type]


def test_without_a_client_column_the_columns_are_listed() -> None:
    with pytest.raises(SheetError, match="Which column says who"):
        deidentify(OFFICE.drop(columns="Patient"), key=KEY)


def test_ambiguous_dates_are_not_guessed() -> None:
    frame = OFFICE.assign(Date=["03/04/2026"] * 6)
    with pytest.raises(ExportError, match="03/04/2026"):
        deidentify(frame, key=KEY, client="Patient")
    done = deidentify(frame, key=KEY, client="Patient", date_order="day_first")
    assert done.rows["day"].eq(0).all()


def test_rows_without_a_client_or_date_stay_and_are_told() -> None:
    frame = OFFICE.assign(Patient=["", *OFFICE["Patient"][1:]], Date=[*OFFICE["Date"][:5], ""])
    done = deidentify(frame, key=KEY, client="Patient")
    assert (done.rows["client"] == "").sum() == 1
    assert int(done.rows["day"].isna().sum()) == 2
    assert done.rows.loc[done.rows["client"] == "", "day"].isna().all()
    assert done.report.set_index("column").loc["Date", "cells_removed"] == 2


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path, Path]:
    for name in ("office", "safe"):
        (tmp_path / name).mkdir()
    source = tmp_path / "office" / "export.csv"
    OFFICE.to_csv(source, index=False)
    key = tmp_path / "safe" / "key.txt"
    key_from(key, away_from=[], new=True)
    return source, tmp_path / "office" / "records.csv", key


def test_files_are_written_with_a_report_and_the_key_is_closed_to_others(places: tuple[Path, Path, Path]) -> None:
    source, out, key = places
    before = source.read_bytes()
    done = deidentify_files(source, out, key=key, client="Patient")
    assert source.read_bytes() == before
    assert sorted(path.name for path in out.parent.glob("[!.]*")) == [
        "export.csv",
        "records.csv",
        "records_columns.csv",
    ]
    assert load_records(out).source.rows_kept == done.n_rows == 6
    if os.name == "posix":
        assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_the_same_key_gives_the_same_pseudonyms_next_year(places: tuple[Path, Path, Path], tmp_path: Path) -> None:
    source, out, key = places
    first = deidentify_files(source, out, key=key, client="Patient")
    later = tmp_path / "office" / "next.csv"
    OFFICE.assign(Date=OFFICE["Date"].str.replace("2026", "2027")).to_csv(later, index=False)
    second = deidentify_files(later, tmp_path / "office" / "records_next.csv", key=key, client="Patient")
    assert second.rows["client"].tolist() == first.rows["client"].tolist()
    other = deidentify_files(
        later, tmp_path / "office" / "o.csv", key=tmp_path / "safe" / "k2.txt", new_key=True, client="Patient"
    )
    assert set(other.rows["client"]).isdisjoint(first.rows["client"])


def test_several_files_together_count_days_from_the_first_visit_in_any(places: tuple[Path, Path, Path]) -> None:
    source, out, key = places
    OFFICE.assign(Date="2026-05-04").to_csv(source.parent / "may.csv", index=False)
    done = deidentify_files([source, source.parent / "may.csv"], out, key=key, client="Patient")
    assert 61 in done.rows["day"].tolist()  # 4 March to 4 May


def test_the_key_is_never_written_beside_the_data(places: tuple[Path, Path, Path]) -> None:
    source, out, _ = places
    for key in (source.parent / "key.txt", source.parent / "below" / "key.txt", source, out):
        with pytest.raises(SheetError, match="beside the data"):
            deidentify_files(source, out, key=key, client="Patient")
    assert [path.name for path in source.parent.iterdir()] == ["export.csv"]


def test_a_link_to_the_folder_of_the_data_is_seen_through(places: tuple[Path, Path, Path], tmp_path: Path) -> None:
    source, out, _ = places
    (tmp_path / "elsewhere").symlink_to(source.parent, target_is_directory=True)
    with pytest.raises(SheetError, match="beside the data"):
        deidentify_files(source, out, key=tmp_path / "elsewhere" / "key.txt", client="Patient")


def test_nothing_is_written_over(places: tuple[Path, Path, Path]) -> None:
    source, out, key = places
    with pytest.raises(SheetError, match="never written over"):
        deidentify_files(source, source, key=key, client="Patient")
    out.write_text("mine", encoding="utf-8")
    with pytest.raises(WritingError, match="was not touched"):
        deidentify_files(source, out, key=key, client="Patient")
    assert out.read_text(encoding="utf-8") == "mine"


def test_a_file_that_is_no_key_or_open_to_others_is_refused(tmp_path: Path) -> None:
    wrong = tmp_path / "key.txt"
    wrong.write_text("password", encoding="utf-8")
    with pytest.raises(SheetError, match="holds no key"):
        key_from(wrong, away_from=[])
    if os.name == "posix":
        wrong.write_text("00" * 32, encoding="utf-8")
        wrong.chmod(0o644)
        with pytest.raises(SheetError, match="Other users"):
            key_from(wrong, away_from=[])


def test_a_shifted_line_is_refused_since_it_could_show_a_name(places: tuple[Path, Path, Path]) -> None:
    source, out, key = places
    with source.open("a", encoding="utf-8") as file:
        file.write("x,y" + ",z" * 40 + "\n")
    with pytest.raises(SheetError, match="line 8"):
        deidentify_files(source, out, key=key, client="Patient")
    assert not out.exists()


def test_a_mistyped_key_never_makes_a_new_one(places: tuple[Path, Path, Path], tmp_path: Path) -> None:
    source, out, key = places
    mistyped = key.with_name("kye.txt")
    with pytest.raises(SheetError, match=r"no key kye\.txt.*--new-key"):
        deidentify_files(source, out, key=mistyped, client="Patient")
    assert not mistyped.exists()
    with pytest.raises(SheetError, match="is there already; a key is never replaced"):
        deidentify_files(source, out, key=key, new_key=True, client="Patient")


@pytest.mark.parametrize(
    "weak",
    [bytes(32), bytes(range(32)), b"0123456789abcdef" * 2, b"my own password, 32 signs in all", bytes([1, 7]) * 16],
)
def test_a_weak_key_is_refused(weak: bytes, tmp_path: Path) -> None:
    place = tmp_path / "key.txt"
    place.write_text(weak.hex(), encoding="ascii")
    place.chmod(0o600)
    with pytest.raises(SheetError, match="weak"):
        key_from(place, away_from=[])


def test_keys_drawn_by_chance_are_not_called_weak() -> None:
    rng = np.random.default_rng(1)
    assert all(check_key(rng.bytes(32)) for _ in range(2000))
