"""Natural course over weeks: people get better, or worse, between visits whatever is done in them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival

NAME = "natural course over weeks"


def course_per_week(rows: pd.DataFrame, *, sign: float, unit: str) -> Estimate | None:
    """Slope of first readings on weeks since the client's first visit, within clients (client-clustered t interval).

    Args:
        rows: tidy rows of one measure, with client, day or date, before.
        sign: +1 where a rise is better.
    """
    kept = rows.dropna(subset=["before"])
    first = kept.groupby("client", observed=True)["date"].transform("min")
    weeks = (pd.to_datetime(kept["date"]) - pd.to_datetime(first)).dt.days / 7.0
    if weeks.isna().all() and "day" in kept:
        weeks = kept["day"].astype(float) / 7.0
    frame = pd.DataFrame({"client": kept["client"].astype(str), "x": weeks, "y": sign * kept["before"]}).dropna()
    frame["x"] -= frame.groupby("client")["x"].transform("mean")
    frame["y"] -= frame.groupby("client")["y"].transform("mean")
    bread = float((frame["x"] ** 2).sum())
    n = int(frame.loc[frame["x"] != 0, "client"].nunique())
    if n < 3 or bread <= 0:
        return None
    slope = float((frame["x"] * frame["y"]).sum()) / bread
    scores = (frame["x"] * (frame["y"] - slope * frame["x"])).groupby(frame["client"]).sum().to_numpy()
    se = float(np.sqrt(n / (n - 1) * np.sum(scores**2))) / bread
    reach = float(stats.t.ppf(0.975, n - 1)) * se
    return Estimate(
        name="course of first readings",
        value=slope,
        ci_low=slope - reach,
        ci_high=slope + reach,
        unit=f"{unit} a week",
        n=n,
        method="slope within clients, client-clustered standard error",
        se=se,
        df=n - 1,
    )


def natural_course(case: Case) -> Rival:
    """Slope of first readings over weeks; within one session it has no time to act."""
    size = course_per_week(case.rows, sign=case.sign, unit=case.unit)
    trend = (
        f"First readings changed by {figure_text(size.value)} {size.unit} (within {size.n} clients)."
        if size
        else "Too few clients came back to see a course over weeks."
    )
    return Rival(
        rival=NAME,
        status="closed_by_design",
        size=size,
        says=f"{trend} Before and after stand in the same session, so weeks cannot explain the difference.",
        what_would_close_it="",
    )
