"""Was chance in charge? What of the draw check follows from sums: what was known before, orders, people, the count."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.client_sums import ByClient, Floats
from toolkit.effect.draw_check import (
    FEWEST_DRAWS,
    LIMIT,
    MANY,
    UNEQUAL,
    WEIGHTS,
    clients_apart,
    lag_words,
    largest_of_many,
    practitioners_apart,
)
from toolkit.number_words import counted
from toolkit.quantiles import binomial_p, t_above
from toolkit.registering.cells import MOST_VISITS, PLAIN, Totals, day_ranks, middle_rank
from toolkit.registering.sent_sums import Summed, without_gaps

NOT_LOOKED_AT = "hours, orders in the sequence of a practitioner, what the last session moved, and words of the sheet"
_CLIENTS_AT_ONCE = 16_000
BALANCED = 3  # as many more of one order than blocks leave within a client
SPOKEN = {
    "log_visit": "the visit's number",
    "first_visit": "the first visit",
    "first": "the first reading before",
    "base": "the last reading before",
    "gap": "first less last reading before",
    "has_second": "being read twice before",
    "rank_seen": "the day",
}
Bits = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class DrawBySums:
    """Whether what was known before predicts the draw; `says` in words, `p` of each part by name."""

    passed: bool
    p: dict[str, float]
    says: str


@dataclass(frozen=True, kw_only=True, eq=False)
class _Known:
    """What was known before a draw: names, products with the arm, and with each other, all about their means."""

    names: list[str]
    seen: Floats
    gram: Floats


def draw_by_sums(days: pd.DataFrame, totals: Totals, summed: Summed, found: ByClient, *, waits: bool) -> DrawBySums:
    """Ask readings, visits and days before whether they predict the draw; orders before, people, and the count.

    Parameters
    ----------
    days
        Totals by day of the sessions with a change. `totals`: the same over all days.
    summed
        Sums by client, practitioner and arm, sessions with a change in the first table; `found`: by client.
    waits
        Technique first or wait first: few drawn to be treated first are no unequal draw.
    """
    counts = found.counts
    n, first = round(float(counts.sum())), round(float(counts[:, 1].sum()))
    words, p_known = _known_before(days, totals, summed, n, first)
    sizes = counts.sum(axis=1)
    by_weekday = _by_weekday(days)
    order_words, p_orders = _orders_before(*_masks(summed, found))
    parts = {
        "known before": p_known,
        "orders before": p_orders,
        "clients": clients_apart(sizes, counts[:, 1]),
        "practitioners": _practitioners(found),
        "weekdays": clients_apart(*by_weekday) if by_weekday is not None else 1.0,
        "count": _coin(first, n) if (0.0 if waits else UNEQUAL) <= first / n <= 1 - UNEQUAL else 1.0,
    }
    says = {
        "known before": words,
        "orders before": order_words.format(first="treated first"),
        "count": f"{first} of {n} sessions are treated first",
        **{
            name: f"some {what} are mostly treated first, others hardly ever"
            for name, what in (
                ("clients", "clients"),
                ("practitioners", "practitioners"),
                ("weekdays", "days of the week"),
            )
        },
    }
    caught = [says[name] for name, p in parts.items() if p / WEIGHTS[name] < LIMIT]
    if caught:
        told = f"This does not look drawn at random ({counted(n, 'draw')}): {'; '.join(caught)}."
    else:
        told = f"Nothing summed up predicts what was drawn ({counted(n, 'draw')}); not looked at: {NOT_LOOKED_AT}."
    return DrawBySums(passed=not caught, p=parts, says=told)


def _coin(heads: int, n: int) -> float:
    """Two-sided p of a fair coin, exact up to `MANY` draws."""
    if n < 6:
        return 1.0
    if n <= MANY:
        return binomial_p(heads, n)
    off = max(abs(heads - n / 2) - 0.5, 0.0) / np.sqrt(n / 4)
    return float(min(1.0, 2 * t_above(off, 1e9)))


def _known_before(days: pd.DataFrame, totals: Totals, summed: Summed, n: int, first: int) -> tuple[str, float]:
    """The column that predicts best, in words, and p of the largest of all."""
    known = _products(days, totals, summed)
    share = first / n
    spread = float(np.sqrt(share * (1 - share) * n / (n - 1)))
    size = np.sqrt(np.diag(known.gram))
    sound = size > 1e-9 * max(float(size.max(initial=0.0)), 1e-9)
    if not sound.any() or not spread:
        return "", 1.0
    standing = np.abs(known.seen[sound] / size[sound]) / spread
    largest = largest_of_many(known.gram[np.ix_(sound, sound)] / np.outer(size[sound], size[sound]))
    best = int(standing.argmax())
    told = [name for name, there in zip(known.names, sound, strict=True) if there]
    return f"{told[best]} predicts what came first", float(
        (1 + np.sum(largest >= standing[best] - 1e-12)) / (1 + len(largest))
    )


def _products(days: pd.DataFrame, totals: Totals, summed: Summed) -> _Known:
    """Products of sessions' columns from the cells, of days' columns from totals by day, and of both together."""
    seen = summed.tables[0]
    there = [name for name in (*PLAIN, "rank_seen") if f"one*{name}" in seen.sums]
    every, first = (seen.by_row(one, rest=0.0) for one in (np.ones(len(seen.rows)), seen.codes["arm"].astype(float)))
    label = seen.total("one", "one", first) / totals.n
    gram, with_arm = np.zeros((len(there), len(there))), np.zeros(len(there))
    for place, name in enumerate(there):
        with_arm[place] = seen.total("one", name, first) - label * seen.total("one", name, every)
        for other in range(place, len(there)):
            gram[place, other] = gram[other, place] = seen.total(name, there[other], every)
    return _with_days(there, gram, with_arm, days, _centred_by_day(days, there, totals.means), label)


def _centred_by_day(days: pd.DataFrame, there: list[str], about: dict[str, float]) -> pd.DataFrame:
    """Each day's and arm's sums of sessions' columns about their means."""
    known = days["n"] - days["without_visit"]
    n = {"first_visit": known, "log_visit": known, "base": days["base_n"], "gap": days["gap_n"]}
    columns = {name: days[name] - about[name] * n.get(name, days["n"]) for name in there if name in PLAIN}
    if "rank_seen" in there:
        own = days["date"].map(day_ranks(days)).astype(float)
        columns["rank_seen"] = (own - middle_rank(days)).fillna(0.0) * days["n"]
    return pd.DataFrame(columns, index=days.index)


