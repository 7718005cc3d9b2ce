"""Sums that the engine makes: by site, client and arm, quantiles; the visits of clients who stand in two exports."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from toolkit.errors import RegistryError
from toolkit.records.mapping import READING_FIELDS


def site_summaries(table: Any) -> Any:
    """One row a site: rows, readings, sessions, clients, practitioners, first and last year."""
    taken = [table[name].notnull().cast("int64") for name in READING_FIELDS]
    readings = taken[0] + taken[1] + taken[2] + taken[3]
    return (
        table.mutate(_taken=readings)
        .group_by("site")
        .agg(
            rows=lambda t: t.count(),
            readings=lambda t: t["_taken"].sum(),
            sessions=lambda t: t["session_id"].nunique(),
            clients=lambda t: t["client"].nunique(),
            practitioners=lambda t: t["practitioner"].nunique(),
            first_year=lambda t: t["year"].min(),
            last_year=lambda t: t["year"].max(),
        )
    )


def client_summaries(table: Any, measure: str) -> Any:
    """One row a client: site, rows, sessions, mean before, after and change of the rows with both readings."""
    both = table.filter(table.measure == measure, table.before.notnull(), table.after.notnull())
    return both.group_by(["site", "client"]).agg(
        rows=both.count(),
        sessions=both.session_id.nunique(),
        mean_before=both.before.mean(),
        mean_after=both.after.mean(),
        change=(both.after - both.before).mean(),
    )


def flow_by_arm(compared: Any) -> Any:
    """How far each arm came: rows, sessions, clients, with a reading before, in the estimate, read blind."""
    marked = compared.mutate(
        _before=compared.base.notnull().cast("int64"),
        _both=compared.y.notnull().cast("int64"),
        _blind=(compared.y.notnull() & (compared.blinded == "yes")).cast("int64"),
    )
    return (
        marked.group_by("arm")
        .agg(
            rows=lambda t: t.count(),
            sessions=lambda t: t["session_id"].nunique(),
            clients=lambda t: t["client"].nunique(),
            read_before=lambda t: t["_before"].sum(),
            in_the_estimate=lambda t: t["_both"].sum(),
            read_blind=lambda t: t["_blind"].sum(),
        )
        .order_by("arm")
    )


def quantiles(table: Any, measure: str, column: str, *, by: Sequence[str], at: Sequence[float]) -> Any:
    """One row a group: n and a column for each quantile (q05, q25 …).

    Raises
    ------
    RegistryError
        The column is none of the readings.
    """
    if column not in READING_FIELDS:
        raise RegistryError(f"“{column}” is no column of readings. Choose {', '.join(READING_FIELDS)}.")
    mine = table.filter(table.measure == measure, table[column].notnull())
    cuts = {f"q{round(100 * share):02d}": mine[column].quantile(share) for share in at}
    found = mine.group_by(list(by)).agg(n=mine.count(), **cuts) if by else mine.agg(n=mine.count(), **cuts)
    return found.order_by(list(by)) if by else found


def visits_again(table: Any, sites: Sequence[str]) -> Any:
    """Visits and days counted over all exports of the sites that have several; as stored elsewhere."""
    import ibis

    if not sites:
        return table
    here = table.filter(table.site.isin(list(sites)))
    rest = table.filter(~table.site.isin(list(sites)))
    in_time = ibis.window(group_by=here.client, order_by=[here.date, here.export, here.visit])
    client = ibis.window(group_by=here.client)
    since = here.date.cast("date").delta(here.date.cast("date").min().over(client), unit="day")
    counted = here.mutate(
        visit=(ibis.dense_rank().over(in_time) + 1).cast("int64"),
        day=ibis.coalesce(since.cast("int64"), here.day.cast("int64")),
    )
    return rest.mutate(visit=rest.visit.cast("int64"), day=rest.day.cast("int64")).union(counted.select(*rest.columns))
