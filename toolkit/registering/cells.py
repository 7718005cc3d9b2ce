"""A question's sessions summed up by the engine: what it sends does not grow with the sessions of a client.

Two sets of sessions are needed: those with a change, and all of them with what is missing filled in against the
technique and for it. Where a session is one row (as stored, see `layout`), one pass sums up those with a change for
both sets, and another the few without; else sides are first put together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from toolkit.effect.estimate import ENOUGH_FOR_TIME
from toolkit.errors import NotEnoughError
from toolkit.registering.engine import Engine

PLAIN = ("base", "gap", "has_second", "first_visit", "log_visit")
KEYS = ("site", "client", "practitioner", "arm")
CHANGES = ("y", "y_against", "y_favour", "y_turned_favour", "y_turned_against")
RANKS = {"y": "rank_seen", **dict.fromkeys(CHANGES[1:], "rank_all")}
MOST_VISITS = 60


@dataclass(frozen=True, kw_only=True)
class Filled:
    """Changes that missing ones are taken to be, by the name of the way, (technique, comparison); unknown baselines.

    Against the technique and for it; where both are treatments, also as if the comparison were the technique.
    """

    ways: dict[str, tuple[float, float]]
    base: float
    gap: float


def sessions(compared: Any, *, filled: Filled | None = None) -> Any:
    """One row a session and arm: sides of one session share what was drawn, so they count once.

    `filled`: all sessions, with a column for each way of filling; else those with a change.
    """
    rows = compared.filter(compared.y.notnull()) if filled is None else with_fillings(compared, filled)
    changes = ("y",) if filled is None else tuple(filled.ways)
    found = rows.group_by(["site", "client", "practitioner", "session_id", "arm"]).agg(
        **{name: rows[name].mean() for name in (*changes, "base", "gap", "has_second")},
        visit=rows.visit.min().cast("float64"),
        date=rows.date.min(),
    )
    return found.drop("session_id")


def with_fillings(rows: Any, filled: Filled) -> Any:
    """Rows with every change that a missing one is taken to be, and no unknown baseline."""
    import ibis

    changes = {name: rows.y.fill_null(ibis.ifelse(rows.arm == 1, *way)) for name, way in filled.ways.items()}
    return with_baselines(rows, filled).mutate(**changes)


def with_baselines(rows: Any, filled: Filled) -> Any:
    """Rows without an unknown baseline."""
    return rows.mutate(base=rows.base.fill_null(filled.base), gap=rows.gap.fill_null(filled.gap))


def timed(rows: Any) -> Any:
    """Sessions with the first visit and the visit on a log scale."""
    import ibis

    at = rows.visit.cast("float64")
    return rows.mutate(
        first_visit=ibis.ifelse(at.isnull(), ibis.null("float64"), (at == 1).cast("float64")),
        log_visit=ibis.greatest(at, 1.0).log(),
    )


def by_day(rows: Any, change: str = "y") -> Any:
    """Totals by arm, day and whether there is a change: few rows, whatever the sessions."""
    found = timed(rows)
    keys = {"whole": found[change].notnull()}
    if "lone" in rows.columns:
        keys["lone"] = found.lone
    sums = {name: found[name].sum() for name in PLAIN}
    return found.group_by([found.arm, found.date], **keys).agg(
        n=found.count(),
        without_visit=found.visit.isnull().cast("int64").sum(),
        base_n=found.base.count(),
        gap_n=found.gap.count(),
        y=found[change].sum(),
        y_squares=(found[change] * found[change]).sum(),
        y_low=found[change].min(),
        y_high=found[change].max(),
        **({"blind": (found.blinded == "yes").cast("int64").sum()} if "blinded" in rows.columns else {}),
        **sums,
    )


@dataclass(frozen=True, kw_only=True)
class Totals:
    """How many sessions there are and what their columns are near; `names` of those that the estimate takes in."""

    n: int
    means: dict[str, float]
    names: tuple[str, ...]

    @classmethod
    def of(cls, days: pd.DataFrame, *, by_order: bool) -> Totals:
        """From totals by day.

        Raises
        ------
        NotEnoughError
            There is no session, or all changes are the same number.
        """
        n = int(days["n"].sum())
        if n < 5 or days["y_high"].max() == days["y_low"].min():
            why = "all changes are the same number" if n else "no session has readings before and after"
            raise NotEnoughError(
                f"{n} sessions can be compared, and {why if n < 1 or n >= 5 else 'at least 5 are needed'}."
            )
        seen = n - int(days["without_visit"].sum())
        of = {"base": days["base_n"].sum(), "gap": days["gap_n"].sum(), "first_visit": seen, "log_visit": seen}
        means = {name: float(days[name].sum()) / max(int(of.get(name, n)), 1) for name in (*PLAIN, "y")}
        first = round(float(days["first_visit"].sum()))
        usable = {"base": True, "gap": True, "has_second": 0 < days["has_second"].sum() < n}
        usable["first_visit"] = by_order and seen > n / 2 and 3 <= first <= seen - 3
        usable["log_visit"] = by_order and seen > n / 2 and n >= ENOUGH_FOR_TIME
        names = [name for name in PLAIN if usable[name]]
        if by_order and n >= ENOUGH_FOR_TIME and days["date"].notna().any():
            names.append("day_rank")
        return cls(n=n, means=means, names=tuple(names))


def day_ranks(days: pd.DataFrame) -> pd.Series:
    """Each day's mean rank among all sessions that have one, as a share; by day."""
    dated = days[days["date"].notna()].groupby("date")["n"].sum().sort_index()
    return (dated.cumsum() - dated + (dated + 1) / 2) / max(int(dated.sum()), 1)


