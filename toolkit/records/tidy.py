"""The last step: the tidy rows every room speaks, and one scope for everything that was set aside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.dates import days_since_first
from toolkit.records.ledger import SET_ASIDE_COLUMNS
from toolkit.records.mapping import DETAILS, READING_FIELDS, WHAT, WHO
from toolkit.records.same_order import content_hashes
from toolkit.records.texts import distinct, first_rows, from_texts, group_codes, plain_strings
from toolkit.records.units import conversion_factor, unit_name

TIDY_COLUMNS = ("file", "row", *WHO, "visit", *WHAT, *READING_FIELDS, *DETAILS, "marks")


def tidy_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with day and visit computed, texts as plain strings, in the fixed order of columns."""
    frame = rows.assign(day=_days(rows), visit=_visits(rows))
    columns: dict[str, object] = {}
    held: dict[tuple[str, int], Any] = {}
    for name in TIDY_COLUMNS:
        column = frame[name]
        columns[name] = plain_strings(column, held) if isinstance(column.dtype, pd.CategoricalDtype) else column
    return pd.DataFrame(columns, copy=False).reset_index(drop=True)


def _days(rows: pd.DataFrame) -> pd.Series:
    """Whole days since the client's first visit: from the dates, as given where there is no date."""
    since = days_since_first(rows["date"], group_codes(rows, ["client"]))
    return since.where(rows["date"].notna(), rows["day"]).astype("Int64")


