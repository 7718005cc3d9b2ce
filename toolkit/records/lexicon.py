"""The words of fifteen languages for what a sheet says: fields, phases, sides, measures, techniques, muscles, marks.

The lists are data (`shared/codebook/words/LANGUAGE.csv`). A sheet is read with the words of its own language first,
English second (its abbreviations are used everywhere), and of the other common ones only words of four letters or more:
"D" is right in French and nothing in English. Words of the further languages count in their own sheets only.
"""

from __future__ import annotations

import csv
import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from toolkit.records.texts import clean_text
from toolkit.resources import shared_file

COMMON = ("en", "de", "fr", "es", "it", "nl", "pt", "sv", "pl")
LANGUAGES = (*COMMON, "da", "no", "fi", "cs", "tr", "ro")
_SHORTEST_FOREIGN = 4
_SHORTEST_NEAR = 5
_NEAR = 84.0
_PLAIN = str.maketrans({"ł": "l", "ø": "o", "đ": "d", "æ": "ae", "œ": "oe", "ı": "i", "º": "°", "˚": "°"})
_NO_WORD = re.compile(r"[^0-9a-z°%]+")


@lru_cache(maxsize=50_000)
def fold(text: str) -> str:
    """A text as its words are compared: small letters, no accents, everything that is no letter or digit a space.

    Example:
        >>> fold("Côté, mesuré (L)")
        'cote mesure l'
    """
    bare = text.casefold()
    if not bare.isascii():
        bare = _without_accents(clean_text(bare).translate(_PLAIN))
    return " ".join(_NO_WORD.sub(" ", bare.replace("°", " ° ").replace("%", " % ")).split())


def _without_accents(text: str) -> str:
    return "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))


@lru_cache(maxsize=1)
def _lists() -> dict[str, dict[str, dict[str, str]]]:
    """language → kind → folded phrase → what it means."""
    found: dict[str, dict[str, dict[str, str]]] = {}
    for language in LANGUAGES:
        kinds: dict[str, dict[str, str]] = {}
        with shared_file(f"codebook/words/{language}.csv").open(encoding="utf-8", newline="") as file:
            lines = csv.reader(file)
            next(lines)
            for kind, means, words in lines:
                table = kinds.setdefault(kind, {})
                for word in words.split("|"):
                    table.setdefault(fold(word), means)
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
    """The word lists of one sheet: its language, then English, then the long words of the other common ones."""

    language: str = "en"
    _tables: dict[str, dict[str, str]] = field(default_factory=dict, repr=False)

    def table(self, kind: str) -> dict[str, str]:
        """Folded phrase → what it means, for one kind of word."""
        if kind not in self._tables:
            merged: dict[str, str] = {}
            lists = _lists()
            for language in COMMON:
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


TELLING_WORDS = frozenset(
    [
        *("pain", "strength", "force", "endurance", "stiffness", "total", "threshold"),
        *("distance", "disability", "questionnaire", "count", "time"),
    ]
)
"""Words that change *what* is read: a phrase without them never stands for words with them ("hip flexion strength")."""

_NOT_WORD = re.compile(r"[^0-9a-z]+")


@lru_cache(maxsize=8192)  # each list of words is read again and again
def plain_words(text: str) -> tuple[str, ...]:
    """The words of `text` in lower case, without accents, punctuation or the plural s.

    Example:
        >>> plain_words("Neck side-bend (L), Hamstrings")
        ('neck', 'side', 'bend', 'l', 'hamstring')
    """
    bare = text.casefold()
    if not bare.isascii():
        bare = _without_accents(bare)
    return tuple(_singular(word) for word in _NOT_WORD.split(bare) if word)


def _singular(word: str) -> str:
    """`word` without a plural s; short words and words on -ss stay as they are."""
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


class Phrases:
    """The known phrases of one list of the codebook, ready to be looked up; build once, ask often."""

    def __init__(self, phrases: Mapping[str, Iterable[str]], abbreviations: Mapping[str, str]) -> None:
        self._short = {plain_words(written): plain_words(means) for written, means in abbreviations.items()}
        self._longest = max((len(words) for words in self._short), default=1)
        self._exact: dict[str, set[str]] = {}
        self._known: list[tuple[frozenset[str], str]] = []
        for name, known in phrases.items():
            for phrase in known:
                self._exact.setdefault(" ".join(plain_words(phrase)), set()).add(name)
                self._known.append((frozenset(self.meaning(phrase)), name))

    def meaning(self, text: str) -> tuple[str, ...]:
        """The words of `text` with every abbreviation written out, the longest abbreviation first."""
        words = plain_words(text)
        written_out: list[str] = []
        place = 0
        while place < len(words):
            for length in range(min(self._longest, len(words) - place), 0, -1):
                found = self._short.get(words[place : place + length])
                if found is not None:
                    written_out.extend(found)
                    place += length
                    break
            else:
                written_out.append(words[place])
                place += 1
        return tuple(written_out)

    def find(self, text: str) -> str | None:
        """The one name that `text` stands for; None where nothing fits or where two names fit equally well."""
        exact = self._exact.get(" ".join(plain_words(text)), set())
        if len(exact) == 1:
            return next(iter(exact))
        said = frozenset(self.meaning(text))
        telling = said & TELLING_WORDS
        best: dict[str, int] = {}
        for phrase, name in self._known:
            if phrase and phrase <= said and telling <= phrase:
                best[name] = max(best.get(name, 0), len(phrase))
        most = max(best.values(), default=0)
        fitting = [name for name, size in best.items() if size == most]
        return fitting[0] if len(fitting) == 1 else None


def close_names(text: str, names: Iterable[str]) -> list[str]:
    """Up to three of `names` spelled most like `text`, for the end of an error message."""
    return difflib.get_close_matches("_".join(plain_words(text)), list(names), n=3, cutoff=0.5)
