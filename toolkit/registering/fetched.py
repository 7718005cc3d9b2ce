"""The rows of one question, fetched and put together as the records of one clinic are."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.account import Records, Source, no_sites
from toolkit.records.ledger import FLAG_COLUMNS, SET_ASIDE_COLUMNS
from toolkit.records.lost_rows import COLUMNS as LOST_COLUMNS
from toolkit.records.lost_rows import no_rows_lost
from toolkit.records.mapping import Mapping
from toolkit.records.sites import ACCOUNT_COLUMNS
from toolkit.records.tidy import TIDY_COLUMNS
from toolkit.registering.held import Held
from toolkit.registering.layout import NUMBERS, Export


def records_for(found: Held, measures: Sequence[str]) -> Records | None:
    """The records that questions on these measures need; None where one question is asked of too many rows.

    Raises
    ------
    RegistryError
        Several questions are asked of too many rows.
    """
    named = list(dict.fromkeys(found.codebook.find_measure(one) or one for one in measures))
    records = records_of(found, named)
    if records is None and len(measures) > 1:
        raise RegistryError(
            f"More than {found.most_rows:,} rows of {' and '.join(named)} are in use, too many to be fetched. Ask one "
            "question at a time: it is then answered from the engine's sums."
        )
    return records


def rows_of(found: Held, measures: Sequence[str]) -> int:
    """How many rows in use are of these measures (of all where none is named)."""
    table = found.readings if not measures else found.readings.filter(found.readings.measure.isin(list(measures)))
    return int(found.engine.frame(table.agg(n=table.count()))["n"].iloc[0])


def records_of(found: Held, measures: Sequence[str] = ()) -> Records | None:
    """The records that questions on these measures need; None where they are too many to be fetched.

    A registry of few rows is fetched whole, so that every line of the answer is that of one clinic's audit. Of a larger
    one only rows of these measures come, and what an answer says of all records then speaks of those.
    """
    table = found.readings
    if rows_of(found, ()) > found.most_rows:
        if not measures:
            raise RegistryError(
                f"The registry holds more than {found.most_rows:,} rows. Ask one question (question=…): every measure, "
                "region and intervention at once would be judged on too many rows."
            )
        if rows_of(found, measures) > found.most_rows:
            return None
        table = table.filter(table.measure.isin(list(measures)))
    rows = _tidy(found.engine.frame(table.order_by(["export", "place"])))
    if rows.empty:
        raise RegistryError(f"The registry holds no row of {' or '.join(measures) or 'any measure'} that can be used.")
    return _together(found, rows, sites=_sites(found))


def records_by_site(found: Held, measure: str) -> Iterator[tuple[str, Records]]:
    """Each site's rows of one measure as that site's own records: fetched at once where they are few, else by site."""
    measure = found.codebook.find_measure(measure) or measure
    mine = found.readings.filter(found.readings.measure == measure)
    counts = found.engine.frame(mine.group_by("site").agg(n=mine.count())).sort_values("site")
    in_order = mine.order_by(["export", "place"])
    if counts["n"].sum() <= found.most_rows:
        rows = _tidy(found.engine.frame(in_order))
        parts = {str(site): part.reset_index(drop=True) for site, part in rows.groupby("site")}
    else:
        parts = {}
    for site in counts["site"].astype(str):
        part = parts.get(site)
        if part is None:
            part = _tidy(found.engine.frame(in_order.filter(in_order.site == site)))
        records = _together(found.only([site]), part, sites=no_sites())
        if any(site in one.sites and len(one.sites) > 1 for one in found.exports):  # codes tell whose a lost row is
            own = records.lost["client"].astype(str).str.startswith(f"{site}/")
            records = replace(records, lost=records.lost[own].reset_index(drop=True))
        yield site, records


def _together(found: Held, rows: pd.DataFrame, *, sites: pd.DataFrame) -> Records:
    """Rows with what their exports' ledgers say."""
    there = [one for one in found.exports if not set(one.sites) <= set(found.left_out["site"])]
    there = sorted(there, key=lambda one: (one.sites, one.name))
    ledgers = [_ledger(one) for one in there]
    return Records(
        rows=rows,
        set_aside=_set_aside(found, ledgers) if found.exports else _aside_of_table(found, rows),
        flags=_kind(ledgers, "flag").rename(columns={"reason": "what"})[FLAG_COLUMNS]
        if found.checks is None
        else found.checks.flags.assign(file=found.where, row=0, value="")[FLAG_COLUMNS],
        source=_source(found, there, rows),
        codebook=found.codebook,
        mapping=Mapping(layout="wide", origin="registry", ignored=tuple(_columns_named(ledgers))),
        lost=_lost(ledgers),
        sites=sites,
    )


def _tidy(frame: pd.DataFrame) -> pd.DataFrame:
    """What the engine sent as tidy rows."""
    out: dict[str, Any] = {}
    for name in TIDY_COLUMNS:
        if name == "time_of_day":  # a registry keeps no hours
            out[name] = np.full(len(frame), np.nan)
            continue
        column = frame[name]
        if name in NUMBERS:
            out[name] = column.astype("float64")
        elif name == "date":
            out[name] = pd.to_datetime(column).astype("datetime64[s]")
        elif name == "day":
            out[name] = column.astype("Int64")
        elif name in ("row", "visit"):
            out[name] = column.fillna(0).astype("int64")
        else:
            out[name] = column.fillna("").astype("str")
    return pd.DataFrame(out)


