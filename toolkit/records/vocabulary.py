"""From the practitioner's words to the codebook's: regions, interventions, measures, sides, phases, orders."""

from __future__ import annotations

import re
from dataclasses import dataclass

from toolkit.records.codebook import Codebook
from toolkit.records.lexicon import Words, fold, plain_words, words_of_language
from toolkit.records.mapping import Mapping
from toolkit.records.texts import clean_text, plain
from toolkit.records.values import MISSING_WORDS, yes_or_no

_SIDES = {
    "left": "left|l|lt|lft|left side|li|links|gauche|g|izquierda|izq|sinistra|sx|sin|lhs",
    "right": "right|r|rt|rgt|right side|re|rechts|droite|droit|d|derecha|der|destra|dx|rhs",
    "both": "both|b|both sides|bilateral|bilat|bil|b l|l r|r l|lr|l+r|r+l|l + r|r + l|l & r|l and r|left and right"
    "|left right|left + right|beide|beidseits|bds",
    "none": "none|no side|midline|central|centre|center|mid|not applicable|keine",
}
_PHASES = {
    "before": "before pre baseline b4 initial first start vorher avant antes prima before_1 pre1 t0",
    "before_2": "before_2 before2 pre2 second_baseline",
    "after_wait": "after_wait afterwait wait post_wait after_rest rest waited",
    "after": "after post end final nachher après apres después despues dopo t1",
}
_ORDERS = {
    "technique_first": "technique first|treatment first|treat first|treated first|technique|treatment|t|tf",
    "wait_first": "wait first|rest first|waited first|waiting first|wait|rest|w|wf",
}
_JOIN = re.compile(r"\s*[+;&|]\s*")
_JOIN_WITH_CARE = re.compile(
    r"\s*(?:,|/|\band\b|\bund\b|\bet\b|\by\b|\boch\b|\bi\b|\be\b|\ben\b|\boraz\b|\bplus\b|\bwith\b|\bmit\b)\s*",
    re.IGNORECASE,
)
_SIDE_WORD = re.compile(r"\b(left|right|bilateral|both|lt|rt|l|r)\b\.?", re.IGNORECASE)


def side_words() -> dict[str, str]:
    """Every spelling of a side, as it is compared, with the toolkit's word."""
    return {plain(word): side for side, words in _SIDES.items() for word in words.split("|")}


def phase_words() -> dict[str, str]:
    """Every spelling of a phase in a long export, as it is compared."""
    return {plain(word): phase for phase, words in _PHASES.items() for word in words.split()}


def order_words() -> dict[str, str]:
    """Every spelling of an order, as it is compared."""
    return {word: order for order, words in _ORDERS.items() for word in words.split("|")}


@dataclass(frozen=True, kw_only=True, eq=False)
class Vocabulary:
    """Looks words up in the codebook and in the user's own [values] tables; None = not known."""

    codebook: Codebook
    mapping: Mapping
    exact_interventions: dict[tuple[str, ...], str]
    names: frozenset[str]

    @property
    def words(self) -> Words:
        """The word lists of the sheet's language."""
        return words_of_language(self.mapping.language)

    def region(self, text: str) -> str | None:
        """One region's codebook name, whatever side stands with it."""
        own = self.mapping.words_for("region").get(plain(text))
        if own or text in self.names:
            return own or text
        bare = side_in(text, self.words)[1]
        for said in dict.fromkeys((text, bare)):
            if found := (
                self._foreign("region", said) or self.codebook.find_region(said) or self.words.find("region", said)
            ):
                return found
        return self.words.near("region", bare) if " " in bare or len(bare) > 6 else None

    def intervention(self, text: str) -> str | None:
        """One intervention's codebook name: only whole words count, a longer name is the user's own."""
        own = self.mapping.words_for("intervention").get(plain(text))
        return (
            own
            or self._foreign("intervention", text)
            or self.exact_interventions.get(plain_words(text))
            or self.words.find("intervention", text)
        )

    def measure(self, text: str) -> str | None:
        """One measure's codebook name."""
        own = self.mapping.words_for("measure").get(plain(text))
        if own or text in self.names:
            return own or text
        return self._foreign("measure", text) or self.codebook.find_measure(text) or self._measure_in_words(text)

    def _foreign(self, kind: str, text: str) -> str | None:
        """A word of the sheet's own language, where that is not English."""
        return None if self.words.language == "en" else self.words.own(kind).get(fold(text))

    def _measure_in_words(self, text: str) -> str | None:
        """The measure a cell describes in the words of another language."""
        from toolkit.records.header_words import read_header

        return self.words.find("measure", text) or self.codebook.find_measure(read_header(text, self.words).rest)


def side_in(text: str, words: Words) -> tuple[str, str]:
    """(side, text without it) of a text that carries its side: "L UT", "kuit R", "UT bilat"; ("", text) without one.

    Example:
        >>> side_in("L UT", words_of_language("en")), side_in("adduttori dx", words_of_language("it"))
        (('left', 'ut'), ('right', 'adduttori'))
    """
    table = words.own("side")
    tokens = fold(text.replace("+", " + ")).split()
    if len(tokens) < 2:
        return "", text
    for count in (3, 2, 1):
        for spot in (slice(0, count), slice(len(tokens) - count, len(tokens))):
            side = table.get(" ".join(tokens[spot])) if len(tokens) > count else None
            if side in ("left", "right", "both"):
                rest = tokens[count:] if spot.start == 0 else tokens[:-count]
                return side, " ".join(rest)
    return "", text


def vocabulary_of(codebook: Codebook, mapping: Mapping) -> Vocabulary:
    """The words of a codebook and of a user's mapping, ready for look-up."""
    frame = codebook.interventions
    exact = {
        plain_words(word): str(name)
        for name, label, words in zip(frame["intervention"], frame["label"], frame["words"], strict=True)
        for word in (str(name), str(label), *str(words).split("|"))
        if plain_words(word)
    }
    names = frozenset(codebook.measures["measure"]) | frozenset(codebook.regions["region"])
    return Vocabulary(codebook=codebook, mapping=mapping, exact_interventions=exact, names=names)


def split_several(text: str, known) -> list[str]:  # type: ignore[no-untyped-def]
    """The parts of a cell that names several things: "a + b", "a; b"; "a and b" only when both parts are known.

    Args:
        text: the cell.
        known: a function from text to a name or None.
    """
    whole = clean_text(text)
    if not whole or whole.casefold() in MISSING_WORDS:
        return []
    parts: list[str] = []
    for part in _JOIN.split(whole):
        pieces = [piece for piece in _JOIN_WITH_CARE.split(part) if piece]
        parts += pieces if len(pieces) > 1 and all(known(piece) for piece in pieces) else [part]
    return [part for part in parts if part]


def join_names(names: list[str]) -> str:
    """Several names as one text: sorted, each once, joined by " + "."""
    return " + ".join(sorted(set(names)))


def protocol_choices(codebook: Codebook, name: str) -> dict[str, str]:
    """Every spelling of a protocol field's choices, as it is compared, with the codebook's word."""
    fields = codebook.protocol_fields
    rows = fields[fields["field"] == name]
    if rows.empty:
        return {}
    row = rows.iloc[0]
    table = {plain(word): word for word in str(row["allowed"]).split("|") if word}
    for pair in str(row["words"]).split("|"):
        theirs, _, ours = pair.partition("=")
        if theirs and ours:
            table[plain(theirs)] = ours
    return table


__all__ = [
    "Vocabulary",
    "join_names",
    "order_words",
    "phase_words",
    "protocol_choices",
    "side_words",
    "split_several",
    "vocabulary_of",
    "yes_or_no",
]
