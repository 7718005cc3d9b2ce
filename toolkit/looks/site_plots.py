"""Many sites: a funnel by site with its control limits, and what drifts over the years."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.looks import style
from toolkit.looks.plot_data import need_columns
from toolkit.looks.words import amount, clean, counted, number, scale_of, unit_words, with_interval
from toolkit.quantiles import normal_quantile

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FUNNEL_COLUMNS = ("site", "effect", "se", "z", "beyond", "doubted")
DRIFT_COLUMNS = ("panel", "group", "year", "estimate", "ci_low", "ci_high", "unit")
NOT_WHY = (
    "A funnel does not say why a site lies outside: chance, other clients, other hands, or how it is written down."
)
_LOOKS = (  # what a point is; said in the key
    ("within", {"marker": "o", "mfc": "white", "mec": style.QUIET, "mew": 0.9, "ms": 4.5}),
    ("outside 95 %", {"marker": "o", "mfc": style.BLUE, "mec": style.BLUE, "ms": 5.5}),
    ("outside 99.8 %", {"marker": "D", "mfc": style.INK, "mec": style.INK, "ms": 6.5}),
    ("draw doubted", {"marker": "s", "mfc": "white", "mec": style.ORANGE, "mew": 1.8, "ms": 6.5}),
)
MOST_NAMED = 8
_ENDS = ((95.0, (0, (5, 3)), 1.1), (99.8, "-", 1.1))  # limits: level, dash, line width


def funnel_figure(sites: pd.DataFrame, *, centre: float, tau2: float, unit: str, width: float = style.WIDE) -> Figure:
    """Draw each site's effect against its standard error, with 95 % and 99.8 % control limits around the pooled one.

    Args:
        sites: site, effect and se (in `unit`), z, beyond (0, 95 or 99.8: outside which limits), doubted (is its draw?).
        centre: the pooled effect.
        tau2: the variance between sites that the limits hold.
        unit: of the effect.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> rows = pd.DataFrame({"site": ["a"], "effect": [1.0], "se": 0.2, "z": 0.0, "beyond": 0.0, "doubted": False})
        >>> funnel_figure(rows, centre=1.0, tau2=0.0, unit="deg").axes[0].get_ylabel()
        'Standard error (°)'
    """
    need_columns(sites, FUNNEL_COLUMNS, what="funnel")
    if sites.empty:
        return style.nothing_to_draw("No site has an estimate, so there is no funnel.", width=width)
    narrow = width < style.SIDE_BY_SIDE
    kinds = _kinds(sites)
    rows_of_key = -(-(len(kinds) + 3) // (2 if narrow else 4))
    below = 0.6 + style.height_of(rows_of_key, style.SMALL) * 1.15
    figure = style.new_figure(width, 0.35 + 3.3 + below)
    axes = style.axes_at(figure, left=0.7, top=0.35, width=width - 0.9, height=3.3)
    scale, errors = scale_of(unit), _errors_along(sites)
    for level, dash, thick in _ENDS:
        reach = float(normal_quantile(0.5 + level / 200)) * np.sqrt(errors**2 + tau2)
        for side in (-1, 1):
            name = f"{number(level, decimals=None)} % limits" if side > 0 else None
            ends = (scale * (centre + side * reach), scale * errors)
            axes.plot(*ends, color=style.QUIET, linestyle=dash, linewidth=thick, label=name, zorder=1)
    axes.axvline(scale * centre, color=style.INK, linewidth=1.0, label="pooled", zorder=1)
    for name, look, part in kinds:
        axes.plot(scale * part["effect"], scale * part["se"], linestyle="", label=f"{name}: {len(part)}", **look)
    _ends_of(axes, sites, errors, centre=centre, tau2=tau2, scale=scale)
    _name_outside(axes, sites, scale=scale, narrow=narrow)
    words = unit_words(unit)
    style.name_axes(axes, across=f"Effect ({words}), better to the right", up=f"Standard error ({words})")
    figure.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 0.0),
        fontsize=style.SMALL,
        frameon=False,
        ncols=2 if narrow else 4,
        handlelength=1.8,
        columnspacing=1.2,
    )
    return figure


def _errors_along(sites: pd.DataFrame) -> Any:
    """The standard errors along which limits are drawn: from 0, or by ratios where they differ more than fourfold."""
    low, high = float(sites["se"].min()), float(sites["se"].max())
    return np.geomspace(low * 0.85, high * 1.15, 200) if high > 4 * low else np.linspace(0, high * 1.06, 200)


def _ends_of(axes: Axes, sites: pd.DataFrame, errors: Any, *, centre: float, tau2: float, scale: float) -> None:
    """The axes' ends: every site in sight, and the limits as far as most sites reach."""
    from matplotlib.ticker import FixedLocator, FuncFormatter

    if errors[0] > 0:
        axes.set_yscale("log")
        steps = [digit * 10.0**power for power in range(-4, 5) for digit in (1, 1.5, 2, 3, 5, 7)]
        axes.yaxis.set_major_locator(FixedLocator(steps))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.minorticks_off()
    axes.set_ylim(scale * errors[-1], scale * errors[0])
    reach = float(normal_quantile(0.999)) * np.sqrt(float(sites["se"].quantile(0.9)) ** 2 + tau2)
    effect = sites["effect"]
    ends = style.padded(min(float(effect.min()), centre - reach), max(float(effect.max()), centre + reach))
    axes.set_xlim(*(scale * end for end in ends))


