"""What the engine sent: sums of cells with whole numbers for codes, put together as one set of sessions or another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toolkit.effect.client_sums import Cells, Floats, pairs_of
from toolkit.registering.cells import KEYS, RANKS

Numbers = NDArray[Any]
Whole = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """Cells of one table that the engine sent: whole numbers for codes, and sums by name in the batches they came in.

    `rows`: which rows of the batches these cells are, in the order of `codes`.
    """

    sums: Mapping[str, tuple[Numbers, ...]]
    codes: dict[str, Whole]
    rows: Whole

    def product(self, one: str, other: str) -> tuple[Numbers, ...]:
        """The sums of the product of two columns."""
        return self.sums[f"{one}*{other}" if f"{one}*{other}" in self.sums else f"{other}*{one}"]

    def by_row(self, values: Numbers, *, rest: float) -> list[Numbers]:
        """What is known of cells for the rows of each batch; `rest` where a row is none of these cells."""
        sizes = [len(batch) for batch in self.sums["one*one"]]
        out = np.full(sum(sizes), rest, dtype=values.dtype)
        out[self.rows] = values
        return np.split(out, np.cumsum(sizes)[:-1])

    def total(self, one: str, other: str, weights: Sequence[Numbers]) -> float:
        """The sum over all cells, weighed (`by_row`)."""
        return float(sum(batch @ weight for batch, weight in zip(self.product(one, other), weights, strict=True)))


class Room:
    """Memory that is written over: what is written to for the first time costs more than all else done with it."""

    def __init__(self) -> None:
        self._held: Floats = np.empty(0)

    def of(self, rows: int, columns: int) -> Floats:
        """A matrix with anything in it."""
        if len(self._held) < rows * columns:
            self._held = np.empty(rows * columns)
        return self._held[: rows * columns].reshape(rows, columns)


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
            whole = one["whole"].to_numpy()
            names = [name for name in one.column_names if name not in (*KEYS, "whole")]
            sums = {name: tuple(batch.to_numpy() for batch in one[name].chunks) for name in names}
            for kind in (True, False):
                rows = np.flatnonzero(whole == kind)
                if kind or len(rows):
                    mine = {name: values[rows] for name, values in own.items()}
                    tables.append(Table(sums=sums, codes=mine, rows=rows) if kind else _few(sums, mine, rows))
        return cls(tables=tuple(tables))

    def with_change(self, table: int, change: str, values: tuple[float, float], near: float) -> Summed:
        """Add to a table of cells without a change what it is taken to be: (technique, comparison), less `near`."""
        one = self.tables[table]
        value = np.where(one.codes["arm"] == 1, *values) - near
        sums = dict(one.sums)
        for name in [
            name.removeprefix("one*") for name in sums if name.startswith("one*") and name not in ("one*one", "one*y")
        ]:
            sums[f"{name}*{change}"] = (value * sums[f"one*{name}"][0],)
        n = sums["one*one"][0]
        sums |= {f"one*{change}": (value * n,), f"{change}*{change}": (value**2 * n,)}
        tables = [replace(one, sums=sums) if place == table else it for place, it in enumerate(self.tables)]
        return replace(self, tables=tuple(tables))

    def cells(
        self, sets: Sequence[tuple[Sequence[str], Sequence[str]]], *, tables: Sequence[int], room: Room | None = None
    ) -> Iterator[Cells]:
        """The cells of one set of sessions after the other: the next is written over the one before.

        Parameters
        ----------
        sets
            For each set the name of the change in each of the tables, and the columns beside it.
        tables
            Which ones hold the sessions. `room`: where other cells were written, to be written over too.
        """
        held = [self.tables[table] for table in tables]
        codes, places = _together([table.codes for table in held])
        n = len(codes["arm"])
        at = [table.by_row(place, rest=n) for table, place in zip(held, places, strict=True)]
        room, before = room or Room(), None
        for own, names in sets:
            rank = RANKS[own[-1]]
            wanted = ["one", *(rank if name == "day_rank" else name for name in names), ""]
            pairs = list(zip(*pairs_of(len(wanted)), strict=True))
            products = room.of(len(pairs), n + 1)
            for row, (a, b) in enumerate(pairs):
                if before != wanted or b == len(wanted) - 1:
                    sums = [t.product(wanted[a] or its, wanted[b] or its) for t, its in zip(held, own, strict=True)]
                    _write(products[row], sums, at, covered=len(places[0]) == n)
            before = wanted
            yield Cells(**codes, products=products[:, :n], names=("one", *names, "y"))

    def only(
        self, change: Sequence[str], names: Sequence[str], *, tables: Sequence[int], room: Room | None = None
    ) -> Cells:
        """The cells of one set alone, as `cells` has them."""
        return next(self.cells([(change, names)], tables=tables, room=room))


def _few(sums: Mapping[str, tuple[Numbers, ...]], codes: dict[str, Whole], rows: Whole) -> Table:
    """Some rows of a table as a table of their own."""
    own = {name: (np.concatenate(batches)[rows],) for name, batches in sums.items()}
    return Table(sums=own, codes=codes, rows=np.arange(len(rows)))


def _write(row: Floats, sums: Sequence[Sequence[Numbers]], at: Sequence[Sequence[Whole]], *, covered: bool) -> None:
    """Put sums of several tables in their places, added where they share one; nought elsewhere."""
    if not covered:
        row[:] = 0
    for batch, place in zip(sums[0], at[0], strict=True):
        row[place] = batch
    for batches, places in zip(sums[1:], at[1:], strict=True):
        for batch, place in zip(batches, places, strict=True):
            row[place] += batch


def _together(
    held: Sequence[dict[str, Whole]],
) -> tuple[dict[str, Whole], list[Whole]]:
    """Codes of the cells of several tables without gaps, in the order of arms and clients; places of each table's own.

    Where no client has several practitioners in an arm, every client has a cell in both arms, be it an empty one: none
    need be put together then.
    """
    site, client, practitioner, arm = (np.concatenate([one[name] for one in held]) for name in KEYS)
    client, practitioner, site = (without_gaps(one) for one in (client, practitioner, site))
    clients, people = (int(one.max(initial=-1)) + 1 for one in (client, practitioner))
    key = arm * clients + client
    of_key = np.full(2 * clients, -1, dtype=np.intp)
    of_key[key] = practitioner
    if (of_key[key] == practitioner).all():
        of_key = np.where(of_key < 0, np.roll(of_key, clients), of_key)
        both, all_arms, place = np.tile(np.arange(clients), 2), np.repeat(np.arange(2), clients), key
    else:
        key = key * people + practitioner
        cells = np.sort(key)
        cells = cells[np.r_[True, cells[1:] != cells[:-1]]]
        both, all_arms, of_key = cells // people % clients, cells // people // clients, cells % people
        place = np.searchsorted(cells, key)
    site_of = np.empty(clients, dtype=np.intp)
    site_of[client] = site
    codes = {"client": both, "practitioner": of_key, "site": site_of[both], "arm": all_arms}
    return codes, np.split(place, np.cumsum([len(one["arm"]) for one in held])[:-1])


def _codes(column: Any) -> Whole:
    """Words as whole numbers, in the order in which they come."""
    encoded = column.combine_chunks().dictionary_encode()
    return np.asarray(encoded.indices.to_numpy(zero_copy_only=False), dtype=np.intp)


def _by_site(code: Whole, site: Whole) -> Whole:
    """Codes that tell sites apart where the same word stands at several, in the order of the sites."""
    length = int(code.max(initial=-1)) + 1
    first = np.zeros(length, dtype=np.intp)
    first[code] = site
    if (first[code] != site).any():
        return np.asarray(np.unique(site * length + code, return_inverse=True)[1], dtype=np.intp).reshape(-1)
    rank = np.empty(length, dtype=np.intp)
    rank[np.argsort(first, kind="stable")] = np.arange(length)
    return np.asarray(rank[code])


def without_gaps(code: Whole) -> Whole:
    """The same codes with every number in use."""
    used = np.bincount(code) > 0
    return code if used.all() else (np.cumsum(used) - 1)[code].astype(np.intp)
