"""The codebook's names in a reader's words: the same in lists, figures and answers."""

from __future__ import annotations

import re

import pandas as pd

from toolkit.present.words import spaced, unit_words
from toolkit.records.codebook import Codebook


def label_of(book: Codebook, what: str, code: str) -> str:
    """A measure, region or intervention in words; several at once joined by "and", a word of the user's own as it is.

    Example:
        >>> from toolkit.records.codebook import load_codebook
        >>> label_of(load_codebook(), "intervention", "percussive_release")
        'percussion with a hand-held device'
    """
    frames = {"measure": book.measures, "region": book.regions, "intervention": book.interventions}
    known = _labels(frames[what], what)
    return " and ".join(known.get(part, spaced(part)) for part in code.split(" + "))


def with_labels(book: Codebook, said: str) -> str:
    """A sentence with the codebook's measures by their names in words, and units by their signs.

    Example:
        >>> from toolkit.records.codebook import load_codebook
        >>> with_labels(load_codebook(), "outside the plausible range of cervical_lateral_flexion (0 to 80 deg)")
        'outside the plausible range of neck side-bending (0 to 80°)'
    """
    known = _labels(book.measures, "measure")
    named = re.sub(r"[a-z]+(?:_[a-z0-9]+)+", lambda word: known.get(word[0], word[0]), said)
    return re.sub(r"(?<=\d) deg\b", unit_words("deg"), named)


def _labels(frame: pd.DataFrame, what: str) -> dict[str, str]:
    return dict(zip(frame[what].astype(str), frame["label"].astype(str), strict=True))