def _kinds(sites: pd.DataFrame) -> list[tuple[str, dict[str, Any], pd.DataFrame]]:
    """The sites by how they are drawn, those that are there."""
    doubted = sites["doubted"].to_numpy(bool)
    beyond = sites["beyond"].to_numpy(float)
    which = np.select([doubted, beyond == 99.8, beyond == 95.0], [3, 2, 1], 0)
    return [(name, look, sites[which == k]) for k, (name, look) in enumerate(_LOOKS) if (which == k).any()]


def named_outside(sites: pd.DataFrame) -> pd.DataFrame:
    """The sites to be named: outside 99.8 %, farthest first, and those whose draw is doubted."""
    far = sites[sites["beyond"] == 99.8].assign(_z=lambda rows: -rows["z"].abs()).sort_values("_z", kind="stable")
    rest = sites[sites["doubted"].to_numpy(bool) & (sites["beyond"] != 99.8)]
    return pd.concat([far.drop(columns="_z"), rest]).head(MOST_NAMED)


def _name_outside(axes: Axes, sites: pd.DataFrame, *, scale: float, narrow: bool) -> None:
    """Names beside the sites that stand out, on the side where there is room, each at a height of its own."""
    middle = sum(axes.get_xlim()) / 2
    taken: list[Any] = []
    for row in named_outside(sites).sort_values("se").to_dict("records"):
        at = (scale * float(row["effect"]), scale * float(row["se"]))
        seen = axes.transAxes.inverted().transform(axes.transData.transform(at))
        lift = 0.0
        while any(abs(seen[1] - lift - other[1]) < 0.05 and abs(seen[0] - other[0]) < 0.4 for other in taken):
            lift += 0.05
        taken.append((seen[0], seen[1] - lift))
        right = at[0] < middle
        axes.annotate(
            clean(row["site"]),
            (seen[0] + (0.02 if right else -0.02), seen[1] - lift),
            xycoords="axes fraction",
            ha="left" if right else "right",
            va="center",
            fontsize=style.SMALL - (0.5 if narrow else 0),
            parse_math=False,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        )


def alt_text_funnel(sites: pd.DataFrame, *, centre: float, tau2: float, unit: str) -> str:
    """The funnel in words, made from its rows."""
    need_columns(sites, FUNNEL_COLUMNS, what="funnel")
    within = int((sites["beyond"] == 0).sum())
    far, near = (int((sites["beyond"] == level).sum()) for level in (99.8, 95.0))
    spread = f", which hold an SD of {amount(tau2**0.5, unit)} between sites" if tau2 > 0 else ""
    named = [f"{clean(row.site)} {amount(row.effect, unit, signed=True)}" for row in named_outside(sites).itertuples()]
    told = f" Named are {', '.join(named)}." if named else ""
    return (
        f"Each site's effect against its standard error, {counted(len(sites), 'site')}, around the pooled effect of "
        f"{amount(centre, unit, signed=True)}. {within} lie within the 95 % control limits{spread}, {near} between "
        f"these and the 99.8 % limits, {far} outside both.{told} {NOT_WHY}"
    )


