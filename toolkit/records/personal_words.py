"""Headers that speak of a person, in fifteen languages: the words stand in `shared/privacy/words.csv`."""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass
from functools import cache

from toolkit.records.texts import clean_text
from toolkit.resources import shared_file

_CAMEL = re.compile(r"(?<=[a-zà-öø-ÿ])(?=[A-Z])")
_LETTERS = str.maketrans({"ß": "ss", "ø": "o", "ł": "l", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i"})
_LONGEST_PHRASE = 4
_SHORT = 3
_BESIDE_A_SHORT_WORD = frozenset(["no", "nr", "num", "number", "nummer", "numero", "code", "id", "n"])
_OF_STAFF = frozenset(["name", "id", "code", "no", "nr", "number", "initials", "treating"])
_WEAK = ("staff", "ages")
"""Kinds that keep something: where their words stand beside others, the others count."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PersonalWords:
    """Phrases by kind, and beginnings and endings of compound words by kind."""

    phrases: dict[tuple[str, ...], str]
    beginnings: tuple[tuple[str, str], ...]
    endings: tuple[tuple[str, str], ...]
    staff: frozenset[str]


def header_words(header: str) -> tuple[str, ...]:
    """The words of a header as they are compared: no case, no accents, no digits, joined words taken apart.

    Examples
    --------
    >>> header_words("GeburtsJahr / Né(e) le")
    ('geburts', 'jahr', 'ne', 'e', 'le')
    """
    spaced = _CAMEL.sub(" ", clean_text(header)[:300]).casefold().translate(_LETTERS)
    flat = "".join(sign for sign in unicodedata.normalize("NFKD", spaced) if not unicodedata.combining(sign))
    return tuple(re.findall(r"[^\W\d_]+", flat))


def personal_kind(header: str) -> str:
    """The kind of personal data that a header's words name, "" where they name none.

    Words of three letters and less count only where nothing else stands in the header ("cap" is a postal code in
    Italian, and a word of many other things).

    Examples
    --------
    >>> personal_kind("Geburtsjahr"), personal_kind("code postal"), personal_kind("Neck rotation L pre")
    ('births', 'places', '')
    """
    known, joined = _known(), header_words(header)
    whole = header_words(_CAMEL.sub("", header)) if _CAMEL.search(header) else joined
    found: list[str] = [*_phrases_in(joined, known), *(_phrases_in(whole, known) if whole != joined else ())]
    found += [kind for word in {*joined, *whole} for kind in _compound(word, known)]
    if "staff" in found and set(joined) <= known.staff | _OF_STAFF:
        return "staff"
    strong = [kind for kind in found if kind not in _WEAK]
    return next(iter([*strong, *found]), "")


def _phrases_in(words: tuple[str, ...], known: PersonalWords) -> list[str]:
    """Kinds of the phrases that stand in a header, the longest first; a word belongs to one phrase only."""
    found, taken = [], set[int]()
    for length in range(min(_LONGEST_PHRASE, len(words)), 0, -1):
        for start in range(len(words) - length + 1):
            places = set(range(start, start + length))
            phrase = words[start : start + length]
            kind = known.phrases.get(phrase)
            if kind is None or places & taken or (_is_short(phrase) and not _alone(words, phrase)):
                continue
            found.append(kind)
            taken |= places
    return found


def _is_short(phrase: tuple[str, ...]) -> bool:
    return len(phrase) == 1 and len(phrase[0]) <= _SHORT


def _alone(words: tuple[str, ...], phrase: tuple[str, ...]) -> bool:
    """Whether nothing but the word, and words such as "no.", stands in the header."""
    return set(words) - set(phrase) <= _BESIDE_A_SHORT_WORD


def _compound(word: str, known: PersonalWords) -> list[str]:
    """Kinds of the beginnings and endings of one word."""
    found = [kind for part, kind in known.beginnings if word.startswith(part) and word != part]
    return found + [kind for part, kind in known.endings if word.endswith(part) and word != part]


@cache
def _known() -> PersonalWords:
    phrases: dict[tuple[str, ...], str] = {}
    beginnings: dict[str, str] = {}
    endings: dict[str, str] = {}
    with shared_file("privacy/words.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            for text in row["words"].split("|"):
                words = header_words(text.strip("*"))
                if text.endswith("*"):
                    beginnings.setdefault(words[0], row["kind"])
                elif text.startswith("*"):
                    endings.setdefault(words[-1], row["kind"])
                elif words:
                    phrases.setdefault(words, row["kind"])
    return PersonalWords(
        phrases=phrases,
        beginnings=tuple(beginnings.items()),
        endings=tuple(endings.items()),
        staff=frozenset(word for words, kind in phrases.items() if kind == "staff" for word in words),
    )
