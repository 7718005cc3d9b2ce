"""From an office export to records fit for analysis: nobody's name, no dates, no free text; a report of every column.

Direct identifiers are the eighteen kinds of 45 CFR 164.514(b)(2)(i) (US law, safe-harbour method). What comes out is
*pseudonymised*: whoever holds the key can go back, so under 164.514(c) and under many other laws it stays personal
data until the key is destroyed. Local law and one's own ethics board decide what may be shared, not this module.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.privacy.columns_to_keep import Decision, decide
from toolkit.privacy.pseudonyms import pseudonym
from toolkit.privacy.small_groups import SmallGroups, small_groups
from toolkit.records.dates import read_dates
from toolkit.records.raw_table import RawTable, clean_text
from toolkit.records.reading_files import read_frame
from toolkit.records.texts import change_texts, plain
from toolkit.result import Shown
from toolkit.safe_text import safe_cell

LOCAL_LAW = (
    "These records are pseudonymised, not anonymous: whoever holds the key can go back. The columns follow the list of "
    "45 CFR 164.514(b)(2); local law may ask for more, and decides who may see them."
)
"""Stands under every report of a de-identification."""

_CLIENT_HEADERS = ("client", "patient", "client id", "patient id", "client code", "patient code", "klient")
_DATE_HEADERS = ("date", "session date", "visit date", "date of session", "date of visit", "datum", "fecha")


@dataclass(frozen=True, kw_only=True, eq=False)
class Deidentified(Shown):
    """Records without direct identifiers.

    `rows` has `client` (pseudonym) and `day` (whole days since the client's first visit) first, then what was kept;
    `report` says column by column what was done (column, done, why, cells_removed); `groups` counts how well clients
    are hidden among each other; `n_clients`, `n_rows`.
    """

    rows: pd.DataFrame
    report: pd.DataFrame
    groups: SmallGroups
    n_clients: int
    n_rows: int

    def sentence(self) -> str:
        """What was done, and whether somebody stands out."""
        dropped = int(self.report["done"].eq("left out").sum())
        return (
            f"{self.n_rows} rows of {self.n_clients} clients: {dropped} of {len(self.report)} columns left out. "
            f"{self.groups.sentence()} {LOCAL_LAW}"
        )

    def table(self) -> pd.DataFrame:
        """What was done to each column."""
        return self.report


def deidentify(
    frame: pd.DataFrame,
    *,
    key: bytes,
    client: str | Sequence[str] = (),
    date: str = "",
    date_order: str = "",
    keep: Sequence[str] = (),
    hidden_by: int = 5,
) -> Deidentified:
    """Take everything out of an export that says directly who a client is.

    Clients, practitioners, examiners, sites and session numbers become keyed pseudonyms; the date becomes whole days
    since the client's first visit in these records; ages of 90 and more become 90; adverse events keep only whether
    there was one; columns of free text and all columns that look like one of the eighteen kinds are left out; cells
    in the remaining columns that hold an e-mail, phone number, date, link or a client's name are emptied; texts that
    a spreadsheet would run are made harmless.

    Parameters
    ----------
    frame
        An export in any layout, with the user's own headers.
    key
        At least 32 bytes, see `toolkit.privacy.pseudonyms.key_from`.
    client
        The column that says who the client is, or several that do so together; found by its header if empty.
    date
        The column with the date of the session; found by its header if empty.
    date_order
        "day_first", "month_first" or "year_first", where the values themselves do not say.
    keep
        Columns to keep that look like free text or like unique codes. Direct identifiers are never kept.
    hidden_by
        Warn where a group of clients who are alike is smaller than this.

    Returns
    -------
    Deidentified
        `rows` (what may be analysed), `report` (what was done to each column), `groups` (who could be singled out).

    Raises
    ------
    SheetError
        No client column, a wish to keep an identifier, a column that is not there, a short key.
    ExportError
        No rows, or dates that can be read in two ways.

    References
    ----------
    45 CFR 164.514(b)(2)(i); k-anonymity after Sweeney 2002.

    Examples
    --------
    >>> office = pd.DataFrame({"Patient": ["Anna Berg", "Anna Berg", "Cem Duru"],
    ...     "Date": ["2026-03-04", "2026-03-11", "2026-03-05"], "Phone": ["0301 234567"] * 3,
    ...     "before": [60, 62, 55]})
    >>> done = deidentify(office, key=bytes(32), client="Patient", date="Date")
    >>> list(done.rows.columns), done.rows["day"].tolist()
    (['client', 'day', 'before'], [0, 7, 0])
    """
    table = read_frame(frame)
    who = _client_columns(table, client)
    when = _date_column(table, date)
    _check_wishes(table, keep)
    names = _words_of_clients(table, who)
    columns = [str(name) for name in table.cells.columns]
    decisions = [decide(name, table.cells[name], who=who, when=when, keep=keep, names=names) for name in columns]
    people = _pseudonyms_of_clients(table, who, key)
    made: dict[str, object] = {"client": people}
    made |= _days(table, when, people, date_order) if when else {}
    for decision in decisions:
        if decision.change is not None:
            made[decision.column] = _changed(frame, table.cells[decision.column], decision, key)
    result = pd.DataFrame(made)
    described = [one.column for one in decisions if one.describes and _one_a_client(result, one)]
    return Deidentified(
        rows=result,
        report=_report(decisions, result, when),
        groups=small_groups(result, client="client", columns=described, hidden_by=hidden_by),
        n_clients=int(result.loc[result["client"] != "", "client"].nunique()),
        n_rows=len(result),
    )


def _client_columns(table: RawTable, client: str | Sequence[str]) -> tuple[str, ...]:
    """The columns that say who the client is."""
    wanted = (client,) if isinstance(client, str) and client else tuple(client)
    _check_there(table, wanted)
    if wanted:
        return wanted
    found = [str(name) for name in table.cells.columns if plain(str(name)) in _CLIENT_HEADERS]
    if len(found) != 1:
        raise SheetError(
            "Which column says who the client is? Name it (client = …), or several that do so together. "
            f"The columns are: {', '.join(map(str, table.cells.columns))}."
        )
    return (found[0],)


def _date_column(table: RawTable, date: str) -> str:
    """The column of the session's date, "" where there is none."""
    _check_there(table, (date,) if date else ())
    if date:
        return date
    found = [str(name) for name in table.cells.columns if plain(str(name)) in _DATE_HEADERS]
    return found[0] if len(found) == 1 else ""


def _check_there(table: RawTable, wanted: Sequence[str]) -> None:
    """Refuse the name of a column that is not there."""
    for name in wanted:
        if name not in table.cells.columns:
            raise SheetError(
                f"There is no column “{name}”. The columns are: {', '.join(map(str, table.cells.columns))}."
            )


def _check_wishes(table: RawTable, keep: Sequence[str]) -> None:
    """`keep` is a list of columns that are there."""
    if isinstance(keep, str):
        raise SheetError(f"Name the columns to keep as a list: [“{keep}”].")
    _check_there(table, keep)


def _words_of_clients(table: RawTable, who: Sequence[str]) -> frozenset[str]:
    """The words of clients' names, three letters and more, as they are compared; pseudonyms with digits give none."""
    texts = {clean_text(str(text)) for name in who for text in table.cells[name].cat.categories}
    words = {word.casefold() for text in texts for word in text.replace(",", " ").replace("-", " ").split()}
    return frozenset(word for word in words if len(word) >= 3 and word.isalpha())


def _pseudonyms_of_clients(table: RawTable, who: Sequence[str], key: bytes) -> pd.Series:
    """One pseudonym a client, each distinct client computed once; "" where nobody is named."""
    together = table.cells[who[0]].astype(str)
    for name in who[1:]:
        together = together + "\x1f" + table.cells[name].astype(str)
    empty = together.str.replace("\x1f", "", regex=False).map(clean_text) == ""
    known = {text: pseudonym(text.replace("\x1f", " | "), key=key, role="client") for text in together.unique()}
    return together.map(known).mask(empty, "").astype(object)


def _days(table: RawTable, when: str, people: pd.Series, order: str) -> dict[str, object]:
    """The column `day`: whole days since the client's first visit, empty where there is no date or no client."""
    dates = read_dates(table.cells[when], header=when, file=table.file, order=order).date
    visits = pd.Series(dates.astype("datetime64[ns]"), index=people.index).where(people != "")
    first = visits.groupby(people).transform("min")
    return {"day": (visits - first).dt.days.astype("Int64")}


def _changed(frame: pd.DataFrame, cells: pd.Series, decision: Decision, key: bytes) -> object:
    """One kept column: numbers as they came where they were numbers, texts cell by cell."""
    given = frame[decision.column] if decision.column in frame.columns else None
    if decision.done == "kept" and given is not None and pd.api.types.is_numeric_dtype(given.dtype):
        return given.reset_index(drop=True)
    if decision.role:
        return change_texts(cells, lambda text: pseudonym(text, key=key, role=decision.role)).astype(object)
    change = decision.change or (lambda text: text)
    return change_texts(cells, lambda text: str(safe_cell(change(text)))).astype(object)


def _one_a_client(result: pd.DataFrame, decision: Decision) -> bool:
    """Whether a column describes a person: it is an age, sex or the like, or nearly always the same within a client."""
    if decision.describes == "person":
        return True
    known = result[result["client"] != ""]
    values = known.groupby("client")[decision.column].nunique()
    return bool(len(known) > len(values) and values.max() == 1 and known[decision.column].nunique() > 1)


def _report(decisions: Sequence[Decision], result: pd.DataFrame, when: str) -> pd.DataFrame:
    """One line a column of the export: what was done, why, and how many cells were emptied."""
    lines = [
        {"column": one.column, "done": one.done, "why": one.why, "cells_removed": one.cells_removed}
        for one in decisions
    ]
    if when:
        lost = int(result["day"].isna().sum())
        place = next(place for place, one in enumerate(decisions) if one.column == when)
        lines[place]["cells_removed"] = lost
    return pd.DataFrame(lines, columns=["column", "done", "why", "cells_removed"]).astype({"cells_removed": np.int64})
