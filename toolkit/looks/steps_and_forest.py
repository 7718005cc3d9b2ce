"""Intervals one below the other: the adjustment steps, and adjusted means by region and intervention."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.looks import style
from toolkit.looks.interval_rows import IntervalRow, Mark, draw_interval, draw_interval_rows
from toolkit.looks.plot_data import for_reading, maybe, need_columns
from toolkit.looks.words import (
    amount,
    capital,
    counted,
    decimals_of,
    is_missing,
    p_words,
    scale_of,
    sentence,
    spaced,
    threshold,
    unit_words,
    with_interval,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


STEP_COLUMNS = ("step", "estimate", "ci_low", "ci_high", "says")
_TOP = style.Series(colour=style.ORANGE, marker="s", dash="-", filled=False)
_STEP = style.Series(colour=style.INK, marker="o", dash="-", filled=True)
_FOOT = style.Series(colour=style.BLUE, marker="D", dash="-", filled=True)


def steps_figure(
    steps: pd.DataFrame,
    *,
    unit: str,
    smallest_change: float | None = None,
    truth: float | None = None,
    width: float = style.WIDE,
) -> Figure:
    """Draw the adjustment steps from the usual answer (top) to what is left (foot), each with its interval.

    Args:
        steps: one row a step, from the top: step, estimate, ci_low, ci_high (in `unit`, better = positive; missing =
            not estimated), says; where known also n_clients, n_rows.
        unit: unit of the measure.
        smallest_change: the smallest change that matters, drawn as a marked line.
        truth: the true effect, drawn as a marked line where a clinic is simulated.
        width: inches; below 5 the words stand above the intervals.

    Returns:
        A matplotlib figure with one interval a step.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> steps = pd.DataFrame({"step": ["After minus before"], "estimate": [4.0], "ci_low": [2.0],
        ...                       "ci_high": [6.0], "says": ["The usual answer."]})
        >>> steps_figure(steps, unit="deg").axes[0].get_xlabel()
        'Change (°), better to the right; 95 % intervals unless said'
    """
    need_columns(steps, STEP_COLUMNS, what="adjustment steps")
    if steps.empty:
        return style.nothing_to_draw("No adjustment steps: there were no readings to show.", width=width)
    rows = [_step_row(steps, place, unit) for place in range(len(steps))]
    known = [] if truth is None else [Mark(value=truth * scale_of(unit), name=_truth(truth, unit), dash=(0, (1, 1)))]
    figure = draw_interval_rows(
        rows, marks=[*change_marks(unit, smallest_change), *known], axis_label=axis_words(unit), width=width
    )
    if width >= style.SIDE_BY_SIDE:
        _join_steps(figure.axes[0])
    return figure


def _truth(truth: float, unit: str) -> str:
    return f"truth: {threshold(truth, unit)}"


def _join_steps(axes: Axes) -> None:
    """A pale line from estimate to estimate, so that the eye follows the way down."""
    looks = {look.marker for look in (_TOP, _STEP, _FOOT)}
    points = [line.get_data() for line in axes.lines if line.get_marker() in looks]
    across = [float(np.asarray(x)[0]) for x, _ in points]
    down = [float(np.asarray(y)[0]) for _, y in points]
    axes.plot(across, down, color=style.FAINT, lw=1.2, zorder=2.5, label="way down")


def axis_words(unit: str, *, what: str = "Change") -> str:
    """The axis of every figure of changes, in words."""
    return f"{what}{f' ({unit_words(unit)})' if unit else ''}, better to the right; 95 % intervals unless said"


def alt_text_steps(steps: pd.DataFrame, *, unit: str, smallest_change: float | None = None) -> str:
    """The adjustment steps in words, made from its rows.

    Example:
        >>> steps = pd.DataFrame({"step": ["after minus before"], "estimate": [4.0], "ci_low": [2.0],
        ...                       "ci_high": [6.0], "says": ["The usual answer."]})
        >>> alt_text_steps(steps, unit="deg")
        '1 adjustment step. 1: after minus before: +4.0° (95 % interval +2.0 to +6.0°).'
    """
    need_columns(steps, STEP_COLUMNS, what="adjustment steps")
    told = [
        f"{place + 1}: {spaced(name)}: {_estimate_words(steps, place, unit)}."
        for place, name in enumerate(steps["step"])
    ]
    start = f"{counted(len(steps), 'adjustment step')}"
    if len(steps) > 1:
        start += ", from the usual answer to what is left"
    matters = "" if smallest_change is None else f" Smallest change that matters: {threshold(smallest_change, unit)}."
    return f"{start}. {' '.join(told)}{matters}".strip()


def shift_words(steps: pd.DataFrame, place: int, unit: str) -> str:
    """What a step changed against the last step above it that has an estimate, in words; empty for the first."""
    here = steps["estimate"].iloc[place]
    above = [value for value in steps["estimate"].iloc[:place] if not is_missing(value)]
    if not above or is_missing(here):
        return ""
    shift = float(here) - float(above[-1])
    if round(abs(shift), 6) == 0:
        return "Changes nothing."
    places = _decimals(steps, unit)
    scale = scale_of(unit)
    shown = round(round(float(here) * scale, places) - round(float(above[-1]) * scale, places), places) / scale
    if shown == 0:
        return "Changes next to nothing."
    word = "Adds" if shift > 0 else "Takes away"
    return f"{word} {amount(abs(shown), unit, decimals=places)}."


def _decimals(steps: pd.DataFrame, unit: str) -> int:
    """Decimals for all steps alike, so that a step is the difference of what stands above and below it."""
    ends = steps[["estimate", "ci_low", "ci_high"]].itertuples(index=False)
    found = [decimals_of(value, low, high, unit) for value, low, high in ends if not is_missing(value)]
    return min(found, default=1)


def _estimate_words(steps: pd.DataFrame, place: int, unit: str) -> str:
    """A step's estimate with its interval."""
    step = steps.iloc[place]
    decimals = _decimals(steps, unit)
    level = 0.95 if is_missing(step.get("confidence_level")) else float(step["confidence_level"])
    return with_interval(step["estimate"], step["ci_low"], step["ci_high"], unit, decimals=decimals, level=level)


