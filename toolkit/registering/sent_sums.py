"""What the engine sent: sums of cells with whole numbers for codes, put together as one set of sessions or another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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

    def product(self, one: str, other: str) -> NDArray[Any]:
        """The sums of the product of two columns."""
        return self.sums[f"{one}*{other}" if f"{one}*{other}" in self.sums else f"{other}*{one}"]


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
                    tables.append(Table(sums={name: one[name].to_numpy()[at] for name in names}, codes=mine))
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

    def cells(
        self, changes: Sequence[Sequence[str]], names: Sequence[str], *, tables: Sequence[int]
    ) -> Iterator[Cells]:
        """The cells of one set of sessions, for one change after the other: the next is written over the one before.

        Parameters
        ----------
        changes
            For each change its name in each of the tables.
        names
            The columns beside it. `tables`: which ones hold the sessions.
        """
        held = [self.tables[table] for table in tables]
        codes, places = _together([table.codes for table in held])
        rank = RANKS[changes[0][-1]] if changes else ""
        wanted = ["one", *(rank if name == "day_rank" else name for name in names), ""]
        pairs = list(zip(*pairs_of(len(wanted)), strict=True))
        products = np.empty((len(pairs), len(codes["arm"])))
        for turn, own in enumerate(changes):
            for row, (a, b) in enumerate(pairs):
                if not turn or b == len(names) + 1:
                    columns = [
                        table.product(wanted[a] or its, wanted[b] or its) for table, its in zip(held, own, strict=True)
                    ]
                    _write(products[row], columns, places)
            yield Cells(**codes, products=products, names=("one", *names, "y"))


def _write(row: Floats, columns: Sequence[NDArray[Any]], places: Sequence[NDArray[np.intp]]) -> None:
    """Put sums of several tables in their places, added where they share one; nought elsewhere."""
    first, *others = zip(columns, places, strict=True)
    if len(first[0]) == len(row):
        row[first[1]] = first[0]
    else:
        row[:] = 0
        row[first[1]] = first[0]
    for column, place in others:
        row[place] += column


def _together(
    held: Sequence[dict[str, NDArray[np.intp]]],
) -> tuple[dict[str, NDArray[np.intp]], list[NDArray[np.intp]]]:
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


def without_gaps(code: NDArray[np.intp]) -> NDArray[np.intp]:
    """The same codes with every number in use."""
    used = np.bincount(code) > 0
    return code if used.all() else (np.cumsum(used) - 1)[code].astype(np.intp)
