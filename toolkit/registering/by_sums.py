"""A question too large to be fetched, answered from the engine's sums; what is then not looked at is said."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from toolkit.claim.question import Question
from toolkit.effect.client_sums import ByClient, by_client
from toolkit.effect.from_sums import Found, estimate_from_sums
from toolkit.errors import NotEnoughError, RegistryError
from toolkit.number_words import capital, counted, quantity, spaced, with_interval
from toolkit.quantiles import t_above, t_quantile
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
from toolkit.registering.compared import ComparedTable, compared_table
from toolkit.registering.draw_by_sums import DrawBySums, draw_by_sums
from toolkit.registering.fillings import by_arm, fillings
from toolkit.registering.held import Held
from toolkit.registering.measured import errors_in
from toolkit.registering.sent_sums import Summed
from toolkit.result import Result
from toolkit.stats.reading_error import ReadingError

LEFT_OUT = (
    "Not looked at with so many rows: rows set aside whole and sessions missing from the count in the bound, copied "
    "second readings, examiners by arm, minutes, hours of the day, one practitioner who carries it, the other "
    "explanations one by one. Ask a part of it (a region, some sites; or a larger most_rows) for the full audit."
)


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One way of counting: the effect, its standard error and df, with the interval at `level`."""

    value: float
    se: float
    df: float
    method: str
    level: float

    @property
    def interval(self) -> tuple[float, float]:
        """Both limits."""
        reach = float(t_quantile((1 + self.level) / 2, self.df)) * self.se
        return self.value - reach, self.value + reach

    @property
    def p(self) -> float:
        """Two-sided p."""
        return float(2 * t_above(abs(self.value) / self.se, self.df))


@dataclass(frozen=True, eq=False, kw_only=True)
class BySums:
    """What the sums say of one question: the effect as written down, with missing readings filled in, the draw."""

    question: Question
    compared: ComparedTable
    n_sessions: int
    n_clients: int
    complete: Effect
    filled: tuple[Effect, ...]
    n_missing: tuple[int, int]
    draw: DrawBySums
    blinded: tuple[float, float]
    error: ReadingError | None


def answer_by_sums(found: Held, question: Question, *, drawn: bool = False, level: float = 0.95) -> Result:
    """A question answered from sums over clients that the engine made; the fit is made of those alone.

    Parameters
    ----------
    question
        In the registry's words. Its comparison is the drawn order, or another intervention (`drawn`).

    Raises
    ------
    RegistryError
        What is asked was not drawn: that needs the rows.
    NotEnoughError
        Nothing is compared.
    """
    told = by_sums(found, _in_words(found, question), drawn=drawn, level=level)
    low, high = _widest(told)
    rows = [_row("treatment effect", told.complete, told, interval=(low, high), p=_p(told))]
    rows += [_row("as written down", told.complete, told)]
    allowance = _allowance(told)
    if allowance:
        rows.append(
            _row("less half a SEM, for a reader who knew", told.complete, told, interval=(low - allowance, high))
        )
    notes = [told.draw.says, LEFT_OUT, found.what_is_left_out()]
    return Result.of(
        rows,
        says=_says(told, low, high, allowance, found),
        title=f"{told.question.intervention.replace('_', ' ')} less {told.compared.against}",
        notes=tuple(note for note in notes if note),
        detail=told,
    )


