"""Details of a session: what came first, who knew, position, comfort; what is not understood is left out and told."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.records.dates import hour_of
from toolkit.records.ledger import Ledger
from toolkit.records.lexicon import fold
from toolkit.records.mapping import Mapping
from toolkit.records.surroundings import order_of
from toolkit.records.texts import (
    change_texts,
    clean_text,
    distinct,
    from_codes,
    listed,
    plain,
    rows_where,
)
from toolkit.records.values import MISSING_WORDS, read_numbers
from toolkit.records.vocabulary import (
    Vocabulary,
    order_words,
    protocol_choices,
    yes_or_no,
)

_CHOICES = ("position", "tissue_length", "head")


def understand_details(frame: pd.DataFrame, mapping: Mapping, words: Vocabulary, ledger: Ledger) -> pd.DataFrame:
    """Optional details: choices, yes/no and numbers; what is not understood is flagged and left empty."""
    _order(frame, mapping, words, ledger)
    for name in _CHOICES:
        table = protocol_choices(words.codebook, name) | mapping.words_for(name)
        _choice(frame, name, table, ledger)
    yes_no = _yes_no_words(words)
    for name, empty in (("examiner_blinded", "unknown"), ("side_drawn", "")):
        own = mapping.words_for(name) | {
            plain(text): said for text in distinct(frame[name])[1] if (said := yes_no.get(fold(text)))
        }
        codes, texts = distinct(frame[name])
        frame[name] = from_codes(codes, [_yes_no_unknown(text, own) or empty for text in texts])
    frame["setting"] = change_texts(frame["setting"], clean_text)
    frame["adverse_event"] = change_texts(frame["adverse_event"], _adverse_event)
    for name, low, high in (("comfort", 0.0, 10.0), ("minutes", 0.0, 600.0)):
        numbers = read_numbers(frame[name], decimal=mapping.decimal, missing=mapping.missing)
        bad = numbers.taken & ((numbers.problem > 0) | numbers.word | (numbers.value < low) | (numbers.value > high))
        what = f"not a number from {low:g} to {high:g}: left out, the row is kept"
        ledger.flag(frame.loc[bad], column=name, value=texts_of(frame[name], bad), what=what)
        frame[name] = np.where(bad, np.nan, numbers.value)
    _time_of_day(frame, mapping, ledger)
    return frame


def _time_of_day(frame: pd.DataFrame, mapping: Mapping, ledger: Ledger) -> None:
    """The hour in place: of its own column, or what the date's cells say after the date."""
    own = "time_of_day" in mapping.fields
    codes, texts = distinct(frame["time_of_day"])
    hours = [hour_of(text, within_date=not own) for text in texts]
    if own:
        lost = [
            text
            for text, hour in zip(texts, hours, strict=True)
            if hour is None and clean_text(text).casefold() not in MISSING_WORDS
        ]
        rows = rows_where(frame["time_of_day"], lambda text: text in lost) if lost else np.zeros(len(frame), dtype=bool)
        what = "not a time of day such as 14:30: left out, the row is kept"
        if rows.any():
            value = texts_of(frame["time_of_day"], rows)
            ledger.flag(frame.loc[rows], column=mapping.fields["time_of_day"], value=value, what=what)
    read = np.array([np.nan if hour is None else hour for hour in hours] or [np.nan])
    frame["time_of_day"] = read[codes] if len(codes) else np.zeros(0)


def _order(frame: pd.DataFrame, mapping: Mapping, words: Vocabulary, ledger: Ledger) -> None:
    """What came first, in place; codes that nothing explains are asked about and left out."""
    codes, texts = distinct(frame["order"])
    table = {plain(word): order for word, order in order_words().items()} | protocol_choices(words.codebook, "order")
    table |= mapping.words_for("order")
    found = {
        text: table.get(plain(text)) or order_of(text, words.words)
        for text in texts
        if clean_text(text).casefold() not in MISSING_WORDS
    }
    unknown = [text for text, order in found.items() if not order]
    if unknown:
        rows = rows_where(frame["order"], lambda text: text in unknown)
        codes_told = sorted(map(clean_text, unknown))
        first = codes_told[0]
        what = (
            f"which of {listed(codes_told, most=4)} means that the treatment came first, and which the rest? "
            f' Left out until columns.toml says [values.order] "{first}" = "technique_first" (or "wait_first")'
        )
        ledger.flag(frame.loc[rows].head(1), column=mapping.fields.get("order", "order"), value=first, what=what)
    frame["order"] = from_codes(codes, [found.get(text) or "" for text in texts])


def _yes_no_words(words: Vocabulary) -> dict[str, str]:
    """yes and no in the sheet's language."""
    own = words.words
    return dict.fromkeys(own.own("seen"), "yes") | dict.fromkeys(own.own("unseen"), "no")


def _choice(frame: pd.DataFrame, name: str, table: dict[str, str], ledger: Ledger) -> None:
    """A column of a few allowed words, in place; other words are flagged and left out."""
    codes, texts = distinct(frame[name])
    new = [table.get(plain(text), "") for text in texts]
    lost = [
        text
        for text, word in zip(texts, new, strict=True)
        if not word and clean_text(text).casefold() not in MISSING_WORDS
    ]
    if lost:
        rows = rows_where(frame[name], lambda text: text in lost)
        allowed = listed(sorted(set(table.values())))
        ledger.flag(
            frame.loc[rows],
            column=name,
            value=texts_of(frame[name], rows),
            what=f"not one of {allowed}: left out, the row is kept",
        )
    frame[name] = from_codes(codes, new)


def _yes_no_unknown(text: str, own: dict[str, str]) -> str:
    """yes, no or "" for a cell of a yes/no column."""
    return (
        own.get(plain(text))
        or yes_or_no(text)
        or {"blinded": "yes", "not blinded": "no", "unblinded": "no"}.get(plain(text), "")
    )


def _adverse_event(text: str) -> str:
    """An adverse event as it was told; "none" for the words that say so."""
    cleaned = clean_text(text)
    low = cleaned.casefold()
    return "none" if low in ("none", "no", "nil", "nein", "keine", "0") else "" if low in MISSING_WORDS else cleaned


def texts_of(column: pd.Series, mask: np.ndarray) -> np.ndarray:
    """The texts of the masked rows."""
    return column[mask].astype(str).to_numpy(dtype=object)
