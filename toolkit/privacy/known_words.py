"""Which words of an export the codebook explains, and what each header is understood as."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from toolkit.errors import ToolkitError
from toolkit.records.codebook import Codebook
from toolkit.records.lexicon import fold
from toolkit.records.mapping import READING_FIELDS, Mapping, named_fields
from toolkit.records.raw_table import RawTable
from toolkit.records.settling import settle_mapping
from toolkit.records.texts import clean_text, plain
from toolkit.records.units import unit_name
from toolkit.records.values import NO_WORDS, YES_WORDS
from toolkit.records.vocabulary import (
    Vocabulary,
    order_words,
    phase_words,
    protocol_choices,
    side_in,
    side_words,
    split_several,
    vocabulary_of,
)

READING = "a reading"
"""What a column is understood as where it holds readings, whatever the measure."""
_SIDES = ("treated_side", "measured_side")
_NAMED = ("region", "intervention", "measure")
_TRADE = ("region", "intervention", "measure", "body", "movement", "side", "filler")
_YES_NO = ("examiner_blinded", "side_drawn")
_CHOICES = ("position", "tissue_length", "head", "setting")


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownWords:
    """The words of the codebook, and of the user's own columns.toml and codebook."""

    vocabulary: Vocabulary
    book: Codebook

    def knows(self, field: str, text: str) -> bool:
        """Whether a text is, in this field, made of known words alone."""
        if not text:
            return True
        if field in _NAMED:
            return bool(self.names_of(field, text))
        said = plain(text)
        if field in _SIDES:
            return said in side_words() or said in self.vocabulary.mapping.words_for(field)
        if field in _YES_NO:
            return text.casefold() in YES_WORDS | NO_WORDS | {"unknown"}
        if field in _CHOICES:
            return said in protocol_choices(self.book, field)
        if field == "unit":
            return unit_name(text) is not None
        words = {"order": order_words, "phase": phase_words}.get(field)
        return words is not None and said in words()

    def names_of(self, field: str, text: str) -> list[str]:
        """The codebook's names of what a cell names, () where a part of it is not known."""
        find: Any = getattr(self.vocabulary, field)
        names = [find(part) for part in split_several(text, find)]
        return names if all(names) else []

    def says_more(self, field: str, text: str) -> bool:
        """Whether a cell whose meaning is known holds other words too ("upper trapezius, Mrs Berg's old scar")."""
        if field not in _NAMED or text in self.vocabulary.mapping.values.get(field, {}):
            return False
        said = {word for word in fold(re.sub(r"\d+", " ", text)).split() if len(word) > 1}
        return not said <= self._trade

    def in_its_words(self, field: str, text: str) -> str:
        """A cell in the codebook's words alone, with its side."""
        words = self.vocabulary.words
        side = side_in(text, words)[0] if field == "region" else ""
        return " ".join([*([side] if side else []), " + ".join(self.names_of(field, text))])

    @cached_property
    def _trade(self) -> frozenset[str]:
        """Every word of the codebook's names, labels and synonyms, of sides, and of the sheet's word lists."""
        frames = (
            (self.book.measures, "measure"),
            (self.book.regions, "region"),
            (self.book.interventions, "intervention"),
        )
        columns = [frame[name] for frame, key in frames for name in (key, "label", "words")]
        texts = [str(text) for column in (*columns, self.book.abbreviations["written"]) for text in column]
        words = self.vocabulary.words
        texts += [phrase for kind in _TRADE for phrase in words.table(kind)]
        texts += [word for table in self.vocabulary.mapping.values.values() for word in table]
        return frozenset(word for text in (*texts, *side_words()) for word in fold(text).split())


def known_words(book: Codebook, mapping: Mapping) -> KnownWords:
    """The words of a codebook and of a mapping."""
    return KnownWords(vocabulary=vocabulary_of(book, mapping), book=book)


def understood(table: RawTable, *, given: Mapping | None, book: Codebook) -> tuple[Mapping, dict[str, str]]:
    """(the mapping, what each header is understood as): a field's name, or `READING` for readings.

    An export that is not understood as a whole is understood by the toolkit's own header names alone.
    """
    try:
        mapping = settle_mapping(table, given=given, codebook=book)
    except ToolkitError:
        mapping = given or Mapping(fields=named_fields(table))
    means = {header: field for field, header in mapping.fields.items()}
    means |= {header: READING for field, header in mapping.fields.items() if field in READING_FIELDS}
    means |= {one.column: READING for one in mapping.readings}
    return mapping, {clean_text(header): field for header, field in means.items()}
