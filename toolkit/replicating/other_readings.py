"""A figure that does not come out: the same analysis read in other ways, and which of them give it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError, ToolkitError
from toolkit.replicating.method import Method
from toolkit.replicating.sheet_figures import Figure


class Recomputer:
    """Recomputes figures from one set of data, each model fitted once."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self._prepared: dict[str, Any] = {}

    def number(self, figure: Figure, settings: Mapping[str, Any]) -> float:
        """The figure's number under these settings; raises ToolkitError with the reason when there is none."""
        method = figure.method
        try:
            with np.errstate(all="ignore"):
                numbers = method.recompute(self._ready(method, settings), settings)
        except (ArithmeticError, ValueError, TypeError, np.linalg.LinAlgError) as fault:
            raise SheetError(
                f"{method.name} gives no answer for these data ({str(fault)[:80]}): check that the columns hold "
                "what it needs and that they vary"
            ) from fault
        if figure.take not in numbers:
            raise SheetError(f"{method.name} gives no {figure.take} with these settings, only {', '.join(numbers)}")
        number = float(numbers[figure.take])
        if not math.isfinite(number):
            raise NotEnoughError(f"{method.name} gives no finite {figure.take} for these data: do they vary?")
        return number

    def _ready(self, method: Method, settings: Mapping[str, Any]) -> Any:
        if method.prepare is None:
            return self.frame
        kept = {name: value for name, value in settings.items() if name not in method.after_preparing}
        key = f"{method.name} {sorted(kept.items(), key=str)}"
        if key not in self._prepared:
            self._prepared[key] = method.prepare(self.frame, kept)
        return self._prepared[key]


def other_readings(
    figure: Figure, whole: Recomputer, fewer: Recomputer | None, number: float
) -> Iterator[tuple[str, float]]:
    """Other readings of the analysis, each with the number it gives.

    Args:
        figure: the figure that did not come out. whole: all data.
        fewer: only people complete in every column, None where that makes no difference. number: as recomputed.

    Returns:
        Pairs of a plain name and a number; readings that give no number are left out.
    """
    for name, changed in figure.method.alternatives:
        settings = {**figure.settings, **changed}
        if settings != dict(figure.settings):
            yield from _given(name, figure, whole, settings)
    if fewer is not None:
        yield from _given("only people complete in every column", figure, fewer, figure.settings)
    yield from _other_inputs(figure, whole, number)
    if figure.take.split("_")[0] == "p":
        yield "one-sided p", number / 2
    if number * figure.printed.value < 0:
        yield "the difference taken the other way round", -number
    step = figure.printed.last_digit
    yield "cut off instead of rounded", math.trunc(number / step) * step


def _given(name: str, figure: Figure, data: Recomputer, settings: Mapping[str, Any]) -> Iterator[tuple[str, float]]:
    try:
        yield name, data.number(figure, settings)
    except ToolkitError:
        return


def _other_inputs(figure: Figure, data: Recomputer, number: float) -> Iterator[tuple[str, float]]:
    """The nearest that summary figures reach which round to the printed ones (each moved by at most half a digit)."""
    groups = {key: figure.settings[key] for key in figure.method.groups}
    wanted = figure.printed.value
    moved = {key: dict(group) for key, group in groups.items()}
    for key, group in groups.items():
        for name, half in group.get("half_digits", {}).items():
            moved[key][name] = group[name] + half * _direction(figure, data, key, name, half, wanted - number)
    if moved == groups:
        return
    for name, reached in _given(
        "other inputs that round to the printed ones", figure, data, {**figure.settings, **moved}
    ):
        yield name, wanted if min(number, reached) <= wanted <= max(number, reached) else reached


def _direction(figure: Figure, data: Recomputer, key: str, name: str, half: float, gap: float) -> float:
    """Which way the input must move to bring the number nearer: 1, -1, or 0 where it does not matter."""
    ends = []
    for sign in (1, -1):
        group = {**figure.settings[key], name: figure.settings[key][name] + sign * half}
        found = list(_given("", figure, data, {**figure.settings, key: group}))
        ends.append(found[0][1] if found else math.nan)
    rise = ends[0] - ends[1]
    return 0.0 if not math.isfinite(rise) or rise == 0 else math.copysign(1.0, rise * gap)
