"""Was chance in charge, and did nothing leave after the draw: order against visit and date, sessions by arm."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import capital, counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ORDER_COLUMNS = ("label", "visit", "when")
MOST_VISITS = 8


def order_figure(draws: pd.DataFrame, *, width: float = style.WIDE) -> Figure:
    """Share treated first by visit and by stretch of the calendar, each with what a coin would leave it in.

    Parameters
    ----------
    draws
        One row a draw: label (1 = treated first), visit (1, 2, …), when (days).
    width
        Inches.

    Raises
    ------
    ToolkitError
        A column is missing.

    Examples
    --------
    >>> draws = pd.DataFrame({"label": [1.0, 0.0] * 20, "visit": [1, 2] * 20, "when": range(40)})
    >>> len(order_figure(draws).axes)
    2
    """
    need_columns(draws, ORDER_COLUMNS, what="figure of what was drawn")
    if draws.empty:
        return style.nothing_to_draw("Nothing was drawn.", width=width)
    parts = (("visit", "Visit of the client", _by_visit(draws)), ("when", "Day of the records", _by_day(draws)))
    beside = width >= style.SIDE_BY_SIDE
    one = (width - 1.4) / 2 if beside else width - 0.8
    figure = style.new_figure(width, 2.45 if beside else 4.9)
    for place, (_, name, shares) in enumerate(parts):
        left = 0.65 + (place * (one + 0.6) if beside else 0.0)
        axes = style.axes_at(figure, left=left, top=0.1 if beside or not place else 2.55, width=one, height=1.75)
        x, share, n = (shares[column].to_numpy(dtype=float) for column in ("at", "share", "n"))
        reach = 1.96 * 50 / np.sqrt(n)
        axes.fill_between(x, 50 - reach, 50 + reach, color=style.FAINT, alpha=0.5, lw=0, step=None)
        axes.axhline(50, color=style.QUIET, lw=1.0)
        look = style.SERIES[0]
        axes.plot(x, 100 * share, look.marker, color=look.colour, ls=look.dash, lw=1.4, ms=5)
        axes.set_ylim(-4, 104)
        style.name_axes(axes, across=name, up="Treated first, %" if (beside and not place) or not beside else "")
    return figure


def _by_visit(draws: pd.DataFrame) -> pd.DataFrame:
    """Share and number by visit, late ones together."""
    visit = draws["visit"].clip(upper=MOST_VISITS)
    found = draws.groupby(visit)["label"].agg(["mean", "size"])
    return pd.DataFrame({"at": found.index.to_numpy(dtype=float), "share": found["mean"], "n": found["size"]})


def _by_day(draws: pd.DataFrame) -> pd.DataFrame:
    """Share and number by stretches of the calendar that hold equally many draws."""
    parts = max(2, min(10, len(draws) // 10))
    rank = np.argsort(np.argsort(draws["when"].to_numpy(), kind="stable"), kind="stable")
    stretch = rank * parts // len(draws)
    return draws.groupby(stretch).agg(at=("when", "mean"), share=("label", "mean"), n=("label", "size"))


def alt_text_order(draws: pd.DataFrame) -> str:
    """The figure of what was drawn in words."""
    visits = _by_visit(draws)
    told = "; ".join(
        f"visit {at:.0f}{' and later' if at == MOST_VISITS else ''}: {100 * share:.0f} % of {n:.0f}"
        for at, share, n in visits[["at", "share", "n"]].to_numpy(dtype=float)
    )
    return (
        f"Share treated first, a coin gives 50 %: in all {100 * draws['label'].mean():.0f} % of {len(draws)}; {told}."
    )


def flow_figure(steps: Sequence[dict[str, Any]], *, width: float = style.WIDE) -> Figure:
    """Sessions of both arms from what was drawn to what is in the estimate, a bar a step.

    Parameters
    ----------
    steps
        Each with step (in words), technique and comparison (numbers of sessions), as a finding's `flow` holds them.
    width
        Inches.

    Examples
    --------
    >>> figure = flow_figure([{"step": "drawn", "technique": 20, "comparison": 18}])
    >>> [text.get_text() for text in figure.axes[0].get_yticklabels()]
    ['Drawn']
    """
    from matplotlib.ticker import MaxNLocator

    kept = [step for step in steps if step["technique"] or step["comparison"]]
    if not kept:
        return style.nothing_to_draw("No session is compared.", width=width)
    names = ["\n".join(style.wrapped(capital(step["step"]), width * 0.28)) for step in kept]
    height = 0.5 * len(kept)
    figure = style.new_figure(width, height + 0.95)
    axes = style.axes_at(figure, left=width * 0.32, top=0.4, width=width * 0.68 - 0.35, height=height)
    place = np.arange(len(kept))
    for arm, shift, look in zip(("technique", "comparison"), (-0.18, 0.18), style.SERIES, strict=False):
        values = [step[arm] for step in kept]
        face = look.colour if look.filled else "white"
        axes.barh(place + shift, values, height=0.32, color=face, edgecolor=look.colour, lw=1.4, label=arm)
        for at, value in zip(place, values, strict=True):
            axes.annotate(
                f"{value}",
                (value, at + shift),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                size=style.SMALL,
            )
    axes.set_yticks(place, names, parse_math=False)
    axes.set_ylim(len(kept) - 0.5, -0.5)
    axes.margins(x=0.1)
    axes.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    style.name_axes(axes, across="Sessions")
    axes.legend(loc="lower right", bbox_to_anchor=(1, 1.0), fontsize=style.SMALL, frameon=False, ncols=2)
    return figure


def alt_text_flow(steps: Sequence[dict[str, Any]]) -> str:
    """The flow by arm in words."""
    told = "; ".join(
        f"{step['step']}: {counted(step['technique'], 'technique session')}, {step['comparison']} to compare"
        for step in steps
        if step["technique"] or step["comparison"]
    )
    return f"Sessions by arm. {capital(told)}." if told else "No session is compared."
