"""A question's sessions summed up by the engine: what it sends does not grow with the sessions of a client."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.estimate import ENOUGH_FOR_TIME, TOLD
from toolkit.effect.from_sums import CORE, TIME, Cells, without_told
from toolkit.errors import NotEnoughError
from toolkit.registering.engine import Engine

VARYING = ("base", "gap", "has_second", "first_visit", "log_visit", "day_rank")
LEAST = 1e-12


@dataclass(frozen=True, kw_only=True)
class Filled:
    """Changes that missing ones are taken to be (technique, comparison), and baselines that unknown ones are."""

    technique: float
    comparison: float
    base: float
    gap: float


def sessions(compared: Any, *, filled: Filled | None = None) -> Any:
    """One row a session and arm: sides of one session share what was drawn, so they count once."""
    import ibis

    if filled is None:
        rows = compared.filter(compared.y.notnull())
    else:
        fill = ibis.ifelse(compared.arm == 1, filled.technique, filled.comparison)
        rows = compared.mutate(
            y=compared.y.fill_null(fill),
            base=compared.base.fill_null(filled.base),
            gap=compared.gap.fill_null(filled.gap),
        )
    found = rows.group_by(["site", "client", "practitioner", "session_id", "arm"]).agg(
        y=rows.y.mean(),
        base=rows.base.mean(),
        gap=rows.gap.mean(),
        has_second=rows.has_second.mean(),
        visit=rows.visit.min().cast("float64"),
        date=rows.date.min(),
    )
    return found.drop("session_id")


def with_time(engine: Engine, rows: Any) -> Any:
    """Sessions with when they were: the first visit, the visit on a log scale, the day's rank among all days."""
    import ibis

    dated = rows.filter(rows.date.notnull())
    days = engine.frame(dated.group_by("date").agg(n=dated.count())).sort_values("date", ignore_index=True)
    before = days["n"].cumsum() - days["n"]
    ranks = pd.DataFrame({"its_day": days["date"]}).assign(
        day_rank=(before + (days["n"] + 1) / 2) / max(int(days["n"].sum()), 1)
    )
    at = rows.visit
    timed = rows.mutate(
        first_visit=ibis.ifelse(at.isnull(), ibis.null("float64"), (at == 1).cast("float64")),
        log_visit=ibis.greatest(at, 1.0).log(),
    )
    if days.empty:
        return timed.mutate(day_rank=ibis.null("float64"))
    lent = engine.lent(ranks)
    return timed.left_join(lent, timed.date == lent.its_day).drop("its_day")


def cells_of(engine: Engine, rows: Any, *, by_order: bool) -> Cells:
    """Sums of sessions by client, practitioner and arm; two passes: means and ranges first, then products about them.

    Raises
    ------
    NotEnoughError
        There is no session, or all changes are the same number.
    """
    about = engine.frame(rows.agg(**_ranges(rows))).iloc[0]
    n = int(about["n"])
    if n < 5 or about["y_high"] == about["y_low"]:
        why = "all changes are the same number" if n else "no session has readings before and after"
        raise NotEnoughError(
            f"{n} sessions can be compared, and {why if n < 1 or n >= 5 else 'at least 5 are needed'}."
        )
    means = {name: float(np.nan_to_num(about[f"{name}_mean"])) for name in (*VARYING, "y")}
    keep = [
        k for k, name in enumerate(CORE) if name in VARYING and about[f"{name}_high"] - about[f"{name}_low"] > LEAST
    ]
    seen = n - int(about["without_visit"])
    first = means["first_visit"] * seen
    unusable = set() if by_order else set(TIME)
    if seen <= n / 2 or not 3 <= round(first) <= seen - 3:
        unusable.add(CORE.index("first_visit"))
    if seen <= n / 2 or n < ENOUGH_FOR_TIME:
        unusable.add(CORE.index("log_visit"))
    if n < ENOUGH_FOR_TIME:
        unusable.add(CORE.index("day_rank"))
    frame = engine.frame(_sums(rows, means)).sort_values(["client", "practitioner", "arm"], ignore_index=True)
    return without_told(_cells(frame, tuple(k for k in keep if k not in unusable)), share=TOLD)


def _ranges(rows: Any) -> dict[str, Any]:
    found = {"n": rows.count(), "without_visit": rows.visit.isnull().cast("int64").sum()}
    for name in (*VARYING, "y"):
        found |= {f"{name}_mean": rows[name].mean(), f"{name}_low": rows[name].min(), f"{name}_high": rows[name].max()}
    return found


def _sums(rows: Any, means: dict[str, float]) -> Any:
    """One row a client, practitioner and arm with all sums and products, in the order of `_pairs`."""
    about = {name: (rows[name] - mean).fill_null(0.0) for name, mean in means.items()}
    columns = [rows.y.notnull().cast("float64"), *(about[name] for name in CORE[1:])]
    products = {f"s{a}_{b}": (columns[a] * columns[b]).sum() for a, b in _pairs()}
    return rows.group_by(["site", "client", "practitioner", "arm"]).agg(**products)


def _pairs() -> list[tuple[int, int]]:
    return [(a, b) for a in range(len(CORE)) for b in range(a, len(CORE))]


def _cells(frame: pd.DataFrame, keep: tuple[int, ...]) -> Cells:
    products = np.empty((len(frame), len(CORE), len(CORE)))
    for a, b in _pairs():
        products[:, a, b] = products[:, b, a] = frame[f"s{a}_{b}"].to_numpy(dtype=float)
    codes: dict[str, NDArray[np.intp]] = {
        name: pd.factorize(frame[name], sort=True)[0].astype(np.intp) for name in ("client", "practitioner", "site")
    }
    return Cells(**codes, arm=frame["arm"].to_numpy(dtype=np.intp), products=products, keep=keep)
