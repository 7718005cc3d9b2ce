"""Of very many sessions those of some practitioners: what a careful eye needs to see, at a cost that stays the same.

Putting all of 14 million sessions in order, or setting out each of their readings, costs more than the estimate itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any
from zlib import crc32

from toolkit.registering.engine import Engine

MOST_ASKED = 500_000  # sessions up to which all are asked


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """The rows that are asked and whose they are: all of `whole` and () where those are not too many."""

    whole: Any
    rows: Any
    people: tuple[str, ...]

    @contextmanager
    def of(self, engine: Engine, table: Any) -> Iterator[Any]:
        """The rows of the same practitioners in another table, or in the same one as it was."""
        if not self.people:
            yield table
        elif table is self.whole:
            yield self.rows
        else:
            with engine.kept(table.filter(table.practitioner.isin(self.people))) as part:
                yield part


@contextmanager
def part_asked(engine: Engine, rows: Any, n: int) -> Iterator[Part]:
    """The part of `n` rows that is asked, kept by the engine meanwhile."""
    people = some_practitioners(engine, rows) if n > MOST_ASKED else ()
    with engine.kept(rows.filter(rows.practitioner.isin(people))) if people else nullcontext(rows) as part:
        yield Part(whole=rows, rows=part, people=people)


def some_practitioners(engine: Engine, rows: Any) -> tuple[str, ...]:
    """As many practitioners as have `MOST_ASKED` rows, taken as if by lot but always the same ones; () for all."""
    sizes = engine.frame(rows.group_by("practitioner").agg(n=rows.count()))
    names = sorted(sizes["practitioner"].astype(str), key=lambda name: (crc32(name.encode()), name))
    so_far = sizes.set_index(sizes["practitioner"].astype(str))["n"].reindex(names).cumsum()
    chosen = names[: int((so_far < MOST_ASKED).sum()) + 1]
    return tuple(chosen) if len(chosen) < len(names) else ()
