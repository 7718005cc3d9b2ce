"""From an office export to records fit for analysis: nobody's name, no dates, no free text; a report of every column.

Direct identifiers are the eighteen kinds of 45 CFR 164.514(b)(2)(i) (US law, safe-harbour method). What comes out is
*pseudonymised*: whoever holds the key can go back, so under 164.514(c) and under many other laws it stays personal
data until the key is destroyed. Local law and one's own ethics board decide what may be shared, not this module.
"""

from __future__ import annotations

import re
from collections.abc import Mapping as Table
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.number_words import counted
from toolkit.privacy.columns_to_keep import Decision, Rules, decide, names_from, names_in
from toolkit.privacy.keys import check_key
from toolkit.privacy.known_words import known_words, understood
from toolkit.privacy.pseudonyms import pseudonym
from toolkit.privacy.small_groups import SmallGroups, small_groups
from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.dates import read_dates
from toolkit.records.lexicon import plain_words
from toolkit.records.mapping import read_mapping
from toolkit.records.personal_words import header_words
from toolkit.records.raw_table import RawTable
from toolkit.records.reading_files import read_frame
from toolkit.records.texts import change_texts, clean_text, listed, plain, words_of
from toolkit.result import Shown
from toolkit.safe_text import safe_cell

LOCAL_LAW = (
    "These records are pseudonymised, not anonymous: whoever holds the key can go back. The columns follow the list of "
    "45 CFR 164.514(b)(2); local law may ask for more, and decides who may see them."
)
"""Stands under every report of a de-identification."""

