"""What was known before a draw, as sums have it: products of columns with the arm and with each other, block by block.

Products between blocks are not had and are taken for none. That makes the limit for the largest of all a little higher
than it need be, never lower (Sidak 1967, J American Statistical Association 62:626-633, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.client_sums import Cells, Floats, added_within, unpacked
from toolkit.effect.draw_check import largest_of_many
from toolkit.effect.draw_units import FEWEST, MOST_PRACTITIONERS
from toolkit.registering.cells import day_ranks, middle_rank
from toolkit.registering.compared import WORDS_BEFORE as WORDS
from toolkit.registering.draw_asked import BEFORE

SPOKEN = {
    "log_visit": "the visit's number",
    "first_visit": "the first visit",
    "base": "the last reading before",
    "gap": "first less last reading before",
    "has_second": "being read twice before",
    "day_rank": "the day",
}
FIRST = "the first reading before"
_OF_ONE = (*(SPOKEN[name] for name in ("log_visit", "first_visit", "base", "day_rank")), FIRST)
_PAST = {
    "previous_full": "what the client's last session moved",
    "previous_y": "what the client's last session moved at first",
    "step": "the reading before, against the client's last visit",
    "since": "gaps since the last visit",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Block:
    """Columns in words, products with the arm, and with each other, all about their means."""

    names: list[str]
    seen: Floats
    gram: Floats


def best_known(blocks: Sequence[Block], *, n: int, first: int) -> tuple[str, float]:
    """The column that predicts best, in words, and p of the largest of all."""
    share = first / n
    spread = float(np.sqrt(share * (1 - share) * n / (n - 1)))
    names, standing, grams = list[str](), list[Floats](), list[Floats]()
    for block in blocks:
        size = np.sqrt(np.maximum(np.diag(block.gram), 0.0))
        sound = size > 1e-6
        names += [name for name, there in zip(block.names, sound, strict=True) if there]
        standing.append(np.abs(block.seen[sound] / size[sound]) / max(spread, 1e-12))
        grams.append(block.gram[np.ix_(sound, sound)] / np.outer(size[sound], size[sound]))
    every = np.concatenate(standing) if standing else np.empty(0)
    if not len(every) or not spread:
        return "", 1.0
    starts = np.r_[0, np.cumsum([len(one) for one in grams])]
    whole = np.zeros((len(every), len(every)))
    for gram, low, high in zip(grams, starts, starts[1:], strict=False):
        whole[low:high, low:high] = gram
    largest = largest_of_many(whole)
    best = int(every.argmax())
    p = float((1 + np.sum(largest >= every[best] - 1e-12)) / (1 + len(largest)))
    return f"{names[best]} predicts what came first", p


def of_sessions(cells: Cells, days: pd.DataFrame) -> Block:
    """Readings, visits and days, of all and of each large practitioner; sites; columns that are a day's.

    Parameters
    ----------
    cells
        All draws summed up. `days`: the same by day and arm.
    """
    names = list(cells.names[1:-1])
    width, people = len(cells.names), cells.people
    arms = added_within(cells.products, 2 * cells.practitioner + cells.arm, 2 * people, cells.site)
    by_arm = unpacked(arms).reshape(people, 2, width, width)
    sums, treated = by_arm.sum(axis=1), by_arm[:, 1, 0]
    spoken, combined, members, n_global = _columns(cells, names, sums[:, 0])
    n = float(sums[:, 0, 0].sum())
    label = float(treated[:, 0].sum()) / n
    through = np.einsum("pwv,iv,ip->piw", sums, combined, members, optimize=True)
    totals = through[:, :, 0].sum(axis=0)
    gram = np.einsum("piw,jw,jp->ij", through, combined, members, optimize=True) - np.outer(totals, totals) / n
    seen = np.einsum("pw,iw,ip->i", treated, combined, members, optimize=True) - label * totals
    return _with_days(Block(names=spoken, seen=seen, gram=gram), days, combined[:n_global, 1:-1], names, label)


def _columns(cells: Cells, names: list[str], sums: Floats) -> tuple[list[str], Floats, Floats, int]:
    """Words, weights of the cells' columns and whose sessions count, of each column; how many are of all sessions."""
    place = {name: number for number, name in enumerate(cells.names)}
    unit, everyone = np.eye(len(cells.names)), np.ones(len(sums))
    spoken = [SPOKEN[name] for name in names]
    combined, members = [unit[place[name]] for name in names], [everyone] * len(names)
    if {"base", "gap"} <= set(names):  # the first reading is the last one and what lies between them
        spoken.append(FIRST)
        combined.append(unit[place["base"]] + unit[place["gap"]])
        members.append(everyone)
    n_global = len(spoken)
    of_people: NDArray[np.intp] = np.lexsort((*sums.T[1:], -sums[:, 0]))[: MOST_PRACTITIONERS if len(sums) > 1 else 0]
    for one in of_people[sums[of_people, 0] >= FEWEST]:
        mine = (np.arange(len(sums)) == one).astype(float)
        of_all = [("the sessions of one practitioner", unit[0])]
        for words, column in zip(spoken[:n_global], combined[:n_global], strict=True):
            if any(words == SPOKEN.get(name) for name in _OF_ONE) or words == "the first reading before":
                of_all.append(
                    (f"{words}, with one practitioner", column - unit[0] * (sums[one] @ column / sums[one, 0]))
                )
        for words, column in of_all:
            spoken.append(words)
            combined.append(column)
            members.append(mine)
    site = np.zeros(len(sums), dtype=np.intp)
    site[cells.practitioner] = cells.site
    at_site = np.bincount(site, weights=sums[:, 0])
    for one in np.lexsort((np.bincount(site, weights=sums[:, 1]), -at_site))[
        : MOST_PRACTITIONERS if len(at_site) > 1 else 0
    ]:
        spoken.append("one site")
        combined.append(unit[0])
        members.append((site == one).astype(float))
    return spoken, np.array(combined), np.array(members), n_global


