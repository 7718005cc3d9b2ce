"""Change of examiner or instrument: another hand on the goniometer shifts all first readings at once."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival

NAME = "change of examiner or instrument"


def examiner_change(case: Case) -> Rival:
    """Largest difference between examiners in first readings of the same clients."""
    close = "Keep examiner and instrument the same within a session, and write both down."
    rows = case.rows.dropna(subset=["before"]).astype({"client": str, "examiner": str})
    rows = rows[rows["examiner"].str.len() > 0]
    if rows.empty:
        says = "Nobody wrote down who took the readings."
        return Rival(rival=NAME, status="open", size=None, says=says, what_would_close_it=close)
    names = rows["examiner"].unique()
    if len(names) == 1:
        says = "All readings are by one examiner."
        return Rival(rival=NAME, status="closed_by_design", size=None, says=says, what_would_close_it="")
    size = _largest_step(rows, unit=case.unit)
    within = "Both readings of a session are by the same examiner as written down, so a step cancels in the change."
    says = (
        f"{within} In first readings of the same clients, examiners differ by up to "
        f"{figure_text(size.value)} {case.unit}."
        if size
        else f"{within} Too few clients were read by two examiners to see a step between them."
    )
    return Rival(rival=NAME, status="adjusted", size=size, says=says, what_would_close_it=close)


def _largest_step(rows: pd.DataFrame, *, unit: str) -> Estimate | None:
    """Largest mean difference of two examiners over the clients that both read, with its t interval."""
    means = rows.groupby(["client", "examiner"])["before"].mean().unstack()
    best: Estimate | None = None
    for i, one in enumerate(means.columns):
        for other in means.columns[i + 1 :]:
            gap = (means[one] - means[other]).dropna().to_numpy()
            if len(gap) < 3 or np.ptp(gap) == 0:
                continue
            value, se = float(gap.mean()), float(stats.sem(gap))
            reach = float(stats.t.ppf(0.975, len(gap) - 1)) * se
            if best is None or abs(value) > abs(best.value):
                sign = 1.0 if value >= 0 else -1.0
                best = Estimate(
                    name="largest step between two examiners",
                    value=abs(value),
                    ci_low=sign * value - reach,
                    ci_high=sign * value + reach,
                    unit=unit,
                    n=len(gap),
                    method="paired differences of client means; the largest of all pairs",
                    df=len(gap) - 1,
                )
    return best
