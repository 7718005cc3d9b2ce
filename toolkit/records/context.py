"""Who, when, where, what: the columns of a sheet that are not readings, brought to the toolkit's words.

A row without a client, a date or an intervention cannot be used and is set aside; a word that is only a detail
(position, comfort …) is noted and left out. Names that differ only in case, spaces or invisible signs are one name.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.number_words import counted
from toolkit.records.dates import read_dates
from toolkit.records.details import texts_of, understand_details
from toolkit.records.ledger import Ledger, Why
from toolkit.records.lexicon import fold
from toolkit.records.mapping import Mapping
from toolkit.records.sheets import NOT_STATED
from toolkit.records.texts import (
    change_texts,
    clean_text,
    cleaned,
    cleaned_column,
    distinct,
    from_codes,
    from_texts,
    is_empty,
    keep_rows,
    plain,
    rows_where,
)
from toolkit.records.values import MISSING_WORDS, read_numbers
from toolkit.records.vocabulary import (
    Vocabulary,
    join_names,
    side_in,
    side_words,
    split_several,
)

_PEOPLE = ("practitioner", "site", "examiner")


def understand_context(sheet: pd.DataFrame, *, mapping: Mapping, words: Vocabulary, ledger: Ledger) -> pd.DataFrame:
    """The sheet with every column but the readings understood; rows that cannot be used are set aside.

    Args:
        sheet: columns file, row, readings and the fields as categorical texts (see `sheets.sheet_of`).
        mapping: what the columns mean.
        words: codebook and the user's own words.
        ledger: takes what is set aside or flagged.
    """
    frame = _clients(sheet.copy(deep=False), mapping, ledger)
    for name in _PEOPLE:
        frame[name] = _one_spelling(frame, name, ledger)
    frame["practitioner"] = _stated(frame, "practitioner", ledger)
    frame = _dates(frame, mapping, ledger)
    frame = _visits(frame, ledger)
    frame = _sides(frame, mapping, words, ledger)
    frame = _interventions(frame, words, ledger)
    frame = _regions(frame, words, ledger)
    frame = understand_details(frame, mapping, words, ledger)
    return _sessions(frame)


def _header(mapping: Mapping, name: str) -> str:
    """The header a field stands under, as the user knows it."""
    return mapping.fields.get(name, name)


def _clients(frame: pd.DataFrame, mapping: Mapping, ledger: Ledger) -> pd.DataFrame:
    """Clients under one spelling; rows without a client set aside."""
    if own := mapping.words_for("client"):
        frame["client"] = change_texts(frame["client"], lambda text: own.get(plain(text), text))
    frame["client"] = _one_spelling(frame, "client", ledger)
    nobody = rows_where(frame["client"], lambda text: not text)
    why = Why(column="client", reason="no client is named", remedy="write the client's pseudonym into the row")
    return ledger.take_out(frame, nobody, why=why)


def _one_spelling(frame: pd.DataFrame, name: str, ledger: Ledger) -> pd.Series | pd.Categorical:
    """A column of names; spellings that differ in case, spaces or invisible signs become the commonest of them."""
    codes, texts = distinct(frame[name])
    counts = np.bincount(codes, minlength=len(texts)) if texts else np.zeros(0, dtype=int)
    keys = [key if key not in MISSING_WORDS else "" for key in map(str.casefold, cleaned(texts))]
    if len(set(keys)) == len(keys) and cleaned(texts) is texts and "" not in keys:
        return frame[name]
    spellings: dict[str, list[int]] = {}
    for place in np.flatnonzero(counts).tolist():
        spellings.setdefault(keys[place], []).append(place)
    chosen = {
        key: clean_text(texts[max(places, key=lambda place: counts[place])]) for key, places in spellings.items() if key
    }
    for key, places in spellings.items():
        if key and len(places) > 1:
            odd = np.flatnonzero(np.isin(codes, [place for place in places if texts[place] != chosen[key]]))[:1]
            what = f'written in {len(places)} ways that differ only in case or spaces; taken as one: "{chosen[key]}"'
            ledger.flag(frame.iloc[odd], column=name, value=chosen[key], what=what)
    return from_codes(codes, [chosen.get(key, "") for key in keys])


def _stated(frame: pd.DataFrame, name: str, ledger: Ledger) -> pd.Categorical:
    """The column with "not stated" where it is empty, flagged once."""
    empty = rows_where(frame[name], lambda text: not text)
    ledger.flag(
        frame.loc[empty].head(1),
        column=name,
        value="",
        what=f'no {name} in {counted(empty.sum(), "row")}: taken as "{NOT_STATED}"',
    )
    return change_texts(frame[name], lambda text: text or NOT_STATED)


def _dates(frame: pd.DataFrame, mapping: Mapping, ledger: Ledger) -> pd.DataFrame:
    """Columns date and day; rows with an unreadable date, or with neither, set aside."""
    header = _header(mapping, "date")
    file = str(frame["file"].iloc[0]) if len(frame) else ""
    texts = frame["date"]
    dates = read_dates(texts, header=header, file=file, order=mapping.date_order, year=mapping.year)
    days = read_numbers(frame["day"], missing=mapping.missing)
    if dates.proof:
        what = f'dates read {dates.order.replace("_", " ")}: "{dates.proof}" allows no other order'
        ledger.flag_file(file, column=header, what=what, value=dates.proof)
    frame["date"], frame["day"] = dates.date, days.value
    remedy = "write the date as year-month-day, for example 2026-03-04"
    reason = dates.reason
    bad_day = days.taken & ((days.problem > 0) | (days.value < 0) | (days.value % 1 != 0))
    for place, text in enumerate(dates.reasons):
        if place:
            why = Why(column=header, reason=text, remedy=remedy)
            ledger.note(frame.loc[reason == place], why=why, value=texts_of(texts, reason == place))
    day_why = Why(
        column="day", reason="not a whole number of days", remedy="write days since the client's first visit: 0, 7, 14"
    )
    without = ~dates.taken & ~days.taken & rows_where(frame["visit"], lambda text: not clean_text(text))
    kept = reason == 0
    ledger.note(frame.loc[kept & bad_day], why=day_why)
    _note_dateless(frame.loc[kept & ~bad_day & without], header, remedy, ledger)
    return keep_rows(frame, kept & ~bad_day & ~without)


def _visits(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """The number of the visit where it is written down (0 where not); a text that is no number sets the row aside."""
    numbers = read_numbers(frame["visit"])
    bad = numbers.taken & ((numbers.problem > 0) | (numbers.value < 0) | (numbers.value % 1 != 0))
    dated = frame["date"].notna().to_numpy() | frame["day"].notna().to_numpy()
    why = Why(column="visit", reason="not the number of a visit", remedy="number the visits of each client 1, 2, 3 …")
    told = np.where(numbers.taken & ~bad, numbers.value, 0).astype(np.int64)
    only = (told > 0) & ~dated
    if only.any():
        undated = f"{counted(only.sum(), 'row')} without a date"
        what = f"{undated}: the number of the visit is their order in time, days are not known"
        ledger.flag(frame.loc[only].head(1), column="visit", value="", what=what)
    frame = frame.assign(visit=told)
    return ledger.take_out(frame, bad & ~dated, why=why)


def _note_dateless(rows: pd.DataFrame, header: str, remedy: str, ledger: Ledger) -> None:
    """Set aside rows without a date; those without any reading either are sessions still to come."""
    planned = (rows["readings"] == 0).to_numpy()
    to_come = Why(
        column=header,
        reason="planned, not held yet: no date and no reading",
        remedy="nothing to do now; write the date and the readings when the session is held",
    )
    ledger.note(rows[planned], why=to_come)
    ledger.note(rows[~planned], why=Why(column=header, reason="no date", remedy=remedy))


def _sides(frame: pd.DataFrame, mapping: Mapping, words: Vocabulary, ledger: Ledger) -> pd.DataFrame:
    """treated_side and measured_side as left, right, both or none; other words set the row aside.

    A side that stands with the region ("L UT") is the treated side where no column tells one.
    """
    _side_from_region(frame, words, ledger)
    for name in ("treated_side", "measured_side"):
        table = side_words() | mapping.words_for(name)
        why = Why(column=_header(mapping, name), reason="not a side", remedy="write left, right, both or none")
        frame = _translated(frame, name, table, why, ledger, own=_own_sides(words))
    frame["measured_side"] = change_texts(frame["measured_side"], lambda text: text or "none")
    return frame


def _own_sides(words: Vocabulary) -> dict[str, str]:
    """The words of a side in the sheet's language."""
    return words.words.own("side") if words.words.language != "en" else {}