def _ledger(export: Export) -> pd.DataFrame:
    """What an export's ledger holds; a ledger that cannot be read is an error, for its losses would go unseen."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        frame: pd.DataFrame = parquet.read_table(export.ledger).to_pandas()
        return frame
    except (OSError, pa.ArrowInvalid, TypeError):
        raise RegistryError(
            f"The ledger of {', '.join(export.sites)} (export {export.name}) cannot be read, so what was set aside "
            "there would go unseen. Bring the file back from a copy."
        ) from None


def _kind(ledgers: Sequence[pd.DataFrame], kind: str) -> pd.DataFrame:
    """The entries of one kind."""
    every = pd.concat([one[one["kind"] == kind] for one in ledgers], ignore_index=True) if ledgers else pd.DataFrame()
    if every.empty:
        names = [*SET_ASIDE_COLUMNS, "says"]
        return pd.DataFrame({n: pd.Series(dtype="int64" if n in ("row", "readings") else "str") for n in names})
    return every.astype({"row": "int64"})


def _set_aside(found: Held, ledgers: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """What was set aside when exports were read, and between exports."""
    own = _kind(ledgers, "set aside")
    own = own.assign(readings=own["readings"].fillna(0).astype("int64"))[SET_ASIDE_COLUMNS]
    between = found.set_aside_between
    if between.empty:
        return own
    more = between.assign(column="(whole row)", value="", scope="row")[SET_ASIDE_COLUMNS]
    return pd.concat([own, more], ignore_index=True)


def _aside_of_table(found: Held, rows: pd.DataFrame) -> pd.DataFrame:
    """What was set aside of a database's table, of the measures fetched: an entry a row or kind of reading."""
    if found.checks is None or found.checks.set_aside.empty:
        return _kind((), "set aside").assign(readings=0)[SET_ASIDE_COLUMNS]
    aside = found.checks.set_aside
    aside = aside[aside["measure"].isin(set(rows["measure"].astype(str)))]
    n = aside["rows"].clip(lower=1).astype(int)
    each = aside.loc[aside.index.repeat(n)].reset_index(drop=True)
    first = ~each.duplicated(["site", "measure", "column", "reason"])
    readings = each["readings"].where(first, 0).astype("int64")  # of several rows the readings stand at the first
    return each.assign(file=found.where, row=0, value="", readings=readings)[SET_ASIDE_COLUMNS]


def _columns_named(ledgers: Sequence[pd.DataFrame]) -> list[str]:
    """The column names that ledgers use: they were made fit to be shown when they were stored."""
    return list(dict.fromkeys(str(name) for one in ledgers for name in one["column"] if name))


def _lost(ledgers: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows set aside whole, with what they still tell."""
    said = _kind(ledgers, "lost")["says"]
    if said.empty:
        return no_rows_lost()
    frame = pd.DataFrame([json.loads(one) for one in said]).reindex(columns=list(LOST_COLUMNS))
    dates = pd.to_datetime(frame["date"], errors="coerce")
    words = {name: frame[name].fillna("").astype("str") for name in LOST_COLUMNS if name not in ("row", "date")}
    return frame.assign(**words, date=dates, row=frame["row"].astype("int64"))


def _source(found: Held, exports: Sequence[Export], rows: pd.DataFrame) -> Source:
    """Where the rows came from: all exports together, with what was set aside between them."""
    if not exports:
        n, readings = len(rows), int(rows[["before", "before_2", "after_wait", "after"]].notna().to_numpy().sum())
        aside = _aside_of_table(found, rows)
        gone, lost = int((aside["scope"] == "row").sum()), int(aside["readings"].sum())
        files = pd.DataFrame({"file": [found.where], "sha256": [""]})
        return Source(
            files=files,
            sha256="",
            layout="wide",
            rows_read=n + gone,
            rows_kept=n,
            rows_set_aside=gone,
            readings_read=readings + lost,
            readings_kept=readings,
            readings_set_aside=lost,
        )
    told = [one.source for one in exports]
    between = found.set_aside_between
    hashes = [line["sha256"] for one in told for line in one["files"]]
    numbers = {name: sum(int(one[name]) for one in told) for name in told[0] if name.startswith(("rows_", "readings_"))}
    numbers["rows_kept"] -= len(between)
    numbers["rows_set_aside"] += len(between)
    numbers["readings_kept"] -= int(between["readings"].sum()) if len(between) else 0
    numbers["readings_set_aside"] += int(between["readings"].sum()) if len(between) else 0
    joined = hashes[0] if len(set(hashes)) == 1 else hashlib.sha256("".join(hashes).encode()).hexdigest()
    return Source(
        files=pd.DataFrame([line for one in told for line in one["files"]]),
        sha256=joined,
        layout=" + ".join(dict.fromkeys(one["layout"] for one in told)),
        **numbers,
    )


def _sites(found: Held) -> pd.DataFrame:
    """The accounts by site where there are several."""
    accounts: pd.DataFrame = found.accounts()
    if len(accounts) < 2:
        return no_sites()
    accounts = accounts.assign(readings_set_aside=accounts["readings_set_aside"] + accounts["readings_between"])
    return accounts[list(ACCOUNT_COLUMNS)].astype({n: np.int64 for n in ACCOUNT_COLUMNS if n != "site"})
