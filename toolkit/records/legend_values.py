"""What a legend says of the codes and signs in the cells, in the form of a columns.toml's [values] tables."""

from __future__ import annotations

from collections.abc import Iterable

from toolkit.records.codebook import Codebook
from toolkit.records.field_words import field_of_header
from toolkit.records.header_words import read_header
from toolkit.records.lexicon import Words, fold
from toolkit.records.raw_table import RawTable, clean_text
from toolkit.records.surroundings import Around, meaning_in
from toolkit.records.texts import distinct
from toolkit.records.vocabulary import order_words, split_several

_CODED = ("intervention", "region", "order", "treated_side", "measured_side", "examiner_blinded", "phase", "measure")


def values_of(
    table: RawTable, fields: dict[str, str], readings: Iterable[str], codebook: Codebook
) -> dict[str, dict[str, str]]:
    """field → {their word: the toolkit's word}, from the legend around a table; "marks" for the cells of readings.

    Args:
        table: the sheet with its surroundings.
        fields: field → header.
        readings: headers of the columns of readings.
        codebook: names of techniques, regions and measures.
    """
    around = table.around or Around()
    found: dict[str, dict[str, str]] = {}
    for field in _CODED:
        if field in fields:
            found[field] = _codes_of(field, fields[field], table, around, codebook)
    marks = _marks(around, _cells(table, readings))
    return {name: table for name, table in {**found, "marks": marks}.items() if table}


def _cells(table: RawTable, headers: Iterable[str]) -> set[str]:
    """The different texts in some columns, folded."""
    return {fold(text) or clean_text(text) for header in headers for text in distinct(table.cells[header])[1]}


def _codes_of(field: str, header: str, table: RawTable, around: Around, codebook: Codebook) -> dict[str, str]:
    """The codes of one column that the legend explains."""
    cells = {
        part
        for text in distinct(table.cells[header])[1]
        for part in (clean_text(text), *split_several(text, lambda _: True))
    }
    folded = {fold(text): text for text in cells if text}
    found: dict[str, str] = {}
    for code, meaning in around.legend.items():
        prefix, _, last = code.rpartition(" ")
        prefixed = bool(prefix) and (fold(prefix) == fold(header) or field_of_header(prefix, around.words) == field)
        key = fold(last) if prefixed else fold(code)
        if key in folded and (word := _word_for(field, meaning, around.words, codebook, sure=prefixed)):
            found.setdefault(folded[key], word)
    return found


def _word_for(field: str, meaning: str, words: Words, codebook: Codebook, *, sure: bool) -> str:
    """The toolkit's word for what a legend says of a code; "" where it says nothing of this field."""
    if field == "intervention":
        parts = split_several(meaning, lambda part: bool(known_intervention(part, words, codebook)))
        names = [known_intervention(part, words, codebook) for part in parts]
        whole = known_intervention(meaning, words, codebook)
        if whole or (names and all(names)):
            return whole or " + ".join(sorted({name for name in names if name}))
        return meaning_in("intervention", meaning, words) or (meaning if sure else "")
    if field == "region":
        return (
            codebook.find_region(meaning)
            or words.find("region", meaning)
            or meaning_in("region", meaning, words)
            or (meaning if sure else "")
        )
    if field == "order":
        return order_of(meaning, words)
    if field in ("treated_side", "measured_side"):
        return meaning_in("side", meaning, words) or ""
    if field == "measure":
        return codebook.find_measure(read_header(meaning, words).rest) or ""
    if field == "phase":
        told = read_header(meaning, words)
        return "before_2" if told.phase == "before" and told.repeat == 2 else told.phase
    return _blinded(meaning)


def known_intervention(text: str, words: Words, codebook: Codebook) -> str | None:
    """The codebook's name of a technique written as a whole cell."""
    return words.find("intervention", text) or codebook.find_intervention(text)


def order_of(meaning: str, words: Words) -> str:
    """technique_first or wait_first for words about what came first, "" for others.

    Example:
        >>> from toolkit.records.lexicon import words_of_language
        >>> order_of("rest first, then treatment", words_of_language("en"))
        'wait_first'
    """
    folded = fold(meaning)
    own = {fold(word): order for word, order in order_words().items()} | words.table("order")
    if folded in own and len(folded) > 1:
        return own[folded]
    told = meaning_in("order", meaning, words)
    return told or ""


def _blinded(meaning: str) -> str:
    """yes or no for what a legend says of the column of blinding."""
    folded = set(fold(meaning).split())
    nots = {"not", "nicht", "nie", "ne", "pas", "no", "non", "niet", "nao", "inte", "ej"}
    knew = {
        "know",
        "knew",
        "wusste",
        "savait",
        "sabia",
        "sapeva",
        "wist",
        "visste",
        "wiedzial",
        "blind",
        "blinded",
        "masked",
    }
    if folded & {"know", "knew", "wusste", "savait", "sabia", "sapeva", "wist", "visste", "wiedzial"}:
        return "yes" if folded & nots else "no"
    if folded & knew:
        return "no" if folded & nots else "yes"
    return ""


def _marks(around: Around, cells: set[str]) -> dict[str, str]:
    """Signs and words in the cells of readings that the legend explains: not_taken, same, yes or no."""
    found: dict[str, str] = {}
    for code, meaning in around.legend.items():
        if (fold(code) or clean_text(code)) not in cells or fold(code).isdigit():
            continue
        if meaning_in("unseen", meaning, around.words):
            found[code] = "no"
        if meaning_in("missing", meaning, around.words):
            found[code] = "not_taken"
        elif meaning_in("same", meaning, around.words):
            found[code] = "same"
        elif code not in found and meaning_in("seen", meaning, around.words):
            found[code] = "yes"
    return found
