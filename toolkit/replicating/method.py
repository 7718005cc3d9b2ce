"""What a named method of the replication sheet is: what it needs, what it gives, what else may have been meant."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError

Numbers = dict[str, float]
Prepare = Callable[[pd.DataFrame, Mapping[str, Any]], Any]
Recompute = Callable[[Any, Mapping[str, Any]], Numbers]


@dataclass(frozen=True, kw_only=True, eq=False)
class Method:
    """One way to recompute printed figures.

    `recompute` takes the data and the settings; where `prepare` is given, it takes what `prepare` made of them. That is
    kept for every figure that differs only in the settings named in `after_preparing` (one fit serves many figures).

    `gives` are the numbers that a figure may take from it. `columns` are the settings that name columns of the data
    (those in `optional` may be left out), `settings` the others with their defaults and `choices` what they may be,
    `groups` the summary figures it needs from `[inputs.…]`. `uses` are the functions that do the work. `alternatives`
    are other readings of the same analysis, each a plain name and the settings it changes; they are tried when a
    figure does not come out. `r` is R's call that gives the same numbers ({before} stands for the setting or column of
    that name). `meaning` says in words what a column, a setting or an output of this method is, where the general
    glossary does not. `example` is a part of a sheet that runs. `turned` names for an output the one that stands in
    its place when the two readings or groups change places (the other rank sum).
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
    choices: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    alternatives: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    r: str = ""
    meaning: Mapping[str, str] = field(default_factory=dict)
    example: str = ""
    turned: Mapping[str, str] = field(default_factory=dict)
    topic: str = ""

    @property
    def words(self) -> set[str]:
        """Everything that may stand in `with`: columns, settings, printed figures."""
        return {*self.columns, *self.settings, *self.groups}

    def r_call(self, settings: Mapping[str, Any]) -> str:
        """R's call with the sheet's own columns and settings in it; "" where none is known."""

        class Words(dict[str, str]):
            def __missing__(self, key: str) -> str:
                return key

        words = Words({key: _r_word(value) for key, value in settings.items() if not isinstance(value, Mapping)})
        for key, group in settings.items():
            if isinstance(group, Mapping):
                words |= {f"{key}_{name}": str(value) for name, value in group.items()}
        return self.r.format_map(words)


def _r_word(value: Any) -> str:
    """A setting as it stands in a call of R."""
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value))
    return str(value)


def numbers_of(frame: pd.DataFrame, *columns: str, least: int = 2) -> tuple[npt.NDArray[np.float64], ...]:
    """The columns as numbers, only rows that have all of them.

    Args:
        frame: the data. columns: their names. least: how many complete rows are needed.

    Returns:
        One array a column, of equal length.

    Raises:
        SheetError: something in a column is no number. NotEnoughError: too few complete rows.

    Example:
        >>> numbers_of(pd.DataFrame({"a": [1, 2, None], "b": [4, 5, 6]}), "a", "b")[1].tolist()
        [4.0, 5.0]
    """
    read = pd.DataFrame({column: pd.to_numeric(frame[column], errors="coerce") for column in columns})
    for column in columns:
        words = frame.loc[read[column].isna() & frame[column].notna(), column]
        if len(words):
            raise SheetError(
                f'the column "{column}" holds "{words.iloc[0]}", which is no number: correct the data, '
                "or list the word under missing"
            )
    complete = read.dropna()
    if len(complete) < least:
        raise NotEnoughError(f"{len(complete)} row(s) hold {', '.join(columns)}: at least {least} are needed")
    return tuple(complete[column].to_numpy(float) for column in columns)