def _short(words: str) -> str:
    """An estimate as it stands beside its interval: the level only where it is not the usual one.

    Example:
        >>> _short("+4.2° (95 % interval +1.1 to +7.3°)"), _short("+4.2° (97.5 % interval +0.9 to +7.5°)")
        ('+4.2° (+1.1 to +7.3°)', '+4.2° (97.5 %: +0.9 to +7.5°)')
    """
    return re.sub(r"([\d.]+) % interval ", lambda found: "" if found[1] == "95" else f"{found[1]} %: ", words)


def change_marks(unit: str, smallest_change: float | None, *, zero: str = "no change") -> list[Mark]:
    """The zero line and, where given, the smallest change that matters."""
    marks = [Mark(value=0.0, name=zero)]
    if smallest_change is not None and not is_missing(smallest_change):
        name = f"smallest change that matters: {threshold(smallest_change, unit)}"
        marks.append(Mark(value=float(smallest_change) * scale_of(unit), name=name, dash=(0, (4, 2))))
    return marks


def _step_row(steps: pd.DataFrame, place: int, unit: str) -> IntervalRow:
    """One step as a row of words and interval."""
    step = steps.iloc[place]
    drawn = for_reading(steps, ("estimate", "ci_low", "ci_high"), unit=unit).iloc[place]
    last = place == len(steps) - 1
    look = _TOP if place == 0 and not last else _FOOT if last else _STEP
    counts = f"{counted(step['n_clients'], 'client')}." if not is_missing(step.get("n_clients")) else ""
    says = sentence(step["says"]) if not is_missing(step["says"]) else ""
    return IntervalRow(
        name=f"{place + 1}  {capital(spaced(step['step']))}",
        number=_short(_estimate_words(steps, place, unit)),
        detail=" ".join(part for part in (counts, shift_words(steps, place, unit), says) if part),
        estimate=maybe(drawn["estimate"]),
        low=maybe(drawn["ci_low"]),
        high=maybe(drawn["ci_high"]),
        look=look,
        weight=2.8 if last else 1.6,
    )


