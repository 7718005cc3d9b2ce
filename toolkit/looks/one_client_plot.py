"""One client's course: before and after at each visit, with measurement error around the first reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import amount, capital, counted, is_missing, unit_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS = ("when", "before", "after")


_AFTER = (
    style.Series(colour=style.BLUE, marker="D", dash="-", filled=True),
    style.Series(colour=style.INK, marker="^", dash="-", filled=True),
    style.Series(colour=style.QUIET, marker="D", dash="-", filled=False),
    style.Series(colour="#8a5a2b", marker="P", dash="-", filled=True),
    style.Series(colour="#5b8db8", marker="v", dash="-", filled=False),
)


def one_client_figure(
    visits: pd.DataFrame,
    *,
    unit: str,
    measure: str,
    smallest_detectable: float | None = None,
    when_words: str = "Days since the first visit",
    width: float = style.WIDE,
) -> Figure:
    """Draw one client's readings over time.

    Args:
        visits: one row a visit, in order: when (a number or a date), before, after (in `unit`; missing = not taken);
            where known also intervention, in words: each gets a mark of its own.
        unit: unit of the measure.
        measure: the measure's name in words.
        smallest_detectable: MDC95; drawn as a band around the first reading where given.
        when_words: what `when` counts.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> visits = pd.DataFrame({"when": [0, 7], "before": [30.0, 33.0], "after": [34.0, None]})
        >>> one_client_figure(visits, unit="deg", measure="ankle bend").axes[0].get_xlabel()
        'Days since the first visit'
    """
    need_columns(visits, COLUMNS, what="figure of one client")
    drawn = visits.dropna(subset=["before", "after"], how="all")
    if drawn.empty:
        return style.nothing_to_draw("This client has no readings of this measure.", width=width)
    kinds = drawn["intervention"].nunique() if "intervention" in drawn else 1
    above = 0.85 + 0.18 * max(kinds - 1, 0)
    figure = style.new_figure(width, above + 3.05)
    axes = style.axes_at(figure, left=0.65, top=above, width=width - 0.95, height=2.35)
    _draw_band(axes, drawn, smallest_detectable, unit)
    axes.plot(drawn["when"], drawn["before"], color=style.FAINT, lw=1.2, zorder=1)
    axes.vlines(drawn["when"], drawn["before"], drawn["after"], color=style.QUIET, lw=1.1, zorder=2)
    axes.plot(drawn["when"], drawn["before"], "o", mfc="white", mec=style.ORANGE, mew=1.6, ms=7, label="before")
    _draw_after(axes, drawn)
    axes.margins(x=0.05, y=0.1)
    _few_dates(axes, drawn["when"])
    style.name_axes(axes, across=when_words, up=f"{capital(measure)} ({unit_words(unit)})")
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.01), fontsize=style.SMALL, frameon=False, borderaxespad=0, ncols=1
    )
    return figure


def _draw_after(axes: Axes, visits: pd.DataFrame) -> None:
    """The readings after, with a mark of its own for each intervention where it is known."""
    known = visits["intervention"].astype(str) if "intervention" in visits else pd.Series("", index=visits.index)
    for place, name in enumerate(dict.fromkeys(known)):
        look, mine = _AFTER[place % len(_AFTER)], visits[known == name]
        label = f"after: {name}" if name else "after"
        face = look.colour if look.filled else "white"
        axes.plot(mine["when"], mine["after"], look.marker, color=look.colour, mfc=face, mew=1.5, ms=6, label=label)


def _draw_band(axes: Axes, visits: pd.DataFrame, smallest_detectable: float | None, unit: str) -> None:
    """The first reading plus and minus what one can detect in one client."""
    taken = visits["before"].dropna()
    if smallest_detectable is None or is_missing(smallest_detectable) or taken.empty:
        return
    start = float(taken.iloc[0])
    name = f"first reading before ± {amount(smallest_detectable, unit)}: what reading error alone may do (MDC95)"
    low, high = start - smallest_detectable, start + smallest_detectable
    axes.axhspan(low, high, color=style.FAINT, alpha=0.4, lw=0, label=name)


def _few_dates(axes: Axes, when: pd.Series) -> None:
    """Ticks that do not run into each other: few, and short where they are dates."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.ticker import MaxNLocator

    if pd.api.types.is_datetime64_any_dtype(when):
        ticks = AutoDateLocator(minticks=2, maxticks=5)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(ticks)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(ticks))  # type: ignore[no-untyped-call]
    else:
        axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))


def alt_text_one_client(visits: pd.DataFrame, *, unit: str, measure: str) -> str:
    """One client's course in words: first and last reading before the session, and how many sessions moved it up."""
    need_columns(visits, COLUMNS, what="figure of one client")
    before = visits["before"].dropna()
    both = visits.dropna(subset=["before", "after"])
    if before.empty:
        return f"{capital(measure)}: no readings before a session."
    return (
        f"{capital(measure)} of one client over {counted(len(visits), 'visit')}: first reading "
        f"{amount(before.iloc[0], unit)}, last reading before a session {amount(before.iloc[-1], unit)}; "
        f"the reading after was higher in {int((both['after'] > both['before']).sum())} of {len(both)} sessions."
    )
