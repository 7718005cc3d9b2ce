"""Of very many sessions those of some practitioners: what a careful eye needs to see, at a cost that stays the same.

Putting all of 14 million sessions in order, or setting out each of their readings, costs more than the estimate itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from zlib import crc32

from toolkit.registering.engine import Engine

MOST_ASKED = 500_000  # sessions up to which all are asked


@contextmanager
def part_asked(engine: Engine, rows: Any, n: int) -> Iterator[tuple[Any, tuple[str, ...]]]:
    """The rows that are asked, and whose they are; all of them and () where `n` are not too many."""
    people = some_practitioners(engine, rows) if n > MOST_ASKED else ()
    with of_practitioners(engine, rows, people) as part:
        yield part, people


@contextmanager
def of_practitioners(engine: Engine, rows: Any, people: tuple[str, ...]) -> Iterator[Any]:
    """The rows of these practitioners, kept by the engine; all rows, lazy, where none are named."""
    if not people:
        yield rows
        return
    with engine.kept(rows.filter(rows.practitioner.isin(people))) as part:
        yield part


def some_practitioners(engine: Engine, rows: Any) -> tuple[str, ...]:
    """As many practitioners as have `MOST_ASKED` rows, taken as if by lot but always the same ones; () for all."""
    sizes = engine.frame(rows.group_by("practitioner").agg(n=rows.count()))
    names = sorted(sizes["practitioner"].astype(str), key=lambda name: (crc32(name.encode()), name))
    so_far = sizes.set_index(sizes["practitioner"].astype(str))["n"].reindex(names).cumsum()
    chosen = names[: int((so_far < MOST_ASKED).sum()) + 1]
    return tuple(chosen) if len(chosen) < len(names) else ()
