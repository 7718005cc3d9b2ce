"""The figures of a comparison, each with its words: ways of counting, sites, practitioners, the calendar, readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from toolkit.looks import figures
from toolkit.looks.raw_readings import plot_readings
from toolkit.looks.style import WIDE, described
from toolkit.looks.words import capital, sentence

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.comparing.found import Found


def ways_rows(found: Found) -> pd.DataFrame:
    """The quoted difference and the other ways of counting, as the forest figure takes them."""
    frame = found.frame
    return pd.DataFrame(
        {
            "region": "",
            "intervention": [_way_name(name) for name in frame["what"]],
            "adjusted_mean": frame["estimate"],
            "ci_low": frame["ci_low"],
            "ci_high": frame["ci_high"],
            "n_clients": frame["n_clients"],
        }
    )


def _way_name(name: str) -> str:
    return "the difference (to quote)" if name == "difference" else name


def group_rows(groups: pd.DataFrame, *, whole: pd.Series | None = None) -> pd.DataFrame:
    """Sites (practitioners, quarters) that have a difference, and all together last."""
    known = groups[groups["difference"].notna()]
    rows = pd.DataFrame(
        {
            "region": "",
            "intervention": known["group"],
            "adjusted_mean": known["difference"],
            "ci_low": known["ci_low"],
            "ci_high": known["ci_high"],
            "n_clients": known["clients"],
        }
    )
    if whole is None or rows.empty:
        return rows
    last = {"region": "", "intervention": "all together", "adjusted_mean": whole["estimate"], "ci_low": whole["ci_low"]}
    last |= {"ci_high": whole["ci_high"], "n_clients": whole["n_clients"]}
    return pd.concat([rows, pd.DataFrame([last])], ignore_index=True)


def shrunken_rows(hands: pd.DataFrame) -> pd.DataFrame:
    """Practitioners in alphabetical order with what is left of their difference after shrinking."""
    known = hands[hands["shrunken"].notna()]
    return pd.DataFrame(
        {
            "region": "",
            "intervention": known["group"],
            "adjusted_mean": known["shrunken"],
            "ci_low": known["shrunken_low"],
            "ci_high": known["shrunken_high"],
            "n_clients": known["clients"],
        }
    )


def forest(found: Found, rows: pd.DataFrame, *, width: float = WIDE) -> Figure:
    """Intervals one below the other, in the measure's unit."""
    return figures.forest_figure(
        rows,
        unit=str(found.question.unit),
        smallest_change=found.question.smallest_change_that_matters,
        what="difference",
        width=width,
    )


def forest_words(found: Found, rows: pd.DataFrame, about: str) -> str:
    """The same in words."""
    return figures.alt_text_forest(rows, unit=str(found.question.unit), about=about)


def ways_figure(found: Found, *, width: float = WIDE) -> Figure:
    """The quoted difference and the other ways of counting, with their intervals; it carries its words as label."""
    rows = ways_rows(found)
    about = f"{capital(found.names[0])} less {found.names[1]}, better is positive"
    return described(forest(found, rows, width=width), title=about, description=forest_words(found, rows, about))


def readings_figure(found: Found, *, width: float = WIDE) -> Figure:
    """Raw readings before and after, a panel a site and protocol, as they were written."""
    rows = found.compared.rows
    sign = 1.0 if found.question.better == "higher" else -1.0
    sites = rows["site"].astype(str).replace("", "all") if "site" in rows else pd.Series("all", index=rows.index)
    drawn = pd.DataFrame(
        {
            "client": rows["client"],
            "measure": found.question.measure,
            "unit": found.question.unit,
            "site": sites,
            "protocol": np.where(rows["arm"] == 1, found.names[0], found.names[1]),
            "before": sign * rows["base"],
            "after": sign * (rows["base"] + rows["y"]),
        }
    )
    by = ("site", "protocol") if sites.nunique() > 1 else ("protocol",)
    return plot_readings(drawn, first="before", second="after", by=by, width=width)


def label_of(figure: Figure, otherwise: str) -> str:
    """The words a figure carries; others where it carries none."""
    said = str(figure.get_label() or "")
    return sentence(said or otherwise)
