"""Numbers as people type them: "34°", "3,5", "35*", "~40", ">90", "12–14", "same", "n/a", "yes".

Each distinct text of a column is read once. A column has one decimal sign, found from its own values; a thousands
sign is never guessed. A mark never costs a reading: the number is kept and the mark with it. What is no number keeps a
reason instead of a value.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.records.lexicon import LANGUAGES, Words, fold, words_of_language
from toolkit.records.texts import clean_text, distinct, from_codes, plain, words_of

MISSING_WORDS = frozenset(
    words_of(
        "|n/a|na|n.a.|n.a|nan|null|none|-|--|–|—|.|?|nt|n.t.|not taken|not tested|not done|not measured"
        "|nd|n.d.|k.a.|missing|#n/a"
    )
)
YES_WORDS = frozenset(words_of("yes|y|true|present|positive|pos|x|ja|j|oui|si|sí|sì|✓|✔|+|1"))
NO_WORDS = frozenset(words_of("no|n|false|absent|negative|neg|nein|non|0|✗|o"))
_NUMBER = re.compile(r"^([+\-−]?)(\d+(?:[.,]\d+)?|[.,]\d+)\s*(\D.*)?$")
_POWER_OF_TEN = re.compile(r"^[+\-−]?(\d+(?:[.,]\d+)?)[eE][+\-−]\d{1,2}$")  # as programs write very small numbers
_RANGE = re.compile(r"^[+\-−]?\d+(?:[.,]\d+)?\s*\D{0,4}\s*(?:-|–|—|−|to|bis|\.\.+|…)\s*\d+(?:[.,]\d+)?\s*\D*$")
_GROUPED = re.compile(
    r"^[+\-−]?\d{1,3}(?:[.,' ]\d{3}){2,}(?:[.,]\d+)?$|^[+\-−]?\d{1,3}(?:\.\d{3})+,\d+"
    r"|^[+\-−]?\d{1,3}(?:,\d{3})+\.\d+|^[+\-−]?\d{1,3}[' ]\d{3}\b"
)
_LONGEST = 60
_MANY = 2_000
"""Distinct texts of a column from which on plain decimals are read all at once."""
MARKS = ("", "noted", "about", "limit", "range", "same")
"""What a mark beside a number says; "same" = as the reading before it."""
MARK_SAYS = {
    "noted": "a mark beside the number: the number is kept",
    "about": "written as about so much: the number is kept",
    "limit": "a limit of the instrument: the number is kept, the true reading lies beyond it",
    "range": "a range: its middle is kept",
    "same": "taken as the reading before it",
}
_NOTE = re.compile(r"^(?P<number>.*\d[^(]*?)\s*(?:\((?P<note>[^()]*)\)|(?P<sign>[*!†‡^#]+|\*+))\s*$")
_ABOUT = re.compile(
    r"^(?:[~≈±]|ca?\.?(?=[ \d])|circa|about|approx\.?|etwa|env(?:iron)?\.?|aprox\.?|około|ok\.|ungefär|ungef\.)"
    r"\s{0,3}(?=\d)",
    re.IGNORECASE,
)
_LIMIT = re.compile(
    r"^(?:[<>≤≥]=?|über|over|more than|less than|unter|max\.?|mehr als|plus de|más de|più di|meer dan|mais de|mer än"
    r"|ponad)\s{0,3}(?=\d)",
    re.IGNORECASE,
)
_BEYOND = re.compile(r"^(\d+(?:[.,]\d+)?)\s*\+$")
_DOUBTED = re.compile(r"^(.*\d.*?)\s*\?+$")
_ENDS = re.compile(r"(\d+(?:[.,]\d+)?)\s*\D{0,4}\s*(?:-|–|—|−|to|bis|à|a|tot|do|till|\.\.+|…)\s*(\d+(?:[.,]\d+)?)")
_SAME_SIGNS = frozenset(("=", "'=", "==", '"', "″", "〃", "''", "„", "”", "→", "↔", "⇒", "->", "id."))
_OUT_OF_TEN = re.compile(r"^(\d+(?:[.,]\d+)?)\s*/\s*10$")


@dataclass(frozen=True, kw_only=True, eq=False)
class Numbers:
    """A column read as numbers.

    `value` is NaN where nothing was taken and where `problem` is set; `unit` is the unit text found in the cell;
    `word` is True where yes or no was written; `taken` where the cell is not empty; `problem` is an index into
    `reasons` (0 = no problem); `mark` one into `MARKS`: where it says "same" the value is still to be filled in.
    """

    value: np.ndarray
    unit: pd.Categorical
    word: np.ndarray
    taken: np.ndarray
    problem: np.ndarray
    reasons: tuple[tuple[str, str], ...]
    mark: np.ndarray

    @property
    def same(self) -> np.ndarray:
        """True where the cell says that the reading is the one before it."""
        return says_as_before(self.mark)


@dataclass(frozen=True, kw_only=True)
class _One:
    """One distinct text read: its value, unit, and reason with remedy when it is no number."""

    value: float = float("nan")
    unit: str = ""
    word: bool = False
    taken: bool = True
    reason: str = ""
    remedy: str = ""
    mark: str = ""


_NOTHING = _One(taken=False)


def not_taken(
    missing: Iterable[str] = (), *, marks: Mapping[str, str] | None = None, words: Words | None = None
) -> Callable[[str], bool]:
    """A test whether a cell's text says that no reading was taken.

    Args:
        missing: further texts that mean so, for example "-999".
        marks: the sheet's own signs (see [values.marks]), as they are compared.
        words: the sheet's words.

    Example:
        >>> not_taken(["-999"])("n/a"), not_taken()("12")
        (True, False)
    """
    left_out = MISSING_WORDS | {clean_text(str(word)).casefold() for word in missing}
    own = words.own("missing") if words else {}
    told = marks or {}

    def test(text: str) -> bool:
        cleaned = clean_text(text)
        mark = told.get(plain(cleaned) or cleaned)
        if mark is not None:
            return mark == "not_taken"
        return cleaned.casefold() in left_out or (not cleaned.isdigit() and fold(cleaned) in own)

    return test


def read_numbers(
    column: pd.Series,
    *,
    decimal: str = "",
    missing: Iterable[str] = (),
    marks: Mapping[str, str] | None = None,
    words: Words | None = None,
) -> Numbers:
    """Read a categorical column of texts as numbers.

    Args:
        column: categorical texts.
        decimal: "," or "." when the user has set it; "" to find it from the column.
        missing: further texts that mean "not taken", for example "-999".
        marks: what the sheet's own signs mean: not_taken, same, yes, no.
        words: the sheet's words for "same", "not taken", "seen"; English when None.
    """
    codes, texts = distinct(column)
    chosen, told = words or words_of_language("en"), dict(marks or {})
    value = _plain_decimals(texts, missing=missing, marks=told, words=chosen)
    odd = np.flatnonzero(np.isnan(value)).tolist()
    cleaned = [clean_text(texts[place]) for place in odd]
    sign = decimal or decimal_sign(cleaned, points=_points(texts, value))
    if sign != "." and len(odd) < len(texts):  # every text by itself: some may have another decimal sign
        odd, cleaned = list(range(len(texts))), [clean_text(text) for text in texts]
    is_missing = not_taken(missing, marks=told, words=chosen)
    read = [_read_one(text, sign, is_missing, bool(decimal), told, chosen) for text in cleaned]
    value[odd] = [one.value for one in read]
    reasons = list(dict.fromkeys([("", ""), *((one.reason, one.remedy) for one in read if one.reason)]))
    places = {pair: place for place, pair in enumerate(reasons)}

    def filled(usual: Any, told: list[Any], kind: Any) -> np.ndarray:
        found: np.ndarray = np.full(len(texts), usual, dtype=kind)
        found[odd] = told
        return found

    unit = filled("", [one.unit for one in read], object)
    return Numbers(
        value=_at(value, codes),
        unit=from_codes(codes, unit.tolist()),
        word=_at(filled(False, [one.word for one in read], bool), codes),
        taken=_at(filled(True, [one.taken for one in read], bool), codes),
        problem=_at(filled(0, [places[(one.reason, one.remedy)] for one in read], np.int16), codes),
        reasons=tuple(reasons),
        mark=_at(filled(0, [MARKS.index(one.mark) for one in read], np.int8), codes),
    )


def _plain_decimals(
    texts: Sequence[str], *, missing: Iterable[str], marks: Mapping[str, str], words: Words
) -> np.ndarray:
    """The value of every text such as "34" or "35.5", NaN for all others, which are looked at one by one.

    A column of readings to many digits has a text a row. Few texts are all looked at one by one.
    """
    value = np.full(len(texts), np.nan)
    said = (*marks, *words.own("missing"))
    if len(texts) < _MANY or any(sign.isdigit() for word in said for sign in word):
        return value
    import pyarrow as pa
    from pyarrow import compute

    held = pa.array(texts, pa.large_string())
    left_out = pa.array([clean_text(str(word)).casefold() for word in missing], pa.large_string())
    plainly = compute.match_substring_regex(held, r"^[0-9]{1,15}(\.[0-9]{1,20})?$")
    plainly = compute.and_not(plainly, compute.is_in(held, value_set=left_out))
    numbers = compute.cast(compute.if_else(plainly, held, None), pa.float64())
    found: np.ndarray = numbers.to_numpy(zero_copy_only=False).astype(float)
    return found


def _points(texts: Sequence[str], value: np.ndarray) -> int:
    """How many plain decimals have a point."""
    return sum("." in texts[place] for place in np.flatnonzero(~np.isnan(value)).tolist())


def taken_cells(
    column: pd.Series, *, missing: Iterable[str] = (), marks: Mapping[str, str] | None = None, words: Words
) -> np.ndarray:
    """True for rows of a categorical column whose cell does not say that no reading was taken (see `not_taken`)."""
    codes, texts = distinct(column)
    is_missing = not_taken(missing, marks=marks, words=words)
    taken = ~np.isnan(_plain_decimals(texts, missing=missing, marks=marks or {}, words=words))
    odd = np.flatnonzero(~taken).tolist()
    taken[odd] = [not is_missing(texts[place]) for place in odd]
    return _at(taken, codes)


def _at(values: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """values[codes]; at once for a column without words, marks or problems, which is the usual case."""
    if not values.any():
        return np.zeros(len(codes), dtype=values.dtype)
    found: np.ndarray = values[codes]
    return found


def decimal_sign(texts: Iterable[str], *, points: int = 0) -> str:
    """The decimal sign a column's distinct values use: "," or "."; "." when none decides; "?" when one cannot tell.

    "1,234" alone does not decide: it may be one thousand or one and a bit. `points` more are known to have a point.

    Example:
        >>> decimal_sign(["3,5", "12"]), decimal_sign(["3.5"]), decimal_sign(["1,234"])
        (',', '.', '?')
    """
    commas = unsure = 0
    for text in texts:
        found = _NUMBER.match(text[:_LONGEST])
        number = found.group(2) if found else ""
        points += "." in number
        certain = "," in number and len(number.partition(",")[2]) != 3
        commas += certain
        unsure += "," in number and not certain
    if commas > points:
        return ","
    return "?" if unsure and not points else "."


def _read_one(
    text: str, sign: str, is_missing: Callable[[str], bool], is_set: bool, marks: Mapping[str, str], words: Words
) -> _One:
    """Read one text with a known decimal sign."""
    if is_missing(text):
        return _NOTHING
    told = marks.get(plain(text) or text, "")
    if told in ("yes", "no"):
        return _One(value=float(told == "yes"), word=True)
    if told == "same" or text in _SAME_SIGNS or (not text[:1].isdigit() and fold(text) in words.own("same")):
        return _One(mark="same")
    return _plain_number(text, sign, is_set, words) if len(text) > _LONGEST else _marked(text, sign, is_set, words)


def _marked(text: str, sign: str, is_set: bool, words: Words) -> _One:
    """A number with or without a mark beside it."""
    plainly = _plain_number(text, sign, is_set, words)
    if not plainly.reason and not (plainly.unit and not _is_unit(plainly.unit)):
        return plainly
    if (found := _NOTE.match(text)) and any(map(str.isdigit, found["number"])):
        inner = _marked(found["number"].strip(), sign, is_set, words)
        return inner if inner.reason or inner.mark else replace(inner, mark="noted")
    for pattern, mark in ((_ABOUT, "about"), (_LIMIT, "limit")):
        if found := pattern.match(text):
            inner = _marked(text[found.end() :], sign, is_set, words)
            return inner if inner.reason else replace(inner, mark=mark)
    if found := _BEYOND.match(text) or _DOUBTED.match(text):
        inner = _plain_number(found.group(1), sign, is_set, words)
        return inner if inner.reason else replace(inner, mark="limit" if _BEYOND.match(text) else "about")
    if _RANGE.match(text) and (found := _ENDS.search(text)):
        low, high = (_plain_number(end, sign, is_set, words) for end in found.groups())
        if not low.reason and not high.reason and low.value <= high.value:
            unit = re.sub(r"^[\d.,\s]+", "", text[found.end() :]).strip()
            return replace(high, value=(low.value + high.value) / 2, unit=unit, mark="range")
    return plainly


def _plain_number(text: str, sign: str, is_set: bool, words: Words) -> _One:
    """One text that is a number with or without a unit, or the reason why it is none."""
    low = text.casefold()
    powers = _POWER_OF_TEN.match(text) if len(text) <= _LONGEST else None
    if powers is not None:
        return _wrong_sign(powers.group(1), sign, is_set) or _One(value=float(text.replace(",", ".").replace("−", "-")))
    found = _NUMBER.match(text) if len(text) <= _LONGEST else None
    if found is None:
        return _not_a_number(text, low, words)
    minus, number, unit = found.group(1), found.group(2), (found.group(3) or "").strip()
    if _RANGE.match(text) or _GROUPED.match(text) or (text[0] == "+" and not number):
        return _not_a_number(text, low, words)
    if _OUT_OF_TEN.match(text):
        unit = "points"
    if unit and (unit[0] in ".,'" or (any(letter.isdigit() for letter in unit) and not _is_unit(unit))):
        return _not_a_number(text, low, words)
    wrong = _wrong_sign(number, sign, is_set)
    if wrong is not None:
        return wrong
    value = float(number.replace(",", "."))
    return _One(value=-value if minus in ("-", "−") else value, unit=unit, word=False)


def _is_unit(text: str) -> bool:
    """True when a text with a digit in it is a unit all the same ("kg/cm2")."""
    from toolkit.records.units import unit_name

    return bool(unit_name(text))


def _wrong_sign(number: str, sign: str, is_set: bool) -> _One | None:
    """The reason when a number's decimal sign is not the column's."""
    used = "," if "," in number else "." if "." in number else ""
    if not used or used == sign:
        return None
    if sign == "?":
        return _One(
            reason='"," may stand for thousands or decimals, and no other value of the column decides it',
            remedy='write decimal = "," in columns.toml, or type the number without a thousands sign',
        )
    name = {",": "comma", ".": "point"}
    why = "set in columns.toml" if is_set else "used by the rest of the column"
    return _One(
        reason=f"written with a decimal {name[used]}; the decimal sign {why} is a {name[sign]}",
        remedy=f"type it with a decimal {name[sign]}",
    )


def _not_a_number(text: str, low: str, words: Words) -> _One:
    """The value of a yes/no word, or the reason why a text is no number."""
    text = text[:_LONGEST]
    if low in NO_WORDS or fold(text) in words.own("unseen"):
        return _One(value=0.0, word=True)
    if low in YES_WORDS or fold(text) in words.own("seen"):
        return _One(value=1.0, word=True)
    if text.startswith("="):
        return _One(
            reason="a formula without a value",
            remedy="save the sheet once in a spreadsheet program, or type the number",
        )
    if text.startswith("#"):
        return _One(reason="a spreadsheet error", remedy="correct the cell's formula, or type the number")
    if _GROUPED.match(text):
        return _One(reason="a number with a thousands sign; these are not guessed", remedy="type the number without it")
    if _RANGE.match(text):
        return _One(
            reason="a range, not one reading", remedy="type the one reading that was taken, or leave the cell empty"
        )
    if text[0] in "<>≤≥~≈":
        return _One(reason="a limit, not a reading", remedy="type the reading, or leave the cell empty")
    return _One(reason="not a number", remedy="type the number alone, or leave the cell empty if nothing was read")


def says_as_before(marks: np.ndarray) -> np.ndarray:
    """True for the marks of cells that say that the reading is the one before it."""
    same: np.ndarray = marks == MARKS.index("same")
    return same


def says_same(text: str) -> bool:
    """Whether a cell says, in any language, that the reading is the one before it.

    Example:
        >>> says_same("unverändert"), says_same("="), says_same("34")
        (True, True, False)
    """
    folded = fold(text)
    return text in _SAME_SIGNS or any(folded in words_of_language(name).own("same") for name in LANGUAGES)


def yes_or_no(text: str) -> str | None:
    """ "yes", "no", "" for nothing; None for anything else.

    Example:
        >>> yes_or_no("Ja"), yes_or_no("0"), yes_or_no("perhaps")
        ('yes', 'no', None)
    """
    low = plain(text) or clean_text(text)
    if low in YES_WORDS:
        return "yes"
    if low in NO_WORDS:
        return "no"
    return "" if clean_text(text).casefold() in MISSING_WORDS else None
