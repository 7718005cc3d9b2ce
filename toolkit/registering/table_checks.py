"""A table of a database as it is read: what an export's check would set aside is set aside here, by the engine.

Readings outside their measure's plausible range and rows in another unit are left out where they stand. Sessions whose
rows repeat or contradict each other are few: the engine finds them, their rows are fetched, and the checks of an export
judge them. What stays is the table without those sessions and their good rows beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from toolkit.errors import RegistryError
from toolkit.records.checks import SAME_PLACE
from toolkit.records.codebook import Codebook
from toolkit.records.mapping import READING_FIELDS
from toolkit.registering.between_exports import MOST_SHARED, judged
from toolkit.registering.engine import Engine

_ONE_PER_SESSION = ("client", "practitioner", "order", "date")


@dataclass(frozen=True, kw_only=True, eq=False)
class TableChecks:
    """What was read by site (site, rows_read, readings_read), what was set aside and what is only said.

    `set_aside`: site, measure, column, reason, remedy, scope ("row" or "reading"), rows, readings; one line a reason.
    `flags`: column, what.
    """

    read: pd.DataFrame
    set_aside: pd.DataFrame
    flags: pd.DataFrame

    def only(self, sites: Sequence[str]) -> TableChecks:
        """The checks of these sites; what is only said of columns stays."""
        read, aside = (frame[frame["site"].isin(list(sites))] for frame in (self.read, self.set_aside))
        return TableChecks(read=read, set_aside=aside, flags=self.flags)


def checked(engine: Engine, table: Any, codebook: Codebook, *, name: str) -> tuple[Any, TableChecks]:
    """The rows of a table that can be used, lazy, and the accounts of the others.

    Raises
    ------
    RegistryError
        So many sessions repeat or contradict themselves that the table is no table of sessions.
    """
    read = engine.frame(_counts(table))
    in_unit, units = _in_their_unit(engine, table, codebook)
    plausible, ranges = _plausible(engine, in_unit, codebook)
    used, sessions = _agreeing(engine, plausible, name=name)
    columns = ["site", "measure", "column", "reason", "remedy", "scope", "rows", "readings"]
    found = [one for one in (units, ranges, sessions) if len(one)]
    aside = pd.concat(found, ignore_index=True)[columns] if found else pd.DataFrame(columns=columns)
    return used, TableChecks(read=read, set_aside=aside, flags=_side_flags(engine, used, codebook))


def _readings(table: Any) -> Any:
    """How many readings each row holds."""
    first, *rest = (table[name].notnull().cast("int64") for name in READING_FIELDS)
    return sum(rest, first)


def _counts(table: Any) -> Any:
    return table.group_by("site").agg(rows_read=table.count(), readings_read=_readings(table).sum())


def _limits(engine: Engine, table: Any, codebook: Codebook) -> Any:
    """Rows with what the codebook says of their measure; a measure it does not hold has no limits."""
    book = codebook.measures
    lent = pd.DataFrame(
        {
            "its_measure": book["measure"].astype(str),
            "its_unit": book["unit"].astype(str),
            "its_low": book["low"].astype(float) - 1e-9,
            "its_high": book["high"].astype(float) + 1e-9,
            "is_sign": book["kind"] == "sign",
        }
    )
    known = engine.lent(lent)
    return table.left_join(known, table.measure == known.its_measure)


def _in_their_unit(engine: Engine, table: Any, codebook: Codebook) -> tuple[Any, pd.DataFrame]:
    """Rows in their measure's unit (or that name none); the others are another measure for all one knows."""
    held = _limits(engine, table, codebook)
    other = (held.unit != "") & (held.unit != held.its_unit).fill_null(False)
    gone = held.filter(other).mutate(_n=_readings(held.filter(other)))
    told = engine.frame(
        gone.group_by(["site", "measure", "unit", "its_unit"]).agg(
            rows=lambda t: t.count(), readings=lambda t: t["_n"].sum()
        )
    )
    if told.empty:
        return table, told
    reasons = [
        f"written in {one.unit}, the registry holds {one.measure} in {one.its_unit}" for one in told.itertuples()
    ]
    told = told.assign(column="unit", reason=reasons, remedy="turn the readings into that unit", scope="row")
    return held.filter(~other).select(*table.columns), told


