"""The eighteen kinds of identifiers of 45 CFR 164.514(b)(2)(i), and the columns and cells that look like one of them.

The list is US law (the safe-harbour method of the health-privacy rule); other laws ask for other things, often more.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from toolkit.records.identifiers import kind_of_values
from toolkit.records.personal_numbers import numbers_of_persons
from toolkit.records.personal_words import header_words, personal_kind
from toolkit.records.texts import clean_text


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One of the eighteen kinds: the letter of its paragraph, and its name."""

    letter: str
    name: str


KINDS: tuple[Kind, ...] = (
    Kind(letter="A", name="names"),
    Kind(letter="B", name="places smaller than a state"),
    Kind(letter="C", name="dates other than the year, and ages over 89"),
    Kind(letter="D", name="telephone numbers"),
    Kind(letter="E", name="fax numbers"),
    Kind(letter="F", name="e-mail addresses"),
    Kind(letter="G", name="social security numbers"),
    Kind(letter="H", name="medical record numbers"),
    Kind(letter="I", name="health plan numbers"),
    Kind(letter="J", name="account numbers"),
    Kind(letter="K", name="certificate and licence numbers"),
    Kind(letter="L", name="vehicle numbers"),
    Kind(letter="M", name="device numbers"),
    Kind(letter="N", name="web addresses"),
    Kind(letter="O", name="internet protocol addresses"),
    Kind(letter="P", name="biometric prints"),
    Kind(letter="Q", name="pictures of the face"),
    Kind(letter="R", name="other unique numbers or codes"),
)
"""In the order of the paragraph; checked against the regulation's text."""

_BY_LETTER = {kind.letter: kind for kind in KINDS}
LETTERS = {
    "names": "A", "contacts": "A", "referrers": "A", "places": "B", "births": "C", "phones": "D", "fax": "E",
    "emails": "F", "national_numbers": "G", "records": "H", "insurances": "I", "accounts": "J", "licences": "K",
    "vehicles": "L", "devices": "M", "webs": "N", "internet_addresses": "O", "prints": "P", "pictures": "Q",
    "codes": "R",
}  # fmt: skip
"""The kinds of `shared/privacy/words.csv` that are direct identifiers."""
_FROM_VALUES = {
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
    (re.compile(r"(?<![\d.,])\d(?:[ \-/]?\d){6,20}(?![\d.,])"), "R"),
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
    named = personal_kind(header)
    if named in LETTERS and not (LETTERS[named] == "A" and set(header_words(header)) & _THINGS):
        return _BY_LETTER[LETTERS[named]]
    cleaned = [said for text in texts if (said := clean_text(text))]
    numbers = numbers_of_persons(cleaned)
    if numbers is not None:
        return replace(_BY_LETTER[numbers[0]], name=numbers[1])
    by_values = kind_of_values(cleaned)
    if by_values is not None:
        return _BY_LETTER[_FROM_VALUES[by_values]]
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
