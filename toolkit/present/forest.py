"""Adjusted means by region and intervention, one interval each, on one axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from toolkit.present import style
from toolkit.present.frames import for_reading, maybe, need_columns
from toolkit.present.interval_rows import IntervalRow, draw_interval_rows
from toolkit.present.ladder import axis_words, change_marks
from toolkit.present.words import capital, counted, is_missing, p_words, spaced, with_interval

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLUMNS = ("region", "intervention", "adjusted_mean", "ci_low", "ci_high")


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
    need_columns(rows, COLUMNS, what="figure by region and intervention")
    if rows.empty:
        return style.nothing_to_draw("Nothing to show by region and intervention: no rows.", width=width)
    drawn = [_as_row(row, unit) for _, row in rows.iterrows()]
    return draw_interval_rows(
        drawn,
        marks=change_marks(unit, smallest_change, zero=f"no {what}"),
        axis_label=axis_words(unit, what=capital(what)),
        width=width,
    )


def alt_text_forest(
    rows: pd.DataFrame, *, unit: str, about: str = "Adjusted mean change by region and intervention"
) -> str:
    """The figure by region and intervention in words, made from its rows; `about` says what the rows are."""
    need_columns(rows, COLUMNS, what="figure by region and intervention")
    parts = [
        f"{row_name(row)}: {with_interval(row['adjusted_mean'], row['ci_low'], row['ci_high'], unit)}."
        for _, row in rows.iterrows()
    ]
    return f"{about}, {counted(len(rows), 'row')}. {' '.join(parts)}".strip()


def row_name(row: pd.Series) -> str:
    """Region and intervention in words; the intervention alone where no region is named."""
    parts = [spaced(row[name]) for name in ("region", "intervention") if spaced(row[name])]
    return capital(", ".join(parts))


def _as_row(row: pd.Series, unit: str) -> IntervalRow:
    """One region and intervention as a row of words and interval."""
    drawn = for_reading(row.to_frame().T, COLUMNS[2:], unit=unit).iloc[0]
    detail = []
    if not is_missing(row.get("n_clients")):
        detail.append(counted(row["n_clients"], "client"))
    if not is_missing(row.get("p_holm")):
        detail.append(f"{p_words(row['p_holm'])} after Holm's correction")
    return IntervalRow(
        name=row_name(row),
        number=with_interval(row["adjusted_mean"], row["ci_low"], row["ci_high"], unit),
        detail="; ".join(detail),
        estimate=maybe(drawn["adjusted_mean"]),
        low=maybe(drawn["ci_low"]),
        high=maybe(drawn["ci_high"]),
        look=style.Series(colour=style.BLUE, marker="o", dash="-", filled=True),
    )