def _visits(rows: pd.DataFrame) -> pd.Series:
    """1, 2, 3 … for each client's sessions in the order of their dates (days where there is no date).

    Sessions of one day are numbered by what they say, so that sorting the export changes nothing; where there is
    neither date nor day, the export's own order is all there is.
    """
    session, client = group_codes(rows, ["session_id", "client"]), group_codes(rows, ["client"])
    first = first_rows(session)
    dates = rows["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    when = np.where(rows["date"].notna(), dates, rows["day"].fillna(-1).to_numpy())
    told = rows["visit"].to_numpy().astype(np.int64)
    counted = ((rows["date"].isna() & rows["day"].isna()).to_numpy()) & (told > 0)
    when = np.where(counted, told, when)
    order = _in_time(rows, session, client, when)
    sorted_clients = client[first][order]
    starts = np.flatnonzero(np.r_[True, sorted_clients[1:] != sorted_clients[:-1]]) if len(order) else np.zeros(0, int)
    number = np.arange(len(order)) - np.repeat(starts, np.diff(np.r_[starts, len(order)])) + 1
    visit = np.empty(len(order), dtype=np.int64)
    visit[order] = number
    return pd.Series(np.where(counted, told, visit[session]), index=rows.index)


def _in_time(rows: pd.DataFrame, session: np.ndarray, client: np.ndarray, when: np.ndarray) -> np.ndarray:
    """The sessions in order: by client, day, what they say where two are of one day, and the export's order.

    Client, day and session are made one whole number where there is room: sorting one is a tenth of sorting three.
    """
    first = first_rows(session)
    who, days, many = client[first], when[first].astype(np.int64), len(first)
    low, span = (int(days.min()), int(np.ptp(days)) + 1) if many else (0, 1)
    if many and int(who.max() + 1) * span * many < 2**62:
        keys = np.sort((who * span + (days - low)) * many + np.arange(many))
        order: np.ndarray = keys % many
        again = order[1:][keys[1:] // many == keys[:-1] // many]
        if (days[again] == -1).all():
            return order
    return np.lexsort((first, _told_apart(rows, session, client, when), when[first], who))


def _told_apart(rows: pd.DataFrame, session: np.ndarray, client: np.ndarray, when: np.ndarray) -> np.ndarray:
    """A number for each session by what it says, 0 where no other session of the client has its day."""
    first = first_rows(session)
    days = pd.DataFrame({"client": client[first], "when": when[first]})
    tied = days.duplicated(keep=False).to_numpy() & (days["when"] != -1).to_numpy()
    said = np.zeros(len(first), dtype=np.uint64)
    if tied.any():
        mine = np.isin(client, np.unique(client[first][tied]))
        np.add.at(said, session[mine], content_hashes(rows[mine]))
    return np.where(tied, said, np.uint64(0))


def settle_scopes(entries: pd.DataFrame, rows: pd.DataFrame, members: pd.DataFrame) -> pd.DataFrame:
    """What was set aside, with one entry of scope "row" for each sheet row that is not used at all.

    An entry about a row joined from several readings stands for each of their sheet rows. Where another reading of the
    sheet row is kept, or the row has an entry already, the scope is "reading".
    """
    if entries.empty:
        return entries[SET_ASIDE_COLUMNS]
    if "wide_id" in entries and len(members):
        entries = _for_each_member(entries, members)
    direct = rows.loc[(rows["wide_id"] < 0) & rows["row"].isin(entries["row"]), ["file", "row"]]
    kept = pd.MultiIndex.from_frame(direct.astype({"file": "str"}))
    kept_members = members.loc[members["wide_id"].isin(rows["wide_id"]), ["file", "row"]]
    mine = pd.MultiIndex.from_frame(entries[["file", "row"]])
    used = mine.isin(kept) | mine.isin(pd.MultiIndex.from_frame(kept_members))
    again = entries.duplicated(["file", "row"]).to_numpy()
    entries = entries.assign(scope=np.where(used | again, "reading", "row"))
    return entries.sort_values(["file", "row"], kind="stable", ignore_index=True)[SET_ASIDE_COLUMNS]


def _for_each_member(entries: pd.DataFrame, members: pd.DataFrame) -> pd.DataFrame:
    """Entries about joined rows, once for each of the sheet rows they were joined from."""
    about_joined = entries["wide_id"].fillna(-1) >= 0
    joined = entries.loc[about_joined].drop(columns=["file", "row"]).merge(members, on="wide_id", how="left")
    stacked = pd.concat([entries.loc[~about_joined], joined.assign(readings=1)], ignore_index=True)
    return stacked.astype({"row": "int64"})


def as_written(rows: pd.DataFrame, codebook: Codebook) -> tuple[pd.DataFrame, Codebook]:
    """The readings of every measure that was written in one unit throughout, in that unit; and the codebook in it.

    Args:
        rows: rows in the codebook's units, with `written`, the unit each was written in ("" = none told).
        codebook: the measures; of those changed, unit, range and resolution are turned into the user's unit.
    """
    changed: dict[str, tuple[str, float]] = {}
    for measure, units in _units_by_measure(rows).items():
        unit = units[0]
        factor = conversion_factor(codebook.measure(measure).unit, unit) if len(units) == 1 and unit else None
        if factor is not None and unit_name(unit) and not np.isclose(factor, 1.0):
            changed[measure] = (unit, factor)
    if not changed:
        return rows, codebook
    measures = rows["measure"].astype(str)
    scale = measures.map({name: factor for name, (_, factor) in changed.items()}).fillna(1.0).to_numpy()
    readings = {name: np.round(rows[name].to_numpy() * scale, 12) for name in READING_FIELDS}
    named = measures.map({name: unit for name, (unit, _) in changed.items()}).fillna(rows["unit"].astype(str))
    table = codebook.measures.copy()
    for name, (unit, factor) in changed.items():
        mine = table["measure"] == name
        table.loc[mine, ["low", "high", "resolution"]] *= factor
        table.loc[mine, "unit"] = unit
    return rows.assign(**readings, unit=from_texts(named.tolist())), replace(codebook, measures=table)


def _units_by_measure(rows: pd.DataFrame) -> dict[str, list[str]]:
    """measure → the different units its rows were written in."""
    codes, names = distinct(rows["measure"])
    places, units = distinct(rows["written"])
    found: dict[str, list[str]] = {}
    for pair in np.unique(codes.astype(np.int64) * max(len(units), 1) + places).tolist():
        found.setdefault(names[pair // len(units)], []).append(units[pair % len(units)])
    return found
