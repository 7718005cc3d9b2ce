"""The words of headers that are no readings: who, when, where, what; and whether the values below agree."""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.codebook_words import plain_words
from toolkit.records.dates import looks_like_dates
from toolkit.records.raw_table import clean_text
from toolkit.records.texts import distinct, plain
from toolkit.records.values import MISSING_WORDS, yes_or_no
from toolkit.records.vocabulary import phase_words, side_words, split_several

_WORDS = {
    "session_id": "session|session id|session no|session nr|session number|session code|visit id|appointment"
    "|appointment id|sitzung",
    "client": "client|client id|client code|client no|client number|patient|patient id|patient code|patient no"
    "|patient nr|patient number"
    "|pseudonym|code|subject|subject id|participant|participant id|id|case|case no|klient|klientin|kunde|person"
    "|pat|pat id|pt|pt id|pt code",
    "practitioner": "practitioner|therapist|clinician|physio|physiotherapist|operator|provider|staff|treated by"
    "|treating therapist"
    "|practitioner id|therapist id|behandler|behandlerin|therapeut|therapeutin|thérapeute|by|done by|who treated",
    "site": "site|clinic|location|branch|practice|centre|center|praxis|standort|room",
    "date": "date|visit date|session date|treatment date|date of visit|date of session|datum|fecha|data|visit"
    "|when|tag der sitzung|behandlungsdatum",
    "day": "day|day no|day number|days|study day|days since first visit|days since first",
    "region": "region|regions|area|areas|muscle|muscles|tissue|tissues|area treated|areas treated|treated area"
    "|region treated|regions treated"
    "|treated region|body region|body area|body part|where|zone|zones|target|target tissue|muskel|muskeln|gebiet"
    "|behandelte region|région",
    "treated_side": "treated side|side treated|side|tx side|treatment side|seite|behandelte seite|côté|lado"
    "|side of treatment",
    "intervention": "intervention|interventions|technique|techniques|treatment|treatments|method|methods"
    "|modality|modalities|what|what was done"
    "|what i did|done|tx|rx|technik|methode|behandlung|maßnahme|protocol|therapy|technique used",
    "order": "order|sequence|order drawn|coin|which first|first|draw|drawn order|what came first|reihenfolge",
    "measure": "measure|test|outcome|movement|measurement|outcome measure|what was measured|variable|parameter|messung",
    "measured_side": "measured side|side measured|test side|side tested|tested side|measurement side|gemessene seite",
    "unit": "unit|units|einheit",
    "phase": "phase|time point|timepoint|moment|stage|zeitpunkt|pre post|before after",
    "reading": "reading|reading no|reading number|repeat|trial|repetition|rep|attempt",
    "value": "value|result|wert|score|reading value|measured value",
    "examiner": "examiner|who re measured|who remeasured|re measurer|measured by|remeasured by|re measured by"
    "|assessor|tester|reader|rater|measurer"
    "|untersucher|who measured",
    "examiner_blinded": "examiner blinded|re measured blind|remeasured blind|measured blind|re measured blinded"
    "|blinded|blind|assessor blinded|examiner blind|masked|verblindet",
    "side_drawn": "side drawn|side by coin|side drawn at random|random side|side randomised|side randomized",
    "comfort": "comfort|comfort 0 10|comfortable|comfort rating|how comfortable|komfort",
    "adverse_event": "adverse event|adverse events|adverse|ae|side effect|side effects|reaction|reactions"
    "|unwanted effects|nebenwirkung|nebenwirkungen",
    "position": "position|client position|patient position|posture|lagerung",
    "tissue_length": "tissue length|length|muscle length|tissue position",
    "head": "head|device head|attachment|head size|contact|aufsatz",
    "setting": "setting|settings|device setting|speed|level|intensity|einstellung",
    "minutes": "minutes|min|mins|duration|duration min|time min|treatment time|dauer|dauer min|minuten",
}
_BY_WORD = {plain(word): field for field, words in _WORDS.items() for word in words.split("|")}
_ENOUGH = 0.6


def field_of_header(header: str) -> str | None:
    """The field that a header's words name, or None.

    Example:
        >>> field_of_header("Patient code"), field_of_header("Area(s) treated")
        ('client', 'region')
    """
    bare = plain(header.replace("(s)", "s"))
    without = plain(re.sub(r"[(\[].*?[)\]]", " ", header.replace("(s)", "s")))
    spaced = plain(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header))
    for text in (bare, without, spaced):
        asked = text.replace("?", "").strip().removeprefix("the ").removeprefix("any ").removeprefix("was ")
        for words in (text, asked):
            if words in _BY_WORD:
                return _BY_WORD[words]
    return None


def values_agree(field: str, column: pd.Series, codebook: Codebook) -> bool | None:
    """Whether a column's values fit a field: True, False, or None where values cannot tell."""
    test = _tests(codebook).get(field)
    texts = _sample(column)
    if test is None or not texts:
        return None
    return sum(test(text) for text in texts) / len(texts) >= _ENOUGH


def field_of_values(column: pd.Series, codebook: Codebook) -> str | None:
    """The field that a column's values name where its header does not: date, region, intervention, side or phase."""
    texts = _sample(column)
    if not texts:
        return None
    for field in ("date", "phase", "treated_side", "intervention", "measure", "region"):
        if sum(_tests(codebook)[field](text) for text in texts) / len(texts) >= 0.8:
            return field
    return None


def _sample(column: pd.Series) -> list[str]:
    """Up to sixty distinct, non-empty texts of a column."""
    texts = [clean_text(text) for text in distinct(column)[1][:200]]
    return [text for text in texts if text.casefold() not in MISSING_WORDS][:60]


def _tests(codebook: Codebook) -> dict[str, Callable[[str], bool]]:
    """For fields whose values can be recognised: does one text fit?"""
    known = {
        plain_words(word)
        for name, label, words in codebook.interventions[["intervention", "label", "words"]].itertuples(index=False)
        for word in (name, label, *str(words).split("|"))
    }
    sides, phases = side_words(), phase_words()

    def region(text: str) -> bool:
        return all(codebook.find_region(part) for part in split_several(text, codebook.find_region))

    def intervention(text: str) -> bool:
        return any(plain_words(part) in known for part in split_several(text, lambda part: plain_words(part) in known))

    def number(text: str) -> bool:
        return re.fullmatch(r"[+-]?\d+([.,]\d+)?", text) is not None

    return {
        "date": looks_like_dates,
        "region": region,
        "intervention": intervention,
        "measure": lambda text: codebook.find_measure(text) is not None,
        "treated_side": lambda text: plain(text) in sides,
        "measured_side": lambda text: plain(text) in sides,
        "phase": lambda text: plain(text) in phases,
        "examiner_blinded": lambda text: yes_or_no(text) is not None or plain(text) == "unknown",
        "side_drawn": lambda text: yes_or_no(text) is not None,
        "comfort": number,
        "minutes": number,
        "day": number,
        "reading": number,
        "value": lambda text: number(text.rstrip("°")) or yes_or_no(text) is not None,
    }
