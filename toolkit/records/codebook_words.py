"""How the words of a header or a cell find their codebook name: spelling evened out, the longest known phrase wins."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping

TELLING_WORDS = frozenset(
    [
        *("pain", "strength", "force", "endurance", "stiffness", "total", "threshold"),
        *("distance", "disability", "questionnaire", "count", "time"),
    ]
)
"""Words that change *what* is read: a phrase without them never stands for words with them ("hip flexion strength")."""

_NOT_WORD = re.compile(r"[^0-9a-z]+")


def plain_words(text: str) -> tuple[str, ...]:
    """The words of `text` in lower case, without accents, punctuation or the plural s.

    Example:
        >>> plain_words("Neck side-bend (L), Hamstrings")
        ('neck', 'side', 'bend', 'l', 'hamstring')
    """
    bare = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    bare = "".join(mark for mark in bare if not unicodedata.combining(mark))
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
