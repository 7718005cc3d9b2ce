"""Who moved beyond measurement error: every client's change in order, with each client's error as a band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.present import style
from toolkit.present.frames import need_columns
from toolkit.present.words import counted, scale_of, threshold, unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLUMNS = ("client", "change")


def responders_figure(
    clients: pd.DataFrame, *, smallest_detectable: float, unit: str, width: float = style.WIDE
) -> Figure:
    """Draw each client's change, sorted, against the smallest change one can detect in that client.

    Args:
        clients: one row a client: client, change (in `unit`, better = positive); where clients differ in how well they
            are known also threshold, the smallest change one can detect in each.
        smallest_detectable: MDC95 of one change of the measure, in `unit`.
        unit: unit of the measure.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> clients = pd.DataFrame({"client": ["a", "b"], "change": [6.0, 1.0]})
        >>> alt_text_responders(clients, smallest_detectable=4.0, unit="deg")
        'Change of 2 clients: 1 better by more than measurement error (4°), 0 worse by as much, 1 within it.'
    """
    need_columns(clients, COLUMNS, what="figure of who moved")
    drawn = _ordered(clients, smallest_detectable)
    if drawn.empty:
        return style.nothing_to_draw("No client has both readings, so nobody can be said to have moved.", width=width)
    scale = scale_of(unit)
    changes, error = (drawn[name].to_numpy(dtype=float) * scale for name in ("change", "threshold"))
    figure = style.new_figure(width, 3.6)
    axes = style.axes_at(figure, left=0.65, top=0.85, width=width - 0.9, height=2.3)
    place = np.arange(1, len(changes) + 1)
    edges, band = np.r_[0.5, place + 0.5], np.r_[error[0], error]  # a step a client
    axes.fill_between(
        edges, -band, band, step="pre", color=style.FAINT, alpha=0.45, lw=0, label="measurement error of each client"
    )
    axes.axhline(0, color=style.INK, lw=1.0)
    for chosen, look, name in _groups(changes, error):
        axes.vlines(place[chosen], 0, changes[chosen], color=look.colour, lw=0.9, alpha=0.7)
        fill = look.colour if look.filled else "white"
        points = axes.scatter(place[chosen], changes[chosen], marker=look.marker, s=26, c=fill, zorder=3)
        points.set(edgecolors=look.colour, linewidths=1.1, label=f"{name}: {int(chosen.sum())}")
    axes.set_xticks([])
    axes.margins(x=0.03, y=0.08)
    style.name_axes(axes, across="Clients, from least to most change", up=f"Change ({unit_words(unit)}); better is up")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.01), fontsize=style.SMALL, frameon=False, borderaxespad=0)
    return figure


def _ordered(clients: pd.DataFrame, smallest_detectable: float) -> pd.DataFrame:
    """Clients with a change, from least to most, each with the own threshold or the common one."""
    known = clients.dropna(subset=["change"]).sort_values("change", kind="stable")
    own = known["threshold"] if "threshold" in known else pd.Series(np.nan, index=known.index)
    return known.assign(threshold=own.astype(float).fillna(smallest_detectable))


def _groups(changes: np.ndarray, error: np.ndarray) -> list[tuple[np.ndarray, style.Series, str]]:
    """Which clients changed beyond the error for the better, for the worse, or not."""
    changes = np.round(changes, 10)
    better, worse = changes > error, changes < -error
    within = style.Series(colour=style.QUIET, marker="o", dash="-", filled=False)
    falls = style.Series(colour=style.ORANGE, marker="v", dash="-", filled=True)
    rises = style.Series(colour=style.BLUE, marker="^", dash="-", filled=True)
    named = [(better, rises, "better, beyond measurement error"), (worse, falls, "worse, beyond measurement error")]
    return [*named, (~better & ~worse, within, "within measurement error")]


def alt_text_responders(clients: pd.DataFrame, *, smallest_detectable: float, unit: str) -> str:
    """The figure of who moved in words, made from its rows."""
    need_columns(clients, COLUMNS, what="figure of who moved")
    drawn = _ordered(clients, smallest_detectable)
    groups = _groups(drawn["change"].to_numpy(dtype=float), drawn["threshold"].to_numpy(dtype=float))
    counts = [int(chosen.sum()) for chosen, _, _ in groups]
    error = threshold(smallest_detectable, unit)
    if drawn["threshold"].nunique() > 1:
        error = f"{error} for one session, less for the mean of several"
    return (
        f"Change of {counted(len(drawn), 'client')}: {counts[0]} better by more than measurement error ({error}), "
        f"{counts[1]} worse by as much, {counts[2]} within it."
    )
