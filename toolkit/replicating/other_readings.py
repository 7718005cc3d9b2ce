"""A figure that does not come out: the same analysis read in other ways, and which of them give it."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError, ToolkitError
from toolkit.replicating.method import Method, Numbers
from toolkit.replicating.sheet_figures import Figure

OTHER_WAY = "the difference taken the other way round"
_RATIOS = ("ratio", "odds", "risk")
_SIGNED = (
    "t", "z", "mean", "median", "difference", "estimate", "ci", "shift", "bias", "lower", "upper", "d", "g", "gain",
    "d_z", "g_z", "d_av", "g_av", "d_rm", "d_s", "g_s", "over_baseline_sd", "rank_biserial", "change", "adjusted",
    "follow", "contrast", "slope",
)  # fmt: skip


class Recomputer:
    """Recomputes figures from one set of data, each model fitted once."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self._prepared: dict[str, Any] = {}

    def number(self, figure: Figure, settings: Mapping[str, Any]) -> float:
        """The figure's number under these settings; raises ToolkitError with the reason when there is none."""
        numbers = self.numbers(figure.method, settings)
        method = figure.method
        if figure.take not in numbers:
            raise SheetError(f"{method.name} gives no {figure.take} with these settings, only {', '.join(numbers)}")
        number = float(numbers[figure.take])
        if not math.isfinite(number):
            raise NotEnoughError(f"{method.name} gives no finite {figure.take} for these data: do they vary?")
        return number

    def numbers(self, method: Method, settings: Mapping[str, Any]) -> Numbers:
        """All numbers the method gives under these settings; ToolkitError with the reason when there are none."""
        try:
            with np.errstate(all="ignore"), warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a method that cannot go on raises; a library's remark is no answer
                return method.recompute(self._ready(method, settings), settings)
        except (ArithmeticError, ValueError, TypeError, LookupError, np.linalg.LinAlgError) as fault:
            raise SheetError(
                f"{method.name} gives no answer for these data ({str(fault)[:80]}): check that the columns hold "
                "what it needs and that they vary"
            ) from fault

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
    turned = other_way_round(figure, whole)
    if turned is not None:
        yield OTHER_WAY, turned
    step = figure.printed.last_digit
    yield "cut off instead of rounded", math.trunc(number / step) * step


def other_way_round(figure: Figure, data: Recomputer) -> float | None:
    """What the figure is when the two readings or groups change places; None where that changes nothing.

    A difference turns its sign, a ratio is turned over, and the two limits of an interval change places.
    """
    try:
        numbers = data.numbers(figure.method, figure.settings)
    except ToolkitError:
        return None
    take = figure.take
    if take in figure.method.turned:
        return _finite(numbers.get(figure.method.turned[take]))
    base, _, end = take.rpartition("_")
    ends = {"low": "high", "high": "low", "lower": "upper", "upper": "lower"}
    partner = f"{base}_{ends[end]}" if base and end in ends else ends.get(take, take)
    partner = _limits_of_limits(take) or partner
    kind = base if end in ends else take
    if kind.split("_")[0] in _RATIOS or (kind == "ci" and any(name in numbers for name in _RATIOS)):
        value = _finite(numbers.get(partner))
        return None if not value else 1 / value
    if kind.split("_")[0] in _SIGNED or kind in _SIGNED:
        value = _finite(numbers.get(partner))
        return None if value is None else -value
    return None


def _limits_of_limits(take: str) -> str:
    """The interval of a limit of agreement: the lower end of the lower limit becomes the upper end of the upper one."""
    pairs = {"lower_low": "upper_high", "lower_high": "upper_low", "upper_low": "lower_high", "upper_high": "lower_low"}
    for name, partner in pairs.items():
        if take.startswith(name):
            return take.replace(name, partner, 1)
    return ""


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


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
