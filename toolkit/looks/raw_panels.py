"""Panels of raw readings: which rows are drawn, the grid, and what stands in one (sessions behind means of clients)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks import style
from toolkit.looks.style import described
from toolkit.looks.words import SHARES, amount, capital, counted, scale_of, spaced, unit_words, with_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from toolkit.records.account import Records

MOST_POINTS = 1500  # a panel: more cannot be told apart; they are taken evenly from the rows
MANY_POINTS = 300  # from here on points are drawn as one picture: a page of thousands of shapes is slow
MOST_PANELS = 5  # regions, and interventions, with most readings; the title says what is left out
FEWEST_FOR_A_MEAN = 3  # clients
FEWEST_FOR_AN_OUTLINE = 5  # different values: a sign has two
MARKS = "outline: distribution; pale: sessions; dark: means of clients; diamond: mean of clients, 95 % interval"
LINES = "thin: clients, before; dashed: mean before; solid: mean after; bands: 95 % intervals (bootstrap)"
FIRST_LOOK = style.Series(colour=style.ORANGE, marker="s", dash=(0, (4, 2)), filled=False)
SECOND_LOOK = style.Series(colour=style.BLUE, marker="o", dash="-", filled=True)


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawn:
    """The rows of one measure to draw: client, first, second, change (better = positive), row, column, visit."""

    rows: pd.DataFrame
    name: str
    unit: str
    by: tuple[str, str]
    names: dict[str, str]
    first: str
    second: str
    left_out: str

    def panels(self) -> tuple[list[str], list[str]]:
        """The panels' rows and columns, most readings first; sites by name."""
        rows, columns = _most(self.rows["row"]), _most(self.rows["column"])
        return (sorted(rows) if self.by[0] == "site" else rows), columns

    def title(self, what: str) -> str:
        clients, rows = self.rows["client"].nunique(), len(self.rows)
        return f"{what}: {self.name} ({counted(rows, 'row')} of {counted(clients, 'client')}{self.left_out})"


def taken(
    data: pd.DataFrame | Records,
    *,
    measure: str | None,
    first: str,
    second: str,
    client: str,
    by: Sequence[str],
    better: str | None = None,
    when: str = "",
) -> Drawn:
    """The rows to draw of one measure, its name and unit, and how much of the rest is left out."""
    book = None if isinstance(data, pd.DataFrame) else data.codebook
    rows = data if isinstance(data, pd.DataFrame) else data.rows
    panels = [by] if isinstance(by, str) else list(by)
    _need(rows, [first, second, client, *panels, *([when] if when else [])])
    code = _measure(rows, measure)
    mine = rows[rows["measure"].astype(str) == code] if code else rows
    known = book.measure(code) if book is not None and code else None
    named = list(mine["unit"].dropna().astype(str).unique()) if "unit" in mine else []
    unit = known.unit if known else (str(named[0]) if len(named) == 1 else "")
    own = str(mine["better"].dropna().iloc[0]) if "better" in mine and mine["better"].notna().any() else "higher"
    sign = -1.0 if (better or (known.better if known else own)) == "lower" else 1.0
    places = [*panels, "", ""][:2]
    start, end = (scale_of(unit) * pd.to_numeric(mine[name]) for name in (first, second))
    taken = pd.DataFrame(
        {
            "client": mine[client].astype(str),
            "first": start,
            "second": end,
            "change": sign * (end - start),
            "row": mine[places[0]].astype(str) if places[0] else "",
            "column": mine[places[1]].astype(str) if places[1] else "",
            "when": pd.to_numeric(mine[when]) if when else np.nan,
        }
    ).dropna(subset=["first", "second"])
    if taken.empty:
        raise NotEnoughError(f"No row holds both a '{first}' and a '{second}' reading, so there is nothing to draw.")
    kept, left_out = _most_panels(taken, panels)
    label = book.label if book is not None else None
    codes = {*kept["row"], *kept["column"]}
    names = {one: _name_of(label, panels, one) for one in codes}
    name = (known.label if known else spaced(code)) or "reading"
    return Drawn(
        rows=kept,
        name=name,
        unit=unit,
        by=(places[0], places[1]),
        names=names,
        first=first,
        second=second,
        left_out=left_out,
    )


def _name_of(label: Any, panels: Sequence[str], code: str) -> str:
    """A region's or intervention's name in words, as the codebook has it where there is one."""
    for what in panels:
        if label is not None and what in ("region", "intervention"):
            found = str(label(what, code))
            if found and found != code:
                return found
    return spaced(code)


def _need(rows: pd.DataFrame, columns: Sequence[str]) -> None:
    lacking = [name for name in columns if name not in rows.columns]
    if lacking:
        raise ToolkitError(
            f"There is no column '{lacking[0]}' to draw. The columns are: {', '.join(map(str, rows.columns))}."
        )


