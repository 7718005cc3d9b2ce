"""Two readings in one cell become two columns: "52→58", "34/38" under "(li/re)", "8,5 - 9" under "avant - après".

Which two they are is told by the header, by a title or legend, or by the arrow; where nothing tells it, it is asked,
and `pairs = "before_after"` (or "left_right", "right_left") in columns.toml answers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from toolkit.records.field_words import field_of_header
from toolkit.records.header_words import read_header, read_levels
from toolkit.records.lexicon import Words, fold
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.texts import clean_text, distinct, first_texts, from_codes
from toolkit.records.units import unit_name
from toolkit.records.values import MISSING_WORDS

BEFORE_AFTER, LEFT_RIGHT, RIGHT_LEFT = "before_after", "left_right", "right_left"
PAIRS = (BEFORE_AFTER, LEFT_RIGHT, RIGHT_LEFT)
_ORDERS = {BEFORE_AFTER: ("before", "after"), LEFT_RIGHT: ("left", "right"), RIGHT_LEFT: ("right", "left")}
_SIGNS = (
    ("arrow", re.compile(r"(?<=\S)\s*(?:→|⇒|➔|➜|►|›|»|[-=]{1,2}>|>{1,2})\s*")),
    ("slash", re.compile(r"\s*[/|\\]\s*")),
    ("dash", re.compile(r"(?<=\S)\s*[–—−-]\s*(?=\S)")),
)
_NUMBER = re.compile(r"^[~<>≈]?\s{0,2}[+−-]?\d{1,4}(?:[.,]\d{1,3})?\s{0,2}[^\d\s/|]{0,8}(?:\s?/\s?10)?$")
_OUT_OF_TEN = re.compile(r"\s*/\s*10(?!\d)")
_SCALE = re.compile(r"^\d{1,2}(?:[.,]\d)?\s*/\s*10$")
_MOST, _ENOUGH = 200, 0.8
_LONGEST = 40


@dataclass(frozen=True, kw_only=True)
class _Two:
    """The two parts of one cell; `single` where one number stands where two are expected."""

    first: str
    second: str
    single: bool = False


def pairs_apart(table: RawTable, *, told: str = "") -> RawTable:
    """A table in which every column of pairs has become two; those that nothing explains are named in `pairs`.

    Args:
        table: as it was read, with what stands around it.
        told: what columns.toml says of pairs, "" where it says nothing.
    """
    around = table.around or Around()
    cells: dict[str, pd.Series] = {}
    parts: dict[str, tuple[str, ...]] = {}
    undecided: list[str] = []
    notes: list[str] = []
    for header in map(str, table.cells.columns):
        column, levels = table.cells[header], table.parts.get(header, (header,))
        sign = pair_sign(first_texts(column, _MOST), levels, around.words)
        meaning = _meaning(sign, levels, around, told) if sign else None
        if meaning is None:
            cells[header], parts[header] = column, levels
            undecided += [header] if sign else []
            continue
        both, singles = _split(column, sign, meaning)
        bare = _without_words(levels, meaning, around.words)
        for word, texts in zip(_ORDERS[meaning], both, strict=True):
            cells[f"{header} [{word}]"], parts[f"{header} [{word}]"] = texts, (*bare, word)
        notes += [_note(header, singles, meaning)] if singles else []
    if len(cells) == table.cells.shape[1]:
        return replace(table, pairs=tuple(undecided))
    frame = pd.DataFrame(cells, index=table.cells.index)
    return replace(table, cells=frame, parts=parts, pairs=tuple(undecided), notes=(*table.notes, *notes))


def pair_sign(texts: Sequence[str], levels: Sequence[str], words: Words) -> str:
    """The sign between the two readings of a column's cells: arrow, slash or dash; "" where it holds no pairs.

    Args:
        texts: the distinct cells.
        levels: the header's levels.
        words: the sheet's words.

    Example:
        >>> from toolkit.records.lexicon import words_of_language
        >>> pair_sign(["52→58", "49 → 51", "nt"], ["Rot L"], words_of_language("en"))
        'arrow'
        >>> pair_sign(["6/10", "4/10"], ["Pain"], words_of_language("en"))
        ''
    """
    filled = [text for text in map(clean_text, texts[:_MOST]) if text and text.casefold() not in MISSING_WORDS]
    told = read_levels(levels, words)
    is_field = field_of_header(levels[-1], words) is not None and told.side not in ("left", "right")
    if not filled or is_field or all(_SCALE.match(text) for text in filled):
        return ""
    for name, sign in _SIGNS:
        paired = [text for text in filled if _two(text, sign)]
        is_range = name == "dash" and told.phase
        if len(paired) >= _ENOUGH * len(filled) and not is_range:
            return name
    return ""


def _meaning(sign: str, levels: Sequence[str], around: Around, told: str) -> str | None:
    """What the two readings are; None where nothing tells it."""
    words, header = around.words, " ".join(levels)
    read = read_header(header, words)
    for kind in ("phase", "side"):
        if order := _order_in(header, words, kind):
            return order
    if sign == "arrow" or (read.side in ("left", "right") and not read.phase):
        return None if read.phase else BEFORE_AFTER
    for text in (*around.titles, *around.legend.values(), *around.legend):
        for kind in ("phase", "side"):
            order = _order_in(text, words, kind, beside=True)
            if order and not (read.phase if kind == "phase" else read.side != "none"):
                return order
    return told if told and not (read.phase and told == BEFORE_AFTER) else None


def _order_in(text: str, words: Words, kind: str, *, beside: bool = False) -> str | None:
    """before_after, left_right or right_left where a text names both phases or both sides; None else.

    Args:
        text: a header or title.
        words: the sheet's words.
        kind: phase or side.
        beside: True where the two words must stand next to each other, as a title speaks of other things too.
    """
    places = _places(text, words, kind)
    wanted = ("before", "after") if kind == "phase" else ("left", "right")
    first = {means: place for place, means in reversed(places) if means in wanted}
    if set(first) != set(wanted) or (beside and abs(first[wanted[0]] - first[wanted[1]]) > 1):
        return None
    forward = first[wanted[0]] < first[wanted[1]]
    if kind == "phase":
        return BEFORE_AFTER if forward else None
    return LEFT_RIGHT if forward else RIGHT_LEFT


def _places(text: str, words: Words, kind: str) -> list[tuple[int, str]]:
    """(place among the words, meaning) of the words of one kind in a text."""
    table = words.own(kind)
    tokens = fold(re.sub(r"[/|→>–—-]", " ", text)).split()
    return [(place, table[token]) for place, token in enumerate(tokens) if token in table]


def _without_words(levels: Sequence[str], meaning: str, words: Words) -> tuple[str, ...]:
    """The header's levels without the words for the two phases, or the two sides."""
    kind = "phase" if meaning == BEFORE_AFTER else "side"
    if _order_in(" ".join(levels), words, kind) is None:
        return tuple(levels)
    table, wanted = words.own(kind), set(_ORDERS[meaning])
    kept = []
    for level in levels:
        said = re.split(r"([\s/|→>–—()\[\].,:-]+)", level)
        left = "".join("" if table.get(fold(word)) in wanted else word for word in said)
        left = re.sub(r"[(\[]\s*[/|→>–—.,:\s-]*[)\]]", " ", left)
        left = re.sub(r"\s[/|→>–—:-]+(?=\s|$)|[/|→>–—:-]+$", " ", left)
        kept += [clean_text(left)] if clean_text(left) else []
    return tuple(kept)


