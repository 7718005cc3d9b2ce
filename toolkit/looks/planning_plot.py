"""Planning curves: how likely an answer is with so many clients, one curve for each true change."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import spaced

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

COLUMNS = ("n_clients", "curve", "power")
AIM = 0.8  # common practice: plan for four answers in five


def planning_figure(curves: pd.DataFrame, *, aim: float = AIM, width: float = style.WIDE) -> Figure:
    """Draw the chance of an answer against the number of clients.

    Args:
        curves: n_clients, curve (its name in words, such as "true change 3°"), power (0 to 1); where known also
            ci_low, ci_high.
        aim: the chance one plans for, drawn as a line.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> curves = pd.DataFrame({"n_clients": [10, 40], "curve": ["true change 3°"] * 2, "power": [0.4, 0.9]})
        >>> alt_text_planning(curves)
        'Chance of an answer by number of clients. true change 3°: reaches 80 % with 40 clients.'
    """
    need_columns(curves, COLUMNS, what="planning figure")
    if curves.empty:
        return style.nothing_to_draw("No plan to draw.", width=width)
    names = list(dict.fromkeys(curves["curve"].astype(str)))
    columns = 2 if width >= style.SIDE_BY_SIDE else 1
    lines = -(-(len(names) + 1) // columns)
    head = 0.15 + lines * 0.21
    figure = style.new_figure(width, head + 3.2)
    axes = style.axes_at(figure, left=0.65, top=head, width=width - 0.9, height=2.6)
    line = axes.axhline(aim, color=style.INK, lw=1.0, ls=":", label=f"aim: {aim * 100:.0f} %")
    drawn: list[Line2D] = []
    for place, name in enumerate(names):
        look = style.SERIES[place % len(style.SERIES)]
        part = curves[curves["curve"].astype(str) == name].sort_values("n_clients")
        fill = look.colour if look.filled else "white"
        drawn += axes.plot(
            part["n_clients"], part["power"], color=look.colour, ls=look.dash, marker=look.marker, mfc=fill, label=name
        )
        if {"ci_low", "ci_high"} <= set(part.columns):
            axes.vlines(part["n_clients"], part["ci_low"], part["ci_high"], color=look.colour, lw=1.1)
    axes.set_ylim(0, 1.02)
    axes.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"])
    style.name_axes(axes, across="Number of clients", up="Chance of an answer")
    axes.legend(
        handles=[*drawn, line],
        loc="lower left",
        bbox_to_anchor=(0, 1.0),
        fontsize=style.SMALL,
        frameon=False,
        ncols=columns,
        handlelength=3.4,
    )
    return figure


def alt_text_planning(curves: pd.DataFrame, *, aim: float = AIM) -> str:
    """The planning curves in words: with how many clients each reaches the aim."""
    need_columns(curves, COLUMNS, what="planning figure")
    parts = []
    for name, part in curves.groupby("curve", sort=False):
        enough = part.loc[part["power"] >= aim, "n_clients"]
        said = f"reaches {aim * 100:.0f} % with {int(enough.min())} clients" if len(enough) else "does not reach it"
        parts.append(f"{spaced(name)}: {said}.")
    return f"Chance of an answer by number of clients. {' '.join(parts)}"