def middle_rank(days: pd.DataFrame) -> float:
    """The mean of all sessions' ranks."""
    n = int(days["n"][days["date"].notna()].sum())
    return (n + 1) / (2 * max(n, 1))


def summed(engine: Engine, rows: Any, ranks: pd.DataFrame, means: dict[str, float], changes: Sequence[str]) -> Any:
    """Sums and products of columns by client, practitioner, arm and whether there is a change, as an Arrow table.

    Its columns are `a*b`, and `visits` with a bit for each visit; a change that is missing counts as none at all (0).

    Parameters
    ----------
    rows
        One row a session, as `timed` takes it, with the columns `changes`.
    ranks
        By day (`its_day`) the ranks that are wanted.
    means
        What each column is near, by name; a column without a mean is not wanted.
    """
    import ibis

    found = timed(rows)
    there = [name for name in ranks.columns if name != "its_day"]
    if there:
        lent = engine.lent(ranks)
        found = found.left_join(lent, found.date == lent.its_day)
    about = {name: (found[name] - means[name]).fill_null(0.0) for name in (*PLAIN, *there) if name in means}
    about |= {name: (found[name] - means["y"]).fill_null(0.0) for name in changes}
    whole = found[changes[0]].notnull()
    at = found.visit.cast("int64")
    bit = ibis.ifelse(at.between(1, MOST_VISITS), ibis.literal(1, "int64") << at, 0).fill_null(0)
    flat = found.select(*KEYS, bit=bit, whole=whole, **about)
    sums = {"one*one": flat.count().cast("float64"), "visits": _any_bit()(flat.bit)}
    for place, name in enumerate(about):
        sums[f"one*{name}"] = flat[name].sum()
        for other in list(about)[place:]:
            if not _never_together(name, other):
                sums[f"{name}*{other}"] = (flat[name] * flat[other]).sum()
    return engine.arrow(flat.group_by([*KEYS, "whole"]).agg(**sums))


def _any_bit() -> Any:
    """The engine's own way to put bits together: Ibis knows it of some engines only."""
    import ibis

    def bit_or(bits):  # type: ignore[no-untyped-def]
        """A name for Ibis; the engine has what it does."""

    return ibis.udf.agg.builtin(bit_or, name="bit_or", signature=(("int64",), "int64"))


def _never_together(one: str, other: str) -> bool:
    """Columns of which a fit takes one or the other."""
    return one != other and any({one, other} <= set(group) for group in (CHANGES, RANKS.values()))
