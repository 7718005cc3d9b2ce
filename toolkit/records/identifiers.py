"""Columns that may tell who a client is: found by the words of the header and by the values, and refused.

The toolkit works on pseudonyms. A column that looks like names, birth dates, e-mail, phone, addresses or insurance
numbers stops the reading of the whole export until it is de-identified, even if no field uses it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import IdentifierError
from toolkit.records.dates import looks_like_dates
from toolkit.records.mapping import Mapping
from toolkit.records.raw_table import RawTable
from toolkit.records.texts import clean_text, cleaned, words_of

_HEADER_WORDS = {
    "names": "name names surname forename firstname lastname fullname maidenname vorname nachname familienname "
    "nom prenom prénom apellido "
    "apellidos cognome nombres",
    "birth dates": "dob birth birthday birthdate birthdates born geburt geburtsdatum geburtstag geboren "
    "naissance nacimiento nascita",
    "e-mail addresses": "email emails mail",
    "phone numbers": "phone telephone telefon telefono teléfono téléphone tel mobile handy fax whatsapp",
    "addresses": "address addresses adresse anschrift street strasse straße postcode postcodes postal zip "
    "zipcode plz wohnort city town",
    "insurance or register numbers": "insurance ssn nhs nino mrn kvnr passport medicare medicaid versicherung "
    "versicherungsnummer "
    "versichertennummer krankenkasse",
}
_PHRASES = {
    "birth dates": ("d o b", "date of birth", "né le", "nato il"),
    "e-mail addresses": ("e mail",),
    "names": ("first name", "last name", "full name", "family name", "given name"),
    "insurance or register numbers": ("social security", "national id", "national insurance", "identity card"),
    "phone numbers": ("cell phone", "phone no"),
}
_OTHER_THINGS = frozenset(
    words_of(
        "measure measures region regions practitioner therapist clinician physio examiner assessor "
        "technique intervention test file column "
        "device clinic site treatment muscle protocol movement exercise sheet variable tool session field body "
        "setting head product practice"
    )
)
_BY_WORD = {word: kind for kind, words in _HEADER_WORDS.items() for word in words.split()}
_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-Z])")
_EMAIL = re.compile(r"[^\s@]+@[^\s@]+\.[A-Za-z]{2,}")
_PHONE = re.compile(r"^(?:\+|00?)[1-9][\d ()/\-]{6,}\d$")
_INSURANCE = re.compile(r"^(?:[A-Z]\d{9}|\d{3}-\d{2}-\d{4}|\d{3} \d{3} \d{4}|[A-Z]{2} ?\d{2} ?\d{2} ?\d{2} ?[A-D])$")
_FULL_NAME = re.compile(
    r"^[^\W\d_a-z][^\W\d_]+(?:[ \-]|, ?)(?:[^\W\d_]\.? )?[^\W\d_a-z][^\W\d_]+(?:[ \-][^\W\d_a-z][^\W\d_]+)?$"
)
_STREET = re.compile(
    r"^[^\W\d_][\w. \-]{2,}(?:str\.|straße|strasse|street|road|avenue|lane|weg|gasse|allee|platz| st\.?| rd\.?"
    r"| ave\.?)\b.*\d|^\d+[a-z]? [^\W\d_][\w. \-]*(?:street|road|avenue|lane| st\.?| rd\.?| ave\.?)\b",
    re.IGNORECASE,
)
_MOST_LOOKED_AT = 500
_LONGEST = 80


@dataclass(frozen=True, kw_only=True)
class Identifier:
    """One column that looks like it tells who a client is, and why."""

    column: str
    looks_like: str
    why: str


def find_identifiers(cells: pd.DataFrame, *, fields: dict[str, str] | None = None) -> list[Identifier]:
    """Columns that look like identifiers.

    Args:
        cells: columns of texts.
        fields: field → header of the columns that are understood; dates of sessions are no birth dates.

    Example:
        >>> [one.looks_like for one in find_identifiers(pd.DataFrame({"E-mail": ["a@b.org"], "Region": ["x"]}))]
        ['e-mail addresses']
    """
    understood = {header: field for field, header in (fields or {}).items()}
    found = []
    for header in map(str, cells.columns):
        kind = kind_of_header(header)
        if kind and header not in _safe_headers(understood):
            found.append(Identifier(column=header, looks_like=kind, why="by its header"))
        elif kind := kind_of_values(_texts(cells[header]), field=understood.get(header, "")):
            found.append(Identifier(column=header, looks_like=kind, why="by its values"))
    return found


def refuse_identifiers(table: RawTable, mapping: Mapping) -> None:
    """Stop where a table has columns that look like identifiers.

    Raises:
        IdentifierError: naming the columns and the way out.
    """
    found = find_identifiers(table.cells, fields=mapping.fields)
    if found:
        columns = ", ".join(f'"{one.column}" ({one.looks_like}, {one.why})' for one in found)
        raise IdentifierError(
            f"{table.file}: these columns may tell who a client is: {columns}. Nothing was read. Make a copy "
            f"without them: "
            "the command deidentify replaces clients by pseudonyms and leaves such columns out, on this machine."
        )


def _safe_headers(understood: dict[str, str]) -> set[str]:
    """Headers whose field cannot be about a client's person, whatever a word of the header says."""
    return {header for header, field in understood.items() if field not in ("client", "adverse_event", "setting")}