def _measure(rows: pd.DataFrame, asked: str | None) -> str:
    """The measure to draw: the one asked for, else the one with most rows, "" where rows name none."""
    if "measure" not in rows.columns:
        return ""
    counts = rows["measure"].astype(str).value_counts()
    if asked is None:
        return str(counts.index[0]) if len(counts) else ""
    if asked not in counts.index:
        raise ToolkitError(f"There is no row of the measure '{asked}'. There are: {', '.join(sorted(counts.index))}.")
    return asked


def _most(values: pd.Series) -> list[str]:
    return [str(name) for name in values.value_counts(sort=True).index]


def _most_panels(rows: pd.DataFrame, panels: Sequence[str]) -> tuple[pd.DataFrame, str]:
    """The rows of the largest panels, and words for what is left out."""
    said = []
    for name, column in zip(panels, ("row", "column"), strict=False):
        found = _most(rows[column])
        if len(found) > MOST_PANELS:
            said.append(f"{MOST_PANELS} of {len(found)} {spaced(name)}s")
            rows = rows[rows[column].isin(found[:MOST_PANELS])]
    return rows, f"; {', '.join(said)} drawn" if said else ""


def within(rows: pd.DataFrame, row: str, columns: Sequence[str]) -> list[str]:
    """The columns that have rows in one row of panels."""
    there = set(rows.loc[rows["row"] == row, "column"])
    return [column for column in columns if column in there]


def range_of(values: pd.DataFrame) -> tuple[float, float]:
    return float(values.min().min()), float(values.max().max())


def grid(drawn: Drawn, *, width: float, height: float) -> tuple[Figure, list[tuple[Axes, pd.DataFrame]]]:
    """Panels by row and column, each with its rows; a panel without rows stays white."""
    rows, columns = drawn.panels()
    figure = style.new_figure(width, 0.75 + (height + 0.3) * len(rows))
    panels = figure.subplots(len(rows), len(columns), squeeze=False, sharex=True, sharey=True)
    cells = []
    for down, row in enumerate(rows):
        for across, column in enumerate(columns):
            axes = panels[down][across]
            part = drawn.rows[(drawn.rows["row"] == row) & (drawn.rows["column"] == column)]
            if part.empty:
                axes.set_axis_off()
                continue
            plain(axes)
            title = "\n".join(filter(None, (panel_name(drawn, row), panel_name(drawn, column))))
            axes.set_title(_fold(title, width / len(columns) - 0.2), fontsize=style.SMALL, loc="left", parse_math=False)
            if across == 0:
                axes.set_ylabel(" ")
            cells.append((axes, part))
    figure.set_layout_engine("constrained")
    return figure, cells


def _fold(title: str, width: float) -> str:
    return "\n".join(line for part in title.split("\n") for line in style.wrapped(part, width, size=style.SMALL))


def panel_name(drawn: Drawn, code: str) -> str:
    return capital(drawn.names.get(code, spaced(code)))


def wrapped_name(drawn: Drawn, code: str, width: float) -> str:
    return "\n".join(style.wrapped(panel_name(drawn, code) or "all", width, size=style.SMALL))


def plain(axes: Axes) -> None:
    """Axes with a bottom and a left line and small ticks, as every figure here."""
    axes.spines[["top", "right"]].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(style.QUIET)
    axes.tick_params(labelsize=style.SMALL, colors=style.INK, length=3, color=style.QUIET)


def distribution(axes: Axes, part: pd.DataFrame, column: str, *, at: float, look: style.Series, up: bool) -> None:
    """One distribution: half a violin, the sessions, the clients' means, and their mean with its interval."""
    values = part[column].to_numpy(dtype=float)
    _half_violin(axes, values, at=at, look=look, up=up)
    sessions = _some(values)
    spread = 0.08 + 0.26 * np.modf(np.arange(len(sessions)) * 0.618034)[0]
    _points(axes, sessions, at + spread, up=up, color=style.FAINT, s=5, lw=0, label="sessions", zorder=2)
    means = part.groupby("client")[column].mean()
    own = _some(means.to_numpy())
    inside = 0.13 + 0.16 * np.modf(np.arange(len(own)) * 0.754878)[0]
    face = look.colour if look.filled else "white"
    dots = _points(axes, own, at + inside, up=up, color=face, s=11, lw=0.7, label="clients", zorder=3)
    dots.set_edgecolor(look.colour)
    _mean(axes, means.to_numpy(), at=at, up=up)


def _some(values: Any) -> Any:
    """All values, or evenly spread ones of their order where there are too many to see."""
    if len(values) <= MOST_POINTS:
        return values
    return np.sort(values)[np.linspace(0, len(values) - 1, MOST_POINTS).round().astype(int)]


def _half_violin(axes: Axes, values: Any, *, at: float, look: style.Series, up: bool) -> None:
    """The outline of a distribution on the side where no points stand; none for a handful of different values."""
    import seaborn

    if len(np.unique(values)) <= FEWEST_FOR_AN_OUTLINE:
        return
    place, value = np.full(len(values), at - 0.21), values
    whole = {"x": place, "y": value} if up else {"x": value, "y": place}
    seaborn.violinplot(
        **whole, hue=np.full(len(values), True), hue_order=[True, False], split=True, orient="v" if up else "h",
        inner=None, cut=0, density_norm="width", width=0.42, gap=0, linewidth=0.9, palette=[style.BAND, style.BAND],
        linecolor=look.colour, legend=False, native_scale=True, ax=axes, gridsize=60,
    )  # fmt: skip


