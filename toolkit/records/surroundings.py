"""What stands around a table: titles, legends, lines of keys, other sheets; and what their words say.

"x = not tested", "A = treatment first, then rest", a sheet of codes ("Tx 1 | hands"), "Client | C-03" above a table,
"Enkel: knie tegen de muur (cm), januari 2024": the header below leaves out what is said here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from toolkit.records.lexicon import Words, fold, words_of_language

_CLAUSE = re.compile(r";|\s{2,}|(?<=[^\d])\.\s+|\.$|,\s+(?=\S{1,12}\s*[=:]\s)|\n")
_SAYS = re.compile(r"^\s*(?P<left>[^=]{1,40}?)\s*(?:=|:\s|\s[–—-]\s)\s*(?P<right>[^=].*)$")
_OR = re.compile(r"\s+(?:or|oder|ou|o|of|eller|lub|och)\s+|\s*,\s*|\s*/\s*(?=\S)")
_QUOTED_EQUALS = re.compile(r"[\"'“”„«»‘’]\s*=\s*[\"'“”„«»‘’]")
_QUOTES = "\"'“”„«»‘’ "
_EQUALS = "\u241d"
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d{2}(?!\d)")
_SHORT_YEAR = re.compile(r"(?<=[^\d\s])\s*['’]?\s?(\d{2})$")


@dataclass(frozen=True, kw_only=True, eq=False)
class Around:
    """The surroundings of one table.

    `titles` are texts above it, nearest first, then the sheet's and the file's name; `pairs` are (key, value) lines;
    `legend` says what a code or sign means, as the sheet puts it; `language` is the sheet's.
    """

    language: str = "en"
    sheet: str = ""
    titles: tuple[str, ...] = ()
    pairs: tuple[tuple[str, str], ...] = ()
    legend: dict[str, str] = field(default_factory=dict)
    visit: str = ""
    date: str = ""

    @property
    def words(self) -> Words:
        """The words to read the table with."""
        return words_of_language(self.language)


def legend_of(texts: Iterable[str], pairs: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """Sign or code → what it means, from lines such as "x = not tested; o = seen" and from two-column lists.

    Example:
        >>> legend_of(['nt = not tested     "same" or "=" = same as before'])
        {'nt': 'not tested', 'same': 'same as before', '=': 'same as before'}
    """
    legend: dict[str, str] = {}
    for text in texts:
        for clause in _CLAUSE.split(_QUOTED_EQUALS.sub(f" {_EQUALS} ", text)):
            found = _SAYS.match(clause or "")
            if found:
                for left in _OR.split(found["left"]):
                    _enter(legend, left.replace(_EQUALS, "="), found["right"].replace(_EQUALS, "="))
            elif clause and (mark := re.match(r"^\s*([*~>?<!+•#=]|\S{1,3})\s+(\S.{2,60})$", clause)):
                _enter(legend, mark[1], mark[2])
    for key, meaning in pairs:
        for left in _OR.split(key) if len(key) < 30 else ():
            _enter(legend, left, meaning)
    return legend


def _enter(legend: dict[str, str], left: str, right: str) -> None:
    """One entry, where the left side is short enough to be a code."""
    code, meaning = left.strip(_QUOTES), right.strip(_QUOTES + ".")
    if code and meaning and len(code) <= 30 and len(fold(code).split()) <= 3:
        legend.setdefault(code, meaning)


def meaning_in(kind: str, text: str, words: Words) -> str | None:
    """What a phrase inside a text means as a word of one kind; None where no phrase is known, or several differ.

    Example:
        >>> meaning_in("missing", "niet gemeten", words_of_language("nl"))
        'missing'
    """
    table = words.own(kind)
    tokens = fold(text).split()
    if whole := table.get(" ".join(tokens)):
        return whole
    longest: dict[str, int] = {}
    for length in range(min(5, len(tokens)), 0, -1):
        for place in range(len(tokens) - length + 1):
            phrase = " ".join(tokens[place : place + length])
            means = table.get(phrase)
            if means and (length > 1 or len(phrase) > 2):
                longest[means] = max(longest.get(means, 0), length)
    best = [means for means, length in longest.items() if length == max(longest.values())]
    return best[0] if len(best) == 1 else None


def years_in(texts: Sequence[str]) -> tuple[int, ...]:
    """The years that the nearest text with a year names ("januari 2024", "Sept 23", "2023-24").

    Example:
        >>> years_in(["Sept 23"]), years_in(["hamstrings 2023-24", "2021"]), years_in(["room 3"])
        ((2023,), (2023, 2024), ())
    """
    for text in texts:
        found = sorted({int(year) for year in _YEAR.findall(text)})
        if found:
            follows = re.search(r"(20\d{2})\s*[-–/]\s*(\d{2})(?!\d)", text)
            more = [int(follows[1][:2] + follows[2])] if follows else []
            return tuple(sorted({*found, *more}))
        words = fold(text).split()
        if len(words) == 2 and words[1].isdigit() and len(words[1]) == 2 and _is_month(words[0]):
            return (2000 + int(words[1]),)
    return ()


def _is_month(word: str) -> bool:
    """Whether a word is a month in any language."""
    return any(
        word in words_of_language(language).own("month")
        for language in ("en", "de", "fr", "es", "it", "nl", "pt", "sv", "pl")
    )
