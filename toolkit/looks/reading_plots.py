"""Readings beside each other: two of the same side with their limits of agreement, and one client's over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import amount, capital, clean, counted, is_missing, unit_words, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from toolkit.stats.agreement import LimitsOfAgreement

MANY_SPOTS = 800  # from here on they are drawn as one picture
PAIR_COLUMNS = ("first", "second")
LINE_COLUMNS = ("line", "value", "ci_low", "ci_high")


def agreement_figure(
    pairs: pd.DataFrame, lines: pd.DataFrame, *, unit: str, measure: str, width: float = style.WIDE
) -> Figure:
    """Draw the difference of two readings against their mean, with named lines.

    Args:
        pairs: first and second reading of the same side (in `unit`), one row a pair.
        lines: line (its name in words), value, ci_low, ci_high: the mean difference second − first, and the limits.
        unit: unit of the measure.
        measure: the measure's name in words.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> pairs = pd.DataFrame({"first": [30.0, 34.0], "second": [31.0, 33.0]})
        >>> lines = pd.DataFrame({"line": ["mean difference"], "value": [0.0], "ci_low": [None], "ci_high": [None]})
        >>> agreement_figure(pairs, lines, unit="deg", measure="ankle bend").axes[0].get_xlabel()
        'Mean of the two readings (°)'
    """
    need_columns(pairs, PAIR_COLUMNS, what="agreement figure")
    need_columns(lines, LINE_COLUMNS, what="agreement figure's lines")
    drawn = pairs.dropna(subset=["first", "second"])
    if drawn.empty:
        return style.nothing_to_draw("No side was read twice, so agreement cannot be shown.", width=width)
    beside = width >= style.SIDE_BY_SIDE
    of = f" of {counted(drawn['client'].nunique(), 'client')}" if "client" in drawn else ""
    title = f"{capital(measure)}: {counted(len(drawn), 'pair')} of readings{of}; a larger dot is more pairs"
    heading = [*style.wrapped(title, width - 0.7), *([] if beside else _line_names(lines, unit))]
    top = 0.15 + style.height_of(len(heading))
    figure = style.new_figure(width, top + 3.5)
    right = 2.1 if beside else 0.2
    axes = style.axes_at(figure, left=0.65, top=top, width=width - 0.65 - right, height=2.85)
    spots = _spots(drawn)
    for n_pairs, part in spots.groupby("pairs"):  # one size each: a page holds the shape once and points to it
        dots = axes.scatter(part["middle"], part["difference"], s=10 + 5 * float(str(n_pairs)), c="white")
        dots.set(edgecolor=style.BLUE, linewidth=1.0, zorder=3, rasterized=len(spots) > MANY_SPOTS)
    axes.axhline(0, color=style.QUIET, lw=0.8, ls=":", label="no difference")
    for _, line in lines.iterrows():
        _draw_line(axes, line, unit=unit, beside=beside)
    axes.margins(x=0.06, y=0.16)
    style.name_axes(
        axes,
        across=f"Mean of the two readings ({unit_words(unit)})",
        up=f"Second − first reading ({unit_words(unit)})",
    )
    axes.set_title("\n".join(map(clean, heading)), fontsize=style.TEXT, loc="left", parse_math=False)
    return figure


def _spots(pairs: pd.DataFrame) -> pd.DataFrame:
    """Where a dot stands, and for how many pairs: whole-degree readings fall on the same spot again and again."""
    spots = pd.DataFrame(
        {
            "middle": ((pairs["first"] + pairs["second"]) / 2).round(6),
            "difference": (pairs["second"] - pairs["first"]).round(6),
        }
    )
    counted_at = spots.value_counts(sort=False).rename("pairs").reset_index()
    return counted_at.assign(pairs=counted_at["pairs"].clip(upper=30))


def _draw_line(axes: Axes, line: pd.Series, *, unit: str, beside: bool) -> None:
    """One horizontal line with a pale band for its interval; where there is room, its name right of it."""
    if is_missing(line["value"]):
        return
    value = float(line["value"])
    centre = "mean" in str(line["line"])
    axes.axhline(value, color=style.INK, lw=1.4, ls="-" if centre else (0, (5, 2)), label=str(line["line"]))
    if not is_missing(line["ci_low"]) and not is_missing(line["ci_high"]):
        axes.axhspan(float(line["ci_low"]), float(line["ci_high"]), color=style.FAINT, alpha=0.35, lw=0)
    if beside:
        words = f"{line['line']}\n{amount(value, unit, signed=True)}"
        style.write(axes, 1.03, value, words, size=style.SMALL, up="center", transform=axes.get_yaxis_transform())


def _line_names(lines: pd.DataFrame, unit: str) -> list[str]:
    """The lines' names and values, for a figure too narrow to have them beside the lines."""
    known = lines[[not is_missing(value) for value in lines["value"]]]
    return [f"{line['line']}: {amount(line['value'], unit, signed=True)}" for _, line in known.iterrows()]


def agreement_lines(limits: LimitsOfAgreement) -> pd.DataFrame:
    """The lines of the figure from limits of agreement that were computed as second reading minus first."""
    named = {"mean difference": limits.bias, "upper limit of agreement": limits.upper}
    named["lower limit of agreement"] = limits.lower
    rows = [(name, line.value, line.ci_low, line.ci_high) for name, line in named.items()]
    return pd.DataFrame(rows, columns=list(LINE_COLUMNS))


def alt_text_agreement(pairs: pd.DataFrame, lines: pd.DataFrame, *, unit: str, measure: str) -> str:
    """The agreement figure in words, made from its data."""
    need_columns(pairs, PAIR_COLUMNS, what="agreement figure")
    parts = [
        f"{capital(str(line['line']))}: {with_interval(line['value'], line['ci_low'], line['ci_high'], unit)}."
        for _, line in lines.iterrows()
    ]
    both = pairs.dropna(subset=["first", "second"])
    of = f" of {counted(both['client'].nunique(), 'client')}" if "client" in both else ""
    many = f"{counted(len(both), 'pair')} of readings{of}"
    return f"{capital(measure)}, {many}: difference against mean. {' '.join(parts)}".strip()


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
