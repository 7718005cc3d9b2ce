"""A question's sessions summed up by the engine: what it sends does not grow with the sessions of a client.

Two sets of sessions are needed: those with a change, and all of them with what is missing filled in against the
technique and for it. Where a session is one row (as stored, see `layout`), one pass sums up those with a change for
both sets, and another the few without; else sides are first put together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.client_sums import Cells, Floats, pairs_of
from toolkit.effect.estimate import ENOUGH_FOR_TIME
from toolkit.errors import NotEnoughError
from toolkit.registering.engine import Engine

PLAIN = ("base", "gap", "has_second", "first_visit", "log_visit")
KEYS = ("site", "client", "practitioner", "arm")
CHANGES = ("y", "y_against", "y_favour", "y_turned_favour", "y_turned_against")
RANKS = {"y": "rank_seen", **dict.fromkeys(CHANGES[1:], "rank_all")}
MOST_VISITS = 60
_ROWS_AT_ONCE = 4_000


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """One table that the engine sent: its sums by name, and whole numbers for codes, in the order of those."""

    sums: dict[str, NDArray[Any]]
    codes: dict[str, NDArray[np.intp]]

    def products(self, names: Sequence[str]) -> Floats:
        """Upper triangles over these columns, (cells, pairs)."""
        out = np.empty((len(self.codes["arm"]), len(names) * (len(names) + 1) // 2))
        there = [
            (f"{names[a]}*{names[b]}", f"{names[b]}*{names[a]}") for a, b in zip(*pairs_of(len(names)), strict=True)
        ]
        columns = [self.sums[one if one in self.sums else other] for one, other in there]
        for first in range(0, len(out), _ROWS_AT_ONCE):  # what is written to stays at hand
            some = slice(first, first + _ROWS_AT_ONCE)
            for at, column in enumerate(columns):
                out[some, at] = column[some]
        return out


@dataclass(frozen=True, kw_only=True, eq=False)
class Summed:
    """What the engine sent, several tables of `summed`; clients are numbered in the order of their sites."""

    tables: tuple[Table, ...]

    @classmethod
    def of(cls, sent: Sequence[Any]) -> Summed:
        """Of each table the cells with a change, then those without; codes are those of site and client together."""
        import pyarrow as pa

        codes = {name: _codes(pa.concat_tables([one.select([name]) for one in sent])[name]) for name in KEYS[:3]}
        for name in ("client", "practitioner"):
            codes[name] = _by_site(codes[name], codes["site"])
        codes["arm"] = np.concatenate([one["arm"].to_numpy() for one in sent]).astype(np.intp)
        ends = np.cumsum([len(one) for one in sent])
        tables = []
        for one, first, end in zip(sent, np.r_[0, ends[:-1]], ends, strict=True):
            own = {name: values[first:end] for name, values in codes.items()}
            order = np.lexsort((own["practitioner"], own["arm"], own["client"]))
            whole = one["whole"].to_numpy()[order]
            names = [name for name in one.column_names if name not in (*KEYS, "whole")]
            for kind in (True, False):
                at = order[whole == kind]
                if kind or len(at):
                    mine = {name: values[at] for name, values in own.items()}
                    at, mine = _both_arms(at, mine) if kind else (at, mine)
                    sums = {name: one[name].to_numpy()[at] for name in names}
                    for values in sums.values() if (at < 0).any() else ():
                        values[at < 0] = 0
                    tables.append(Table(sums=sums, codes=mine))
        return cls(tables=tuple(tables))

    def with_change(self, table: int, change: str, values: tuple[float, float], near: float) -> Summed:
        """Add to a table of cells without a change what it is taken to be: (technique, comparison), less `near`."""
        one = self.tables[table]
        value = np.where(one.codes["arm"] == 1, *values) - near
        sums = dict(one.sums)
        for name in [
            name.removeprefix("one*") for name in sums if name.startswith("one*") and name not in ("one*one", "one*y")
        ]:
            sums[f"{name}*{change}"] = value * sums[f"one*{name}"]
        sums |= {f"one*{change}": value * sums["one*one"], f"{change}*{change}": value**2 * sums["one*one"]}
        tables = [replace(one, sums=sums) if place == table else it for place, it in enumerate(self.tables)]
        return replace(self, tables=tuple(tables))

    def cells(self, change: str, names: Sequence[str], *, tables: Sequence[int], lent: Sequence[str]) -> Cells:
        """The cells of one set of sessions: change, columns, which tables, and the name of the change in each."""
        wanted = ["one", *(RANKS[change] if name == "day_rank" else name for name in names)]
        first = self.tables[tables[0]]
        products, codes = first.products([*wanted, lent[0]]), first.codes
        for place, own in zip(tables[1:], lent[1:], strict=True):
            products, codes = _joined(products, codes, self.tables[place], [*wanted, own])
        tight = {name: _without_gaps(codes[name]) for name in KEYS[:3]}
        return Cells(**tight, arm=codes["arm"], products=products, names=("one", *names, "y"))


def _both_arms(
    at: NDArray[np.intp], codes: dict[str, NDArray[np.intp]]
) -> tuple[NDArray[np.intp], dict[str, NDArray[np.intp]]]:
    """Cells in their order with an empty one (place −1) where a client has sessions in one arm only."""
    client, arm = codes["client"], codes["arm"]
    first = np.r_[True, client[1:] != client[:-1]]
    starts = np.flatnonzero(first)
    arms = np.maximum.reduceat(arm, starts) - np.minimum.reduceat(arm, starts) if len(starts) else np.empty(0)
    lone = starts[arms == 0]
    if not len(lone):
        return at, codes
    ends = np.r_[starts[1:], len(client)][arms == 0]
    where = np.where(arm[lone] == 1, lone, ends)  # the first arm stands before, the second behind
    more = {name: codes[name][lone] for name in codes} | {"arm": 1 - arm[lone]}
    return np.insert(at, where, -1), {name: np.insert(codes[name], where, more[name]) for name in codes}


def _joined(
    products: Floats, codes: dict[str, NDArray[np.intp]], more: Table, names: Sequence[str]
) -> tuple[Floats, dict[str, NDArray[np.intp]]]:
    """Products with those of another table added to the same cells; cells that are new come in their place."""
    size = 1 + max(int(max(one["practitioner"].max(initial=0) for one in (codes, more.codes))), 0)
    key, other = ((2 * one["client"] + one["arm"]) * size + one["practitioner"] for one in (codes, more.codes))
    at = np.searchsorted(key, other)
    there = key[np.minimum(at, len(key) - 1)] == other
    added = more.products(names)
    products[at[there]] += added[there]
    if there.all():
        return products, codes
    order = np.argsort(np.concatenate([key, other[~there]]), kind="stable")
    both = {name: np.concatenate([codes[name], more.codes[name][~there]])[order] for name in codes}
    return np.concatenate([products, added[~there]])[order], both


def _codes(column: Any) -> NDArray[np.intp]:
    """Words as whole numbers, in the order in which they come."""
    encoded = column.combine_chunks().dictionary_encode()
    return np.asarray(encoded.indices.to_numpy(zero_copy_only=False), dtype=np.intp)


def _by_site(code: NDArray[np.intp], site: NDArray[np.intp]) -> NDArray[np.intp]:
    """Codes that tell sites apart where the same word stands at several, in the order of the sites."""
    length = int(code.max(initial=-1)) + 1
    first = np.zeros(length, dtype=np.intp)
    first[code] = site
    if (first[code] != site).any():
        return np.asarray(np.unique(site * length + code, return_inverse=True)[1], dtype=np.intp).reshape(-1)
    rank = np.empty(length, dtype=np.intp)
    rank[np.argsort(first, kind="stable")] = np.arange(length)
    return np.asarray(rank[code])


def _without_gaps(code: NDArray[np.intp]) -> NDArray[np.intp]:
    """The same codes with every number in use."""
    used = np.bincount(code) > 0
    return code if used.all() else (np.cumsum(used) - 1)[code].astype(np.intp)
