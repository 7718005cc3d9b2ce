"""What the draw check asks the engine for beside sums by client: words by arm, last sessions, practitioners' sequences.

One pass each; what comes back is small: a row a set of words, a row for each arm and the arm before it, and of every
session one byte, in the order of the practitioner's sessions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.client_sums import Floats
from toolkit.effect.draw_check import BALANCED_ALL, BALANCED_CLIENT, one_sequence
from toolkit.number_words import counted
from toolkit.registering.compared import WORDS_BEFORE as WORDS
from toolkit.registering.engine import Engine
from toolkit.registering.part_asked import Part

BEFORE = ("previous_full", "previous_y", "step", "since")
MOST_WORDS = 20_000  # sets of words that are told apart; the rarest beyond them count as none


@dataclass(frozen=True, kw_only=True)
class Asked:
    """The engine's answers: counts of `words` by arm, sums of what was `before` by arms, `sequences` as ways with p.

    `people`: whose draws were asked, where not all were.
    """

    words: pd.DataFrame
    before: pd.DataFrame
    sequences: tuple[tuple[str, float], ...]
    people: tuple[str, ...] = ()

    def says(self) -> str:
        """Whose draws were asked, in a half-sentence; "" where all were."""
        if not self.people:
            return ""
        n = counted(int(self.words["n"].sum()), "draw")
        return f"; words, last sessions and sequences looked at in {n} of {counted(len(self.people), 'practitioner')}"


def asked_of_draws(engine: Engine, draws: Any, several: Any, *, one_site: bool, part: Part | None) -> Asked:
    """Ask all three of a table with one row a draw, in a part of them where there is one.

    `several`: the draws without clients whose order was drawn once, or None.
    """
    part = part or Part(whole=draws, rows=draws, people=())
    with part.of(engine, draws) as some:
        if several is draws:
            several = some
        elif several is not None and part.people:
            several = several.filter(several.practitioner.isin(part.people))
        return Asked(
            words=words_by_arm(engine, some),
            before=sums_of_before(engine, some),
            sequences=() if several is None else tuple(sequences(engine, several, one_site=one_site)),
            people=part.people,
        )


def one_row_a_session(rows: Any) -> Any:
    """Compared rows whose sessions have several sides as one row a session."""
    words = {name: rows[name].min() for name in (*WORDS, "blinded")}
    numbers = {name: rows[name].mean() for name in ("base", "gap", "has_second", "y", "full")}
    found = rows.group_by(["site", "client", "practitioner", "session_id", "arm"]).agg(
        **words, **numbers, visit=rows.visit.min(), date=rows.date.min(), lone=rows.arm.max() >= 0
    )
    return found.mutate(lone=found.arm >= 0)


def drawn_units(rows: Any, *, at_least: int) -> tuple[Any, Any]:
    """Of clients with one order in so many sessions or more the first session alone; and the rows of the others."""
    import ibis

    client = ibis.window(group_by=rows.client)
    in_time = ibis.window(group_by=rows.client, order_by=_in_time(rows))
    marked = rows.mutate(
        _once=(rows.arm.min().over(client) == rows.arm.max().over(client))
        & (rows.arm.count().over(client) >= at_least),
        _place=ibis.row_number().over(in_time),
    )
    units = marked.filter(~marked["_once"] | (marked["_place"] == 0)).drop("_once", "_place")
    return units, marked.filter(~marked["_once"]).drop("_once", "_place")


def words_by_arm(engine: Engine, draws: Any) -> pd.DataFrame:
    """How often each set of words stands in each arm: the words, arm, n."""
    import ibis

    named = {name: draws[name].fill_null("") for name in WORDS}
    counted = draws.select(arm=draws.arm, **named).group_by(["arm", *WORDS]).agg(n=ibis._.count())
    return engine.frame(counted.order_by(counted.n.desc()).limit(MOST_WORDS))


def sums_of_before(engine: Engine, draws: Any) -> pd.DataFrame:
    """Sums and products of what was known of a client's session before, by arm, by the arm of that session and by what
    of it is known ("has …").

    previous_full and previous_y: the changes of that session, as they are; step: first reading less that session's;
    since: days between the two.
    """
    import ibis

    in_time = ibis.window(group_by=draws.client, order_by=_in_time(draws))
    first, day = draws.base + draws.gap, draws.date.cast("date")
    lagged = draws.select(
        arm=draws.arm,
        arm_before=draws.arm.lag().over(in_time),
        previous_full=draws.full.lag().over(in_time),
        previous_y=draws.y.lag().over(in_time),
        step=first - first.lag().over(in_time),
        since=day.delta(day.lag().over(in_time), unit="day").cast("float64"),
    )
    kept = lagged.filter(lagged.arm_before.notnull())
    there = {f"has {name}": kept[name].notnull() for name in BEFORE}
    known = {name: kept[name].fill_null(0.0) for name in BEFORE}
    sums = {f"{one}*{other}": (known[one] * known[other]).sum() for one, other in _pairs()}
    sums |= {one: known[one].sum() for one in BEFORE}
    by_arms = engine.frame(kept.group_by(["arm", "arm_before"], **there).agg(n=kept.count(), **sums))
    means = {f"mean {name}": draws[name].mean() for name in ("full", "y")}
    levels = engine.frame(draws.group_by("arm").agg(**means)).set_index("arm")
    for name in ("full", "y"):
        by_arms[f"level {name}"] = by_arms["arm_before"].map(levels[f"mean {name}"]).astype(float)
    return by_arms


def _pairs() -> list[tuple[str, str]]:
    """Every two of what was known of the session before."""
    return list(combinations_with_replacement(BEFORE, 2))


def _in_time(draws: Any) -> list[Any]:
    """The order of sessions: by day (visits where there is none), then by what was read, as `drawn_units` has it."""
    import ibis

    undated = ibis.ifelse(draws.date.isnull(), draws.visit.cast("int64"), 0)
    return [draws.date, undated, draws.base + draws.gap, draws.base, draws.y]


def sequences(engine: Engine, draws: Any, *, one_site: bool) -> Iterator[tuple[str, float]]:
    """Each order against those before it in the sequence of a practitioner (of the clinic, where there is but one)."""
    day, visit, *readings = _in_time(draws)
    in_time = [day, visit, *([_running_number(engine, draws)] if one_site else []), *readings]
    label, code = _sequence(engine, draws, "practitioner", in_time)
    yield from one_sequence(label, code, "of one practitioner", BALANCED_ALL)
    if one_site:
        label, code = _sequence(engine, draws, "site", in_time)
        yield from one_sequence(label, code, "of the clinic", BALANCED_ALL)


def client_sequence(engine: Engine, draws: Any) -> Iterator[tuple[str, float]]:
    """The same in the sequence of each client."""
    label, code = _sequence(engine, draws, "client", _in_time(draws))
    yield from one_sequence(label, code, "of one client", BALANCED_CLIENT)


def _running_number(engine: Engine, draws: Any) -> Any:
    """Session numbers where they run through the clinic in the order of its days; else nothing to order a day by."""
    import ibis

    number = draws.session_id.re_extract(r"^(?:[^/]*/)?[^0-9]{0,20}([0-9]{1,15})$", 1).nullif("").cast("int64")
    marked = draws.select(number=number, day=draws.date.cast("date"))
    in_order = ibis.window(order_by=marked.number)
    back = (marked.day < marked.day.lag().over(in_order)).fill_null(False)
    stepped = marked.mutate(back=back.cast("int64"))
    told = engine.frame(
        stepped.agg(
            n=stepped.count(),
            numbers=stepped.number.nunique(),
            known=stepped.number.count(),
            back=stepped.back.sum(),
        )
    ).iloc[0]
    runs = told["n"] == told["numbers"] == told["known"] and not told["back"]
    return number if runs else ibis.literal(0, "int64")


def _sequence(engine: Engine, draws: Any, by: str, in_time: list[Any]) -> tuple[Floats, NDArray[np.intp]]:
    """Labels in the order of each one's sessions, and codes of whose they are."""
    arms = engine.arrow(draws.order_by([draws[by], *in_time]).select(arm=draws.arm.cast("int8")))
    sizes = engine.frame(draws.group_by(by).agg(n=draws.count()))
    order = sorted(range(len(sizes)), key=lambda place: str(sizes[by].iloc[place]).encode())
    counts = sizes["n"].to_numpy(dtype=np.intp)[order]
    return arms["arm"].to_numpy().astype(float), np.repeat(np.arange(len(counts)), counts)
