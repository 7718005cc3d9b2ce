"""The codebook's names within a sentence."""

from __future__ import annotations

import re

from toolkit.present.words import unit_words
from toolkit.records.codebook import Codebook


def with_labels(book: Codebook, said: str) -> str:
    """A sentence with the codebook's measures by their names in words, and units by their signs.

    Example:
        >>> from toolkit.records.codebook import load_codebook
        >>> with_labels(load_codebook(), "outside the plausible range of cervical_lateral_flexion (0 to 80 deg)")
        'outside the plausible range of neck side-bending (0 to 80°)'
    """
    measures = set(book.measures["measure"])
    named = re.sub(
        r"[a-z]+(?:_[a-z0-9]+)+", lambda word: book.label("measure", word[0]) if word[0] in measures else word[0], said
    )
    return re.sub(r"(?<=\d) deg\b", unit_words("deg"), named)