def _side_from_region(frame: pd.DataFrame, words: Vocabulary, ledger: Ledger) -> None:
    """Fill treated_side, in place, with the side that stands with the region; say where a column tells another."""
    codes, texts = distinct(frame["region"])
    sides = [_region_side(text, words) for text in texts]
    if not any(sides):
        return
    told = np.array(sides, dtype=object)[codes]
    stated = frame["treated_side"].astype(str).to_numpy(dtype=object)
    empty = np.array([clean_text(text).casefold() in MISSING_WORDS for text in stated], dtype=bool)
    table, own = side_words(), _own_sides(words)
    meant = np.array([own.get(fold(text)) or table.get(plain(text), "") for text in stated], dtype=object)
    differs = ~empty & (told != "") & (meant != told) & (meant != "")
    ledger.flag(
        frame.loc[differs],
        column="treated_side",
        value=told[differs],
        what="the region's words name another side than the column of sides; the column counts",
    )
    frame["treated_side"] = from_texts(np.where(empty & (told != ""), told, stated).tolist())


def _region_side(text: str, words: Vocabulary) -> str:
    """The side that the regions of one cell carry; both where they differ; "" where none does."""
    own = words.mapping.words_for("region")
    if plain(text) in own or text in words.names:
        return ""
    sides = {side for part in split_several(text, words.region) if (side := side_in(part, words.words)[0])}
    return sides.pop() if len(sides) == 1 else "both" if sides else ""


