"""Comfort mistaken for outcome: what felt good is remembered as what worked."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.quantiles import standard_error, t_quantile
from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, told

NAME = "comfort mistaken for outcome"
COMFORTABLE = 7.0


def comfort(case: Case) -> Rival:
    """Change in sessions that felt comfortable less change in those that did not, within clients."""
    close = "Write comfort (0 to 10) beside every outcome, and judge the outcome."
    change = case.changes().dropna(subset=["comfort"])
    if change.empty:
        says = "Comfort was not written down, so it cannot have been mistaken for an outcome here."
        return Rival(rival=NAME, status="not_applicable", size=None, says=says, what_would_close_it="")
    change = change.assign(client=change["client"].astype(str))
    felt = np.where(change["comfort"] >= COMFORTABLE, "good", "other")
    means: pd.DataFrame = change.assign(felt=felt).groupby(["client", "felt"])["change"].mean().unstack()
    gap = (means["good"] - means["other"]).dropna().to_numpy() if means.shape[1] == 2 else np.array([])
    if len(gap) < 3 or np.ptp(gap) == 0:
        why = "too few clients had" if len(gap) < 3 else "the difference is the same in all clients that had"
        says = f"Outcome and comfort are kept apart; {why} both comfortable and other sessions, so no size is given."
        return Rival(rival=NAME, status="adjusted", size=None, says=says, what_would_close_it=close)
    value = float(gap.mean())
    reach = float(t_quantile(0.975, len(gap) - 1)) * standard_error(gap)
    size = Estimate(
        name="comfortable less other sessions",
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=case.unit,
        n=len(gap),
        method=f"differences within clients; comfortable = {COMFORTABLE:g} or more",
        df=len(gap) - 1,
    )
    says = (
        f"Sessions that felt comfortable ({COMFORTABLE:g} or more of 10) less other sessions of the same client: "
        f"{told(size)} of change, {size.n} clients. The claim rests on the outcome, not on comfort."
    )
    return Rival(rival=NAME, status="adjusted", size=size, says=says, what_would_close_it=close)