_CLIENT_HEADERS = ("client", "patient", "client id", "patient id", "client code", "patient code", "klient")
_CLIENT_WORDS = frozenset(
    words_of(
        "client patient klient klientin patientin patienten patiente paziente paciente pacjent pacient pt pat kunde "
        "kundin cliente utente asiakas potilas patients clients hasta danışan pasient klijent"
    )
)
_DATE_HEADERS = ("date", "session date", "visit date", "date of session", "date of visit", "datum", "fecha")
_REPORT = ["column", "done", "why", "distinct_values", "cells_removed"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Deidentified(Shown):
    """Records without direct identifiers.

    `rows` has `client` (pseudonym) and `day` (whole days since the client's first visit) first, then what was kept,
    sorted by pseudonym, so that the order of the export tells nothing; `report` says column by column what was done
    (column, done, why, distinct_values kept, cells_removed); `groups` counts how well clients are hidden among each
    other; `look` lists what a person must still look at; `n_clients`, `n_rows`; `names` are words of names that were
    found (for the names of files), never shown.
    """

    rows: pd.DataFrame
    report: pd.DataFrame
    groups: SmallGroups
    look: tuple[str, ...]
    n_clients: int
    n_rows: int
    names: frozenset[str]

    def sentence(self) -> str:
        """What was done, whether somebody stands out, and what a person must still look at."""
        dropped = int(self.report["done"].eq("left out").sum())
        seen = f"Look yourself at: {'; '.join(self.look)}. " if self.look else ""
        return (
            f"{self.n_rows} rows of {self.n_clients} clients: {dropped} of {len(self.report)} columns left out. "
            f"{self.groups.sentence()} {LOCAL_LAW} {seen}A person reads the file through before it goes anywhere."
        )

    def table(self) -> pd.DataFrame:
        """What was done and why, with the columns it was done to."""
        emptied = self.report["cells_removed"].map(lambda n: f"; {counted(n, 'cell')} emptied" if n else "")
        why = (self.report["why"] + emptied).rename("why")
        names = self.report["column"].astype(str).groupby([self.report["done"], why], sort=False).agg(", ".join)
        return names.rename("columns").reset_index()[["done", "columns", "why"]]


def deidentify(
    frame: pd.DataFrame,
    *,
    key: bytes,
    client: str | Sequence[str] = (),
    date: str = "",
    date_order: str = "",
    keep: Sequence[str] = (),
    hidden_by: int = 5,
    columns: str | Path | Table[str, Any] | None = None,
    codebook: Codebook | str | Path | None = None,
) -> Deidentified:
    """Take everything out of an export that may say who a client is; keep nothing that is not known.

    Clients, practitioners, examiners, sites and session numbers become keyed pseudonyms; the date becomes whole days
    since the client's first visit in these records; ages of 90 and more become 90; adverse events keep only whether
    there was one. Readings and words of the codebook stay; every other column is left out, unless `keep` names it.
    Direct identifiers are never kept. Cells that hold an e-mail, phone number, date, link or somebody's name are
    emptied, headers that hold one are replaced; texts that a spreadsheet would run are made harmless. The rows are
    sorted by pseudonym.

    Parameters
    ----------
    frame
        An export in any layout, with the user's own headers.
    key
        At least 32 bytes drawn by chance, see `toolkit.privacy.keys.key_from`.
    client
        The column that says who the client is, or several that do so together; found by its header if empty.
    date
        The column with the date of the session; found by its header if empty.
    date_order
        "day_first", "month_first" or "year_first", where the values themselves do not say.
    keep
        Columns to keep that the codebook does not explain.
    hidden_by
        Warn where a group of clients who are alike is smaller than this.
    columns
        A columns.toml or a mapping with the same content: what the user's own headers mean.
    codebook
        A loaded codebook, or the path of the user's additions.

    Returns
    -------
    Deidentified
        `rows` (what may be analysed), `report` (what was done to each column), `groups` (who could be singled out),
        `look` (what a person must still look at).

    Raises
    ------
    SheetError
        No client column, a wish to keep an identifier, a column that is not there, a short or weak key.
    ExportError
        No rows, or dates that can be read in two ways.

    References
    ----------
    45 CFR 164.514(b)(2)(i); k-anonymity after Sweeney 2002.

    Examples
    --------
    >>> import hashlib
    >>> office = pd.DataFrame({"Patient": ["Anna Berg", "Anna Berg", "Cem Duru"],
    ...     "Date": ["2026-03-04", "2026-03-11", "2026-03-05"], "Phone": ["0301 234567"] * 3,
    ...     "before": [60, 62, 55]})
    >>> done = deidentify(office, key=hashlib.sha256(b"an example").digest(), client="Patient", date="Date")
    >>> list(done.rows.columns), sorted(done.rows["day"].tolist())
    (['client', 'day', 'before'], [0, 0, 7])
    """
    secret, table = check_key(key), read_frame(frame)
    book = codebook if isinstance(codebook, Codebook) else load_codebook(codebook)
    given = None if columns is None else read_mapping(columns)
    mapping, means = understood(table, given=given, book=book)
    who = _client_columns(table, client, mapping.fields.get("client", ""))
    when = _date_column(table, date, mapping.fields.get("date", ""))
    _check_wishes(table, keep)
    names = _words_of_names(table, who, means, book)
    told = (
        frozenset() if given is None else frozenset([*given.fields.values(), *(one.column for one in given.readings)])
    )
    words = known_words(book, mapping)
    rules = Rules(who=who, when=when, means=means, told=told, keep=keep, names=names, words=words)
    people = _pseudonyms_of_clients(table, who, secret)
    headers = [str(name) for name in table.cells.columns]
    decisions = [decide(name, table.cells[name], people, rules=rules) for name in headers]
    shown = _shown_headers(headers, names)
    result, days_lost = _result(frame, table, decisions, people, when, date_order, secret, shown)
    described = [shown[one.column] for one in decisions if one.describes and _one_a_client(result, one, shown)]
    groups = small_groups(result, client="client", columns=described, hidden_by=hidden_by)
    return Deidentified(
        rows=_in_keyed_order(result),
        report=_report(decisions, result, when, days_lost, shown),
        groups=groups,
        look=_to_look_at(decisions, headers, shown),
        n_clients=int(result.loc[result["client"] != "", "client"].nunique()),
        n_rows=len(result),
        names=names,
    )


def _client_columns(table: RawTable, client: str | Sequence[str], understood_as: str) -> tuple[str, ...]:
    """The columns that say who the client is."""
    wanted = (client,) if isinstance(client, str) and client else tuple(client)
    _check_there(table, wanted)
    if wanted:
        return wanted
    found = [str(name) for name in table.cells.columns if plain(str(name)) in _CLIENT_HEADERS]
    named = set(header_words(understood_as)) & _CLIENT_WORDS
    found = found or ([understood_as] if named and understood_as in table.cells.columns else [])
    if len(found) != 1:
        raise SheetError(
            "Which column says who the client is? Name it (client = …), or several that do so together. "
            f"The columns are: {listed(map(str, table.cells.columns), most=40)}."
        )
    return (found[0],)


def _date_column(table: RawTable, date: str, understood_as: str) -> str:
    """The column of the session's date, "" where there is none."""
    _check_there(table, (date,) if date else ())
    if date:
        return date
    found = [str(name) for name in table.cells.columns if plain(str(name)) in _DATE_HEADERS]
    if len(found) == 1:
        return found[0]
    return understood_as if not found and understood_as in table.cells.columns else ""


def _check_there(table: RawTable, wanted: Sequence[str]) -> None:
    """Refuse the name of a column that is not there."""
    for name in wanted:
        if name not in table.cells.columns:
            raise SheetError(
                f"There is no column “{name}”. The columns are: {listed(map(str, table.cells.columns), most=40)}."
            )


def _check_wishes(table: RawTable, keep: Sequence[str]) -> None:
    """`keep` is a list of columns that are there."""
    if isinstance(keep, str):
        raise SheetError(f"Name the columns to keep as a list: [“{keep}”].")
    _check_there(table, keep)


def _words_of_names(table: RawTable, who: Sequence[str], means: Table[str, str], book: Codebook) -> frozenset[str]:
    """The words of names of clients, relatives and staff, three letters and more; words of the codebook are none."""
    texts = {
        clean_text(str(text))
        for name in table.cells.columns
        if name in who or names_from(str(name), means.get(str(name), ""))
        for text in table.cells[name].cat.categories
    }
    words = {word.casefold() for text in texts for word in re.findall(r"[^\W\d_]{3,}", text)}
    return frozenset(words) - _words_of_the_trade(book)


def _words_of_the_trade(book: Codebook) -> frozenset[str]:
    """The words of the codebook's names and labels, and of sides and titles, which are nobody's name."""
    frames = ((book.measures, "measure"), (book.regions, "region"), (book.interventions, "intervention"))
    texts = [str(text) for frame, name in frames for text in (*frame[name], *frame["label"])]
    trade = {word for text in texts for word in plain_words(text) if len(word) >= 3}
    return frozenset(trade | {"left", "right", "both", "none", "the", "and", "not", "yes", "herr", "frau", "mrs"})


def _pseudonyms_of_clients(table: RawTable, who: Sequence[str], key: bytes) -> pd.Series:
    """One pseudonym a client, each distinct client computed once; "" where nobody is named."""
    together = table.cells[who[0]].astype(str)
    for name in who[1:]:
        together = together + "\x1f" + table.cells[name].astype(str)
    empty = together.str.replace("\x1f", "", regex=False).map(clean_text) == ""
    known = {text: pseudonym(text.replace("\x1f", " | "), key=key, role="client") for text in together.unique()}
    return together.map(known).mask(empty, "").astype(object)


def _shown_headers(headers: Sequence[str], names: frozenset[str]) -> dict[str, str]:
    """Each header as it may be shown: one that holds a name or another identifier is called by its place."""
    return {
        header: f"column {place}" if names_in(header, names) else str(safe_cell(header))
        for place, header in enumerate(headers, start=1)
    }


def _result(
    frame: pd.DataFrame,
    table: RawTable,
    decisions: Sequence[Decision],
    people: pd.Series,
    when: str,
    date_order: str,
    key: bytes,
    shown: Table[str, str],
) -> tuple[pd.DataFrame, int]:
    """(the kept columns under the headers that may be shown, how many dates were lost)."""
    made: dict[str, object] = {"client": people}
    lost = 0
    if when:
        made["day"] = days = _days(table, when, people, date_order)
        lost = int(days.isna().sum())
    for decision in decisions:
        if decision.change is not None:
            made[shown[decision.column]] = _changed(frame, table.cells[decision.column], decision, key)
    return pd.DataFrame(made), lost


def _days(table: RawTable, when: str, people: pd.Series, order: str) -> pd.Series:
    """Whole days since the client's first visit, empty where there is no date or no client."""
    dates = read_dates(table.cells[when], header=when, file=table.file, order=order).date
    visits = pd.Series(dates.astype("datetime64[ns]"), index=people.index).where(people != "")
    first = visits.groupby(people).transform("min")
    return (visits - first).dt.days.astype("Int64")


def _changed(frame: pd.DataFrame, cells: pd.Series, decision: Decision, key: bytes) -> object:
    """One kept column: numbers as they came where nothing in them was emptied, texts cell by cell."""
    given = frame[decision.column] if decision.column in frame.columns else None
    numeric = given is not None and pd.api.types.is_numeric_dtype(given.dtype) and len(given) == len(cells)
    if decision.done == "kept" and given is not None and numeric and not decision.cells_removed:
        return given.reset_index(drop=True)
    if decision.role:
        return change_texts(cells, lambda text: pseudonym(text, key=key, role=decision.role)).astype(object)
    change = decision.change or (lambda text: text)
    return change_texts(cells, lambda text: str(safe_cell(change(text)))).astype(object)


def _one_a_client(result: pd.DataFrame, decision: Decision, shown: Table[str, str]) -> bool:
    """Whether a column describes a person: it is an age or the like, or nearly always the same within a client."""
    if decision.describes == "person":
        return True
    known = result[result["client"] != ""]
    column = shown[decision.column]
    values = known.groupby("client")[column].nunique()
    return bool(len(known) > len(values) and values.max() == 1 and known[column].nunique() > 1)


def _in_keyed_order(result: pd.DataFrame) -> pd.DataFrame:
    """Rows sorted by pseudonym, day and content: where a row stood in the export tells nothing any more."""
    keys = result.astype(object).where(result.notna(), "").astype(str)
    if "day" in result:
        keys["day"] = result["day"].fillna(-1).astype(np.int64)
    return result.loc[keys.sort_values(list(keys.columns), kind="stable").index].reset_index(drop=True)


def _to_look_at(decisions: Sequence[Decision], headers: Sequence[str], shown: Table[str, str]) -> tuple[str, ...]:
    """What no rule can judge: columns kept as asked, own words, headers that were replaced."""
    looks = [one.look.replace(f"“{one.column}”", f"“{shown[one.column]}”") for one in decisions if one.look]
    renamed = [shown[header] for header in headers if shown[header].startswith("column ") and shown[header] != header]
    return (*looks, *([f"headers that were replaced ({', '.join(renamed)})"] if renamed else []))


def _report(
    decisions: Sequence[Decision], result: pd.DataFrame, when: str, days_lost: int, shown: Table[str, str]
) -> pd.DataFrame:
    """One line a column: what was done, why, how many different values are kept, how many cells were emptied."""
    lines = []
    for one in decisions:
        place = {"pseudonym": "client", "days": "day"}.get(one.done, "") if one.change is None else shown[one.column]
        kept = int(result[place].replace("", pd.NA).nunique()) if place in result else 0
        removed = days_lost if one.column == when else one.cells_removed
        lines.append((shown[one.column], one.done, one.why, kept, removed))
    return pd.DataFrame(lines, columns=_REPORT).astype({"distinct_values": np.int64, "cells_removed": np.int64})
