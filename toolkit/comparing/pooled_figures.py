"""The figures of pooled summaries: forest and funnel, each with its words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.looks import figures, style
from toolkit.looks.style import WIDE, described
from toolkit.looks.words import scale_of, unit_words, with_interval

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.comparing.found import PooledFound


def forest_rows(found: PooledFound) -> pd.DataFrame:
    """Sites, what they say together, and what another site may expect, as the forest figure takes them."""
    sites, whole = found.sites, found.frame.iloc[0]
    rows = [
        {"intervention": name, "adjusted_mean": effect, "ci_low": low, "ci_high": high, "n_clients": clients}
        for name, effect, low, high, clients in sites[["site", "effect", "ci_low", "ci_high", "clients"]].itertuples(
            index=False
        )
    ]
    last = {"intervention": "all sites together", "adjusted_mean": whole["estimate"], "ci_low": whole["ci_low"]}
    rows.append(last | {"ci_high": whole["ci_high"], "n_clients": whole["n_clients"]})
    if found.between.prediction is not None:
        low, high = found.between.prediction
        rows.append({"intervention": "another site may expect", "adjusted_mean": whole["estimate"], "ci_low": low})
        rows[-1] |= {"ci_high": high}
    return pd.DataFrame(rows).assign(region="")


def pooled_forest(found: PooledFound, *, width: float = WIDE) -> Figure:
    """The forest plot; it carries its words as label."""
    rows = forest_rows(found)
    smallest = found.summaries[0].content["question"].get("smallest_change_that_matters")
    figure = figures.forest_figure(rows, unit=found.unit, smallest_change=smallest, what="difference", width=width)
    about = "The difference at each site and together"
    return described(figure, title=about, description=figures.alt_text_forest(rows, unit=found.unit, about=about))


def funnel(found: PooledFound, *, width: float = WIDE) -> Figure:
    """Each site's difference against its standard error, with the lines between which 95 % of sites would lie.

    The lines suppose one common difference; sites that truly differ lie outside them too.
    """
    sites, centre = found.sites, float(found.frame["estimate"].iloc[0])
    scale, top = scale_of(found.unit), float(sites["se"].max()) * 1.1
    figure = style.new_figure(width, 3.6)
    axes = style.axes_at(figure, left=0.75, top=0.35, width=width - 0.95, height=2.6)
    errors = np.array([0.0, top])
    for side in (-1, 1):
        axes.plot(
            scale * (centre + side * 1.96 * errors), scale * errors, color=style.QUIET, linestyle="--", linewidth=1
        )
    axes.axvline(scale * centre, color=style.QUIET, linewidth=1)
    axes.plot(scale * sites["effect"], scale * sites["se"], linestyle="", marker="o", color=style.BLUE)
    for name, effect, se in sites[["site", "effect", "se"]].itertuples(index=False):
        axes.annotate(str(name), (scale * effect, scale * se), xytext=(5, 3), textcoords="offset points", fontsize=8)
    axes.set_ylim(scale * top, 0)
    unit = unit_words(found.unit)
    style.name_axes(axes, across=f"Difference in {unit}, better is to the right", up=f"Standard error in {unit}")
    return described(figure, title="Large and small sites", description=funnel_words(found))


def funnel_words(found: PooledFound) -> str:
    """The funnel in words."""
    sites, unit = found.sites, found.unit
    each = [
        f"{name}: {with_interval(value, low, high, unit)}."
        for name, value, low, high in sites[["site", "effect", "ci_low", "ci_high"]].itertuples(index=False)
    ]
    return f"Each site's difference against its standard error, {len(sites)} sites. {' '.join(each)}"
