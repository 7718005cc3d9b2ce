"""What a comparison stands on: were the groups alike, do they overlap, are there enough clients for an answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import capital, counted, is_missing, number, spaced

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

BALANCE_COLUMNS = ("characteristic", "difference")
OVERLAP_COLUMNS = ("group", "score")
ALIKE = 0.1  # SD; below this a difference is commonly called negligible: Austin (2009) Statistics in Medicine
# 28:3083-3107 (abstract and works that cite it for 0.1 were read; the page with the number is from memory)


def balance_figure(characteristics: pd.DataFrame, *, width: float = style.WIDE) -> Figure:
    """Draw how far apart the groups are on each characteristic, in SDs, before and after adjusting.

    Args:
        characteristics: characteristic, difference (first group minus second, in SDs); where adjusting was done also
            adjusted_difference, and where they are known ci_low and ci_high of the difference.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> rows = pd.DataFrame({"characteristic": ["before"], "difference": [0.4], "adjusted_difference": [0.05]})
        >>> [text.get_text() for text in balance_figure(rows).axes[0].get_yticklabels()]
        ['Before']
    """
    need_columns(characteristics, BALANCE_COLUMNS, what="balance figure")
    if characteristics.empty:
        return style.nothing_to_draw("No characteristic was recorded on which to compare the groups.", width=width)
    names = ["\n".join(style.wrapped(capital(spaced(name)), width * 0.3)) for name in characteristics["characteristic"]]
    height = 0.1 + len(names) * (0.1 + style.height_of(max(name.count("\n") for name in names) + 1, style.SMALL))
    figure = style.new_figure(width, height + 1.15)
    axes = style.axes_at(figure, left=width * 0.34, top=0.55, width=width * 0.66 - 0.2, height=height)
    place = np.arange(len(names))
    axes.axvspan(-ALIKE, ALIKE, color=style.FAINT, alpha=0.45, lw=0, label="alike")
    axes.axvline(0, color=style.INK, lw=1.0)
    if {"ci_low", "ci_high"} <= set(characteristics):
        axes.hlines(place, characteristics["ci_low"].astype(float), characteristics["ci_high"].astype(float))
        axes.collections[-1].set(color=style.ORANGE, linewidth=1.4, label="95 % interval")
    axes.plot(
        characteristics["difference"].astype(float),
        place,
        "s",
        mfc="white",
        mec=style.ORANGE,
        mew=1.6,
        ms=7,
        label="as is",
    )
    if "adjusted_difference" in characteristics:
        axes.plot(characteristics["adjusted_difference"], place, "D", color=style.BLUE, ms=6, label="adjusted")
    axes.set_yticks(place, names, parse_math=False)
    for label in axes.get_yticklabels():  # a browser's letters are narrower than those measured here: start them alike
        label.set(x=(0.18 - width * 0.34) / style.inches_of(axes)[0], ha="left")
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.margins(x=0.1)
    style.name_axes(axes, across="Difference of the groups, in SDs")
    axes.legend(loc="lower right", bbox_to_anchor=(1, 1.0), fontsize=style.SMALL, frameon=False, ncols=3)
    return figure


def alt_text_balance(characteristics: pd.DataFrame) -> str:
    """The balance figure in words, made from its rows."""
    need_columns(characteristics, BALANCE_COLUMNS, what="balance figure")
    parts = []
    for _, row in characteristics.iterrows():
        adjusted = row.get("adjusted_difference")
        then = "" if adjusted is None else f", {number(adjusted, decimals=2, signed=True)} after adjusting"
        difference = number(row["difference"], decimals=2, signed=True)
        parts.append(f"{spaced(row['characteristic'])} {difference}{_interval_words(row)}{then}")
    return f"Differences of the two groups in SDs: {'; '.join(parts)}. Within ±{ALIKE} they are called alike."


def _interval_words(row: pd.Series) -> str:
    """The interval of a difference, where it is known."""
    if is_missing(row.get("ci_low")) or is_missing(row.get("ci_high")):
        return ""
    low, high = (number(row[end], decimals=2, signed=True) for end in ("ci_low", "ci_high"))
    return f" (95 % interval {low} to {high})"


def overlap_figure(scores: pd.DataFrame, *, width: float = style.WIDE) -> Figure:
    """Draw how the chance of belonging to the first group is spread in each group.

    Args:
        scores: one row a person or session: group (two names), score (0 to 1).
        width: inches.

    Raises:
        ToolkitError: a column is missing.
    """
    need_columns(scores, OVERLAP_COLUMNS, what="overlap figure")
    groups = [(str(name), part["score"].dropna()) for name, part in scores.groupby("group", sort=True)]
    if not groups:
        return style.nothing_to_draw("No scores: the groups cannot be compared.", width=width)
    figure = style.new_figure(width, 3.4)
    axes = style.axes_at(figure, left=0.65, top=0.6, width=width - 0.9, height=2.2)
    edges = np.linspace(0, 1, 21)
    for look, (name, part) in zip(style.SERIES, groups, strict=False):
        share = np.histogram(part, edges)[0] / max(len(part), 1)
        steps = axes.stairs(share, edges, color=look.colour, lw=1.9, ls=look.dash, fill=False)
        steps.set_label(f"{spaced(name)}, n = {len(part)}")
    axes.set_xlim(0, 1)
    name = spaced(groups[0][0])
    style.name_axes(
        axes, across=f"Chance of belonging to “{name}”, from what was known before", up="Share of the group"
    )
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), fontsize=style.SMALL, frameon=False)
    return figure


def alt_text_overlap(scores: pd.DataFrame) -> str:
    """The overlap figure in words: where each group's middle half lies."""
    need_columns(scores, OVERLAP_COLUMNS, what="overlap figure")
    parts = []
    for name, part in scores.groupby("group", sort=True):
        low, high = part["score"].quantile([0.25, 0.75])
        parts.append(f"{spaced(name)} ({counted(len(part), 'row')}): middle half from {low:.2f} to {high:.2f}")
    return f"Chance of belonging to the first group. {'; '.join(parts)}."


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
