"""Every client's reading before and after, and every client's change beside measurement error."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import for_reading, need_columns
from toolkit.looks.words import SHARES, capital, counted, scale_of, threshold, unit_words, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from toolkit.result import Estimate


READINGS_COLUMNS = ("client", "first", "second", "change", "beyond_mdc")
MOST_DRAWN = 200
MOST_MOVED = 500
MOST_SESSIONS = 1500  # more points cannot be told apart
MANY_SESSIONS = 800  # from here on they are drawn as one picture
FEWEST_FOR_AN_OUTLINE = 5  # different values
_RISES = style.SERIES[0]
_FALLS = style.SERIES[1]
_STAYS = style.SERIES[2]


def before_after_figure(
    clients: pd.DataFrame,
    *,
    change: Estimate,
    measure: str,
    sessions: pd.DataFrame | None = None,
    width: float = style.WIDE,
) -> Figure:
    """Draw a line a client from the first to the second reading, and the changes: outline, sessions, clients, mean.

    Args:
        clients: one row a client: client, first, second (in the measure's unit), change (better = positive),
            beyond_mdc (True, False or missing). Rows without both readings are not drawn.
        change: the mean change with its interval, as computed elsewhere.
        measure: the measure's name in words, for the axis.
        sessions: one row a session with its `change` (better = positive), drawn pale behind the clients, where known.
        width: inches; below 5 the two panels stand one above the other.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> from toolkit.result import Estimate
        >>> clients = pd.DataFrame({"client": ["a", "b"], "first": [30.0, 34.0], "second": [35.0, 36.0],
        ...                         "change": [5.0, 2.0], "beyond_mdc": [True, False]})
        >>> change = Estimate(name="Change", value=3.5, ci_low=-15.6, ci_high=22.6, unit="deg", n=2, method="t")
        >>> len(before_after_figure(clients, change=change, measure="ankle bend").axes)
        2
    """
    need_columns(clients, READINGS_COLUMNS, what="before/after figure")
    drawn = _some(
        for_reading(clients, READINGS_COLUMNS[1:4], unit=change.unit).dropna(subset=["first", "second", "change"])
    )
    if drawn.empty:
        return style.nothing_to_draw("No client has both readings, so there is nothing to draw.", width=width)
    n = int(clients[["first", "second", "change"]].notna().all(axis=1).sum())
    beside = width >= style.SIDE_BY_SIDE
    figure = style.new_figure(width, 4.35 if beside else 6.95)
    each = (width - 1.75) / 2 if beside else width - 0.85
    readings = style.axes_at(figure, left=0.65, top=0.35, width=each, height=2.9 if beside else 2.2)
    differences = style.axes_at(
        figure,
        left=width - each - 0.2 if beside else 0.65,
        top=0.35 if beside else 3.65,
        width=each,
        height=2.9 if beside else 2.2,
    )
    _draw_readings(readings, drawn, measure=measure, unit=change.unit)
    title = f"Readings of {counted(n, 'client')}"
    shown = title if n == len(drawn) else f"{title}, {len(drawn)} drawn"
    readings.set_title(shown, fontsize=style.TEXT, loc="left")
    if sessions is not None:
        _draw_sessions(differences, sessions, scale=scale_of(change.unit))
    _draw_differences(differences, drawn, change=change)
    return figure


def alt_text_before_after(clients: pd.DataFrame, *, change: Estimate, measure: str) -> str:
    """The figure in words: how many clients rose, fell, stayed, and the mean change with its interval."""
    need_columns(clients, READINGS_COLUMNS, what="before/after figure")
    drawn = clients.dropna(subset=["first", "second", "change"])
    up, down = int((drawn["change"] > 0).sum()), int((drawn["change"] < 0).sum())
    beyond = drawn["beyond_mdc"].dropna().astype(bool)
    more = f" {int(beyond.sum())} of {len(beyond)} beyond measurement error." if len(beyond) else ""
    return (
        f"{capital(measure)} before and after for {counted(len(drawn), 'client')}: {up} changed for the better, "
        f"{down} for the worse, {len(drawn) - up - down} not at all. Mean change "
        f"{with_interval(change.value, change.ci_low, change.ci_high, change.unit)}, {change.method}.{more}"
    )


def _some(clients: pd.DataFrame, *, most: int = MOST_DRAWN) -> pd.DataFrame:
    """All clients, or when there are too many to see, evenly spread ones from least to most change."""
    if len(clients) <= most:
        return clients
    ordered = clients.sort_values("change", kind="stable")
    return ordered.iloc[np.linspace(0, len(ordered) - 1, most).round().astype(int)]


def _look(change: float) -> style.Series:
    """How a client's line looks: for the better, for the worse, or no change."""
    return _RISES if change > 0 else _FALLS if change < 0 else _STAYS


def _draw_readings(axes: Axes, clients: pd.DataFrame, *, measure: str, unit: str) -> None:
    """One line a client from before to after; solid for the better, dashed for the worse, dotted for no change."""
    faint = float(np.clip(24 / len(clients), 0.3, 0.85))
    for first, second, change in clients[["first", "second", "change"]].itertuples(index=False):
        look = _look(change)
        axes.plot([0, 1], [first, second], color=look.colour, ls=look.dash, lw=1.1, alpha=faint)
    middle = [clients["first"].mean(), clients["second"].mean()]
    axes.plot([0, 1], middle, color=style.INK, lw=2.6, marker="D", ms=7, label="mean of the clients")
    axes.set_xlim(-0.25, 1.25)
    axes.set_xticks([0, 1], ["before", "after"])
    style.name_axes(axes, up=f"{capital(measure)} ({'% yes' if unit == SHARES else unit_words(unit)})")
    key = "solid: better, dashed: worse, thick: mean"
    style.write(axes, 0, -0.63, key, size=style.SMALL, colour=style.QUIET, transform=style.inches_above(axes))


def _draw_sessions(axes: Axes, sessions: pd.DataFrame, *, scale: float) -> None:
    """The sessions' changes as pale points, and the outline of their distribution left of them."""
    changes = scale * sessions["change"].dropna().to_numpy(dtype=float)
    shown = changes if len(changes) <= MOST_SESSIONS else np.sort(changes)[:: len(changes) // MOST_SESSIONS]
    across = 0.3 + 0.4 * np.modf(np.arange(len(shown)) * 0.754878)[0]
    axes.scatter(
        across, shown, s=7, c=style.FAINT, linewidths=0, rasterized=len(shown) > MANY_SESSIONS, label="sessions"
    )
    if len(np.unique(changes)) > FEWEST_FOR_AN_OUTLINE:
        from scipy.stats import gaussian_kde

        at = np.linspace(changes.min(), changes.max(), 60)
        density = gaussian_kde(changes)(at)
        outline = axes.fill_betweenx(at, 0.26 - 0.22 * density / density.max(), 0.26, facecolor=style.BAND)
        outline.set(edgecolor=style.BLUE, linewidth=0.8, label="distribution")


def _draw_differences(axes: Axes, clients: pd.DataFrame, *, change: Estimate) -> None:
    """A point a client, filled where beyond measurement error, and the mean with its interval."""
    ordered = clients.sort_values("change", kind="stable")
    across = 0.35 + 0.25 * np.modf(np.arange(len(ordered)) * 0.618034)[0]
    beyond = ordered["beyond_mdc"].fillna(value=False).astype(bool).to_numpy()
    for chosen, fill, name in ((beyond, style.BLUE, "beyond measurement error"), (~beyond, "white", "within it")):
        points = axes.scatter(across[chosen], ordered["change"].to_numpy()[chosen], s=20, c=fill, edgecolors=style.BLUE)
        points.set(linewidths=0.9, alpha=0.85, label=name)
    axes.axhline(0, color=style.INK, lw=1.0, label="no change")
    scale = scale_of(change.unit)
    low, high = (change.value - change.ci_low) * scale, (change.ci_high - change.value) * scale
    error = [[low], [high]] if np.isfinite([low, high]).all() else None
    mean = axes.errorbar([1.0], [change.value * scale], yerr=error, fmt="D", ms=8, color=style.INK, lw=2.2, capsize=5)
    mean.set_label("mean and interval")
    axes.set_xlim(0.0, 1.3)
    axes.set_xticks([0.48, 1.0], ["clients\n(pale: sessions)", "mean and\ninterval"])
    style.name_axes(axes, up=f"Change ({unit_words(change.unit)}); better is up")
    axes.set_title("Change", fontsize=style.TEXT, loc="left")
    known = bool(ordered["beyond_mdc"].notna().any())
    key = "filled: beyond measurement error" if known else "measurement error not known"
    level = change.confidence_level
    mean_words = with_interval(change.value, change.ci_low, change.ci_high, change.unit, level=level)
    key = "\n".join([key, *style.wrapped(f"mean {mean_words}", style.inches_of(axes)[0] + 0.3, size=style.SMALL)])
    style.write(axes, 0, -0.63, key, size=style.SMALL, colour=style.QUIET, transform=style.inches_above(axes))


CHANGES_COLUMNS = ("client", "change")
_MOVED = ("change", "threshold")


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
    need_columns(clients, CHANGES_COLUMNS, what="figure of who moved")
    known = _ordered(clients, smallest_detectable)
    if known.empty:
        return style.nothing_to_draw("No client has both readings, so nobody can be said to have moved.", width=width)
    counts = [int(chosen.sum()) for chosen, _, _ in _groups(*(known[name].to_numpy(dtype=float) for name in _MOVED))]
    drawn, scale = _some(known, most=MOST_MOVED), scale_of(unit)
    changes, error = (drawn[name].to_numpy(dtype=float) * scale for name in _MOVED)
    figure = style.new_figure(width, 3.6)
    axes = style.axes_at(figure, left=0.65, top=0.85, width=width - 0.9, height=2.3)
    place = np.arange(1, len(changes) + 1)
    edges, band = np.r_[0.5, place + 0.5], np.r_[error[0], error]  # a step a client
    axes.fill_between(
        edges, -band, band, step="pre", color=style.FAINT, alpha=0.45, lw=0, label="measurement error of each client"
    )
    axes.axhline(0, color=style.INK, lw=1.0)
    for count, (chosen, look, name) in zip(counts, _groups(changes, error), strict=True):
        axes.vlines(place[chosen], 0, changes[chosen], color=look.colour, lw=0.9, alpha=0.7)
        fill = look.colour if look.filled else "white"
        points = axes.scatter(place[chosen], changes[chosen], marker=look.marker, s=26, c=fill, zorder=3)
        points.set(edgecolors=look.colour, linewidths=1.1, label=f"{name}: {count}")
    axes.set_xticks([])
    axes.margins(x=0.03, y=0.08)
    shown = "" if len(drawn) == len(known) else f" ({len(drawn)} of {len(known)} drawn)"
    across, up = f"Clients, from least to most change{shown}", f"Change ({unit_words(unit)}); better is up"
    style.name_axes(axes, across=across, up=up)
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
    need_columns(clients, CHANGES_COLUMNS, what="figure of who moved")
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