def answer_picture(
    mean: float | None,
    low: float | None,
    high: float | None,
    *,
    unit: str,
    smallest_change: float | None = None,
    width: float = style.WIDE,
) -> Figure:
    """Draw one answer small: the estimate with its interval beside no change and the smallest change that matters.

    Args:
        mean, low, high: in `unit`, better = positive; None where nothing can be compared.
        unit: unit of the measure.
        smallest_change: drawn as a dashed line where given.
        width: inches of the page; the picture takes at most 2.7.

    Example:
        >>> float(answer_picture(3.2, 1.0, 5.4, unit="deg").axes[0].get_xlim()[0]) < 0
        True
    """
    wide = min(width, 2.7)
    figure = style.new_figure(wide, 0.78)
    axes = style.axes_at(figure, left=0.15, top=0.05, width=wide - 0.3, height=0.3)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(1, 0)
    scale = scale_of(unit)
    ends = [None if is_missing(end) else float(end) * scale for end in (mean, low, high)]  # type: ignore[arg-type]
    marks = change_marks(unit, smallest_change)
    known = [end for end in ends if end is not None and np.isfinite(end)] + [mark.value for mark in marks]
    axes.set_xlim(*style.padded(min(known), max(known), share=0.12))
    for mark in marks:
        axes.axvline(mark.value, color=style.INK, lw=1.1, ls=mark.dash)
    row = IntervalRow(
        name="what is left", number="", detail="", estimate=ends[0], low=ends[1], high=ends[2], look=_FOOT, weight=2.8
    )
    draw_interval(axes, row, y=0.5)
    axes.set_xticks([mark.value for mark in marks], ["0", threshold(smallest_change, unit)][: len(marks)])
    style.name_axes(axes, across="0: no change; dashed: matters" if len(marks) > 1 else "0: no change")
    return figure


FOREST_COLUMNS = ("region", "intervention", "adjusted_mean", "ci_low", "ci_high")


def forest_figure(
    rows: pd.DataFrame,
    *,
    unit: str,
    smallest_change: float | None = None,
    what: str = "change",
    width: float = style.WIDE,
) -> Figure:
    """Draw one interval for each region and intervention, in the order of the rows.

    Args:
        rows: region, intervention, adjusted_mean, ci_low, ci_high (in `unit`, better = positive); where known also
            n_clients and p_holm.
        unit: unit of the measure.
        smallest_change: drawn as a marked line where given.
        what: what the axis shows: a change, or a difference of two groups.
        width: inches; below 5 the words stand above the intervals.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> rows = pd.DataFrame({"region": ["gastrocnemius"], "intervention": ["stretching"],
        ...                      "adjusted_mean": [2.0], "ci_low": [0.5], "ci_high": [3.5]})
        >>> len(forest_figure(rows, unit="deg").axes)
        1
    """
    need_columns(rows, FOREST_COLUMNS, what="figure by region and intervention")
    if rows.empty:
        return style.nothing_to_draw("Nothing to show by region and intervention: no rows.", width=width)
    drawn = [_forest_row(row, unit) for _, row in rows.iterrows()]
    return draw_interval_rows(
        drawn,
        names=0.38,
        marks=change_marks(unit, smallest_change, zero=f"no {what}"),
        axis_label=axis_words(unit, what=capital(what)),
        width=width,
    )


def alt_text_forest(
    rows: pd.DataFrame, *, unit: str, about: str = "Adjusted mean change by region and intervention"
) -> str:
    """The figure by region and intervention in words, made from its rows; `about` says what the rows are."""
    need_columns(rows, FOREST_COLUMNS, what="figure by region and intervention")
    parts = [
        f"{row_name(row)}: {with_interval(row['adjusted_mean'], row['ci_low'], row['ci_high'], unit)}."
        for _, row in rows.iterrows()
    ]
    return f"{about}, {counted(len(rows), 'row')}. {' '.join(parts)}".strip()


def row_name(row: pd.Series) -> str:
    """Region and intervention in words; the intervention alone where no region is named."""
    parts = [spaced(row[name]) for name in ("region", "intervention") if spaced(row[name])]
    return capital(", ".join(parts))


def _forest_row(row: pd.Series, unit: str) -> IntervalRow:
    """One region and intervention as a row of words and interval."""
    drawn = for_reading(row.to_frame().T, FOREST_COLUMNS[2:], unit=unit).iloc[0]
    detail = []
    if not is_missing(row.get("n_clients")):
        detail.append(counted(row["n_clients"], "client"))
    if not is_missing(row.get("p_holm")):
        detail.append(f"{p_words(row['p_holm'])} after Holm's correction")
    return IntervalRow(
        name=row_name(row),
        number=_short(with_interval(row["adjusted_mean"], row["ci_low"], row["ci_high"], unit)),
        detail="; ".join(detail),
        estimate=maybe(drawn["adjusted_mean"]),
        low=maybe(drawn["ci_low"]),
        high=maybe(drawn["ci_high"]),
        look=style.Series(colour=style.BLUE, marker="o", dash="-", filled=True),
    )
