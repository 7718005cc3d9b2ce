"""What sums say of a question, put into a result: the effect with its interval, whose it is, what is not looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from toolkit.claim.question import Question
from toolkit.effect.not_drawn import Adjusted
from toolkit.number_words import capital, counted, quantity, spaced, with_interval
from toolkit.quantiles import t_above, t_quantile
from toolkit.registering.compared import ComparedTable
from toolkit.registering.draw_by_sums import DrawBySums
from toolkit.result import Result
from toolkit.stats.reading_error import ReadingError

LEFT_OUT = (
    "Not looked at with so many rows: rows set aside whole and sessions missing from the count in the bound, readings "
    "before that differ by arm, rounding, the other explanations one by one. Ask a part of it (a region, some sites; "
    "or a larger most_rows) for the full audit."
)


PART = "Readers, minutes and second readings before were looked at in the sessions of {people}."
CARRIED = "Without one practitioner hardly any of the effect is left; the interval holds what then is."


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One way of counting: the effect, its standard error and df, with the interval at `level`.

    `adjusted`: the ways that bracket what nobody drew; the interval then holds all of them.
    """

    value: float
    se: float
    df: float
    method: str
    level: float
    adjusted: Adjusted | None = None

    @property
    def interval(self) -> tuple[float, float]:
        """Both limits."""
        if self.adjusted is not None:
            return self.adjusted.interval(self.level)
        reach = float(t_quantile((1 + self.level) / 2, self.df)) * self.se
        return self.value - reach, self.value + reach

    @property
    def p(self) -> float:
        """Two-sided p."""
        if self.adjusted is not None:
            return self.adjusted.p
        return float(2 * t_above(abs(self.value) / self.se, self.df))


@dataclass(frozen=True, eq=False, kw_only=True)
class BySums:
    """What the sums say of one question: the effect as written down, with missing readings filled in, the draw.

    `draw` is None and `differs` says what tells the arms apart where somebody chose. `doubts`: what else speaks against
    the comparison. `also`: the effect without a practitioner who carries most of it, which the interval holds too.
    `people`: whose sessions alone were looked at for how readings were taken; () for all.
    """

    question: Question
    compared: ComparedTable
    n_sessions: int
    n_clients: int
    complete: Effect
    filled: tuple[Effect, ...]
    n_missing: tuple[int, int]
    draw: DrawBySums | None
    differs: tuple[str, ...]
    doubts: tuple[str, ...]
    also: Effect | None
    people: tuple[str, ...]
    blinded: tuple[float, float]
    error: ReadingError | None


def told_by_sums(told: BySums, *, engine: str, absent: str) -> Result:
    """The answer as a result; `absent`: sites that are missing from it, in a sentence."""
    low, high = _widest(told)
    rows = [_row("treatment effect", told.complete, told, interval=(low, high), p=_p(told))]
    rows += [_row("as written down", told.complete, told)]
    for way in told.complete.adjusted.ways if told.complete.adjusted else ():
        rows.append(_row(way.name, replace(told.complete, value=way.value, se=way.se, df=way.df, adjusted=None), told))
    allowance = _allowance(told)
    if allowance:
        rows.append(
            _row("less half a SEM, for a reader who knew", told.complete, told, interval=(low - allowance, high))
        )
    notes = [
        told.draw.says if told.draw else _chosen_says(told),
        *told.doubts,
        CARRIED if told.also else "",
        PART.format(people=counted(len(told.people), "practitioner")) if told.people else "",
        LEFT_OUT,
        absent,
    ]
    return Result.of(
        rows,
        says=_says(told, low, high, allowance, engine),
        title=f"{told.question.intervention.replace('_', ' ')} less {told.compared.against}",
        notes=tuple(note for note in notes if note),
        detail=told,
    )


def _widest(told: BySums) -> tuple[float, float]:
    """The interval that reaches from the lowest limit against the technique to the highest of all."""
    ways = (told.complete, *told.filled, *([told.also] if told.also else []))
    many = len(told.filled) > 2 or told.also is not None
    low = min(way.interval[0] for way in (ways if many else (told.complete, *told.filled[:1])))
    return low, max(way.interval[1] for way in ways)


def _p(told: BySums) -> float:
    if len(told.filled) > 2 or told.also is not None:
        return max(way.p for way in (told.complete, *told.filled, *([told.also] if told.also else [])))
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


def _says(told: BySums, low: float, high: float, allowance: float, engine: str) -> str:
    """The effect with its interval, whose it is, and how far it can be believed."""
    unit, n = str(told.question.unit), told.n_clients
    drawn = "chosen by somebody, not drawn"
    if told.draw is not None:
        kept = told.draw.passed
        drawn = (
            f"{'drawn at random, as written down' if kept else 'said to be drawn, which the records do not bear out'}"
        )
    missing = sum(told.n_missing)
    filled = f"; {counted(missing, 'missing reading')} filled in against the technique and for it" if missing else ""
    whose = f"{counted(told.n_sessions, 'session')} of {counted(n, 'client')}, {drawn}{filled}"
    size = with_interval(told.complete.value, low, high, unit, level=told.complete.level, also=whose)
    what = f"{spaced(told.question.intervention)} on {spaced(told.question.region)}"
    lean = f" A reader who knew what was done may have added {quantity(allowance, unit)}." if allowance else ""
    return (
        f"{capital(what)} less {told.compared.against}: {size}.{lean} From sums that {engine} made: "
        "no claim is drawn from them alone."
    )


def _chosen_says(told: BySums) -> str:
    """What a comparison that nobody drew rests on, and what its arms differ in."""
    if told.differs:
        return f"What was compared was not drawn at random, and differs in {'; '.join(told.differs)}."
    return (
        "What was compared was not drawn at random. The interval holds two ways of adjusting that bracket the truth; "
        "what nobody wrote down is not adjusted for."
    )
