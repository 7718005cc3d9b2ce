"""What of an export's own words may stand in a report: words of the codebook and short entries, never free text.

Whatever people write into a free field may tell who somebody is. Reports count adverse events by the codebook's kinds
(`shared/codebook/adverse_events.csv`) and name a text that was not understood by its length.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from functools import cache
from typing import Any

import pandas as pd

from toolkit.records.personal_words import header_words
from toolkit.records.safe_harbour import kind_in_cell
from toolkit.records.texts import clean_text
from toolkit.resources import shared_file

OTHER = "other, in own words"
FREE_FIELDS = ("adverse_event", "setting")
_LONGEST, _MOST_WORDS = 30, 3
_QUOTED = re.compile(r'"([^"\n]{1,5000})"|“([^”\n]{1,5000})”')


def kind_of_event(text: str) -> str:
    """The codebook's kind of an adverse event: the one whose word stands in the text, the longest word first.

    Examples
    --------
    >>> kind_of_event("bit dizzy when she got up"), kind_of_event("called her daughter")
    ('dizziness', 'other, in own words')
    """
    words = header_words(text)
    for length in (3, 2, 1):
        for start in range(len(words) - length + 1):
            kind = _kinds().get(words[start : start + length])
            if kind is not None:
                return kind
    return OTHER


@cache
def _kinds() -> dict[tuple[str, ...], str]:
    with shared_file("codebook/adverse_events.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {header_words(word): row["kind"] for row in rows for word in (row["kind"], *row["words"].split("|"))}


def shown(value: Any, *, field: str = "") -> Any:
    """A cell's text as a report may show it: short entries as they are, others by their length.

    Examples
    --------
    >>> shown("35?"), shown("upr trap"), shown("came late, her daughter drove her")
    ('35?', 'upr trap', '(text of 33 characters)')
    """
    text = clean_text(str(value))
    short = len(text) <= _LONGEST and len(text.split()) <= _MOST_WORDS and field not in FREE_FIELDS
    if not isinstance(value, str) or not text or (short and kind_in_cell(text) is None):
        return value
    return f"(text of {len(text)} characters)"


def without_free_text(sentence: str, *, known: Iterable[str] = ()) -> str:
    """A sentence in which quoted texts of the export are named by their length; headers and short entries stay.

    Examples
    --------
    >>> without_free_text('the unit "as her daughter told me" is not known')
    'the unit "(text of 23 characters)" is not known'
    """
    headers = frozenset(known)

    def masked(found: re.Match[str]) -> str:
        text = found[1] if found[1] is not None else found[2]
        return found[0] if text in headers else found[0].replace(text, shown(text))

    return _QUOTED.sub(masked, sentence)


def rows_without_text(frame: pd.DataFrame, *, known: Iterable[str] = ()) -> pd.DataFrame:
    """What was set aside or flagged, as a report may show it: `value` short or by its length, sentences masked."""
    out, headers = frame.copy(), frozenset(known)
    if "value" in out:
        out["value"] = [shown(value, field=str(name)) for value, name in zip(out["value"], out["column"], strict=True)]
    for name in ("reason", "remedy", "what"):
        if name in out:
            texts = {text: without_free_text(str(text), known=headers) for text in out[name].unique()}
            out[name] = out[name].map(texts)
    return out
