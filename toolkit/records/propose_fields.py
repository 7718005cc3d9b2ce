"""Which columns say who, when, where and what: by the words of their headers, by their values, by how they behave."""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import replace

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.field_words import field_of_header, field_of_values, values_agree
from toolkit.records.header_words import read_header
from toolkit.records.lexicon import Words, fold, words_of_language
from toolkit.records.propose_readings import Guess
from toolkit.records.raw_table import Around, RawTable
from toolkit.records.texts import clean_text, distinct

_ORDER_OF_TRUST = ("certain", "likely", "unsure")
_MUST_AGREE = (
    "date",
    "treated_side",
    "measured_side",
    "phase",
    "value",
    "day",
    "visit",
    "reading",
    "comfort",
    "minutes",
)
_ABOVE = ("client", "region", "treated_side", "intervention", "practitioner", "date", "order", "site")
_CODE, _YEAR = re.compile(r"[^\W\d_]{0,4}[-_ ]?\d{1,5}"), re.compile(r"(?:19|20)\d\d")
_DEFAULT_SHEET = re.compile(
    r"^(?:sheet|tabelle|hoja|feuil|foglio|blad|arkusz|planilha|folha|data|table)\s*\d*$", re.IGNORECASE
)


def guess_fields(table: RawTable, known: set[str], codebook: Codebook, *, taken: Container[str]) -> list[Guess]:
    """Guesses for columns that hold no readings; of two for one field the better wins, the other is left unsure.

    Args:
        table: the sheet.
        known: fields that are understood already.
        codebook: words of regions, interventions, measures.
        taken: headers that are understood already.
    """
    words = (table.around or Around()).words
    best: dict[str, Guess] = {}
    lost: list[Guess] = []
    for header in map(str, table.cells.columns):
        if header in taken:
            continue
        guess = _guess_field(header, table, codebook, words)
        if guess is None or guess.means == "(not used)":
            lost += [guess] if guess else []
            continue
        explanation = best.get(guess.means)
        if guess.means == "treated_side" and explanation is not None and "measured_side" not in {*known, *best}:
            guess, explanation = replace(guess, means="measured_side", confidence="likely"), None
        better = explanation is None or _ORDER_OF_TRUST.index(guess.confidence) < _ORDER_OF_TRUST.index(
            explanation.confidence
        )
        if guess.means in known:
            lost.append(_unused(guess, f"another column is {guess.means} already"))
            continue
        loser = explanation if better else guess
        if better:
            best[guess.means] = guess
        if loser is not None:
            lost.append(_unused(loser, f"another column fits {guess.means} better"))
    if "client" not in {*known, *best}:
        client = _client_by_behaviour(table, {*best_columns(best), *(one.column for one in lost)}, taken)
        best |= {"client": client} if client else {}
    return [*best.values(), *lost]


def best_columns(best: dict[str, Guess]) -> list[str]:
    """The headers of the guesses."""
    return [guess.column for guess in best.values()]


def _unused(guess: Guess, reason: str) -> Guess:
    """The guess given up."""
    return replace(guess, means="(not used)", confidence="unsure", reason=reason)


def _guess_field(header: str, table: RawTable, codebook: Codebook, words: Words) -> Guess | None:
    """The guess for one column: by its header's words, else by its values."""
    parts, column = table.parts.get(header, (header,)), table.cells[header]
    field = field_of_header(parts[-1], words) or (field_of_header(header, words) if len(parts) > 1 else None)
    told = read_header(header, words)
    if field is None and told.phase and not told.rest and told.side == "none":
        field = "before_2" if told.phase == "before" and told.repeat == 2 else told.phase
        if values_agree(field, column, codebook, words) is False:
            return None
        return Guess(column=header, means=field, confidence="likely", reason=f"the header says {field}")
    if field in ("comment", "difference"):
        reason = "a comment" if field == "comment" else "computed from others"
        return Guess(column=header, means="(not used)", confidence="likely", reason=reason)
    if field is not None:
        return _checked(header, field, column, codebook, words)
    by_values = field_of_values(column, codebook, words)
    if by_values is None:
        return None
    return Guess(column=header, means=by_values, confidence="likely", reason=f"the values are those of {by_values}")