def drift_figure(rows: pd.DataFrame, *, width: float = style.WIDE) -> Figure:
    """Draw what drifts over the years: a panel a quantity, a line a group of sites, each year with its interval.

    Args:
        rows: panel (its title), group, year (a whole number), estimate, ci_low, ci_high, unit.
        width: inches.

    Raises:
        ToolkitError: a column is missing.

    Example:
        >>> row = {"panel": "Reading before", "group": "all sites", "estimate": 9.0, "ci_low": 8.9, "ci_high": 9.1}
        >>> rows = pd.DataFrame([{**row, "year": 2021, "unit": "cm"}, {**row, "year": 2022, "unit": "cm"}])
        >>> len(drift_figure(rows).axes)
        1
    """
    need_columns(rows, DRIFT_COLUMNS, what="drift figure")
    if rows.empty:
        return style.nothing_to_draw("No site was seen in two years, so nothing can be drawn over time.", width=width)
    panels, groups = list(dict.fromkeys(rows["panel"])), list(dict.fromkeys(rows["group"]))
    years = np.sort(rows["year"].unique())
    top = 0.35
    key = style.height_of(-(-len(groups) // (1 if width < style.SIDE_BY_SIDE else 3)), style.SMALL) + 0.15
    key = key if len(groups) > 1 else 0.05
    tall, room = 1.25, 0.5
    figure = style.new_figure(width, top + len(panels) * (tall + room) + 0.2 + key)
    for place, panel in enumerate(panels):
        axes = style.axes_at(figure, left=0.75, top=top + 0.25 + place * (tall + room), width=width - 0.95, height=tall)
        mine = rows[rows["panel"] == panel]
        unit = str(mine["unit"].iloc[0])
        _panel(axes, mine, groups, years, scale=scale_of(unit))
        axes.set_title(clean(panel), fontsize=style.TEXT, loc="left", parse_math=False)
        style.name_axes(axes, up=unit_words(unit))
        if place + 1 < len(panels):
            axes.tick_params(labelbottom=False)
        else:
            axes.set_xlabel("Year", fontsize=style.SMALL, color=style.INK)
    if len(groups) > 1:
        handles, names = figure.axes[0].get_legend_handles_labels()
        figure.legend(
            handles,
            names,
            loc="lower left",
            bbox_to_anchor=(0.0, 0.0),
            fontsize=style.SMALL,
            frameon=False,
            ncols=1 if width < style.SIDE_BY_SIDE else 3,
        )
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, groups: list[str], years: Any, *, scale: float) -> None:
    """One quantity: the groups beside each other in each year."""
    apart = 0.16
    for k, group in enumerate(groups):
        look = style.SERIES[k % len(style.SERIES)]
        mine = rows[rows["group"] == group].sort_values("year")
        at = mine["year"].to_numpy(float) + apart * (k - (len(groups) - 1) / 2)
        value, low, high = (scale * mine[name].to_numpy(float) for name in ("estimate", "ci_low", "ci_high"))
        axes.errorbar(
            at,
            value,
            yerr=np.vstack([value - low, high - value]),
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            mfc=look.colour if look.filled else "white",
            ms=5.5,
            linewidth=1.2,
            elinewidth=1.3,
            label=clean(group),
        )
        for bar in axes.containers[-1][2]:
            bar.set_linestyle("-")
    axes.set_xticks(years, [str(int(year)) for year in years])
    axes.set_xlim(float(years.min()) - 0.5, float(years.max()) + 0.5)
    axes.margins(y=0.15)


def alt_text_drift(rows: pd.DataFrame) -> str:
    """The drift figure in words, made from its rows."""
    need_columns(rows, DRIFT_COLUMNS, what="drift figure")
    parts = []
    for (panel, group), mine in rows.groupby(["panel", "group"], sort=False):
        each = [
            f"{row['year']:.0f}: "
            + with_interval(row["estimate"], row["ci_low"], row["ci_high"], str(row["unit"]), signed=False)
            for row in mine.sort_values("year").to_dict("records")
        ]
        parts.append(f"{clean(panel)}, {clean(group)}: {'; '.join(each)}.")
    return "Year by year, every site compared with itself. " + " ".join(parts)
