"""The words of a header of readings: which phase, which side, which unit, and what is left over names the measure.

"Neck side-bend L pre", "SB_R_post (deg)", "Rotation re nachher", "RI D après", "Lunge right after rest [cm]" …
A header of several levels is read as one text, the upper level first.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from toolkit.records.lexicon import Words, fold, words_of_language
from toolkit.records.texts import clean_text
from toolkit.records.units import unit_name

_BRACKET = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_OUT_OF_TEN = re.compile(
    r"(?<![\d/])(?:/\s*10\b|\b0\s*[-–—]\s*10\b|\b(?:sur|out of|von|su|de|van|av|na)\s+10\b)", re.IGNORECASE
)
_AREA_UNIT = re.compile(r"\b(kgf?|n|lbf?)\s*/\s*(cm|in)\s*(?:2|²|\^2)", re.IGNORECASE)
_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-zäöüß])")
_GLUED = re.compile(
    r"^(pre|before|baseline|post|after|vorher|nachher|avant|apres|antes|despues|prima|dopo|fore|efter|przed|po)"
    r"[ .#]?(\d)$"
)
_GLUED_SIDE = re.compile(r"^(l|r|left|right)(pre|post|before|after)(\d?)$")
_KINDS = ("phase", "side", "unit", "filler", "body", "movement", "measure")


@dataclass(frozen=True, kw_only=True)
class HeaderWords:
    """A header taken apart: `phase` and `unit` "" and `side` "none" when no word tells; `rest` names the measure.

    `order` is 1 or 2 where the header only counts readings ("SLR L 1st") and names no phase.
    """

    phase: str
    side: str
    unit: str
    rest: str
    repeat: int = 1
    order: int = 0


@dataclass(frozen=True)
class _Token:
    """One word or known phrase of a header, with what it may mean as each kind of word."""

    text: str
    phase: str = ""
    side: str = ""
    unit: str = ""
    filler: str = ""
    body: str = ""
    movement: str = ""
    measure: str = ""


def read_header(header: str, words: Words | None = None) -> HeaderWords:
    """Take a header of readings apart.

    Example:
        >>> read_header("Neck side-bend L post (deg)")
        HeaderWords(phase='after', side='left', unit='deg', rest='neck side bend', repeat=1, order=0)
        >>> read_header("RI D après", words_of_language("fr")).side
        'right'
    """
    return _read_header(clean_text(header), words or words_of_language("en"))


def read_levels(levels: Sequence[str], words: Words) -> HeaderWords:
    """A header of several levels taken apart as one text; where its levels tell two phases, the lowest one counts.

    Example:
        >>> told = read_levels(("Posterior group", "Neck rot L pre"), words_of_language("es"))
        >>> told.phase, told.rest
        ('before', 'group neck rot')
    """
    whole = read_header(" ".join(levels), words)
    lowest = read_header(levels[-1], words) if len(levels) > 1 and not whole.phase else whole
    if not lowest.phase or lowest is whole:
        return whole
    above = read_header(" ".join(levels[:-1]), words)
    return replace(
        lowest,
        side=lowest.side if lowest.side != "none" else above.side,
        unit=lowest.unit or above.unit,
        rest=" ".join(part for part in (above.rest, lowest.rest) if part),
    )


@lru_cache(maxsize=4_000)
def _read_header(header: str, words: Words) -> HeaderWords:
    """`read_header` of a cleaned text."""
    text, unit = _without_unit(header)
    tokens = _tokens(text, words)
    if not unit:
        tokens, unit = _unit_word(tokens)
    tokens, phase, repeat = _phase(tokens)
    tokens, side = _side(tokens)
    order = 0
    if not phase:
        tokens, order = _order(tokens)
    rest = " ".join(_english(token) for token in tokens if not token.filler)
    return HeaderWords(phase=phase, side=side, unit=unit, rest=" ".join(rest.split()), repeat=repeat, order=order)


def _english(token: _Token) -> str:
    """The codebook's English for a word of another language; a word of English or of nobody as it stands."""
    if token.measure:
        return token.measure.replace("_", " ")
    english = words_of_language("en")
    if token.text in english.own("body") or token.text in english.own("movement"):
        return token.text
    return token.movement or token.body or token.text


def _without_unit(text: str) -> tuple[str, str]:
    """The text without a unit that stands in brackets or as "/10", and the unit; other brackets are opened."""
    unit = ""
    for inside in _BRACKET.findall(text):
        words = inside.strip()
        found = unit_name(words) if words.casefold() not in ("l", "r", "m", "1", "2", "d") else None
        if words and not found and "," in words:
            found = next((name for part in words.split(",") if (name := unit_name(part))), None)
        if words and found:
            unit = found
            text = text.replace(f"({inside})", " ").replace(f"[{inside}]", " ").replace(f"{{{inside}}}", " ")
    if area := _AREA_UNIT.search(text):
        unit, text = unit_name(area.group()) or unit, _AREA_UNIT.sub(" ", text)
    if _OUT_OF_TEN.search(text):
        unit, text = unit or "points", _OUT_OF_TEN.sub(" ", text)
    return text, unit


