"""The words of headers that are no readings: who, when, where, what; and whether the values below agree."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.dates import hour_of, lacks_year, looks_like_dates
from toolkit.records.lexicon import Words, fold, plain_words, words_of_language
from toolkit.records.texts import clean_text, first_texts, plain
from toolkit.records.values import MISSING_WORDS, yes_or_no
from toolkit.records.vocabulary import phase_words, side_words, split_several

_ENOUGH = 0.6
_HEAD_LAST = ("en", "de", "nl", "sv")


def field_of_header(header: str, words: Words | None = None) -> str | None:
    """The field that a header's words name, or None; "comment" and "difference" for columns no one computes with.

    Example:
        >>> field_of_header("Patient code"), field_of_header("Area(s) treated"), field_of_header("Pt #")
        ('client', 'region', 'client')
    """
    chosen = words or words_of_language("en")
    opened = header.replace("(s)", "s")
    without = re.sub(r"[(\[].*?[)\]]", " ", opened)
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header)
    texts = [fold(text) for text in (opened, without, spaced)]
    for text in texts:
        for said in (text, text.removeprefix("the ").removeprefix("any ").removeprefix("was ")):
            if found := chosen.table("field").get(said):
                return found
    tokens = texts[0].split()
    if len(tokens) > 1 and any(
        len(end) > 3 and chosen.own("field").get(end) == "difference" for end in (tokens[0], tokens[-1])
    ):
        return "difference"
    near = chosen.near("field", without) if not any(map(str.isdigit, without)) else None
    return near or _field_of_stem(texts[1].split(), chosen)


def _field_of_stem(tokens: list[str], words: Words) -> str | None:
    """The field that the head of a longer name tells: the end of it in Germanic languages, else its beginning."""
    stems = words.own("stem")
    phases = words.own("phase")
    if not 0 < len(tokens) <= 4 or any(phases.get(token) in ("before", "after", "after_wait") for token in tokens):
        return None
    head_last = words.language in _HEAD_LAST
    for token in reversed(tokens) if head_last else tokens:
        found = [
            (token.endswith(stem) if head_last else token.startswith(stem), len(stem), field)
            for stem, field in stems.items()
            if len(stem) > 3 and (token.endswith(stem) or token.startswith(stem))
        ]
        if found:
            return max(found)[2]
    return None


def values_agree(field: str, column: pd.Series, codebook: Codebook, words: Words | None = None) -> bool | None:
    """Whether a column's values fit a field: True, False, or None where values cannot tell."""
    test = _tests(codebook, words).get(field)
    texts = _sample(column)
    if test is None or not texts:
        return None
    return sum(test(text) or (field == "date" and lacks_year(text)) for text in texts) / len(texts) >= _ENOUGH


def field_of_values(column: pd.Series, codebook: Codebook, words: Words | None = None) -> str | None:
    """The field that a column's values name where its header does not: date, time, region, intervention …"""
    texts = _sample(column)
    if not texts:
        return None
    for field in ("date", "time_of_day", "phase", "treated_side", "intervention", "measure", "region"):
        if sum(_tests(codebook, words)[field](text) for text in texts) / len(texts) >= 0.8:
            return field
    return None


def _sample(column: pd.Series) -> list[str]:
    """Up to sixty distinct, non-empty texts of a column."""
    texts = [clean_text(text) for text in first_texts(column, 200)]
    return [text for text in texts if text.casefold() not in MISSING_WORDS][:60]


@lru_cache(maxsize=16)
def _tests(codebook: Codebook, words: Words | None) -> dict[str, Callable[[str], bool]]:
    """For fields whose values can be recognised: does one text fit?"""
    chosen = words or words_of_language("en")
    known = {
        plain_words(word)
        for name, label, listed in codebook.interventions[["intervention", "label", "words"]].itertuples(index=False)
        for word in (name, label, *str(listed).split("|"))
    }
    sides, phases = side_words(), phase_words()

    def find_region(text: str) -> str | None:
        return codebook.find_region(text) or chosen.find("region", text)

    def region(text: str) -> bool:
        return all(
            find_region(part) or find_region(_sideless(part, chosen)) for part in split_several(text, find_region)
        )

    def is_intervention(text: str) -> bool:
        return plain_words(text) in known or chosen.find("intervention", text) is not None

    def intervention(text: str) -> bool:
        return any(is_intervention(part) for part in split_several(text, is_intervention))

    def number(text: str) -> bool:
        return re.match(r"[~<>]?[+-]?\d+([.,]\d+)?", text) is not None

    def small_number(text: str) -> bool:
        return re.fullmatch(r"\d{1,4}", text) is not None

    def phase(text: str) -> bool:
        return plain(text) in phases or phase_of(text, chosen) is not None

    def side(text: str) -> bool:
        return plain(text) in sides or chosen.find("side", text) is not None

    return {
        "date": lambda text: looks_like_dates(text) or is_serial_day(text),
        "time_of_day": lambda text: hour_of(text) is not None,
        "region": region,
        "intervention": intervention,
        "measure": lambda text: codebook.find_measure(text) is not None or chosen.find("measure", text) is not None,
        "treated_side": side,
        "measured_side": side,
        "phase": phase,
        "examiner_blinded": lambda text: yes_or_no(text) is not None or plain(text) == "unknown",
        "side_drawn": lambda text: yes_or_no(text) is not None,
        "comfort": number,
        "minutes": number,
        "day": small_number,
        "visit": small_number,
        "reading": lambda text: re.fullmatch(r"\d{1,2}", text) is not None,
        "value": lambda text: number(text) or yes_or_no(text) is not None,
        "before": number,
        "before_2": number,
        "after_wait": number,
        "after": number,
    }


def is_serial_day(text: str) -> bool:
    """Whether a text is a spreadsheet's number of a day between 2000 and 2064.

    Example:
        >>> is_serial_day("45173"), is_serial_day("12")
        (True, False)
    """
    return re.fullmatch(r"\d{5}(\.0+)?", text) is not None and 36_526 <= float(text) <= 60_000


def phase_of(text: str, words: Words) -> str | None:
    """before, before_2, after_wait or after for a cell of a long sheet ("baseline 2", "post tx"), None for others.

    Example:
        >>> phase_of("post tx", words_of_language("en")), phase_of("baseline 2", words_of_language("en"))
        ('after', 'before_2')
    """
    from toolkit.records.header_words import read_header

    told = read_header(text, words)
    if not told.phase or told.rest or told.side != "none":
        return None
    return "before_2" if told.phase == "before" and told.repeat == 2 else told.phase


def _sideless(text: str, words: Words) -> str:
    """A text without the words of a side."""
    sides = words.own("side")
    return " ".join(token for token in fold(text).split() if token not in sides)
