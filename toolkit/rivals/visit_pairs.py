"""From session to session: what a session left, read first thing at the same client's next one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.attributable.compared import orientation, role_of_side, technique_rows, treated_side_rule

COMPARISON = "measured_only"


def visit_pairs(
    rows: pd.DataFrame,
    *,
    measure: str,
    region: str,
    intervention: str,
    better: str,
    relation: str = "",
    side_rule: str | None = None,
) -> pd.DataFrame:
    """Each session of the technique, or only measured, with the same side's first reading at the next session.

    Returns:
        One row a side and session: client, practitioner, session_id, side, arm (1 technique, 0 only measured), base
        (last reading before), gap, has_second, gain (after − base), following (next first reading), y (following −
        base), days between; oriented, better = positive; only rows with both base and next first reading.
    """
    mine = rows[rows["measure"] == measure]
    whole = technique_rows(mine, measure=measure, region=region, intervention=intervention)
    rule = side_rule or treated_side_rule(whole, relation=relation, better=better)[0]
    treated = whole[(role_of_side(whole, rule=rule) != "other").to_numpy()]
    sign = orientation(better)
    base = mine["before_2"].fillna(mine["before"]).astype(float)
    out = pd.DataFrame(
        {
            "client": mine["client"].astype(str),
            "practitioner": mine["practitioner"].astype(str),
            "session_id": mine["session_id"].astype(str),
            "side": mine["measured_side"].astype(str),
            "arm": np.where(mine.index.isin(treated.index), 1.0, np.nan),
            "base": sign * base,
            "gap": sign * (mine["before"].fillna(mine["before_2"]) - base).astype(float),
            "has_second": mine["before_2"].notna(),
            "gain": sign * (mine["after"] - base).astype(float),
            "first": sign * mine["before"].astype(float),
        },
        index=mine.index,
    )
    out.loc[(mine["intervention"].astype(str) == COMPARISON).to_numpy(), "arm"] = 0.0
    out["day"] = _days(mine, out["client"])
    out["place"] = mine["visit"].astype(float) if "visit" in mine else out["day"]
    out = out.dropna(subset=["place"]).sort_values(["place", "session_id"], kind="stable")
    following = out.groupby(["client", "side"], sort=False)[["first", "day"]].shift(-1)
    out = out.assign(
        following=following["first"], y=following["first"] - out["base"], days=following["day"] - out["day"]
    )
    return out.dropna(subset=["arm", "y"]).drop(columns=["first", "day", "place"]).reset_index(drop=True)


def _days(rows: pd.DataFrame, client: pd.Series) -> pd.Series:
    """Days since the client's first visit, from the dates, else as given."""
    dates = pd.to_datetime(rows["date"])
    days = (dates - dates.groupby(client).transform("min")).dt.days.astype(float)
    return days.fillna(rows["day"].astype(float)) if "day" in rows else days