def _tokens(text: str, words: Words) -> list[_Token]:
    """Known phrases and single words: split at signs and at camelCase; "pre2" and "Lpre" taken apart."""
    spaced = _CAMEL.sub(" ", re.sub(r"[_\-–—/\\,.:;()\[\]{}|+*#>]", " ", text))
    bare: list[str] = []
    for word in fold(spaced).split():
        if found := _GLUED.match(word):
            bare += [found.group(1), found.group(2)]
        elif found := _GLUED_SIDE.match(word):
            bare += [part for part in found.groups() if part]
        else:
            bare.append(word)
    tables = [words.own(kind) if kind == "filler" else words.table(kind) for kind in _KINDS]
    tokens: list[_Token] = []
    place = 0
    while place < len(bare):
        for length in range(min(6, len(bare) - place), 0, -1):
            phrase = " ".join(bare[place : place + length])
            meanings = [table.get(phrase, "") for table in tables]
            if any(meanings) or length == 1:
                tokens.append(_Token(phrase, *meanings))
                place += length
                break
    return [_mended(token, words) for token in tokens]


def _mended(token: _Token, words: Words) -> _Token:
    """A word nobody knows, read as the word of a phase, body part or movement it is misspelt from."""
    if any((token.phase, token.side, token.unit, token.filler, token.body, token.movement, token.measure)):
        return token
    for kind in ("phase", "movement", "body", "measure"):
        if len(token.text) > 4 and (means := words.near(kind, token.text)):
            return replace(token, **{kind: means})
    return token


def _unit_word(tokens: list[_Token]) -> tuple[list[_Token], str]:
    """The tokens without a word that is a unit, and the unit."""
    found = [token for token in tokens if token.unit or token.text in ("°", "%")]
    if not found:
        return tokens, ""
    return [token for token in tokens if token not in found], unit_name(found[0].unit or found[0].text) or ""


def _phase(tokens: list[_Token]) -> tuple[list[_Token], str, int]:
    """(tokens without the words of the phase, phase or "", number of the repeat)."""
    before = [place for place, token in enumerate(tokens) if token.phase == "before"]
    after = [place for place, token in enumerate(tokens) if token.phase == "after"]
    wait = _wait_places(tokens, before, after)
    used = set(wait) | set(before) | set(after)
    if not used:
        return tokens, "", 1
    repeat, counted = _repeat(tokens, used)
    rest = [token for place, token in enumerate(tokens) if place not in used | counted]
    if wait and not (before and not after):
        return rest, "after_wait", repeat
    if before and after:
        return tokens, "", 1
    return rest, "before" if before else "after", repeat


def _wait_places(tokens: list[_Token], before: list[int], after: list[int]) -> list[int]:
    """Where a word tells of the wait; "rest" counts only behind "after" (pain at rest is a measure)."""
    places = [place for place, token in enumerate(tokens) if token.phase == "after_wait"]
    for place, token in enumerate(tokens):
        if token.phase == "rest":
            follows = place > 0 and tokens[place - 1].phase == "after"
            alone = not before and not after and (place == 0 or tokens[place - 1].text != "at")
            if follows or (alone and place == len(tokens) - 1):
                places.append(place)
    return places


def _repeat(tokens: list[_Token], used: set[int]) -> tuple[int, set[int]]:
    """(2 for a second reading, else 1; places of the words that say so), looked for beside the words of the phase."""
    for place in sorted(used):
        for beside in (place + 1, place - 1):
            if 0 <= beside < len(tokens) and beside not in used:
                token = tokens[beside]
                if token.phase == "second" and (beside > place or token.text not in ("b", "2", "i", "ii")):
                    return 2, {beside}
                if token.phase == "first" and beside > place:
                    return 1, {beside}
                if token.text.isdigit() and len(token.text) == 1 and beside > place:
                    return int(token.text), {beside}
    return 1, set()


def _order(tokens: list[_Token]) -> tuple[list[_Token], int]:
    """(tokens without a last word that only counts, 1 or 2), 0 where none counts."""
    if len(tokens) > 1 and tokens[-1].phase in ("first", "second"):
        return tokens[:-1], 1 if tokens[-1].phase == "first" else 2
    return tokens, 0


def _side(tokens: list[_Token]) -> tuple[list[_Token], str]:
    """(tokens without the words of the side, side or "none")."""
    told = [token for token in tokens if token.side in ("left", "right", "both") and token.text != "b"]
    if not told:
        return tokens, "none"
    sides = {token.side for token in told}
    rest = [token for place, token in enumerate(tokens) if token not in told and not _is_side_of(tokens, place)]
    return rest, sides.pop() if len(sides) == 1 else "both"


def _is_side_of(tokens: list[_Token], place: int) -> bool:
    """Whether the word at `place` is the "side" of "left side", not that of "side bend"."""
    return tokens[place].text in ("side", "seite", "cote", "lado", "lato", "zijde", "kant", "sida", "strona")