def _checked(header: str, field: str, column: pd.Series, codebook: Codebook, words: Words) -> Guess:
    """The guess for a column whose header names a field, after a look at its values."""
    agree = values_agree(field, column, codebook, words)
    other = field_of_values(column, codebook, words) if agree is False else None
    if (
        agree is False
        and field in ("date", "visit", "session_id", "day")
        and values_agree("visit", column, codebook, words)
    ):
        other = "visit" if field in ("date", "visit") else other
    if agree is False and field == "measure" and values_agree("value", column, codebook, words):
        other = "value"
    if field in ("visit", "session_id") and other is None and values_agree("date", column, codebook, words):
        other = "date"
    if other is not None and other != field and not (field == "measured_side" and other == "treated_side"):
        return Guess(column=header, means=other, confidence="likely", reason=f"the values are those of {other}")
    if agree is False and field in _MUST_AGREE:
        reason = f"the header says {field}, the values do not"
        return Guess(column=header, means="(not used)", confidence="unsure", reason=reason)
    said = "the header says so" + (", the values agree" if agree else "")
    return Guess(column=header, means=field, confidence="certain" if agree else "likely", reason=said)


def _client_by_behaviour(table: RawTable, used: Container[str], taken: Container[str]) -> Guess | None:
    """The first column that behaves like a client's code: short, filled, not one value, coming back."""
    for header in map(str, table.cells.columns):
        if header in used or header in taken:
            continue
        codes, texts = distinct(table.cells[header])
        filled = [clean_text(text) for text in texts if clean_text(text)]
        rows = int(sum(bool(texts[code]) for code in codes.tolist())) if len(codes) < 50_000 else len(codes)
        short = [text for text in filled if len(text) <= 12 and re.fullmatch(r"[^\W_]+(?:[ \-./_][^\W_]+)?", text)]
        codes_mostly = sum(any(map(str.isdigit, text)) for text in filled) >= 0.8 * len(filled)
        comes_back = len(filled) > 1 and rows >= 0.95 * len(codes) and rows > 1.3 * len(filled)
        if comes_back and codes_mostly and len(short) >= 0.9 * len(filled):
            reason = "short codes that come back, as clients do"
            return Guess(column=header, means="client", confidence="likely", reason=reason)
    return None


def constants_of(table: RawTable, known: set[str]) -> dict[str, str]:
    """What stands above a table, or on its sheet's name, for every row of it: client, region, technique …"""
    around = table.around or Around()
    found: dict[str, str] = {}
    for key, value in around.pairs:
        field = field_of_header(key, around.words)
        if field in _ABOVE and field not in known and "___" not in value:
            found.setdefault(field, clean_text(value))
    if around.visit and "visit" not in known:
        found["visit"] = around.visit
    if around.date and "date" not in known:
        found["date"] = around.date
    phase, side = said_by_sheet(around)
    if phase and "phase" not in known:
        found["phase"] = phase
    if side and not phase and "client" in known and not {"measured_side", "treated_side"} & {*known, *found}:
        found["measured_side"] = side
    code = next((text for text in around.titles[:1] if _CODE.fullmatch(text) and not _YEAR.fullmatch(text)), "")
    if "client" not in {*known, *found} and code:
        found["client"] = code
    if "client" not in {*known, *found} and around.sheet and not phase and not _says_nothing(around.sheet):
        found["client"] = around.sheet
    return found


def said_by_sheet(around: Around) -> tuple[str, str]:
    """(phase, side) that a sheet's name alone tells, "" for none: sheets called "Before" and "After", or "Left"."""
    told = read_header(around.sheet, around.words)
    phase = told.phase if not told.rest and told.side == "none" else ""
    return phase, told.side if told.side in ("left", "right") and not told.phase else ""


def _says_nothing(sheet: str) -> bool:
    """Whether a sheet's name is the program's own, a month, a half year or a year: no client."""
    if len(sheet) < 2 or _DEFAULT_SHEET.match(sheet) or re.search(r"(?<!\d)(?:19|20)\d{2}(?!\d)", sheet):
        return True
    words = words_of_language("en")
    return any(words.find("month", token) for token in fold(sheet).split()) or len(sheet.split()) > 3