def _two(text: str, sign: re.Pattern[str]) -> tuple[str, str] | None:
    """The two parts of a cell that holds a pair; None for any other."""
    if len(text) > _LONGEST:
        return None
    bare = _OUT_OF_TEN.sub("", text) if _OUT_OF_TEN.search(text) and len(sign.findall(text)) > 1 else text
    parts = sign.split(bare)
    if len(parts) != 2:
        return None
    first, second = (part.strip() for part in parts)
    numbers = [_NUMBER.match(part) is not None for part in (first, second)]
    if all(numbers) or (
        any(numbers) and all(ok or _says_something(part) for ok, part in zip(numbers, parts, strict=True))
    ):
        return first, second
    return None


def _says_something(part: str) -> bool:
    """Whether the half of a pair that is no number may say that nothing was read, or that nothing changed."""
    text = part.strip()
    return not text or text.casefold() in MISSING_WORDS or (len(text) < 14 and not any(map(str.isdigit, text)))


def _split(column: pd.Series, sign: str, meaning: str) -> tuple[tuple[pd.Series, pd.Series], int]:
    """(the two columns, how many cells hold one number only)."""
    pattern = dict(_SIGNS)[sign]
    codes, texts = distinct(column)
    apart = [_apart(clean_text(text), pattern, meaning) for text in texts]
    sides = (
        pd.Series(from_codes(codes, [one.first for one in apart]), index=column.index),
        pd.Series(from_codes(codes, [one.second for one in apart]), index=column.index),
    )
    return sides, sum(apart[code].single for code in codes.tolist())


def _apart(text: str, pattern: re.Pattern[str], meaning: str) -> _Two:
    """One cell as two."""
    found = _two(text, pattern)
    if found is not None:
        first, second = found
        unit = re.sub(r"^[^\d]*[\d.,]+\s*", "", second).strip(" *!?+")
        if unit and unit_name(unit) and re.fullmatch(r"[\d.,]+", first):
            first = f"{first} {unit}"
        return _Two(first=first, second=second)
    if not text or not any(map(str.isdigit, text)):
        return _Two(first=text, second=text)
    if _NUMBER.match(text) and meaning == BEFORE_AFTER:
        return _Two(first=text, second="", single=True)
    said = f"one entry for two: {text}"[:60]
    return _Two(first=said, second=said, single=True)


def _note(header: str, singles: int, meaning: str) -> str:
    """What became of cells with one number."""
    kept = "taken as the reading before" if meaning == BEFORE_AFTER else "set aside, as they do not say which side"
    return f'{singles} cells of "{header}" hold no two readings: one number is {kept}'
