"""How far a long computation is: a bar in a terminal or a cell, or whoever watches (a live cell, in its own place)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol

Watcher = Callable[[int, int, str], object]
_WATCHER: ContextVar[Watcher | None] = ContextVar("watcher", default=None)


class Bar(Protocol):
    """What a computation tells how far it is."""

    def update(self, n: int = 1) -> object:
        """So many more are done."""
        ...

    def close(self) -> object:
        """All is done."""
        ...


@contextmanager
def watched_by(watcher: Watcher) -> Iterator[None]:
    """Within this block progress is told to `watcher(done, of, what)` and no bar is drawn."""
    before = _WATCHER.set(watcher)
    try:
        yield
    finally:
        _WATCHER.reset(before)


def bar(total: int, what: str) -> Bar:
    """A bar for `total` pieces of work, `what` being their plural ("seasons").

    Examples
    --------
    >>> told = []
    >>> with watched_by(lambda done, of, what: told.append(f"{done} of {of} {what}")):
    ...     played = bar(2, "seasons")
    ...     _ = played.update(1)
    >>> told
    ['0 of 2 seasons', '1 of 2 seasons']
    """
    watcher = _WATCHER.get()
    if watcher is not None:
        return _Told(watcher, total, what)
    from tqdm.auto import tqdm

    shape = "{desc}: {percentage:3.0f} % |{bar}| {n_fmt} of {total_fmt}, {remaining} left"
    return tqdm(total=total, desc=what, bar_format=shape, dynamic_ncols=True)


class _Told:
    """A bar that is told to somebody else."""

    def __init__(self, watcher: Watcher, total: int, what: str) -> None:
        self._watcher, self._total, self._what, self._done = watcher, total, what, 0
        watcher(0, total, what)

    def update(self, n: int = 1) -> None:
        self._done += n
        self._watcher(self._done, self._total, self._what)

    def close(self) -> None:
        """Nothing is left to take away."""