def kind_of_header(header: str) -> str | None:
    """What a header's words say it holds, None when nothing that identifies.

    Example:
        >>> kind_of_header("Date of birth"), kind_of_header("Measure name")
        ('birth dates', None)
    """
    spaced = _CAMEL.sub(" ", clean_text(header)).casefold()
    words = re.findall(r"[^\W\d_]+", spaced)
    if set(words) & _OTHER_THINGS:
        return None
    joined = f" {' '.join(words)} "
    for kind, phrases in _PHRASES.items():
        if any(f" {phrase} " in joined for phrase in phrases):
            return kind
    return next((_BY_WORD[word] for word in words if word in _BY_WORD), None)


def kind_of_values(texts: list[str], *, field: str = "") -> str | None:
    """What a column's distinct values look like, None when nothing that identifies.

    Args:
        texts: distinct, cleaned, non-empty texts.
        field: the field the column is understood as, "" when none.
    """
    if not texts:
        return None
    if any(_has_email(text) for text in texts):
        return "e-mail addresses"
    if field not in ("", "client"):
        return None
    if _share(_PHONE, texts) >= 0.5 and not any(looks_like_dates(text) for text in texts[:20]):
        return "phone numbers"
    if _share(_INSURANCE, texts) >= 0.5:
        return "insurance or register numbers"
    if _share(_STREET, texts) >= 0.5:
        return "addresses"
    if _are_full_names(texts, field):
        return "names"
    return "birth dates" if field == "" and _are_birth_dates(texts) else None


def _texts(column: pd.Series) -> list[str]:
    """Distinct, cleaned, non-empty texts of a column, at most five hundred."""
    texts = (
        column.cat.categories[:_MOST_LOOKED_AT].tolist()
        if isinstance(column.dtype, pd.CategoricalDtype)
        else [str(text) for text in column.unique()]
    )
    return [text for text in cleaned(texts[:_MOST_LOOKED_AT]) if text]


def _has_email(text: str) -> bool:
    """Whether an e-mail address stands anywhere in a text."""
    return any(_EMAIL.search(text[max(at.start() - 64, 0) : at.start() + 64]) for at in re.finditer("@", text))


def _share(pattern: re.Pattern[str], texts: list[str]) -> float:
    """Share of texts that match."""
    return sum(pattern.match(text[:_LONGEST]) is not None for text in texts) / len(texts)


def _are_full_names(texts: list[str], field: str) -> bool:
    """Most values are two capitalised words, and the first words differ ("Client A", "Client B" are no names)."""
    fewest = 2 if field == "client" else 8
    if len(texts) < fewest or _share(_FULL_NAME, texts) < 0.7:
        return False
    parts = [re.split(r"[ ,]+", text) for text in texts]
    firsts, lasts = {part[0] for part in parts}, {part[-1] for part in parts}
    return min(len(firsts), len(lasts)) / len(texts) > 0.5


def _are_birth_dates(texts: list[str]) -> bool:
    """Most values are dates, spread over decades, and mostly long ago."""
    dated = [text for text in texts if looks_like_dates(text)]
    if len(dated) < 3 or len(dated) / len(texts) < 0.8:
        return False
    years = np.array([int(found.group()) for text in dated if (found := re.search(r"(?:19|20)\d{2}", text))])
    return len(years) > 2 and np.ptp(years) >= 15 and float(np.mean(years < years.max() - 3)) > 0.5
