"""What a named method of the replication sheet is: what it needs, what it gives, what else may have been meant."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

Numbers = dict[str, float]
Prepare = Callable[[pd.DataFrame, Mapping[str, Any]], Any]
Recompute = Callable[[Any, Mapping[str, Any]], Numbers]


@dataclass(frozen=True, kw_only=True, eq=False)
class Method:
    """One way to recompute printed figures.

    `recompute` takes the data and the settings; where `prepare` is given, it takes what `prepare` made of them. That is
    kept for every figure that differs only in the settings named in `after_preparing` (one fit serves many figures).

    `gives` are the numbers that a figure may take from it. `columns` are the settings that name columns of the data
    (those in `optional` may be left out), `settings` the others with their defaults, `groups` the summary figures it
    needs from `[inputs.…]`. `uses` are the functions that do the work. `alternatives` are other readings of the same
    analysis, each a plain name and the settings it changes; they are tried when a figure does not come out.
    """

    name: str
    what: str
    gives: tuple[str, ...]
    uses: str
    recompute: Recompute
    prepare: Prepare | None = None
    after_preparing: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    alternatives: tuple[tuple[str, Mapping[str, Any]], ...] = ()
