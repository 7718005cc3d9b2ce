"""A question too large to be fetched, answered from the engine's sums; what is then not looked at is said."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import pandas as pd

from toolkit.claim.question import Question
from toolkit.effect.chosen_from_sums import ChosenFound
from toolkit.effect.client_sums import by_client
from toolkit.effect.from_sums import Found, estimate_from_sums
from toolkit.errors import NotEnoughError
from toolkit.number_words import capital
from toolkit.registering.cells import (
    CHANGES,
    PLAIN,
    Filled,
    Totals,
    by_day,
    day_ranks,
    middle_rank,
    sessions,
    summed,
    with_baselines,
)
from toolkit.registering.chosen_by_sums import (
    CHOSEN_BY,
    FEWEST_TWICE,
    chosen_fits,
    differs_in,
    only_read_twice,
    read_twice,
    second_readings,
    second_readings_of,
    with_visits,
)
from toolkit.registering.compared import ComparedTable, compared_table
from toolkit.registering.draw_by_sums import DrawBySums, Draws, draw_by_sums, visits_of
from toolkit.registering.fillings import by_arm, fillings
from toolkit.registering.held import Held
from toolkit.registering.measured import errors_in
from toolkit.registering.part_asked import Part, part_asked
from toolkit.registering.read_by_sums import copied, doubts_of, without_copies, without_practitioner
from toolkit.registering.sent_sums import Room, Summed
from toolkit.registering.told_by_sums import BySums, Effect, told_by_sums
from toolkit.result import Result
from toolkit.stats.reading_error import ReadingError


def answer_by_sums(found: Held, question: Question, *, drawn: bool = False, level: float = 0.95) -> Result:
    """A question answered from sums over clients that the engine made; the fit is made of those alone.

    Parameters
    ----------
    question
        In the registry's words. Its comparison is the drawn order, or another intervention (`drawn`: chance decided).

    Raises
    ------
    NotEnoughError
        Nothing is compared, or what was chosen cannot be told from who worked where.
    """
    told = by_sums(found, _in_words(found, question), drawn=drawn, level=level)
    return told_by_sums(told, engine=found.engine.name, absent=found.what_is_left_out())


def by_sums(found: Held, question: Question, *, drawn: bool, level: float) -> BySums:
    """Everything that sums say of one question."""
    compared = compared_table(found, question, drawn=drawn)
    days = found.engine.frame(by_day(compared.table))
    with part_asked(found.engine, compared.table, int(days["n"].sum())) as part:
        return _with_part(found, question, compared, days, part, level)


def _with_part(
    found: Held, question: Question, compared: ComparedTable, days: pd.DataFrame, part: Part, level: float
) -> BySums:
    """The same, looking at a part of very many sessions where all would cost too much."""
    doubts = doubts_of(found.engine, part.rows)
    if days["has_second"].sum() >= FEWEST_TWICE and (why := copied(found.engine, part.rows)):
        compared, doubts = without_copies(compared), (*doubts, f"{capital(why)}: taken for none.")
        days = found.engine.frame(by_day(compared.table))
    about = by_arm(days)
    if about["y_n"].min() < 2:
        raise NotEnoughError("One of the two has no session with readings before and after, so nothing is compared.")
    filled = fillings(found, compared, about)
    missing = (about["n"] - about["y_n"]).to_numpy(dtype=int)
    error = errors_in(found, question.measure, needed=False).get(question.measure)
    draw, differs = None, tuple[str, ...]()
    if compared.randomised:
        sums = _Sums.of(found, compared, days, filled)
        ask = partial(
            draw_by_sums,
            found.engine,
            compared.table,
            alone=bool(days["lone"].all()),
            share=question.share_treated_first,
            waits=compared.basis == "randomised_order",
            part=part,
        )
        counted, draw, fits, also = sums.answers(level, ask, either_way=compared.both_treated)
    if draw is None or (compared.basis == "randomised_protocol" and not (draw.passed and not doubts)):
        fits, differs, counted, also = _chosen(found, compared.as_chosen(), days, filled, level)
    return BySums(
        question=question,
        compared=compared,
        n_sessions=counted[0],
        n_clients=counted[1],
        complete=fits[0],
        filled=tuple(fits[1:]),
        n_missing=(int(missing[0]), int(missing[1])),
        draw=draw,
        differs=differs,
        doubts=doubts,
        people=part.people,
        also=also,
        blinded=(float(about["blind"][1]), float(about["blind"][0])),
        error=error if isinstance(error, ReadingError) else None,
    )


def _chosen(
    found: Held, compared: ComparedTable, days: pd.DataFrame, filled: Filled | None, level: float
) -> tuple[list[Effect], tuple[str, ...], tuple[int, int], Effect | None]:
    """What somebody chose: the effect in each set of sessions, how the arms differ; sessions and clients.

    Last the effect without a practitioner who carries most of it, where there is one.
    """
    twice, alone, rows = read_twice(days), bool(days["lone"].all()), compared.table
    if days["without_visit"].any():
        rows = with_visits(rows)
    if twice and days["has_second"].sum() < days["n"].sum():
        rows = only_read_twice(rows, alone=alone)
    used = found.engine.frame(by_day(rows)) if rows is not compared.table else days
    counted = _counted(found, compared)
    sums = _Sums.of(found, replace(compared, table=rows), used, filled)
    ways, without = chosen_fits(
        sums.sent,
        sums.ways,
        names=[name for name in CHOSEN_BY if name in sums.totals.means],
        one_row=sums.one_row,
        second_baseline=twice,
        n_sessions=counted[0],
    )
    effects = [_chosen_effect(one, level) for one in ways]
    limits = [one.interval[0] for one in (effects if compared.both_treated else effects[:2])]
    also = _chosen_effect(without, level) if without and min(limits) > 0 else None
    every = second_readings(sums.sent, sums.ways, one_row=sums.one_row) if twice else None
    if every is None and days["has_second"].sum() >= FEWEST_TWICE:
        every = second_readings_of(found.engine, only_read_twice(compared.table, alone=alone), sums.totals.means)
    return effects, differs_in(found.engine, compared.table, every, alone=alone), counted, also


def _chosen_effect(one: ChosenFound, level: float) -> Effect:
    """The way to quote; the interval holds all."""
    quoted, method = one.adjusted.nearest, f"{one.adjusted.method}; from sums over clients"
    return Effect(value=quoted.value, se=quoted.se, df=quoted.df, method=method, level=level, adjusted=one.adjusted)


def _counted(found: Held, compared: ComparedTable) -> tuple[int, int]:
    """Sessions with a change, and their clients."""
    rows = compared.table.filter(compared.table.y.notnull())
    by_session = rows.select("client", "session_id", "arm").distinct()
    line = found.engine.frame(by_session.agg(n=by_session.count(), clients=by_session.client.nunique())).iloc[0]
    return int(line["n"]), int(line["clients"])


@dataclass(frozen=True, eq=False, kw_only=True)
class _Sums:
    """What the engine summed up: `totals` of the sessions with a change, `every` those of all, `of_all` by day."""

    of_all: pd.DataFrame
    totals: Totals
    every: Totals | None
    sent: Summed
    one_row: bool
    ways: tuple[str, ...]

    @classmethod
    def of(cls, found: Held, compared: ComparedTable, days: pd.DataFrame, filled: Filled | None) -> _Sums:
        """Where each session is one row, sums over rows; else sides are first put together."""
        one_row = bool(days["lone"].all()) and not days["without_visit"].any()
        by_order = compared.basis == "randomised_order"
        if one_row:
            rows = compared.table if filled is None else with_baselines(compared.table, filled)
            seen = days[days["whole"]]
            return cls._sent(found, rows, None, seen, days if filled else None, filled, by_order=by_order)
        with ExitStack() as kept:
            seen = kept.enter_context(found.engine.kept(sessions(compared.table)))
            every, of_all = None, None
            if filled is not None:
                every = kept.enter_context(found.engine.kept(sessions(compared.table, filled=filled)))
                of_all = found.engine.frame(by_day(every, "y_against"))
            of_seen = found.engine.frame(by_day(seen))
            return cls._sent(found, seen, every, of_seen, of_all, None, by_order=by_order)

    @classmethod
    def _sent(
        cls,
        found: Held,
        seen: Any,
        every: Any,
        days: pd.DataFrame,
        of_all: pd.DataFrame | None,
        filled: Filled | None,
        *,
        by_order: bool,
    ) -> _Sums:
        """Ask for the sums of both tables, or of the one that holds all sessions; `filled` goes into its sums."""
        totals = Totals.of(days, by_order=by_order)
        all_of = None if of_all is None else Totals.of(of_all, by_order=by_order)
        ranks = {"rank_seen": days}
        if all_of is not None and of_all is not None:
            ranks["rank_all"] = of_all
        lent = pd.DataFrame({name: day_ranks(one) for name, one in ranks.items()})
        lent = lent.rename_axis("its_day").reset_index()
        wanted = {*totals.names, *(all_of.names if all_of is not None else ()), *PLAIN} - {"has_second"}
        wanted |= {"has_second"} & {*totals.names, *(all_of.names if all_of is not None else ())}
        middle = {name: middle_rank(one) for name, one in ranks.items() if len(lent)}
        means = {name: mean for name, mean in {**totals.means, **middle}.items() if name in {*wanted, *ranks, "y"}}
        first = means if every is None else {name: mean for name, mean in means.items() if name != "rank_all"}
        tables = [summed(found.engine, seen, lent, first, ["y"])]
        if every is not None and all_of is not None:
            changes = [name for name in CHANGES if name in every.columns]
            own = {**means, **all_of.means}
            own = {name: own[name] for name in means if name != "rank_seen"}
            tables.append(summed(found.engine, every, lent, own, changes))
        sent = Summed.of(tables)
        if filled is not None and len(sent.tables) > 1:
            for change, values in filled.ways.items():
                sent = sent.with_change(1, change, values, means["y"])
        ways = tuple(name for name in CHANGES[1:] if f"one*{name}" in sent.tables[-1].sums)
        return cls(
            of_all=days if of_all is None else of_all,
            totals=totals,
            every=all_of,
            sent=sent,
            one_row=every is None,
            ways=ways,
        )

    def answers(
        self, level: float, ask: Callable[[Draws], DrawBySums], *, either_way: bool
    ) -> tuple[tuple[int, int], DrawBySums, list[Effect], Effect | None]:
        """Sessions and clients with a change, the draw, the effect in them and with what is missing filled in.

        Last the effect without a practitioner who carries most of it, where there is one.
        """
        room = Room()
        complete = by_client(self.sent.only(("y",), self.totals.names, tables=(0,), room=room))
        sizes = complete.cells.n, len(complete.counts)
        tables = (0,) if not self.ways else (0, 1) if self.one_row else (1,)
        drawn = partial(Draws, days=self.of_all, visits=visits_of(self.sent, tables))
        draw = None if self.ways else ask(drawn(found=complete))
        one = estimate_from_sums(complete, either_way=either_way)
        names = self.every.names if self.every is not None else ()
        ways = [(("y", change) if self.one_row else (change,), names) for change in self.ways]
        fits = [_effect(one, level)]
        without = None
        if fits[0].interval[0] > 0:
            value = one.average.found.value
            without = without_practitioner(
                complete.cells,
                value,
                lambda cells: estimate_from_sums(by_client(cells), either_way=either_way),
                lambda found: found.average.found.value,
            )
        for cells in self.sent.cells(ways, tables=tables, room=room) if ways else ():
            found = by_client(cells)
            draw = draw or ask(drawn(found=found))  # what was drawn is the same under every way of filling
            fits.append(_effect(estimate_from_sums(found, near=one.theta, either_way=either_way), level))
        if draw is None:
            raise AssertionError("there is no way to fill")
        also = _effect(without, level) if without and min(fit.interval[0] for fit in fits[:2]) > 0 else None
        return sizes, draw, fits, also


def _in_words(found: Held, question: Question) -> Question:
    """The question in the registry's words and unit."""
    book = found.codebook
    measure = book.find_measure(question.measure) or question.measure
    known = book.measure(measure)
    return replace(question, measure=measure, better=question.better or known.better, unit=known.unit)


def _effect(found: Found, level: float) -> Effect:
    one = found.average.found
    return Effect(value=one.value, se=one.se, df=one.df, method=found.method, level=level)
