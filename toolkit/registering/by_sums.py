"""A question too large to be fetched, answered from the engine's sums; what is then not looked at is said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toolkit.claim.question import Question
from toolkit.effect.from_sums import Cells, estimate_from_sums
from toolkit.effect.missing_readings import BY_COUNT, LOWER, UPPER, harsher_arm
from toolkit.errors import NotEnoughError, RegistryError
from toolkit.number_words import quantity, quantity_with_interval
from toolkit.quantiles import t_above, t_quantile
from toolkit.registering.cells import Filled, cells_of, sessions, with_time
from toolkit.registering.compared import ComparedTable, compared_table
from toolkit.registering.draw_by_sums import DrawBySums, draw_by_sums
from toolkit.registering.held import Held
from toolkit.registering.measured import errors_in
from toolkit.result import Result
from toolkit.stats.reading_error import ReadingError

LEFT_OUT = (
    "Not looked at with so many rows: rows set aside whole and sessions missing from the count in the bound, copied "
    "second readings, examiners by arm, minutes, one practitioner who carries it, the other explanations one by one. "
    "Ask a part of it (a region, some sites; or a larger most_rows) for the full audit."
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
    cells: Cells
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
    by_order = compared.basis == "randomised_order"
    about = found.engine.frame(_about(compared.table)).set_index("arm").reindex([1, 0])
    if about["y_n"].fillna(0).min() < 2:
        raise NotEnoughError("One of the two has no session with readings before and after, so nothing is compared.")
    missing = (about["n"] - about["y_n"]).to_numpy(dtype=int)
    filled = []
    if missing.any():
        for values in _fillings(about, missing):
            with found.engine.kept(sessions(compared.table, filled=values)) as plain:
                again = with_time(found.engine, plain)
                filled.append(_effect(cells_of(found.engine, again, by_order=by_order), level))
    with found.engine.kept(sessions(compared.table)) as plain:
        rows = with_time(found.engine, plain)
        cells = cells_of(found.engine, rows, by_order=by_order)
        draw = draw_by_sums(found.engine, rows, cells)
    error = errors_in(found, question.measure).get(question.measure) if _read_twice(found, question) else None
    return BySums(
        question=question,
        compared=compared,
        cells=cells,
        complete=_effect(cells, level),
        filled=tuple(filled),
        n_missing=(int(missing[0]), int(missing[1])),
        draw=draw,
        blinded=(float(about["blind"][1]), float(about["blind"][0])),
        error=error if isinstance(error, ReadingError) else None,
    )


def _in_words(found: Held, question: Question) -> Question:
    """The question in the registry's words and unit."""
    book = found.codebook
    measure = book.find_measure(question.measure) or question.measure
    known = book.measure(measure)
    return replace(question, measure=measure, better=question.better or known.better, unit=known.unit)


def _read_twice(found: Held, question: Question) -> bool:
    table = found.readings.filter(found.readings.measure == question.measure)
    return int(found.engine.frame(table.agg(n=table.before_2.count()))["n"].iloc[0]) > 1


def _effect(cells: Cells, level: float) -> Effect:
    average, method = estimate_from_sums(cells)
    one = average.found
    return Effect(value=one.value, se=one.se, df=one.df, method=method, level=level)


def _about(table: Any) -> Any:
    """Of each arm: rows, changes, their quantiles, ends and spread, means before, blind readings."""
    cuts = sorted({*LOWER, *UPPER, *BY_COUNT})
    return table.group_by("arm").agg(
        n=table.count(),
        y_n=table.y.count(),
        y_sum=table.y.sum(),
        y_squares=(table.y * table.y).sum(),
        y_low=table.y.min(),
        y_high=table.y.max(),
        nothing=(table.base.isnull() & table.y.isnull()).cast("float64").mean(),
        base_sum=table.base.sum(),
        base_n=table.base.count(),
        gap_sum=table.gap.sum(),
        gap_n=table.gap.count(),
        blind=(table.blinded == "yes").cast("float64").mean(where=table.y.notnull()),
        **{f"q{round(100 * cut):02d}": table.y.quantile(cut) for cut in cuts},
    )


def _fillings(about: Any, missing: np.ndarray) -> list[Filled]:
    """What missing readings are taken to be, against the technique and for it; see `missing_readings.filling`."""
    n = about["n"].to_numpy(dtype=int)
    quantile = {cut: float(about[f"q{round(100 * cut):02d}"][0]) for cut in (*LOWER, *UPPER)}
    against, favour = [quantile[one] for one in LOWER], [quantile[one] for one in UPPER]
    count = float(about["y_n"].sum())
    mean = about["y_sum"].sum() / count
    spread = float(np.sqrt(max(about["y_squares"].sum() - count * mean**2, 0.0) / (count - 1)))
    least, most = float(about["y_low"].min()) - spread, float(about["y_high"].max()) + spread
    harsher = harsher_arm(missing, n, float(about["nothing"][1]))
    if harsher == "technique":
        against[0], favour[0] = least, most
    elif harsher == "comparison":
        against[1], favour[1] = most, least
    base = float(about["base_sum"].sum() / about["base_n"].sum())
    gap = float(about["gap_sum"].sum() / about["gap_n"].sum())
    return [Filled(technique=one[0], comparison=one[1], base=base, gap=gap) for one in (against, favour)]


def _widest(told: BySums) -> tuple[float, float]:
    """The interval that reaches from the lowest limit against the technique to the highest of all."""
    ways = (told.complete, *told.filled)
    low = min(way.interval[0] for way in (told.complete, *told.filled[:1]))
    return low, max(way.interval[1] for way in ways)


def _p(told: BySums) -> float:
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
        "n_clients": int(told.cells.client.max()) + 1,
        "n_rows": told.cells.n,
        "unit": told.question.unit,
        "method": one.method,
    }


def _says(told: BySums, low: float, high: float, allowance: float, found: Held) -> str:
    """The effect with its interval, whose it is, and how far it can be believed."""
    unit, n = str(told.question.unit), int(told.cells.client.max()) + 1
    drawn = (
        "drawn at random, as written down"
        if told.draw.passed
        else "said to be drawn, which the records do not bear out"
    )
    size = quantity_with_interval(told.complete.value, low, high, unit, level=told.complete.level)
    missing = sum(told.n_missing)
    filled = f"; {missing:,} missing readings filled in against the technique and for it" if missing else ""
    lean = f" A reader who knew what was done may have added {quantity(allowance, unit)}." if allowance else ""
    return (
        f"{told.question.intervention.replace('_', ' ')} on {told.question.region.replace('_', ' ')} less "
        f"{told.compared.against}: {size}, {told.cells.n:,} sessions of {n:,} clients, {drawn}{filled}.{lean} From "
        f"sums that {found.engine.name} made: no claim is drawn from them alone."
    )
