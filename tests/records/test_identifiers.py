"""Columns that tell who a client is stop the reading; pseudonyms and words of the trade do not."""

import pandas as pd
import pytest

from toolkit.errors import IdentifierError
from toolkit.records.identifiers import kind_of_header, kind_of_values
from toolkit.records.records import load_records


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Name", "names"),
        ("Patient name", "names"),
        ("firstName", "names"),
        ("Nachname", "names"),
        ("DOB", "birth dates"),
        ("Date of birth", "birth dates"),
        ("Geburtsdatum", "birth dates"),
        ("E-mail", "e-mail addresses"),
        ("Phone no.", "phone numbers"),
        ("Home address", "addresses"),
        ("Postcode", "addresses"),
        ("NHS number", "insurance or register numbers"),
        ("Versicherungsnummer", "insurance or register numbers"),
    ],
)
def test_headers_that_identify_are_known(header: str, kind: str) -> None:
    assert kind_of_header(header) == kind


@pytest.mark.parametrize(
    "header",
    [
        "client",
        "Patient code",
        "practitioner",
        "Practitioner name",
        "Measure name",
        "region",
        "Device name",
        "Date",
        "after",
    ],
)
def test_words_of_the_trade_raise_no_alarm(header: str) -> None:
    assert kind_of_header(header) is None


@pytest.mark.parametrize(
    ("texts", "field", "kind"),
    [
        (["fine", "write to a.b@example.org"], "", "e-mail addresses"),
        (["+49 170 1234567", "0171 7654321"], "", "phone numbers"),
        (["123-45-6789", "987-65-4321"], "", "insurance or register numbers"),
        (["12 High Street", "4 Mill Road"], "", "addresses"),
        (["1961-03-04", "1985-12-01", "1999-07-30"], "", "birth dates"),
        (["Marta Lindqvist", "Otto Brandt", "Ines Duarte"], "client", "names"),
    ],
)
def test_values_that_identify_are_known(texts: list[str], field: str, kind: str) -> None:
    assert kind_of_values(texts, field=field) == kind


@pytest.mark.parametrize(
    ("texts", "field"),
    [
        (["K1", "K2", "A-17"], "client"),
        (["Client Alpha", "Client Beta", "Client Gamma"], "client"),
        (["2026-01-01", "2026-02-01", "2026-03-01"], ""),
        (["Manual Release", "Dry Cupping"], ""),
        (["34", "36.5", "41"], ""),
        (["went well", "a bit sore the day after"], ""),
    ],
)
def test_other_values_raise_no_alarm(texts: list[str], field: str) -> None:
    assert kind_of_values(texts, field=field) is None


def test_an_export_with_identifiers_is_refused_with_the_way_out(wide: pd.DataFrame) -> None:
    with pytest.raises(IdentifierError, match=r'"Surname" \(names, by its header\).*the command deidentify'):
        load_records(wide.assign(Surname="x"))


def test_the_values_themselves_stay_out_of_the_message(wide: pd.DataFrame) -> None:
    with pytest.raises(IdentifierError) as caught:
        load_records(wide.assign(notes="ask marta@example.org"))
    assert "marta" not in str(caught.value)
    assert '"notes"' in str(caught.value)
