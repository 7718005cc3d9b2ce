"""What somebody chose, of more rows than can be fetched: the ways that bracket it, and in what the arms differ."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.borne_out import apart_in_time
from toolkit.effect.chosen_from_sums import ChosenFound, chosen_from_sums
from toolkit.effect.client_sums import ByClient, Floats, by_client, labelled, pairs_of, unpacked
from toolkit.effect.doubts import CHOSEN_BY_SECOND, DIFFERENT_PEOPLE, too_few_on_both
from toolkit.effect.robust_from_sums import Clusters, Solution, robust
from toolkit.errors import FitError
from toolkit.registering.cells import KEYS, summed
from toolkit.registering.engine import Engine
from toolkit.registering.read_by_sums import without_practitioner
from toolkit.registering.sent_sums import Summed

TWICE = 0.8  # share of each arm that was read twice before, from which on the estimate rests on that
FEWEST_TWICE = 20
CHOSEN_BY = ("base", "gap", "log_visit")


def read_twice(days: pd.DataFrame) -> bool:
    """Were at least 80 % of the rows with a change read twice before, in each arm? From totals by day."""
    whole = days[days["whole"]].groupby("arm")[["n", "has_second"]].sum()
    return bool((whole["has_second"] / whole["n"]).min() >= TWICE)


def only_read_twice(rows: Any, *, alone: bool) -> Any:
    """Rows of sessions that were read twice before; `alone`: is each session one row?"""
    import ibis

    if alone:
        return rows.filter(rows.has_second > 0.5)
    session = ibis.window(group_by=[rows[name] for name in (*KEYS[1:3], "session_id", "arm")])
    marked = rows.mutate(_twice=rows.has_second.mean().over(session))
    return marked.filter(marked["_twice"] > 0.5).drop("_twice")


def with_visits(rows: Any) -> Any:
    """Visits whose number is not known take the client's usual one, else that of all."""
    import ibis

    at = rows.visit.cast("float64")
    usual = at.mean().over(ibis.window(group_by=rows.client))
    return rows.mutate(visit=ibis.coalesce(at, usual, at.mean().over(ibis.window())))


def chosen_fits(
    sent: Summed, ways: Sequence[str], *, names: Sequence[str], one_row: bool, second_baseline: bool, n_sessions: int
) -> tuple[list[ChosenFound], ChosenFound | None]:
    """The ways that bracket what was chosen: of the sessions with a change, then of all with what is missing filled in.

    Last those without a practitioner who carries most of the difference, where there is one. `n_sessions`: how many
    have a change, those that were read once before among them.
    """
    cells = sent.only(("y",), names, tables=(0,))
    ask = partial(
        chosen_from_sums, second_baseline=second_baseline, n_left_out=n_sessions - cells.n if second_baseline else 0
    )
    found = [ask(cells)]
    for change in ways:
        tables, lent = ((0, 1), ("y", change)) if one_row else ((1,), (change,))
        filled = sent.only(lent, names, tables=tables)
        found.append(ask(filled, near=found[0].thetas))
    without = without_practitioner(cells, _quoted(found[0]), ask, _quoted) if _quoted(found[0]) > 0 else None
    return found, without


def _quoted(found: ChosenFound) -> float:
    return found.adjusted.nearest.value


def differs_in(engine: Engine, rows: Any, by_clients: ByClient | None, *, alone: bool) -> tuple[str, ...]:
    """What was known before and differs between the arms, as `borne_out.imbalance_of` has it.

    Parameters
    ----------
    rows
        All compared rows. `by_clients`: those that were read twice before, summed up; None where hardly any was.
    alone
        Is each session one row?
    """
    found = [_different_people(engine, rows)]
    if by_clients is not None and chosen_by_second(by_clients):
        found.append(CHOSEN_BY_SECOND)
    return tuple(one for one in found if one) + apart_in_time(_moments(engine, rows, alone=alone))