def _plausible(engine: Engine, table: Any, codebook: Codebook) -> tuple[Any, pd.DataFrame]:
    """Rows without the readings that lie outside their measure's range, or are neither yes nor no."""
    import ibis

    held = _limits(engine, table, codebook)
    outside = {
        name: (
            ~held[name].between(held.its_low, held.its_high) | (held.is_sign & ~held[name].isin([0.0, 1.0]))
        ).fill_null(False)
        for name in READING_FIELDS
    }
    by_measure = held.group_by(["site", "measure", "its_low", "its_high", "its_unit"])
    counts = engine.frame(by_measure.agg(**{name: bad.cast("int64").sum() for name, bad in outside.items()}))
    lines = [
        {
            "site": one["site"],
            "measure": one["measure"],
            "column": name,
            "reason": f"outside the plausible range of {one['measure']} ({one['its_low']:g} to {one['its_high']:g} "
            f"{one['its_unit']})",
            "remedy": "correct the reading or its unit; if the range is too narrow, extend the codebook",
            "scope": "reading",
            "rows": 0,
            "readings": int(one[name]),
        }
        for one in counts.to_dict("records")
        for name in READING_FIELDS
        if one[name]
    ]
    if not lines:
        return table, pd.DataFrame()
    kept = {name: ibis.ifelse(bad, ibis.null("float64"), held[name].cast("float64")) for name, bad in outside.items()}
    return held.mutate(**kept).select(*table.columns), pd.DataFrame(lines)


def _agreeing(engine: Engine, table: Any, *, name: str) -> tuple[Any, pd.DataFrame]:
    """Rows whose session neither repeats nor contradicts itself, judged by the checks of an export."""
    place = [one for one in SAME_PLACE if one != "day"]
    again = table.group_by(place).agg(_n=table.count())
    odd = again.filter(again["_n"] > 1).select("session_id")
    session = table.group_by("session_id").agg(
        **{f"{one}_{end}": getattr(table[one], end)() for one in _ONE_PER_SESSION for end in ("min", "max")}
    )
    several = [session[f"{one}_min"] != session[f"{one}_max"] for one in _ONE_PER_SESSION]
    torn = session.filter(several[0] | several[1] | several[2] | several[3].fill_null(False)).select("session_id")
    shown = odd.union(torn).distinct()
    n = int(engine.frame(shown.agg(n=shown.count()))["n"].iloc[0])
    if not n:
        return table, pd.DataFrame()
    if n > MOST_SHARED:
        raise RegistryError(
            f"In the table {name} {n:,} sessions stand in rows that repeat or contradict each other. Give it one row "
            "for each session, measure and measured side."
        )
    rows = engine.frame(table.semi_join(shown, "session_id")).sort_values(["session_id", *place[1:]], ignore_index=True)
    gone = judged(rows.assign(file=name, row=0))
    gone = gone.assign(reason=gone["reason"].str.replace(r"^the same as .*", "the same as another row", regex=True))
    keys = ["site", "measure", "reason", "remedy"]
    told = gone.groupby(keys, as_index=False).agg(rows=("readings", "size"), readings=("readings", "sum"))
    told = told.assign(column="(whole row)", scope="row")
    good = rows.drop(index=gone.index)
    kept = table.anti_join(engine.lent(rows[["session_id"]].drop_duplicates()), "session_id")
    if good.empty:
        return kept, told
    lent = engine.lent(good)
    schema = table.schema()
    return kept.union(lent.select(**{one: lent[one].cast(schema[one]) for one in table.columns})), told


def _side_flags(engine: Engine, table: Any, codebook: Codebook) -> pd.DataFrame:
    """How many rows lack the side that their measure or treatment has."""
    book = codebook.measures
    sided = book.loc[book["sided"] == "yes", "measure"].astype(str).tolist() if "sided" in book else []
    none = table.measured_side.isin(["", "none"]) & table.measure.isin(sided)
    untold = (table.treated_side == "") & (table.intervention != "measured_only")
    counts = engine.frame(table.agg(none=none.cast("int64").sum(), untold=untold.cast("int64").sum())).iloc[0]
    told = {
        "measured_side": (counts["none"], "row(s) of measures that are read on each side name no measured side"),
        "treated_side": (counts["untold"], "row(s) name no treated side"),
    }
    lines = [{"column": one, "what": f"{int(n)} {what}"} for one, (n, what) in told.items() if n and n == n]
    return pd.DataFrame(lines, columns=["column", "what"])


def by_site(checks: TableChecks) -> Sequence[dict[str, Any]]:
    """The accounts of each site: read, kept and set aside, of rows and of readings."""
    aside = checks.set_aside.groupby("site")[["rows", "readings"]].sum()
    lines = []
    for one in checks.read.to_dict("records"):
        rows, readings = (int(aside[name].get(one["site"], 0)) for name in ("rows", "readings"))
        lines.append(
            {
                "site": one["site"],
                "rows_read": int(one["rows_read"]),
                "rows_kept": int(one["rows_read"]) - rows,
                "rows_set_aside": rows,
                "readings_read": int(one["readings_read"]),
                "readings_kept": int(one["readings_read"]) - readings,
                "readings_set_aside": readings,
            }
        )
    return lines