def _with_days(block: Block, days: pd.DataFrame, weights: Floats, names: list[str], label: float) -> Block:
    """The same with columns that are a day's: weekdays, every other day and week, stretches of the calendar."""
    columns = dict(_of_days(days))
    if not columns:
        return block
    n = days["n"].to_numpy(dtype=float)
    values = np.column_stack([*columns.values()])
    values = values - n @ values / max(n.sum(), 1.0)
    cross = np.zeros((len(block.names), len(columns)))
    cross[: len(weights)] = weights @ (_sums_of_day(days, names).T @ values)
    more = (n * (days["arm"].to_numpy(dtype=float) - label)) @ values
    gram = np.block([[block.gram, cross], [cross.T, values.T @ (n[:, None] * values)]])
    return Block(names=[*block.names, *columns], seen=np.r_[block.seen, more], gram=gram)


def _sums_of_day(days: pd.DataFrame, names: list[str]) -> Floats:
    """Each day's and arm's sums of sessions' columns about their means."""
    known = days["n"] - days["without_visit"]
    n = {"first_visit": known, "log_visit": known, "base": days["base_n"], "gap": days["gap_n"]}
    columns = []
    for name in names:
        if name == "day_rank":
            own = days["date"].map(day_ranks(days)).astype(float)
            columns.append((own - middle_rank(days)).fillna(0.0) * days["n"])
        else:
            known_of = n.get(name, days["n"])
            columns.append(days[name] - days[name].sum() / max(int(known_of.sum()), 1) * known_of)
    return np.column_stack([one.to_numpy(dtype=float) for one in columns])


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
    cuts = [day[order][np.searchsorted(share, tenth / 10)] for tenth in range(1, 10)]
    for tenth, cut in enumerate(cuts, 1):
        yield f"the first {10 * tenth} % of the days", (day <= cut).astype(float)
    for low, high in pairwise(cuts):
        yield f"one stretch of the calendar (day {low} to {high})", ((day > low) & (day <= high)).astype(float)


def of_visits(n: Floats, first: Floats) -> Block:
    """The visit's number along a line, the second visits, those up to the third; from draws and firsts by visit."""
    number = np.arange(len(n), dtype=float)
    columns = {
        "later visits": number,
        "visits up to the second": (number <= 2).astype(float),
        "second visits": (number == 2).astype(float),
        "visits up to the third": (number <= 3).astype(float),
    }
    return _of_counts(columns, n, first)


def of_words(words: pd.DataFrame) -> Block:
    """Words of the sheet: the commonest values of each, from how often each set of words stands in each arm."""
    total, columns = float(words["n"].sum()), dict[str, Floats]()
    for name in WORDS:
        counts = words.groupby(words[name].astype(str))["n"].sum().drop(index="", errors="ignore")
        for value, n in counts.sort_values(ascending=False, kind="stable").head(MOST_PRACTITIONERS).items():
            if min(n, total - n) >= FEWEST:
                said = f"{name.replace('_', ' ')} {value}"
                columns[said] = np.asarray(words[name].astype(str) == value, dtype=float)
    n = words["n"].to_numpy(dtype=float)
    return _of_counts(columns, n, n * words["arm"].to_numpy(dtype=float))


def _of_counts(columns: dict[str, Floats], n: Floats, first: Floats) -> Block:
    """A block of columns that are the same for all draws of a line; `n` draws in each, `first` of them first."""
    if not columns or not n.sum():
        return Block(names=[], seen=np.empty(0), gram=np.empty((0, 0)))
    values = np.column_stack([*columns.values()])
    values = values - n @ values / n.sum()
    seen: NDArray[np.float64] = (first - n * first.sum() / n.sum()) @ values
    return Block(names=list(columns), seen=seen, gram=values.T @ (n[:, None] * values))


def of_last_sessions(sums: pd.DataFrame, *, n: int, first: int) -> Block:
    """What the client's last session moved and how long ago it was, changes less the mean of their order.

    A draw without a session before it, or of which that is not known, counts as the mean.
    """
    levels = {"previous_full": sums["level full"], "previous_y": sums["level y"]}
    has = {name: sums[f"has {name}"].to_numpy(dtype=float) for name in BEFORE}
    shift = {name: levels[name].fillna(0.0) if name in levels else 0.0 for name in BEFORE}
    known = {name: sums["n"] * has[name] for name in BEFORE}
    total = {name: sums[name] - shift[name] * known[name] for name in BEFORE}
    about = {name: shift[name] + total[name].sum() / max(float(known[name].sum()), 1.0) for name in BEFORE}
    gram = np.empty((len(BEFORE), len(BEFORE)))
    for place, one in enumerate(BEFORE):
        for at, other in enumerate(BEFORE):
            product = sums[f"{one}*{other}" if place <= at else f"{other}*{one}"]
            product = product - about[one] * has[one] * sums[other] - about[other] * has[other] * sums[one]
            gram[place, at] = (product + about[one] * about[other] * known[one] * has[other]).sum()
    off = sums["arm"] - first / n
    seen = np.array([float((off * (sums[name] - about[name] * known[name])).sum()) for name in BEFORE])
    return Block(names=[_PAST[name] for name in BEFORE], seen=seen, gram=gram)