def _different_people(engine: Engine, rows: Any) -> str:
    """Do hardly any clients stand in both arms?"""
    clients = rows.group_by("client").agg(low=rows.arm.min(), high=rows.arm.max())
    counted = clients.agg(n=clients.count(), both=(clients.low != clients.high).cast("int64").sum())
    n, both = engine.frame(counted).iloc[0][["n", "both"]].fillna(0).astype(int)
    return DIFFERENT_PEOPLE.format(both=both, n=n) if too_few_on_both(int(both), int(n)) else ""


def _moments(engine: Engine, rows: Any, *, alone: bool) -> dict[str, dict[int, tuple[int, float, float]]]:
    """Of the day in a client's course, the day on the calendar and the visit: n, mean and variance in each arm."""
    import ibis

    if not alone:
        keys = [name for name in rows.columns if name in ("client", "session_id")]
        rows = rows.group_by(keys).agg(arm=rows.arm.min(), date=rows.date.min(), visit=rows.visit.min())
    day = rows.date.cast("date")
    first = day.min().over(ibis.window(group_by=rows.client))
    timed = rows.select(
        "arm",
        course=day.delta(first, unit="day").cast("float64"),
        calendar=day.delta(ibis.date("2000-01-01"), unit="day").cast("float64"),
        visit=rows.visit.cast("float64"),
    )
    names = ("course", "calendar", "visit")
    moments = {f"{name} {what}": getattr(timed[name], what)() for name in names for what in ("count", "mean", "var")}
    told = engine.frame(timed.group_by("arm").agg(**moments)).to_dict("records")
    return {
        said: {
            int(line["arm"]): (int(line[f"{name} count"]), float(line[f"{name} mean"]), float(line[f"{name} var"]))
            for line in told
        }
        for name, said in zip(
            names, ("days since the client's first visit", "the day on the calendar", "visit number"), strict=True
        )
    }


def second_readings(sent: Summed, ways: Sequence[str], *, one_row: bool) -> ByClient:
    """All sessions, with a change or without, by client: their readings before."""
    if not ways:
        return by_client(sent.only(("y",), ("base", "gap"), tables=(0,)))
    change = ways[0]  # any will do: what a missing change is taken to be is not looked at
    tables, lent = ((0, 1), ("y", change)) if one_row else ((1,), (change,))
    return by_client(sent.only(lent, ("base", "gap"), tables=tables))


def second_readings_of(engine: Engine, rows: Any, means: dict[str, float]) -> ByClient:
    """The same of rows that were not summed up for the estimate."""
    near = {name: means[name] for name in ("base", "gap", "y")}
    sent = Summed.of([summed(engine, rows, pd.DataFrame({"its_day": []}), near, ["y"])])
    tables = tuple(range(len(sent.tables)))
    return by_client(sent.only(("y",) * len(tables), ("base", "gap"), tables=tables))


def chosen_by_second(found: ByClient) -> bool:
    """Given the first reading before, does the second tell the arm, between all sessions or within clients?"""
    if found.cells.n < FEWEST_TWICE or not found.counts.sum(axis=0).all():
        return False
    for within in (False, True):
        try:
            clusters = list(_second_by_client(found, within=within))
            whole = unpacked(sum(one.packed.sum(axis=1) for one in clusters)[:, None])
            got = robust(clusters, Solution.of(whole, whole), n=len(found.counts))
        except FitError:
            continue
        if abs(got.value) > 2.58 * got.se:
            return True
    return False


def _second_by_client(found: ByClient, *, within: bool) -> Iterator[Clusters]:
    """Each client's products of [last reading, first reading, one, arm], or of all but one about their means."""
    names = ("label", "one", *found.cells.names[1:])
    turn: Floats = np.zeros((len(names), 4))
    turn[names.index("base"), :2] = turn[names.index("gap"), 1] = turn[1, 2] = turn[0, 3] = 1.0
    for _, mine in found.chunks():
        gram = turn.T @ unpacked(labelled(found.products[:, :, mine], found.k)) @ turn
        if within:
            gram = gram - gram[:, :, 2:3] * gram[:, 2:3, :] / gram[:, 2:3, 2:3]
            gram = gram[:, [0, 1, 3]][:, :, [0, 1, 3]]
        rows, columns = pairs_of(gram.shape[1])
        yield Clusters(site=0, place=mine, packed=np.ascontiguousarray(gram[:, rows, columns].T))