def _points(axes: Axes, values: Any, places: Any, *, up: bool, lw: float, **look: Any) -> Any:
    along = (places, values) if up else (values, places)
    return axes.scatter(*along, linewidths=lw, rasterized=len(values) > MANY_POINTS, **look)


def _mean(axes: Axes, means: Any, *, at: float, up: bool) -> None:
    """The mean of the clients as a diamond, with its t interval where there are two clients."""
    middle, reach = _mean_of(means)
    place = at + 0.42
    across = (place, middle) if up else (middle, place)
    error = None if reach is None else [[reach], [reach]]
    axes.errorbar(
        [across[0]],
        [across[1]],
        xerr=None if up else error,
        yerr=error if up else None,
        fmt="D",
        ms=5,
        color=style.INK,
        lw=1.8,
        capsize=3,
        zorder=4,
        label="mean",
    )


def _mean_of(means: Any) -> tuple[float, float | None]:
    """Mean of the clients' means, and half the width of its 95 % t interval."""
    from toolkit.quantiles import t_half_width

    middle = float(np.mean(means))
    if len(means) < 2:
        return middle, None
    return middle, t_half_width(means)


def draw_course(axes: Axes, part: pd.DataFrame) -> None:
    """Thin lines of clients, thick lines of the means before and after."""
    import seaborn

    visits = part.groupby(["client", "when"], as_index=False)[["first", "second"]].mean()
    for _, mine in visits.groupby("client"):
        axes.plot(mine["when"], mine["first"], color=style.FAINT, lw=0.6, zorder=1, rasterized=len(visits) > 1000)
    known = visits.groupby("when")["client"].transform("nunique") >= FEWEST_FOR_A_MEAN
    for column, look in (("first", FIRST_LOOK), ("second", SECOND_LOOK)):
        seaborn.lineplot(
            x=visits.loc[known, "when"], y=visits.loc[known, column], ax=axes, color=look.colour, lw=1.8,
            linestyle=look.dash, errorbar=("ci", 95), n_boot=200, seed=0, legend=False, zorder=3,
        )  # fmt: skip
    axes.set(xlabel="", ylabel=axes.get_ylabel())


def axis_of(drawn: Drawn) -> str:
    unit = "% yes" if drawn.unit == SHARES else unit_words(drawn.unit)
    return capital(drawn.name) + (f" ({unit})" if unit else "")


def finish(
    figure: Figure, cells: list[tuple[Axes, pd.DataFrame]], *, title: str, up: str, said: str, key: str
) -> Figure:
    """Name the axes, add the key, attach title and description."""
    for axes, _ in cells:
        axes.set_xlabel("")
        wanted = up if axes.get_ylabel() == " " else ""
        axes.set_ylabel("\n".join(style.wrapped(wanted, 2.0, size=style.SMALL)) if wanted else "", fontsize=style.SMALL)
    key_below(figure, key)
    return described(figure, title=title, description=f"{title}. {said}")


def key_below(figure: Figure, words: str = MARKS) -> None:
    """What the marks are, in words under the figure."""
    figure.supxlabel(words, fontsize=style.SMALL, color=style.QUIET, x=0.01, ha="left", parse_math=False)


def _each(drawn: Drawn) -> Iterator[tuple[str, pd.DataFrame]]:
    """Each panel's name in words and rows, largest first."""
    parts = drawn.rows.groupby(["row", "column"])
    for row, column in parts.size().sort_values(ascending=False, kind="stable").index:
        name = ", ".join(filter(None, (drawn.names.get(row, ""), drawn.names.get(column, "")))) or "all rows"
        yield name, drawn.rows[(drawn.rows["row"] == row) & (drawn.rows["column"] == column)]


def readings_said(drawn: Drawn) -> str:
    """Each panel's means before and after, in words."""
    unit = unit_words(drawn.unit)
    said = []
    for name, part in _each(drawn):
        means = part.groupby("client")[["first", "second"]].mean().mean()
        ends = " to ".join(amount(means[column], unit) for column in ("first", "second"))
        said.append(f"{capital(name)}: mean of {counted(part['client'].nunique(), 'client')} from {ends}.")
    return " ".join(said)


def changes_said(drawn: Drawn) -> str:
    """Each panel's mean change with its interval, in words."""
    said = []
    for name, part in _each(drawn):
        middle, reach = _mean_of(part.groupby("client")["change"].mean().to_numpy())
        low, high = (None, None) if reach is None else (middle - reach, middle + reach)
        said.append(f"{capital(name)}: {with_interval(middle, low, high, unit_words(drawn.unit))}.")
    return " ".join(said)