def _translated(
    frame: pd.DataFrame, name: str, table: dict[str, str], why: Why, ledger: Ledger, *, own: dict[str, str]
) -> pd.DataFrame:
    """A column translated word by word; rows with an unknown word are set aside, empty cells stay empty."""
    codes, texts = distinct(frame[name])
    new = [
        "" if clean_text(text).casefold() in MISSING_WORDS else own.get(fold(text)) or table.get(plain(text))
        for text in texts
    ]
    unknown = np.array([text is None for text in new], dtype=bool)[codes] if texts else np.zeros(0, dtype=bool)
    old = frame[name]
    frame[name] = from_codes(codes, [text or "" for text in new])
    return ledger.take_out(
        frame, unknown, why=why, value=old.astype(str).to_numpy(dtype=object) if unknown.any() else ""
    )


def _interventions(frame: pd.DataFrame, words: Vocabulary, ledger: Ledger) -> pd.DataFrame:
    """Interventions by codebook name, or under the user's own name in one spelling; rows without one set aside."""
    codes, texts = distinct(frame["intervention"])
    own: dict[str, str] = {}

    def name_of(part: str) -> str:
        known = words.intervention(part)
        return known or own.setdefault(plain(part), clean_text(part))

    told = words.mapping.words_for("intervention")
    texts = [told.get(plain(text), text) for text in texts]
    frame["intervention"] = from_codes(
        codes, [join_names([name_of(part) for part in split_several(text, words.intervention)]) for text in texts]
    )
    nothing = rows_where(frame["intervention"], lambda text: not text)
    why = Why(
        column="intervention",
        reason="no intervention is named",
        remedy="write what was done; measured_only for a session in which nothing was done",
    )
    return ledger.take_out(frame, nothing, why=why)


def _regions(frame: pd.DataFrame, words: Vocabulary, ledger: Ledger) -> pd.DataFrame:
    """Regions by codebook name; an unknown one is kept under the user's own name and flagged."""
    codes, texts = distinct(frame["region"])
    own: dict[str, str] = {}

    def name_of(part: str) -> str:
        return words.region(part) or own.setdefault(plain(part), clean_text(side_in(part, words.words)[1]))

    told = words.mapping.words_for("region")
    texts = [told.get(plain(text), text) for text in texts]
    new = [join_names([name_of(part) for part in split_several(text, words.region)]) for text in texts]
    frame["region"] = from_codes(codes, new)
    for text in own.values():
        rows = rows_where(frame["region"], lambda joined, text=text: text in joined.split(" + "))  # type: ignore[misc]
        what = f"{counted(rows.sum(), 'row')} with a region that is not in the codebook; kept under this name"
        ledger.flag(frame.loc[rows].head(1), column="region", value=text, what=what)
    untreated = rows_where(frame["intervention"], lambda text: text == "measured_only")
    empty = rows_where(frame["region"], lambda text: not text) & ~untreated
    if empty.any():
        what = f'no region in {counted(empty.sum(), "row")}: taken as "{NOT_STATED}"'
        ledger.flag(frame.loc[empty].head(1), column="region", value="", what=what)
        filled = frame["region"].astype(object).where(~empty, NOT_STATED)
        frame["region"] = from_texts(filled.tolist())
    return frame


def _sessions(frame: pd.DataFrame) -> pd.DataFrame:
    """session_id as given, else built from client and date (or day)."""
    frame["session_id"] = cleaned_column(frame["session_id"])
    missing = is_empty(frame["session_id"])
    if not missing.any():
        return frame
    codes, given = distinct(frame["session_id"])
    client_codes, clients = distinct(frame["client"])
    dates = frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    days = frame["day"].fillna(-1).to_numpy().astype(np.int64)
    has_date = frame["date"].notna().to_numpy()
    when = np.where(has_date, dates, -days - 10_000_000)
    visits = frame["visit"].to_numpy().astype(np.int64)
    when = np.where(~has_date & frame["day"].isna().to_numpy() & (visits > 0), -visits - 20_000_000, when)
    moments, place = np.unique(when, return_inverse=True)
    names = [_moment(moment) for moment in moments.tolist()]
    pairs, pair_place = np.unique(client_codes.astype(np.int64) * len(names) + place, return_inverse=True)
    built = [f"{clients[pair // len(names)]} {names[pair % len(names)]}" for pair in pairs.tolist()]
    if missing.all():
        frame["session_id"] = from_codes(pair_place, built)
    else:
        frame["session_id"] = from_codes(np.where(missing, pair_place + len(given), codes), [*given, *built])
    return frame


def _moment(moment: int) -> str:
    """A date, or a day number, as it stands in a built session_id."""
    if moment <= -20_000_000:
        return f"visit {-moment - 20_000_000}"
    return f"day {-moment - 10_000_000}" if moment <= -9_000_000 else str(np.datetime64(moment, "D"))
