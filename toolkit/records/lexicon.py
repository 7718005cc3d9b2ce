"""The words of nine languages for what a sheet says: fields, phases, sides, measures, techniques, muscles, marks.

The lists are data (`shared/codebook/words/LANGUAGE.csv`). A sheet is read with the words of its own language first,
English second (its abbreviations are used everywhere), and of the other languages only words of four letters or more:
"D" is right in French and nothing in English.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from toolkit.records.raw_table import clean_text
from toolkit.resources import shared_file

LANGUAGES = ("en", "de", "fr", "es", "it", "nl", "pt", "sv", "pl")
_SHORTEST_FOREIGN = 4
_SHORTEST_NEAR = 5
_NEAR = 84.0
_PLAIN = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "æ": "ae", "œ": "oe", "º": "°", "˚": "°"})
_NO_WORD = re.compile(r"[^0-9a-z°%]+")


@lru_cache(maxsize=50_000)
def fold(text: str) -> str:
    """A text as its words are compared: small letters, no accents, everything that is no letter or digit a space.

    Example:
        >>> fold("Côté, mesuré (L)")
        'cote mesure l'
    """
    bare = unicodedata.normalize("NFKD", clean_text(text).casefold().translate(_PLAIN))
    bare = "".join(sign for sign in bare if not unicodedata.combining(sign))
    return " ".join(_NO_WORD.sub(" ", bare.replace("°", " ° ").replace("%", " % ")).split())


@lru_cache(maxsize=1)
def _lists() -> dict[str, dict[str, dict[str, str]]]:
    """language → kind → folded phrase → what it means."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for language in LANGUAGES:
        kinds: dict[str, dict[str, str]] = {}
        with shared_file(f"codebook/words/{language}.csv").open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                table = kinds.setdefault(row["kind"], {})
                for word in row["words"].split("|"):
                    table.setdefault(fold(word), row["means"])
        found[language] = kinds
    return found


@lru_cache(maxsize=1)
def _owners() -> dict[str, tuple[str, ...]]:
    """Every folded phrase of three letters or more with the languages whose lists hold it."""
    owners: dict[str, list[str]] = {}
    for language, kinds in _lists().items():
        for phrase in {phrase for table in kinds.values() for phrase in table if len(phrase) > 2}:
            owners.setdefault(phrase, []).append(language)
    return {phrase: tuple(languages) for phrase, languages in owners.items()}


def language_of(texts: Iterable[str]) -> str:
    """The language most of the texts are written in; English where nothing speaks for another.

    A phrase counts the more the fewer languages share it, and a whole cell more than a word inside a sentence.

    Example:
        >>> language_of(["Pat.-Nr.", "Datum", "Rotation re vorher"]), language_of(["Client", "Date"])
        ('de', 'en')
    """
    points = dict.fromkeys(LANGUAGES, 0.0)
    for text in dict.fromkeys(map(fold, texts)):
        tokens = text.split()
        pairs = [" ".join(tokens[place : place + 2]) for place in range(len(tokens) - 1)]
        for phrase in {text, *tokens, *pairs}:
            owners = _owners().get(phrase, ())
            for language in owners:
                points[language] += (1.0 if phrase == text or " " in phrase else 0.5) / len(owners) ** 2
    best = max(points, key=lambda language: points[language])
    return best if points[best] > 1.15 * points["en"] + 0.2 else "en"


@dataclass(frozen=True, eq=False)
class Words:
    """The word lists of one sheet: its language, then English, then the long words of the others."""

    language: str = "en"
    _tables: dict[str, dict[str, str]] = field(default_factory=dict, repr=False)

    def table(self, kind: str) -> dict[str, str]:
        """Folded phrase → what it means, for one kind of word."""
        if kind not in self._tables:
            merged: dict[str, str] = {}
            lists = _lists()
            for language in LANGUAGES:
                foreign = lists[language].get(kind, {})
                merged |= {phrase: means for phrase, means in foreign.items() if len(phrase) >= _SHORTEST_FOREIGN}
            merged |= lists["en"].get(kind, {})
            merged |= lists[self.language].get(kind, {})
            self._tables[kind] = merged
        return self._tables[kind]

    def own(self, kind: str) -> dict[str, str]:
        """The words of the sheet's own language and of English only."""
        key = f"own {kind}"
        if key not in self._tables:
            self._tables[key] = _lists()["en"].get(kind, {}) | _lists()[self.language].get(kind, {})
        return self._tables[key]

    def find(self, kind: str, text: str) -> str | None:
        """What a whole text means as a word of one kind.

        Example:
            >>> words_of_language("fr").find("side", "G"), words_of_language("en").find("side", "G")
            ('left', None)
        """
        return self.table(kind).get(fold(text))

    def near(self, kind: str, text: str) -> str | None:
        """What a misspelt text most likely means; None where nothing, or two different things, come near.

        Example:
            >>> words_of_language("en").near("field", "Techinque")
            'intervention'
        """
        return nearest(fold(text), self.table(kind))


@lru_cache(maxsize=len(LANGUAGES))
def words_of_language(language: str) -> Words:
    """The words to read a sheet in one language with."""
    return Words(language)


def nearest(text: str, table: dict[str, str]) -> str | None:
    """The meaning of the phrase spelled most like `text`; None where none is near enough or two differ in meaning."""
    if len(text) < _SHORTEST_NEAR or text.isdigit():
        return None
    from rapidfuzz import fuzz, process

    choices = [
        phrase
        for phrase in table
        if abs(len(phrase) - len(text)) <= 2 and len(phrase) >= _SHORTEST_NEAR and phrase[0] == text[0]
    ]
    found = process.extract(text, choices, scorer=fuzz.ratio, score_cutoff=_NEAR, limit=5)
    if not found:
        return None
    best = found[0][1]
    meanings = {table[phrase] for phrase, score, _ in found if score >= best - 3}
    return meanings.pop() if len(meanings) == 1 else None
