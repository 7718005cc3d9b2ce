"""The figures of pooled summaries: forest and funnel, each with its words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from toolkit.looks import figures
from toolkit.looks.style import WIDE, described
from toolkit.stats.site_patterns import control_limits

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.comparing.found import PooledFound

MOST_IN_A_FOREST = 40  # sites; with more the funnel is the figure


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


def funnel_rows(found: PooledFound) -> pd.DataFrame:
    """Every site with where it lies in the funnel: the doubted ones too, which are not in what is pooled."""
    sites = found.every_site
    centre, tau2 = float(found.frame["estimate"].iloc[0]), found.between.tau2
    frame = sites.assign(variance=sites["se"] ** 2)
    return control_limits(frame, centre=centre, tau2=tau2).assign(doubted=sites["doubted"].to_numpy(bool))


def funnel(found: PooledFound, *, width: float = WIDE) -> Figure:
    """Each site's effect against its standard error, with control limits that hold the spread between sites."""
    rows, centre = funnel_rows(found), float(found.frame["estimate"].iloc[0])
    figure = figures.funnel_figure(rows, centre=centre, tau2=found.between.tau2, unit=found.unit, width=width)
    return described(figure, title="Site by site: a funnel", description=funnel_words(found))


def funnel_words(found: PooledFound) -> str:
    """The funnel in words."""
    centre = float(found.frame["estimate"].iloc[0])
    return figures.alt_text_funnel(funnel_rows(found), centre=centre, tau2=found.between.tau2, unit=found.unit)