def _with_days(
    rows: list[str], gram: Floats, seen: Floats, days: pd.DataFrame, by_day: pd.DataFrame, label: float
) -> _Known:
    """The same with columns that are a day's: weekdays, every other day and week, stretches of the calendar."""
    columns = dict(_of_days(days))
    n = days["n"].to_numpy(dtype=float)
    values = np.column_stack([*columns.values()]) if columns else np.empty((len(days), 0))
    values = values - n @ values / max(n.sum(), 1.0)
    cross = by_day[rows].to_numpy().T @ values
    whole = np.block([[gram, cross], [cross.T, values.T @ (n[:, None] * values)]])
    more = (n * (days["arm"].to_numpy(dtype=float) - label)) @ values
    names = [SPOKEN[name] for name in rows]
    first = np.eye(len(whole))
    if "gap" in rows:  # the first reading is the last one and what lies between them
        first = np.vstack([first, first[rows.index("base")] + first[rows.index("gap")]])
        names = [*names, *columns, SPOKEN["first"]]
    else:
        names = [*names, *columns]
    return _Known(names=names, seen=first @ np.r_[seen, more], gram=first @ whole @ first.T)


def _of_days(days: pd.DataFrame) -> Iterator[tuple[str, Floats]]:
    """What is the same for all sessions of a day."""
    dates = pd.to_datetime(days["date"])
    if dates.isna().any() or dates.nunique() < 2:
        return
    day = (dates - dates.min()).dt.days.to_numpy()
    for number in range(7):
        yield f"one day of the week ({number + 1})", (day % 7 == number).astype(float)
    yield "every other day", (day % 2).astype(float)
    yield "every other week", (day // 7 % 2).astype(float)
    order = np.argsort(day, kind="stable")
    share = np.cumsum(days["n"].to_numpy(dtype=float)[order]) / days["n"].sum()
    for tenth in range(1, 10):
        cut = day[order][np.searchsorted(share, tenth / 10)]
        yield f"the first {10 * tenth} % of the days", (day <= cut).astype(float)


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
    return practitioners_apart(share, code) if int(code.max()) else 1.0


def _masks(summed: Summed, found: ByClient) -> tuple[Bits, Bits]:
    """For each client a bit for each visit with a draw, and for each that came out first; a visit of both has none."""
    seen = summed.tables[0]
    visits = np.concatenate(seen.sums["visits"]).astype(np.int64)[seen.rows]
    arm, client = seen.codes["arm"], without_gaps(seen.codes["client"])
    masks = np.zeros((2, len(found.counts)), dtype=np.int64)
    for one in (0, 1):
        mine = arm == one
        np.bitwise_or.at(masks[one], client[mine], visits[mine])
    return (masks[0] ^ masks[1]), masks[1] & ~masks[0]


def _orders_before(seen: Bits, first: Bits) -> tuple[str, float]:
    """Each order against those before it in the sequence of one client, in words with p; as `draw_check` has it."""
    every = np.bitwise_or.reduce(seen) if len(seen) else 0
    steps = [visit for visit in range(1, MOST_VISITS + 1) if every >> visit & 1]
    parts = [(seen[some], first[some]) for some in map(slice, *_ends(len(seen)))]
    most = max((_furthest(*part, steps) for part in parts), default=0)
    balanced = most <= BALANCED
    found = [_agreement(*part, steps, balanced=balanced) for part in parts]
    agree, tried, (heads, free) = (np.sum([one[place] for one in found], axis=0) for place in range(3))
    name = "of one client"
    ways = [
        (lag_words(lag + 1, name, float(agree[lag] / max(tried[lag], 1))), _coin(int(agree[lag]), int(tried[lag])))
        for lag in range(len(agree))
    ]
    if balanced:
        ways.append((f"the same comes first again and again in the sessions {name}", _coin(int(heads), int(free))))
    words, p = min(ways, key=lambda one: one[1])
    return words, min(1.0, p * len(ways))


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
