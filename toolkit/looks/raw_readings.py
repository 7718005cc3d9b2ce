"""The raw readings, drawn with seaborn before anything is computed: what was read, how it changed, how it went on.

plot_readings   every reading before and after, by region and intervention
plot_changes    every change, by region and intervention
plot_course     every client's course over the visits, by region and intervention

Each takes a tidy frame or `Records` and returns a matplotlib figure that carries its own alternative text.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks import style
from toolkit.looks.raw_panels import (
    FIRST_LOOK,
    LINES,
    MARKS,
    SECOND_LOOK,
    axis_of,
    changes_said,
    distribution,
    draw_course,
    finish,
    grid,
    key_below,
    panel_name,
    plain,
    range_of,
    readings_said,
    taken,
    within,
    wrapped_name,
)
from toolkit.looks.style import described
from toolkit.looks.words import capital, counted, spaced, unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.records.account import Records


def plot_readings(
    data: pd.DataFrame | Records,
    *,
    measure: str | None = None,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: Sequence[str] = ("region", "intervention"),
    width: float = style.WIDE,
) -> Figure:
    """Draw every reading before and after: a panel a region and intervention.

    Parameters
    ----------
    data
        One row a measured side of one session.
    measure
        Which measure to draw; the one with most rows if left out.
    first, second, client
        Columns: the two readings (in the measure's unit) and the client.
    by
        Columns that make the panels: rows, then columns of panels.
    width
        Inches.

    Returns
    -------
    matplotlib.figure.Figure
        Pale points are sessions, dark points clients' means, the diamond the mean of the clients with its 95 %
        interval; the outline is the distribution. `figure.get_label()` is the alternative text.

    Raises
    ------
    ToolkitError
        A column or the measure is not there.
    NotEnoughError
        No row holds both readings.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABC"), "before": [30, 31, 32.0], "after": [33, 35, 33.0]})
    >>> plot_readings(rows, by=()).axes[0].get_ylabel()
    'Reading'
    """
    drawn = taken(data, measure=measure, first=first, second=second, client=client, by=by)
    figure, cells = grid(drawn, width=width, height=2.1)
    ends = style.padded(*range_of(drawn.rows[["first", "second"]]))
    for axes, part in cells:
        for place, (column, look) in enumerate((("first", FIRST_LOOK), ("second", SECOND_LOOK))):
            distribution(axes, part, column, at=place, look=look, up=True)
        axes.set_xlim(-0.6, 1.6)
        axes.set_xticks([0, 1], [spaced(first), spaced(second)])
        axes.set_ylim(*ends)
    return finish(figure, cells, title=drawn.title("Readings"), up=axis_of(drawn), said=readings_said(drawn), key=MARKS)


def plot_changes(
    data: pd.DataFrame | Records,
    *,
    measure: str | None = None,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: Sequence[str] = ("region", "intervention"),
    better: str | None = None,
    width: float = style.WIDE,
) -> Figure:
    """Draw every change, second minus first, turned so that better is to the right: a panel a region.

    Parameters
    ----------
    data, measure, first, second, client, width
        As in `plot_readings`.
    by
        Columns that make the panels, and the rows within a panel.
    better
        Which direction is better. If left out: the codebook's word for records, the column `better` of a frame, else
        "higher".

    Returns
    -------
    matplotlib.figure.Figure
        One row an intervention: the distribution, sessions (pale), clients' means (dark), their mean with its 95 %
        interval (diamond).

    Raises
    ------
    ToolkitError
        A column or the measure is not there.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABC"), "before": [30, 31, 32.0], "after": [33, 35, 33.0]})
    >>> plot_changes(rows, by=()).axes[0].get_xlabel()
    'Change; better is to the right'
    """
    drawn = taken(data, measure=measure, first=first, second=second, client=client, by=by, better=better)
    rows, columns = drawn.panels()
    figure = style.new_figure(width, 0.9 + sum(0.35 + 0.62 * len(within(drawn.rows, row, columns)) for row in rows))
    heights = [len(within(drawn.rows, row, columns)) + 0.4 for row in rows]
    panels = figure.subplots(len(rows), 1, squeeze=False, sharex=True, height_ratios=heights)[:, 0]
    ends = style.padded(*range_of(drawn.rows[["change"]]))
    for axes, row in zip(panels, rows, strict=True):
        mine = within(drawn.rows, row, columns)
        for place, column in enumerate(mine):
            part = drawn.rows[(drawn.rows["row"] == row) & (drawn.rows["column"] == column)]
            distribution(axes, part, "change", at=place, look=SECOND_LOOK, up=False)
        axes.axvline(0, color=style.INK, lw=1.0, label="no change", zorder=1)
        axes.set_ylim(len(mine) - 0.4, -0.7)
        axes.set_yticks(range(len(mine)), [wrapped_name(drawn, column, 1.5) for column in mine])
        axes.set_xlim(*ends)
        axes.set_title(panel_name(drawn, row), fontsize=style.TEXT, loc="left", parse_math=False)
        plain(axes)
    unit = f" in {unit_words(drawn.unit)}" if drawn.unit else ""
    style.name_axes(panels[-1], across=f"Change{unit}; better is to the right")
    figure.set_layout_engine("constrained")
    title = drawn.title("Changes")
    key_below(figure)
    return described(figure, title=title, description=f"{title}. {changes_said(drawn)}")


def plot_course(
    data: pd.DataFrame | Records,
    *,
    measure: str | None = None,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    when: str = "visit",
    by: Sequence[str] = ("region", "intervention"),
    width: float = style.WIDE,
) -> Figure:
    """Draw every client's course: the first reading of each visit as a thin line, and the clients' means.

    Parameters
    ----------
    data, measure, first, second, client, by, width
        As in `plot_readings`.
    when
        Column along the bottom: the number of the visit, or days.

    Returns
    -------
    matplotlib.figure.Figure
        Thin lines are clients; thick lines the means of the clients before and after, with 95 % bootstrap bands,
        as long as three clients came.

    Raises
    ------
    ToolkitError
        A column or the measure is not there.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("AABB"), "visit": [1, 2, 1, 2], "before": [30, 31, 32, 35.0],
    ...                      "after": [33, 35, 33, 36.0]})
    >>> len(plot_course(rows, by=()).axes)
    1
    """
    drawn = taken(data, measure=measure, first=first, second=second, client=client, by=by, when=when)
    figure, cells = grid(drawn, width=width, height=2.0)
    for axes, part in cells:
        draw_course(axes, part)
        axes.set_ylim(*style.padded(*range_of(drawn.rows[["first", "second"]])))
    said = (
        f"{counted(drawn.rows['client'].nunique(), 'client')}, up to {int(drawn.rows['when'].max())} ({spaced(when)})."
    )
    figure = finish(figure, cells, title=drawn.title("Courses"), up=axis_of(drawn), said=said, key=LINES)
    for axes, _ in cells[-len(drawn.panels()[1]) :]:
        axes.set_xlabel(capital(spaced(when)), fontsize=style.SMALL, parse_math=False)
    return figure
