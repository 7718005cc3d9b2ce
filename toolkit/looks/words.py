"""Codes as a reader meets them: the words of levels, statuses and bases; names of the codebook within a sentence."""

from __future__ import annotations

import re
from typing import Any

from toolkit.number_words import NO_SPACE as NO_SPACE
from toolkit.number_words import SHARES as SHARES
from toolkit.number_words import UNIT_SIGNS as UNIT_SIGNS
from toolkit.number_words import amount as amount
from toolkit.number_words import capital as capital
from toolkit.number_words import clean as clean
from toolkit.number_words import counted as counted
from toolkit.number_words import decimals_for as decimals_for
from toolkit.number_words import decimals_of as decimals_of
from toolkit.number_words import is_missing as is_missing
from toolkit.number_words import number as number
from toolkit.number_words import p_words as p_words
from toolkit.number_words import scale_of as scale_of
from toolkit.number_words import share_words as share_words
from toolkit.number_words import spaced as spaced
from toolkit.number_words import threshold as threshold
from toolkit.number_words import unit_words as unit_words
from toolkit.number_words import with_interval as with_interval
from toolkit.number_words import with_unit as with_unit
from toolkit.records.codebook import Codebook

LEVEL_WORDS = {
    "moved_enough": "Moved, by enough to matter",
    "moved": "Moved; by enough to matter is not shown",
    "probably_moved": "Probably moved; turns were not drawn at random",
    "no_better_than_waiting": "No better than the comparison, within what matters",
    "worse_than_waiting": "Worse than the comparison",
    "readings_changed": "The readings changed; why is open",
    "not_enough": "Not enough records to say",
}
STATUS_WORDS = {
    "closed_by_design": "closed by how the sessions were set up",
    "adjusted": "adjusted for in the numbers",
    "bounded": "bounded: its worst plausible size is counted in",
    "open": "open",
    "not_applicable": "does not apply here",
}
BASIS_WORDS = {
    "randomised_order": "who waited first was drawn at random",
    "randomised_side": "the treated side was drawn at random",
    "comparison_sessions": "compared with sessions without the technique, not drawn at random",
    "other_side": "compared with the untreated side, not drawn at random",
    "before_after": "before against after only, nothing to compare with",
    "none": "nothing to compare with",
}
EFFECT_WORDS = {
    "d_z": "change over the SD of the changes (d_z)",
    "d_av": "change over the average SD (d_av)",
    "d_rm": "change over the SD, repeated measures (d_rm)",
    "hedges_g_av": "change over the average SD, small-sample corrected (Hedges' g_av)",
    "Hedges' g_av": "change over the average SD, small-sample corrected (Hedges' g_av)",
    "srm": "standardised response mean",
}


def without_stop(words: Any) -> str:
    """Words that go on after them: no full stop at the end."""
    return readable(clean(words)).rstrip(". ")


def readable(said: str) -> str:
    """A finished sentence as it is read: degrees by their sign, true minus signs, a space before a percent sign.

    Example:
        >>> readable("a change of -3 deg (95% interval -1.5 to 2)")
        'a change of −3° (95 % interval −1.5 to 2)'
    """
    said = re.sub(r"(?<=\d) deg\b", "°", said)
    said = re.sub(r"(?<![“\"`\w])before_2\b", "the second reading before", said)  # in quotation marks it is a column
    said = re.sub(r"(?<![^\s(±])-(?=\d)", "−", said)
    return re.sub(r"(?<=\d)%(?=\s|$)", " %", said)


def sentence(words: Any) -> str:
    """Words as a sentence that reads well: first letter large, a full stop at the end, true minus signs."""
    text = capital(readable(clean(words)))
    return text if not text or text[-1] in ".!?" else f"{text}."


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
