"""Who moved beyond measurement error: every client's change in order, with the error as a band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.present import style
from toolkit.present.frames import need_columns
from toolkit.present.words import counted, threshold, unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLUMNS = ("client", "change")


def responders_figure(
    clients: pd.DataFrame, *, smallest_detectable: float, unit: str, width: float = style.WIDE
) -> Figure:
    """Draw each client's change, sorted, against the smallest change one can detect in one client.

    Args:
        clients: one row a client: client, change (in `unit`, better = positive).
        smallest_detectable: MDC95 of the measure, in `unit`.
        unit: unit of the measure.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> clients = pd.DataFrame({"client": ["a", "b"], "change": [6.0, 1.0]})
        >>> alt_text_responders(clients, smallest_detectable=4.0, unit="deg")
        'Change of 2 clients: 1 better by 4° or more, 0 worse by 4° or more, 1 within measurement error.'
    """
    need_columns(clients, COLUMNS, what="figure of who moved")
    changes = np.sort(clients["change"].dropna().to_numpy(dtype=float))
    if not len(changes):
        return style.nothing_to_draw("No client has both readings, so nobody can be said to have moved.", width=width)
    figure = style.new_figure(width, 3.8)
    axes = style.axes_at(figure, left=0.65, top=0.85, width=width - 0.9, height=2.3)
    axes.axhspan(-smallest_detectable, smallest_detectable, color=style.FAINT, alpha=0.45, lw=0, label="within error")
    axes.axhline(0, color=style.INK, lw=1.0)
    place = np.arange(1, len(changes) + 1)
    for chosen, look, name in _groups(changes, smallest_detectable):
        axes.vlines(place[chosen], 0, changes[chosen], color=look.colour, lw=0.9, alpha=0.7)
        fill = look.colour if look.filled else "white"
        points = axes.scatter(place[chosen], changes[chosen], marker=look.marker, s=26, c=fill, zorder=3)
        points.set(edgecolors=look.colour, linewidths=1.1, label=f"{name}: {int(chosen.sum())}")
    axes.set_xticks([])
    axes.margins(x=0.03, y=0.08)
    style.name_axes(axes, across="Clients, from least to most change", up=f"Change ({unit_words(unit)}); better is up")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.01), fontsize=style.SMALL, frameon=False, borderaxespad=0)
    return figure


def _groups(changes: np.ndarray, error: float) -> list[tuple[np.ndarray, style.Series, str]]:
    """Which clients changed beyond the error for the better, for the worse, or not."""
    better, worse = changes >= error, changes <= -error
    within = style.Series(colour=style.QUIET, marker="o", dash="-", filled=False)
    falls = style.Series(colour=style.ORANGE, marker="v", dash="-", filled=True)
    rises = style.Series(colour=style.BLUE, marker="^", dash="-", filled=True)
    named = [(better, rises, "better, beyond measurement error"), (worse, falls, "worse, beyond measurement error")]
    return [*named, (~better & ~worse, within, "within measurement error")]


def alt_text_responders(clients: pd.DataFrame, *, smallest_detectable: float, unit: str) -> str:
    """The figure of who moved in words, made from its rows."""
    need_columns(clients, COLUMNS, what="figure of who moved")
    changes = clients["change"].dropna().to_numpy(dtype=float)
    counts = [int(chosen.sum()) for chosen, _, _ in _groups(changes, smallest_detectable)]
    error = threshold(smallest_detectable, unit)
    return (
        f"Change of {counted(len(changes), 'client')}: {counts[0]} better by {error} or more, "
        f"{counts[1]} worse by {error} or more, {counts[2]} within measurement error."
    )