def by_sums(found: Held, question: Question, *, drawn: bool, level: float) -> BySums:
    """Everything that sums say of one question."""
    compared = compared_table(found, question, drawn=drawn)
    if compared.basis == "comparison_sessions":
        raise RegistryError(
            "What nobody drew is adjusted for session by session, which sums do not hold, and more than "
            f"{found.most_rows:,} rows answer this question. Ask one region, or give the registry a larger most_rows."
        )
    days = found.engine.frame(by_day(compared.table))
    about = by_arm(days)
    if about["y_n"].min() < 2:
        raise NotEnoughError("One of the two has no session with readings before and after, so nothing is compared.")
    filled = fillings(found, compared, about)
    sums = _Sums.of(found, compared, days, filled)
    complete, fits = sums.fits(level, either_way=compared.both_treated)
    missing = (about["n"] - about["y_n"]).to_numpy(dtype=int)
    error = errors_in(found, question.measure, needed=False).get(question.measure)
    return BySums(
        question=question,
        compared=compared,
        n_sessions=complete.cells.n,
        n_clients=len(complete.counts),
        complete=fits[0],
        filled=tuple(fits[1:]),
        n_missing=(int(missing[0]), int(missing[1])),
        draw=draw_by_sums(sums.days, sums.totals, sums.sent, complete, waits=compared.basis == "randomised_order"),
        blinded=(float(about["blind"][1]), float(about["blind"][0])),
        error=error if isinstance(error, ReadingError) else None,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Sums:
    """What the engine summed up: `days` of the sessions with a change and their `totals`; `every`: those of all."""

    days: pd.DataFrame
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
        return cls(days=days, totals=totals, every=all_of, sent=sent, one_row=every is None, ways=ways)

    def fits(self, level: float, *, either_way: bool) -> tuple[ByClient, list[Effect]]:
        """The sessions with a change by client, and the effect in them and in all with what is missing filled in."""
        complete = by_client(self.sent.cells("y", self.totals.names, tables=(0,), lent=("y",)))
        one = estimate_from_sums(complete, either_way=either_way)
        fits = [_effect(one, level)]
        for change in self.ways:
            names = self.every.names if self.every is not None else ()
            tables, lent = ((0, 1), ("y", change)) if self.one_row else ((1,), (change,))
            cells = by_client(self.sent.cells(change, names, tables=tables, lent=lent))
            fits.append(_effect(estimate_from_sums(cells, near=one.theta, either_way=either_way), level))
        return complete, fits


def _in_words(found: Held, question: Question) -> Question:
    """The question in the registry's words and unit."""
    book = found.codebook
    measure = book.find_measure(question.measure) or question.measure
    known = book.measure(measure)
    return replace(question, measure=measure, better=question.better or known.better, unit=known.unit)


def _effect(found: Found, level: float) -> Effect:
    one = found.average.found
    return Effect(value=one.value, se=one.se, df=one.df, method=found.method, level=level)


def _widest(told: BySums) -> tuple[float, float]:
    """The interval that reaches from the lowest limit against the technique to the highest of all."""
    ways = (told.complete, *told.filled)
    many = len(told.filled) > 2
    low = min(way.interval[0] for way in (ways if many else (told.complete, *told.filled[:1])))
    return low, max(way.interval[1] for way in ways)


def _p(told: BySums) -> float:
    if len(told.filled) > 2:
        return max(way.p for way in (told.complete, *told.filled))
    return told.filled[0].p if told.filled else told.complete.p


def _allowance(told: BySums) -> float:
    """Half a SEM where fewer than 80 % of the re-measurements were blind in an arm."""
    return told.error.sem.value / 2 if told.error is not None and min(told.blinded) < 0.8 else 0.0


def _row(
    what: str, one: Effect, told: BySums, *, interval: tuple[float, float] | None = None, p: float | None = None
) -> dict[str, Any]:
    low, high = interval or one.interval
    return {
        "what": what,
        "estimate": one.value,
        "ci_low": low,
        "ci_high": high,
        "level": one.level,
        "df": one.df,
        "p": one.p if p is None else p,
        "n_clients": told.n_clients,
        "n_rows": told.n_sessions,
        "unit": told.question.unit,
        "method": one.method,
    }


def _says(told: BySums, low: float, high: float, allowance: float, found: Held) -> str:
    """The effect with its interval, whose it is, and how far it can be believed."""
    unit, n = str(told.question.unit), told.n_clients
    drawn = (
        "drawn at random, as written down"
        if told.draw.passed
        else "said to be drawn, which the records do not bear out"
    )
    missing = sum(told.n_missing)
    filled = f"; {counted(missing, 'missing reading')} filled in against the technique and for it" if missing else ""
    whose = f"{counted(told.n_sessions, 'session')} of {counted(n, 'client')}, {drawn}{filled}"
    size = with_interval(told.complete.value, low, high, unit, level=told.complete.level, also=whose)
    what = f"{spaced(told.question.intervention)} on {spaced(told.question.region)}"
    lean = f" A reader who knew what was done may have added {quantity(allowance, unit)}." if allowance else ""
    return (
        f"{capital(what)} less {told.compared.against}: {size}.{lean} From sums that {found.engine.name} made: "
        "no claim is drawn from them alone."
    )
