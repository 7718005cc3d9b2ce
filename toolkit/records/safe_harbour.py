"""The eighteen kinds of identifiers of 45 CFR 164.514(b)(2)(i), and the columns and cells that look like one of them.

The list is US law (the safe-harbour method of the health-privacy rule); other laws ask for other things, often more.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from toolkit.records.identifiers import kind_of_header, kind_of_values
from toolkit.records.raw_table import clean_text


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One of the eighteen kinds: the letter of its paragraph, its name, and words of headers that hold it."""

    letter: str
    name: str
    words: tuple[str, ...] = ()


def _kind(letter: str, name: str, words: str = "") -> Kind:
    """A kind with its header words, which stand between bars."""
    return Kind(letter=letter, name=name, words=tuple(words.split("|")) if words else ())


KINDS: tuple[Kind, ...] = (
    _kind(
        "A", "names", "name|names|surname|forename|initials|nickname|relative|next of kin|emergency contact|employer"
    ),
    _kind(
        "B",
        "places smaller than a state",
        "address|street|city|town|county|precinct|zip|zip code|postcode|post code|postal code|geocode|latitude"
        "|longitude|village|district|neighbourhood|neighborhood|ort|wohnort|plz|ville|ciudad",
    ),
    _kind(
        "C",
        "dates other than the year, and ages over 89",
        "birth|dob|birthday|admission|discharge|death|died|date of injury|injury date|surgery date|next appointment",
    ),
    _kind("D", "telephone numbers", "telephone|phone|mobile|cell|tel|whatsapp|handy"),
    _kind("E", "fax numbers", "fax"),
    _kind("F", "e-mail addresses", "email|e mail|mail"),
    _kind("G", "social security numbers", "ssn|social security|national insurance|national id|tax id|steuer id"),
    _kind(
        "H", "medical record numbers", "mrn|medical record|record number|record no|chart number|chart no|patient number"
    ),
    _kind(
        "I",
        "health plan numbers",
        "insurance|health plan|beneficiary|policy|member id|medicare|medicaid|krankenkasse|nhs|kvnr|versicherung",
    ),
    _kind("J", "account numbers", "account|iban|bank|credit card|card number|invoice|invoice no|billing|konto"),
    _kind("K", "certificate and licence numbers", "licence|license|certificate number|passport|identity card|driver"),
    _kind("L", "vehicle numbers", "vehicle|plate|licence plate|license plate|number plate|vin|kennzeichen"),
    _kind("M", "device numbers", "serial|serial number|serial no|udi|imei|device id|device number"),
    _kind("N", "web addresses", "url|website|web site|web|homepage|link|profile|instagram|facebook|social media"),
    _kind("O", "internet protocol addresses", "ip|ip address"),
    _kind("P", "biometric prints", "fingerprint|voice print|voiceprint|biometric|biometrics|iris scan|retina"),
    _kind("Q", "pictures of the face", "photo|photos|picture|image|video|face|portrait|foto|bild"),
    _kind(
        "R", "other unique numbers or codes", "barcode|qr code|signature|case number|case no|reference number|ticket"
    ),
)
"""In the order of the paragraph; checked against the regulation's text."""

_BY_LETTER = {kind.letter: kind for kind in KINDS}
_BY_PHRASE = {tuple(phrase.split()): kind for kind in KINDS for phrase in kind.words}
_FROM_HEADER = {
    "names": "A",
    "birth dates": "C",
    "e-mail addresses": "F",
    "phone numbers": "D",
    "addresses": "B",
    "insurance or register numbers": "I",
}
# "Measure name" names a measure, not a person; only the kind "names" is set free by these words.
_THINGS = frozenset(
    [
        *("measure", "region", "intervention", "technique", "muscle", "test", "exercise"),
        *("movement", "protocol", "treatment", "product", "file", "column", "tool"),
    ]
)
_IN_CELLS: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"\b[A-Z]{2}\d{2}(?: ?[A-Z0-9]{4}){3,}"), "J"),
    (re.compile(r"[^\s@]{1,64}@[^\s@]{1,255}\.[A-Za-z]{2,}"), "F"),
    (re.compile(r"(?:https?://|www\.)\S+", re.IGNORECASE), "N"),
    (re.compile(r"\b(?:\d{1,3}\.){3}\d{1,3}\b"), "O"),
    (re.compile(r"\b\d{3}-\d{2}-\d{4}\b"), "G"),
    (re.compile(r"(?<![\d.,])(?:\+|00)[1-9](?:[ ()/\-]?\d){7,}"), "D"),
    (re.compile(r"(?<![\d.,+\-])\(?0\d{2,4}\)?[ /\-]\d{3,}(?:[ \-]?\d{2,})*"), "D"),
    (re.compile(r"(?<![\d.,])\(?\d{3}\)?[ \-.]\d{3}[ \-.]\d{4}\b"), "D"),
)


def kind_of_column(header: str, texts: list[str]) -> Kind | None:
    """The kind of identifier that a column holds by its header or by its values, None when it looks like none.

    Args:
        header: the column's header.
        texts: its distinct, non-empty values.

    Example:
        >>> kind_of_column("Licence plate", []).letter, kind_of_column("Region", ["soleus"])
        ('L', None)
    """
    words = tuple(re.findall(r"[^\W\d_]+", clean_text(re.sub(r"(?<=[a-zäöüß])(?=[A-Z])", " ", header)).casefold()))
    for length in (3, 2, 1):
        for start in range(len(words) - length + 1):
            kind = _BY_PHRASE.get(words[start : start + length])
            if kind is not None and not (kind.letter == "A" and set(words) & _THINGS):
                return kind
    by_header = kind_of_header(header)
    if by_header is not None:
        return _BY_LETTER[_FROM_HEADER[by_header]]
    by_values = kind_of_values([clean_text(text) for text in texts if clean_text(text)])
    if by_values is not None:
        return _BY_LETTER[_FROM_HEADER[by_values]]
    inside = [kind_in_cell(text) for text in texts]
    found = [kind for kind in inside if kind is not None]
    return found[0] if found and len(found) >= 0.5 * len(texts) else None


def kind_in_cell(text: str) -> Kind | None:
    """The kind of identifier that stands somewhere in one cell: an e-mail, a link, a phone number …

    Example:
        >>> kind_in_cell("call 0171 2345678").name, kind_in_cell("34.5")
        ('telephone numbers', None)
    """
    for pattern, letter in _IN_CELLS:
        if pattern.search(text):
            return _BY_LETTER[letter]
    return None
