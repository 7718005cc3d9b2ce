"""Which words of an export the codebook explains, and what each header is understood as."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from toolkit.errors import ToolkitError
from toolkit.records.codebook import Codebook
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
    side_words,
    split_several,
    vocabulary_of,
)

READING = "a reading"
"""What a column is understood as where it holds readings, whatever the measure."""
_SIDES = ("treated_side", "measured_side")
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
        find: Any = getattr(self.vocabulary, field, None) if field in ("region", "intervention", "measure") else None
        if find is not None:
            parts = split_several(text, find)
            return bool(parts) and all(find(part) is not None for part in parts)
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
