"""The words of a header of readings: which phase, which side, which unit, and what is left over names the measure.

"Neck side-bend L pre", "SB_R_post (deg)", "ROM rot li nachher", "Lunge right after rest [cm]", "painPre2" …
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from toolkit.records.raw_table import clean_text, words_of
from toolkit.records.units import unit_name

_BEFORE = frozenset(
    words_of(
        "pre before b4 baseline bl initial start prior vorher vor avant antes prima pretest "
        "pretreatment pretx beforehand t0"
    )
)
_AFTER = frozenset(
    words_of(
        "post after end final nachher nach après apres después despues dopo posttest "
        "posttreatment posttx afterwards aft t1"
    )
)
_WAIT = frozenset(words_of("wait waited waiting rested pause paused ruhe repos"))
_REST = frozenset({"rest", "resting"})
_SECOND = frozenset(words_of("2 2nd second again repeat repeated ii b zwei zweite"))
_FIRST = frozenset(words_of("1 1st first i a eins erste"))
_SIDES = {
    **dict.fromkeys(words_of("left l lt lft lhs li links gauche izq izquierda sinistra sx"), "left"),
    **dict.fromkeys(words_of("right r rt rgt rhs re rechts droite derecha destra dx"), "right"),
    **dict.fromkeys(words_of("both bilateral bilat bil beide beidseits"), "both"),
}
_UNIT_WORDS = frozenset(
    words_of(
        "deg degs degree degrees ° º cm cms mm kg kgs kgf kpa newton newtons lb lbs lbf psi secs seconds percent %"
    )
)
_FILLERS = frozenset(
    words_of(
        "rom range motion of the measurement measure reading test score value "
        "tx treatment rx session therapy behandlung"
    )
)
_ENGLISH = {
    **dict.fromkeys(words_of("schmerz schmerzen douleur dolor dolore"), "pain"),
    "lx": "lumbar",
    **dict.fromkeys(words_of("nacken hals hws cou cuello collo"), "neck"),
    **dict.fromkeys(words_of("schulter épaule hombro spalla"), "shoulder"),
    **dict.fromkeys(words_of("hüfte hanche cadera anca"), "hip"),
    **dict.fromkeys(words_of("knie genou rodilla ginocchio"), "knee"),
    **dict.fromkeys(words_of("sprunggelenk osg cheville tobillo caviglia"), "ankle"),
    **dict.fromkeys(words_of("drehung rotación rotazione"), "rotation"),
    **dict.fromkeys(words_of("seitneigung lateralflexion inclinaison inclinación"), "side bend"),
    **dict.fromkeys(words_of("beugung flexión flessione"), "flexion"),
    **dict.fromkeys(words_of("streckung extensión estensione"), "extension"),
    **dict.fromkeys(words_of("kraft force fuerza forza"), "strength"),
}
_BRACKET = re.compile(r"[(\[{]([^)\]}]*)[)\]}]")
_CAMEL = re.compile(r"(?<=[a-zäöüß])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-zäöüß])")
_GLUED = re.compile(r"^(pre|before|baseline|post|after|vorher|nachher)[ .#]?(\d)$")
_GLUED_SIDE = re.compile(r"^(l|r|left|right)(pre|post|before|after)(\d?)$")


@dataclass(frozen=True, kw_only=True)
class HeaderWords:
    """A header taken apart: `phase` and `unit` "" and `side` "none" when no word tells; `rest` names the measure."""

    phase: str
    side: str
    unit: str
    rest: str
    repeat: int = 1


def read_header(header: str) -> HeaderWords:
    """Take a header of readings apart.

    Example:
        >>> read_header("Neck side-bend L post (deg)")
        HeaderWords(phase='after', side='left', unit='deg', rest='neck side bend', repeat=1)
    """
    text, unit = _without_unit(clean_text(header))
    tokens = _tokens(text)
    if not unit:
        tokens, unit = _unit_word(tokens)
    tokens, phase, repeat = _phase(tokens)
    tokens, side = _side(tokens)
    rest = " ".join(_ENGLISH.get(token, token) for token in tokens if token not in _FILLERS)
    return HeaderWords(phase=phase, side=side, unit=unit, rest=rest, repeat=repeat)


def _without_unit(text: str) -> tuple[str, str]:
    """The text without a bracket that names a unit, and the unit; other brackets are opened."""
    unit = ""
    for inside in _BRACKET.findall(text):
        words = inside.strip()
        if words and words.casefold() not in ("l", "r", "m", "s", "n", "1", "2") and unit_name(words):
            unit = unit_name(words) or ""
            text = text.replace(f"({inside})", " ").replace(f"[{inside}]", " ").replace(f"{{{inside}}}", " ")
        elif words.casefold() in ("n", "s", "m"):
            unit = unit_name(words) or ""
            text = text.replace(f"({inside})", " ").replace(f"[{inside}]", " ")
    return text, unit


def _tokens(text: str) -> list[str]:
    """Lower-case words: split at signs and at camelCase; "pre2" and "Lpre" taken apart."""
    spaced = _CAMEL.sub(" ", re.sub(r"[_\-–—/\\,.:;()\[\]{}|+*#]", " ", text))
    tokens: list[str] = []
    for word in spaced.casefold().replace("°", " ° ").replace("º", " ° ").replace("%", " % ").split():
        if found := _GLUED.match(word):
            tokens += [found.group(1), found.group(2)]
        elif found := _GLUED_SIDE.match(word):
            tokens += [part for part in found.groups() if part]
        else:
            tokens.append(word)
    return tokens


def _unit_word(tokens: list[str]) -> tuple[list[str], str]:
    """The tokens without a word that is a unit, and the unit."""
    found = [token for token in tokens if token in _UNIT_WORDS]
    return [token for token in tokens if token not in _UNIT_WORDS], (unit_name(found[0]) or "") if found else ""


def _phase(tokens: list[str]) -> tuple[list[str], str, int]:
    """(tokens without the words of the phase, phase or "", number of the repeat)."""
    before = [place for place, token in enumerate(tokens) if token in _BEFORE]
    after = [place for place, token in enumerate(tokens) if token in _AFTER]
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


def _wait_places(tokens: list[str], before: list[int], after: list[int]) -> list[int]:
    """Where a word tells of the wait; "rest" counts only behind "after" (pain at rest is a measure)."""
    places = [place for place, token in enumerate(tokens) if token in _WAIT]
    for place, token in enumerate(tokens):
        if token in _REST:
            follows = place > 0 and tokens[place - 1] in _AFTER
            alone = not before and not after and (place == 0 or tokens[place - 1] != "at") and place == len(tokens) - 1
            if follows or alone:
                places.append(place)
    return places


def _repeat(tokens: list[str], used: set[int]) -> tuple[int, set[int]]:
    """(2 for a second reading, else 1; places of the words that say so), looked for beside the words of the phase."""
    for place in sorted(used):
        for beside in (place + 1, place - 1):
            if 0 <= beside < len(tokens) and beside not in used:
                token = tokens[beside]
                is_digit = token.isdigit() and len(token) == 1
                if token in _SECOND and (beside > place or token not in ("b", "2", "i", "ii")):
                    return 2, {beside}
                if token in _FIRST and beside > place:
                    return 1, {beside}
                if is_digit and beside > place:
                    return int(token), {beside}
    return 1, set()


def _side(tokens: list[str]) -> tuple[list[str], str]:
    """(tokens without the words of the side, side or "none")."""
    sides = {_SIDES[token] for token in tokens if token in _SIDES}
    if not sides:
        return tokens, "none"
    rest = [token for place, token in enumerate(tokens) if token not in _SIDES and not _is_side_of(tokens, place)]
    return rest, sides.pop() if len(sides) == 1 else "both"


def _is_side_of(tokens: list[str], place: int) -> bool:
    """Whether the word at `place` is the "side" of "left side", not that of "side bend"."""
    beside = tokens[max(place - 1, 0) : place]
    follows = tokens[place + 1 : place + 2]
    return (
        tokens[place] in ("side", "seite")
        and any(token in _SIDES for token in beside)
        and not (follows and follows[0].startswith(("bend", "flex", "ly")))
    )
