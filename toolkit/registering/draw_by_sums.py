"""Was chance in charge? The draw check of a registry, from sums over clients and a few further questions to the engine.

All that was drawn is asked, with a reading after or without. Words of the sheet, what the client's last session moved
and the sequence of a practitioner's orders are asked for in passes of their own (`draw_asked`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.client_sums import ByClient, Floats, by_client
from toolkit.effect.draw_check import (
    BALANCED_CLIENT,
    FEWEST_DRAWS,
    LIMIT,
    UNEQUAL,
    WEIGHTS,
    clients_apart,
    coin,
    count_p,
    lag_words,
    practitioners_apart,
)
from toolkit.effect.draw_units import clients_drawn_once
from toolkit.number_words import counted
from toolkit.registering import part_asked
from toolkit.registering.cells import MOST_VISITS, PLAIN, Totals, by_day, day_ranks, middle_rank, summed
from toolkit.registering.draw_asked import Asked, asked_of_draws, client_sequence, drawn_units, one_row_a_session
from toolkit.registering.draw_known import best_known, of_last_sessions, of_sessions, of_visits, of_words
from toolkit.registering.engine import Engine
from toolkit.registering.part_asked import Part
from toolkit.registering.sent_sums import Summed

NOT_LOOKED_AT = "hours of the day (a registry holds none), and readings before by quarters"
_CLIENTS_AT_ONCE = 16_000
Bits = NDArray[np.int64]
Ways = list[tuple[str, float]]


@dataclass(frozen=True, kw_only=True)
class DrawBySums:
    """Whether what was known before predicts the draw; `says` in words, `p` of each part by name."""

    passed: bool
    p: dict[str, float]
    says: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws:
    """All that was drawn: by client, by day and arm, and by client the visits of either order (`visits_of`)."""

    found: ByClient
    days: pd.DataFrame
    visits: tuple[Bits, Bits]


def draw_by_sums(
    engine: Engine,
    rows: Any,
    draws: Draws,
    *,
    alone: bool,
    share: float | None,
    waits: bool,
    part: Part | None = None,
) -> DrawBySums:
    """Ask everything that was known before the draw whether it predicts what was drawn; see `check_draw`.

    Parameters
    ----------
    rows
        Compared rows, all of them. `alone`: is each a session of its own?
    draws
        The same summed up.
    share
        Share of technique first that was meant to be drawn; a half where it is not said.
    waits
        Technique first or wait first: few drawn to be treated first are no unequal draw.
    part
        Those of the rows that are asked where there are very many (`part_asked`).
    """
    whole = draws.found
    table = several = rows if alone else one_row_a_session(rows)
    ways: Ways = _client_orders(*draws.visits)
    of_clients = whole.counts
    once = clients_drawn_once(whole.counts)
    if once.any():
        total = whole.counts.sum(axis=1)
        mixed = bool(((total > 1) & (whole.counts.min(axis=1) > 0)).any())
        table, several = drawn_units(table, at_least=3 if mixed else 2)
        draws, of_clients = _summed_again(engine, table), whole.counts[~once]
        ways = list(client_sequence(engine, several)) if len(of_clients) else []
    counts = draws.found.counts
    n, first = round(float(counts.sum())), round(float(counts[:, 1].sum()))
    if n < FEWEST_DRAWS or min(first, n - first) < 3:
        says = f"{n} draws are too few to tell whether chance was in charge."
        return DrawBySums(passed=True, p={}, says=says)
    part = part if n > part_asked.MOST_ASKED else None
    held = several if len(of_clients) else None
    asked = asked_of_draws(engine, table, held, one_site=whole.sites == 1, part=part)
    words, p_known = best_known(_blocks(draws, asked, n, first), n=n, first=first)
    order_words, p_orders = _orders([*ways, *asked.sequences], first / n, share)
    weekdays = _by_weekday(draws.days)
    unequal = first / n > 1 - UNEQUAL or (first / n < UNEQUAL and not waits)
    parts = {
        "known before": p_known,
        "orders before": p_orders,
        "clients": clients_apart(of_clients.sum(axis=1), of_clients[:, 1]) if len(of_clients) else 1.0,
        "practitioners": _practitioners(whole),
        "weekdays": clients_apart(*weekdays) if weekdays is not None else 1.0,
        "count": 1.0 if share is None and unequal else count_p(first, n, 0.5 if share is None else share),
    }
    return _told(parts, words, order_words.format(first="treated first"), n, first, asked.says())


def _told(parts: dict[str, float], words: str, order_words: str, n: int, first: int, part: str) -> DrawBySums:
    """What was caught, in words."""
    nearly_always = "some {} are mostly treated first, others hardly ever"
    says = {
        "known before": words,
        "orders before": order_words,
        "clients": nearly_always.format("clients"),
        "practitioners": nearly_always.format("practitioners"),
        "weekdays": nearly_always.format("days of the week"),
        "count": f"{first} of {n} sessions are treated first",
    }
    caught = [says[name] for name, p in parts.items() if p / WEIGHTS[name] < LIMIT]
    if caught:
        told = f"This does not look drawn at random ({counted(n, 'draw')}): {'; '.join(caught)}."
    else:
        known = f"Nothing known before predicts what was drawn ({counted(n, 'draw')}{part})."
        told = f"{known} Not looked at: {NOT_LOOKED_AT}."
    return DrawBySums(passed=not caught, p=parts, says=told)


def _blocks(draws: Draws, asked: Asked, n: int, first: int) -> list[Any]:
    """All columns that could predict a draw."""
    visits = np.arange(MOST_VISITS + 1)
    seen, came = draws.visits
    by_visit = [np.array([float(np.count_nonzero(one >> visit & 1)) for visit in visits]) for one in (seen, came)]
    return [
        of_sessions(draws.found.cells, draws.days),
        of_visits(*by_visit),
        of_words(asked.words),
        of_last_sessions(asked.before, n=n, first=first),
    ]


def _summed_again(engine: Engine, units: Any) -> Draws:
    """The sums of some draws alone."""
    days = engine.frame(by_day(units))
    totals = Totals.of(days, by_order=True)
    lent = pd.DataFrame({"rank_seen": day_ranks(days)}).rename_axis("its_day").reset_index()
    about = {name: totals.means[name] for name in (*PLAIN, "y")}
    about |= {"rank_seen": middle_rank(days)} if len(lent) else {}
    sent = Summed.of([summed(engine, units, lent, about, ["y"])])
    tables = tuple(range(len(sent.tables)))
    cells = sent.only(("y",) * len(tables), totals.names, tables=tables)
    return Draws(found=by_client(cells), days=days, visits=visits_of(sent, tables))


def _by_weekday(days: pd.DataFrame) -> tuple[Floats, Floats] | None:
    """Draws on each day of the week, and how many came out first."""
    dates = pd.to_datetime(days["date"])
    if dates.isna().any():
        return None
    weekday = ((dates - dates.min()).dt.days % 7).to_numpy()
    n = days["n"].to_numpy(dtype=float)
    firsts = n * days["arm"].to_numpy(dtype=float)
    sizes, first = (np.bincount(weekday, weights=one, minlength=7).astype(float) for one in (n, firsts))
    there = sizes > 0
    return sizes[there], first[there]


def _practitioners(found: ByClient) -> float:
    """Do practitioners differ in their clients' shares?"""
    cells, counts = found.cells, found.counts
    share = counts[:, 1] / counts.sum(axis=1)
    if cells.people < 2 or len(share) < FEWEST_DRAWS or share.std() < 1e-9:
        return 1.0
    key = found.place * cells.people + cells.practitioner
    pairs, place = np.unique(key, return_inverse=True)
    n = np.bincount(place.reshape(-1), weights=cells.products[0])
    order = np.lexsort((-n, pairs // cells.people))
    client = (pairs // cells.people)[order]
    leading = order[np.r_[True, client[1:] != client[:-1]]]
    code = np.unique(pairs[leading] % cells.people, return_inverse=True)[1].reshape(-1)
    if not code.max():
        return 1.0
    sizes, sums = np.bincount(code), np.bincount(code, weights=share)
    rank = np.argsort(np.lexsort((sums, sizes)), kind="stable")[code]  # engines send clients in any order
    order = np.lexsort((share, rank))
    return practitioners_apart(share[order], rank[order])


def visits_of(sent: Summed, tables: Sequence[int]) -> tuple[Bits, Bits]:
    """For each client a bit for each visit with a draw, and for each that came out first; a visit of both has none."""
    held = [sent.tables[table] for table in tables]
    masks = np.zeros(
        (2, max((int(one.codes["client"].max(initial=-1)) for one in held), default=-1) + 1), dtype=np.int64
    )
    for table in held:
        visits = np.concatenate(table.sums["visits"]).astype(np.int64)[table.rows]
        for arm in (0, 1):
            mine = table.codes["arm"] == arm
            np.bitwise_or.at(masks[arm], table.codes["client"][mine], visits[mine])
    return (masks[0] ^ masks[1]), masks[1] & ~masks[0]


def _orders(ways: Ways, label: float, share: float | None) -> tuple[str, float]:
    """The sequence that goes furthest from a coin's, in words with p."""
    if not ways or (share is not None and abs(share - 0.5) > 0.1) or abs(label - 0.5) > 0.3:
        return "", 1.0
    words, p = min(ways, key=lambda one: one[1])
    return words, min(1.0, p * len(ways))


def _client_orders(seen: Bits, first: Bits) -> Ways:
    """Each order against those before it in the sequence of one client; as `draw_check` has it."""
    every = np.bitwise_or.reduce(seen) if len(seen) else 0
    steps = [visit for visit in range(1, MOST_VISITS + 1) if every >> visit & 1]
    parts = [(seen[some], first[some]) for some in map(slice, *_ends(len(seen)))]
    most = max((_furthest(*part, steps) for part in parts), default=0)
    balanced = most <= BALANCED_CLIENT
    found = [_agreement(*part, steps, balanced=balanced) for part in parts]
    if not found:
        return []
    agree, tried, (heads, free) = (np.sum([one[place] for one in found], axis=0) for place in range(3))
    name = "of one client"
    ways = [
        (lag_words(lag + 1, name, float(agree[lag] / max(tried[lag], 1))), coin(int(agree[lag]), int(tried[lag])))
        for lag in range(len(agree))
    ]
    if balanced:
        ways.append((f"the same comes first again and again in the sessions {name}", coin(int(heads), int(free))))
    return ways


def _ends(n: int) -> tuple[range, range]:
    """Where some clients begin and end, as many as stay at hand."""
    return range(0, n, _CLIENTS_AT_ONCE), range(_CLIENTS_AT_ONCE, n + _CLIENTS_AT_ONCE, _CLIENTS_AT_ONCE)


def _furthest(seen: Bits, first: Bits, steps: list[int]) -> int:
    """The most that either order was ahead in the sequence of a client."""
    total, most = np.zeros(len(seen), dtype=np.int8), 0
    for visit in steps:
        total += _sign(seen, first, visit)
        most = max(most, int(np.abs(total).max(initial=0)))
    return most


def _agreement(
    seen: Bits, first: Bits, steps: list[int], *, balanced: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """By lag: how often an order was that one again, and how often both are known; first and all of those drawn free.

    Where draws are balanced within clients, only where neither order is ahead is the next one free.
    """
    history = np.zeros((4 if balanced else 7, len(seen)), dtype=np.int8)
    (agree, tried), heads, free = np.zeros((2, len(history)), dtype=np.int64), 0, 0
    total = np.zeros(len(seen), dtype=np.int8)
    for visit in steps:
        sign = _sign(seen, first, visit)
        counted = sign != 0 if not balanced else (sign != 0) & (total == 0)
        total += sign
        heads, free = heads + int((sign[counted] > 0).sum()), free + int(counted.sum())
        product = np.where(counted, sign, 0) * history
        agree += (product > 0).sum(axis=1)
        tried += (product != 0).sum(axis=1)
        history[:, counted] = np.vstack([sign[counted], history[:-1, counted]])
    return agree, tried, np.array([heads, free])


def _sign(seen: Bits, first: Bits, visit: int) -> NDArray[np.int8]:
    """1 where this visit came out first, −1 where not, 0 where there is none."""
    there, came = (seen >> visit & 1).astype(np.int8), (first >> visit & 1).astype(np.int8)
    return there * (2 * came - 1)
