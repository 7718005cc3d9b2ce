"""What stands around a table: titles, legends, lines of keys, other sheets; and what their words say.

"x = not tested", "A = treatment first, then rest", a sheet of codes ("Tx 1 | hands"), "Client | C-03" above a table,
"Enkel: knie tegen de muur (cm), januari 2024": the header below leaves out what is said here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from toolkit.records.codebook import Codebook
from toolkit.records.field_words import field_of_header
from toolkit.records.header_words import read_header
from toolkit.records.lexicon import LANGUAGES, Words, fold, words_of_language
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.texts import clean_text, distinct
from toolkit.records.vocabulary import order_words, split_several

_CLAUSE = re.compile(r";|\s{2,}|(?<=[^\d])\.\s+|\.$|,\s+(?=\S{1,12}\s*[=:]\s)|\n")
_SAYS = re.compile(r"^\s*(?P<left>[^=]{1,40}?)\s*(?:=|:\s|\s[–—-]\s)\s*(?P<right>[^=].*)$")
_OR = re.compile(r"\s+(?:or|oder|ou|o|of|eller|lub|och)\s+|\s*,\s*|\s*/\s*(?=\S)")
_QUOTED_EQUALS = re.compile(r"[\"'“”„«»‘’]\s*=\s*[\"'“”„«»‘’]")
_QUOTES = "\"'“”„«»‘’ "
_EQUALS = "\u241d"
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d{2}(?!\d)")
_SHORT_YEAR = re.compile(r"(?<=[^\d\s])\s*['’]?\s?(\d{2})$")


def legend_of(texts: Iterable[str], pairs: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """Sign or code → what it means, from lines such as "x = not tested; o = seen" and from two-column lists.

    Example:
        >>> legend_of(['nt = not tested     "same" or "=" = same as before'])
        {'nt': 'not tested', 'same': 'same as before', '=': 'same as before'}
    """
    legend: dict[str, str] = {}
    for text in texts:
        for clause in _CLAUSE.split(_QUOTED_EQUALS.sub(_EQUALS, text)):
            found = _SAYS.match(clause or "")
            if found and "=" in clause:
                left_side, _, right_side = clause.partition("=")
                for left in _OR.split(left_side.rpartition(": ")[2]):
                    _enter(legend, left.replace(_EQUALS, "="), right_side.replace(_EQUALS, "=").strip())
            elif found:
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
    return any(word in words_of_language(language).own("month") for language in LANGUAGES)


_CODED = ("intervention", "region", "order", "treated_side", "measured_side", "examiner_blinded", "phase", "measure")


def values_of(
    table: RawTable, fields: dict[str, str], readings: Iterable[str], codebook: Codebook
) -> dict[str, dict[str, str]]:
    """field → {their word: the toolkit's word}, from the legend around a table; "marks" for the cells of readings.

    Args:
        table: the sheet with its surroundings.
        fields: field → header.
        readings: headers of the columns of readings.
        codebook: names of techniques, regions and measures.
    """
    around = table.around or Around()
    found: dict[str, dict[str, str]] = {}
    for field in _CODED:
        if field in fields:
            found[field] = _codes_of(field, fields[field], table, around, codebook)
    marks = _marks(around, _cells(table, readings))
    return {name: table for name, table in {**found, "marks": marks}.items() if table}


def _cells(table: RawTable, headers: Iterable[str]) -> set[str]:
    """The different texts in some columns, folded."""
    return {fold(text) or clean_text(text) for header in headers for text in distinct(table.cells[header])[1]}


def _codes_of(field: str, header: str, table: RawTable, around: Around, codebook: Codebook) -> dict[str, str]:
    """The codes of one column that the legend explains."""
    cells = {
        part
        for text in distinct(table.cells[header])[1]
        for part in (clean_text(text), *split_several(text, lambda _: True))
    }
    folded = {fold(text): text for text in cells if text}
    found: dict[str, str] = {}
    for code, meaning in around.legend.items():
        prefix, _, last = code.rpartition(" ")
        prefixed = bool(prefix) and (fold(prefix) == fold(header) or field_of_header(prefix, around.words) == field)
        key = fold(last) if prefixed else fold(code)
        if key in folded and (word := _word_for(field, meaning, around.words, codebook, sure=prefixed)):
            found.setdefault(folded[key], word)
    return found


def _word_for(field: str, meaning: str, words: Words, codebook: Codebook, *, sure: bool) -> str:
    """The toolkit's word for what a legend says of a code; "" where it says nothing of this field."""
    if field == "intervention":
        parts = split_several(meaning, lambda part: bool(known_intervention(part, words, codebook)))
        names = [known_intervention(part, words, codebook) for part in parts]
        whole = known_intervention(meaning, words, codebook)
        if whole or (names and all(names)):
            return whole or " + ".join(sorted({name for name in names if name}))
        return meaning_in("intervention", meaning, words) or (meaning if sure else "")
    if field == "region":
        return (
            codebook.find_region(meaning)
            or words.find("region", meaning)
            or meaning_in("region", meaning, words)
            or (meaning if sure else "")
        )
    if field == "order":
        return order_of(meaning, words)
    if field in ("treated_side", "measured_side"):
        return meaning_in("side", meaning, words) or ""
    if field == "measure":
        return codebook.find_measure(read_header(meaning, words).rest) or ""
    if field == "phase":
        told = read_header(meaning, words)
        return "before_2" if told.phase == "before" and told.repeat == 2 else told.phase
    return _blinded(meaning)


def known_intervention(text: str, words: Words, codebook: Codebook) -> str | None:
    """The codebook's name of a technique written as a whole cell."""
    return words.find("intervention", text) or codebook.find_intervention(text)


def order_of(meaning: str, words: Words) -> str:
    """technique_first or wait_first for words about what came first, "" for others.

    Example:
        >>> from toolkit.records.lexicon import words_of_language
        >>> order_of("rest first, then treatment", words_of_language("en"))
        'wait_first'
    """
    folded = fold(meaning)
    own = {fold(word): order for word, order in order_words().items()} | words.table("order")
    if folded in own and len(folded) > 1:
        return own[folded]
    told = meaning_in("order", meaning, words)
    return told or ""


def _blinded(meaning: str) -> str:
    """yes or no for what a legend says of the column of blinding."""
    folded = set(fold(meaning).split())
    nots = {"not", "nicht", "nie", "ne", "pas", "no", "non", "niet", "nao", "inte", "ej"}
    knew = {
        "know",
        "knew",
        "wusste",
        "savait",
        "sabia",
        "sapeva",
        "wist",
        "visste",
        "wiedzial",
        "blind",
        "blinded",
        "masked",
    }
    if folded & {"know", "knew", "wusste", "savait", "sabia", "sapeva", "wist", "visste", "wiedzial"}:
        return "yes" if folded & nots else "no"
    if folded & knew:
        return "no" if folded & nots else "yes"
    return ""


def _marks(around: Around, cells: set[str]) -> dict[str, str]:
    """Signs and words in the cells of readings that the legend explains: not_taken, same, yes or no."""
    found: dict[str, str] = {}
    for code, meaning in around.legend.items():
        if (fold(code) or clean_text(code)) not in cells or fold(code).isdigit():
            continue
        if meaning_in("unseen", meaning, around.words):
            found[code] = "no"
        if meaning_in("missing", meaning, around.words):
            found[code] = "not_taken"
        elif meaning_in("same", meaning, around.words):
            found[code] = "same"
        elif code not in found and meaning_in("seen", meaning, around.words):
            found[code] = "yes"
    return found
