"""What the engine sent: sums of cells with whole numbers for codes, put together as one set of sessions or another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toolkit.effect.client_sums import Cells, Floats, pairs_of
from toolkit.registering.cells import KEYS, RANKS


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """One table that the engine sent: its sums by name, and whole numbers for codes, in the order of those."""

    sums: dict[str, NDArray[Any]]
    codes: dict[str, NDArray[np.intp]]

    def products(self, names: Sequence[str]) -> Floats:
        """Upper triangle over these columns, (pairs, cells)."""
        there = [
            (f"{names[a]}*{names[b]}", f"{names[b]}*{names[a]}") for a, b in zip(*pairs_of(len(names)), strict=True)
        ]
        return np.stack([self.sums[one if one in self.sums else other] for one, other in there], dtype=float)


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
            order = np.lexsort((own["practitioner"], own["client"], own["arm"]))
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
    """Cells with an empty one (place −1) where a client has sessions in one arm only: none need be put together then.

    Unchanged where a client has several practitioners in an arm.
    """
    client = _without_gaps(codes["client"])
    n = int(client.max(initial=-1)) + 1
    key = codes["arm"] * n + client
    if len(np.unique(key)) < len(key):
        return at, codes
    cell = np.full(2 * n, -1, dtype=np.intp)
    cell[key] = np.arange(len(key))
    known = np.where(cell < 0, np.roll(cell, n), cell)
    full = {name: values[known] for name, values in codes.items()} | {"arm": np.repeat(np.arange(2), n)}
    return np.where(cell < 0, -1, at[cell]), full


def _joined(
    products: Floats, codes: dict[str, NDArray[np.intp]], more: Table, names: Sequence[str]
) -> tuple[Floats, dict[str, NDArray[np.intp]]]:
    """Products with those of another table added to the same cells; cells that are new come in their place."""
    clients, people = (1 + max(int(one[name].max(initial=0)) for one in (codes, more.codes)) for name in KEYS[1:3])
    key, other = ((one["arm"] * clients + one["client"]) * people + one["practitioner"] for one in (codes, more.codes))
    at = np.searchsorted(key, other)
    there = key[np.minimum(at, len(key) - 1)] == other
    added = more.products(names)
    products[:, at[there]] += added[:, there]
    if there.all():
        return products, codes
    order = np.argsort(np.concatenate([key, other[~there]]), kind="stable")
    both = {name: np.concatenate([codes[name], more.codes[name][~there]])[order] for name in codes}
    return np.concatenate([products, added[:, ~there]], axis=1)[:, order], both


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
