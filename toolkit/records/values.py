"""Numbers as people type them: "34°", "3,5", "12–14", "n/a", "yes".

Each distinct text of a column is read once. A column has one decimal sign, found from its own values; a thousands
sign is never guessed. What is not one clear number keeps a reason instead of a value.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.records.raw_table import clean_text, words_of
from toolkit.records.texts import distinct, from_codes, plain

MISSING_WORDS = frozenset(
    words_of(
        "|n/a|na|n.a.|n.a|nan|null|none|-|--|–|—|.|?|nt|n.t.|not taken|not tested|not done|not measured"
        "|nd|n.d.|k.a.|missing|#n/a"
    )
)
YES_WORDS = frozenset(words_of("yes|y|true|present|positive|pos|x|ja|j|oui|si|sí|sì|✓|✔|+|1"))
NO_WORDS = frozenset(words_of("no|n|false|absent|negative|neg|nein|non|0|✗"))
_NUMBER = re.compile(r"^([+\-−]?)(\d+(?:[.,]\d+)?|[.,]\d+)\s*(\D.*)?$")
_POWER_OF_TEN = re.compile(r"^[+\-−]?(\d+(?:[.,]\d+)?)[eE][+\-−]\d{1,2}$")  # as programs write very small numbers
_RANGE = re.compile(r"^[+\-−]?\d+(?:[.,]\d+)?\s*\D{0,4}\s*(?:-|–|—|−|to|bis|\.\.+|…)\s*\d+(?:[.,]\d+)?\s*\D*$")
_GROUPED = re.compile(
    r"^[+\-−]?\d{1,3}(?:[.,' ]\d{3}){2,}(?:[.,]\d+)?$|^[+\-−]?\d{1,3}(?:\.\d{3})+,\d+"
    r"|^[+\-−]?\d{1,3}(?:,\d{3})+\.\d+|^[+\-−]?\d{1,3}[' ]\d{3}\b"
)
_LONGEST = 60
_OUT_OF_TEN = re.compile(r"^(\d+(?:[.,]\d+)?)\s*/\s*10$")


@dataclass(frozen=True, kw_only=True, eq=False)
class Numbers:
    """A column read as numbers.

    `value` is NaN where nothing was taken and where `problem` is set; `unit` is the unit text found in the cell;
    `word` is True where yes or no was written; `taken` where the cell is not empty; `problem` is an index into
    `reasons` (0 = no problem).
    """

    value: np.ndarray
    unit: pd.Categorical
    word: np.ndarray
    taken: np.ndarray
    problem: np.ndarray
    reasons: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class _One:
    """One distinct text read: its value, unit, and reason with remedy when it is no number."""

    value: float = float("nan")
    unit: str = ""
    word: bool = False
    taken: bool = True
    reason: str = ""
    remedy: str = ""


_NOTHING = _One(taken=False)


def read_numbers(column: pd.Series, *, decimal: str = "", missing: Iterable[str] = ()) -> Numbers:
    """Read a categorical column of texts as numbers.

    Args:
        column: categorical texts.
        decimal: "," or "." when the user has set it; "" to find it from the column.
        missing: further texts that mean "not taken", for example "-999".
    """
    codes, texts = distinct(column)
    cleaned = [clean_text(text) for text in texts]
    left_out = MISSING_WORDS | {clean_text(str(word)).casefold() for word in missing}
    sign = decimal or decimal_sign(cleaned)
    read = [_read_one(text, sign, left_out, bool(decimal)) for text in cleaned]
    reasons = list(dict.fromkeys([("", ""), *((one.reason, one.remedy) for one in read if one.reason)]))
    places = {pair: place for place, pair in enumerate(reasons)}
    problem = np.array([places[(one.reason, one.remedy)] for one in read], dtype=np.int16)
    return Numbers(
        value=_at([one.value for one in read], codes, float),
        unit=from_codes(codes, [one.unit for one in read]),
        word=_at([one.word for one in read], codes, bool),
        taken=_at([one.taken for one in read], codes, bool),
        problem=problem[codes] if read else codes.astype(np.int16),
        reasons=tuple(reasons),
    )


def _at(values: Sequence[float] | Sequence[bool], codes: np.ndarray, kind: type) -> np.ndarray:
    """values[codes] as an array of `kind`."""
    return np.asarray(values, dtype=kind)[codes] if len(values) else np.zeros(len(codes), dtype=kind)


def decimal_sign(texts: Iterable[str]) -> str:
    """The decimal sign a column's distinct values use: "," or "."; "." when none decides; "?" when one cannot tell.

    "1,234" alone does not decide: it may be one thousand or one and a bit.

    Example:
        >>> decimal_sign(["3,5", "12"]), decimal_sign(["3.5"]), decimal_sign(["1,234"])
        (',', '.', '?')
    """
    points = commas = unsure = 0
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


def _read_one(text: str, sign: str, left_out: Iterable[str], is_set: bool) -> _One:
    """Read one text with a known decimal sign."""
    low = text.casefold()
    if low in left_out:
        return _NOTHING
    powers = _POWER_OF_TEN.match(text) if len(text) <= _LONGEST else None
    if powers is not None:
        return _wrong_sign(powers.group(1), sign, is_set) or _One(value=float(text.replace(",", ".").replace("−", "-")))
    found = _NUMBER.match(text) if len(text) <= _LONGEST else None
    if found is None:
        return _not_a_number(text, low)
    minus, number, unit = found.group(1), found.group(2), (found.group(3) or "").strip()
    if _RANGE.match(text) or _GROUPED.match(text) or (text[0] == "+" and not number):
        return _not_a_number(text, low)
    if _OUT_OF_TEN.match(text):
        unit = "points"
    if unit and (unit[0] in ".,'" or (any(letter.isdigit() for letter in unit) and not _is_unit(unit))):
        return _not_a_number(text, low)
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


def _not_a_number(text: str, low: str) -> _One:
    """The value of a yes/no word, or the reason why a text is no number."""
    text = text[:_LONGEST]
    if low in YES_WORDS:
        return _One(value=1.0, word=True)
    if low in NO_WORDS:
        return _One(value=0.0, word=True)
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
