"""From visit to visit: what a session left at the next one, and how it fades over the days between.

Fading is a straight line over the days between visits, within clients (a client who comes back sooner is not compared
with one who comes back later), never read beyond the shortest and longest gap in the records. That is a rule of our
own: over the few weeks between visits readings scatter by more than an exponential differs from a line. The share
that is left is a ratio of two means; its interval is Fieller's (Fieller 1954), from leaving out one client at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import orientation, role_of_side, technique_rows, treated_side_rule
from toolkit.explanations.case import without_each
from toolkit.quantiles import jackknife_covariance, t_quantile
from toolkit.records.coded_texts import as_texts
from toolkit.records.dates import visit_days
from toolkit.records.texts import keep_rows
from toolkit.result import Estimate

COMPARISON = "measured_only"
_COLUMNS = (
    *("client", "practitioner", "session_id", "date", "day", "visit", "measure", "region", "intervention"),
    *("treated_side", "measured_side", "before", "before_2", "after"),
)


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
    columns = [name for name in _COLUMNS if name in rows]
    mine = keep_rows(rows[columns], (rows["measure"] == measure).to_numpy())
    whole = technique_rows(mine, measure=measure, region=region, intervention=intervention)
    rule = side_rule or treated_side_rule(whole, relation=relation, better=better)[0]
    treated = whole[(role_of_side(whole, rule=rule) != "other").to_numpy()]
    sign = orientation(better)
    base = mine["before_2"].fillna(mine["before"]).astype(float)
    out = pd.DataFrame(
        {
            "client": as_texts(mine["client"]),
            "practitioner": as_texts(mine["practitioner"]),
            "session_id": as_texts(mine["session_id"]),
            "side": as_texts(mine["measured_side"]),
            "arm": np.where(mine.index.isin(treated.index), 1.0, np.nan),
            "base": sign * base,
            "gap": sign * (mine["before"].fillna(mine["before_2"]) - base).astype(float),
            "has_second": mine["before_2"].notna(),
            "gain": sign * (mine["after"] - base).astype(float),
            "first": sign * mine["before"].astype(float),
        },
        index=mine.index,
    )
    out.loc[(as_texts(mine["intervention"]) == COMPARISON).to_numpy(), "arm"] = 0.0
    out["day"] = visit_days(mine)
    out["place"] = mine["visit"].astype(float) if "visit" in mine else out["day"]
    out = out.dropna(subset=["place"]).sort_values(["place", "session_id"], kind="stable")
    following = out.groupby(["client", "side"], sort=False)[["first", "day"]].shift(-1)
    out = out.assign(
        following=following["first"], y=following["first"] - out["base"], days=following["day"] - out["day"]
    )
    return out.dropna(subset=["arm", "y"]).drop(columns=["first", "day", "place"]).reset_index(drop=True)


Floats = NDArray[np.float64]
DAYS = 7.0
FEWEST_CLIENTS_WITH_GAIN = 5
FEWEST_CLIENTS = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class Fading:
    """Slope on days, share of the gain left after `days`, or why there is none."""

    slope: Estimate | None = None
    share: Estimate | None = None
    days: float = DAYS
    why: str = ""


def _by_client(pairs: pd.DataFrame) -> Floats:
    """One row a client: n, Σy, Σdays, Σgain of technique sessions, Σ(d − d̄)², Σ(d − d̄)(next − mean next); n, Σy, Σgain
    of sessions only measured.

    The line is drawn through the next first readings themselves: a change from this session's reading would also hold
    what the session before left behind, and within a client long gaps follow short ones.
    """
    rows = pairs.dropna(subset=["gain"])
    rows = rows[rows["days"].notna() | (rows["arm"] == 0)].assign(n=1.0)
    one = rows[rows["arm"] == 1]
    who = [one["client"], one["side"]]
    d, following = (one[name] - one[name].groupby(who).transform("mean") for name in ("days", "following"))
    technique = one.groupby("client")[["n", "y", "days", "gain"]].sum()
    technique["sxx"] = (d * d).groupby(one["client"]).sum()
    technique["sxy"] = (d * following).groupby(one["client"]).sum()
    waited = rows[rows["arm"] == 0].groupby("client")[["n", "y", "gain"]].sum().add_suffix("_waited")
    return technique.join(waited, how="outer").fillna(0.0).to_numpy(dtype=float)


def _parts(totals: Floats, days: float) -> Floats:
    """Slope, what is left after `days`, and the gain, from totals of the clients' sums, shape (…, 9).

    Sessions weigh the same here: a client's few measured sessions mostly follow treated ones, so clients' own means
    would mistake what fades from those for a course.
    """
    n, y, d, gain, sxx, sxy, n_waited, y_waited, gain_waited = np.moveaxis(totals, -1, 0)
    slope = np.where(sxx > 0, sxy, 0.0) / np.where(sxx > 0, sxx, 1.0)
    n, n_waited = np.maximum(n, 1.0), np.maximum(n_waited, 1.0)
    left = y / n + slope * (days - d / n) - y_waited / n_waited
    return np.stack([slope, left, gain / n - gain_waited / n_waited], axis=-1)


def fading(pairs: pd.DataFrame, *, unit: str) -> Fading:
    """How the change fades over the days between visits, and how much of the gain is left.

    Args:
        pairs: see `toolkit.explanations.between_visits`; the comparison's are taken off where they are among them.
        unit: the measure's.

    Returns:
        The slope (None where fewer than 3 clients came back after different numbers of days) and the share left after
        7 days (after the usual gap where 7 days lie outside the records), or why there is none.
    """
    table = _by_client(pairs)
    n, moving = int((table[:, 0] > 0).sum()), int((table[:, 4] > 0).sum())
    if n < FEWEST_CLIENTS_WITH_GAIN:
        return Fading(
            why=f"{n} clients have a reading after, a next visit and its day; {FEWEST_CLIENTS_WITH_GAIN} are needed"
        )
    gaps = pairs.loc[pairs["arm"] == 1, "days"]
    if not gaps.max() > 0:
        return Fading(why="the records hold no day between one visit and the next")
    days = DAYS
    if moving < FEWEST_CLIENTS:
        table[:, 4:6] = 0.0
    if moving < FEWEST_CLIENTS or not gaps.min() <= DAYS <= gaps.max():
        days = float(table[:, 2].sum() / table[:, 0].sum())
    values = _parts(without_each(table), days)
    value, spread = values[0], jackknife_covariance(values[1:])
    t = float(t_quantile(0.975, n - 1))
    slope = _slope(value[0], float(np.sqrt(spread[0, 0])), t, n=moving, unit=unit)
    share, why = _share(value[1:], spread[1:, 1:], t, n=n)
    return Fading(slope=slope if moving >= FEWEST_CLIENTS else None, share=share, days=days, why=why)


def _slope(value: float, se: float, t: float, *, n: int, unit: str) -> Estimate:
    return Estimate(
        name="change for each day more between visits",
        value=float(value),
        ci_low=float(value - t * se),
        ci_high=float(value + t * se),
        unit=f"{unit} a day",
        n=n,
        method="slope within clients, interval by leaving out one client at a time",
        se=se,
    )


def _share(value: Floats, spread: Floats, t: float, *, n: int) -> tuple[Estimate | None, str]:
    """Fieller's interval of what is left over the gain, where the gain is clearly above 0."""
    left, gain = (float(v) for v in value)
    a = gain**2 - t**2 * spread[1, 1]
    if gain <= 0 or a <= 0:
        return None, "the gain within the session is not clearly above 0, so no share of it can be named"
    b = left * gain - t**2 * spread[0, 1]
    c = left**2 - t**2 * spread[0, 0]
    root = float(np.sqrt(max(b**2 - a * c, 0.0)))
    return (
        Estimate(
            name="share of the gain left",
            value=left / gain,
            ci_low=float((b - root) / a),
            ci_high=float((b + root) / a),
            unit="share of the gain",
            n=n,
            method="ratio of means, straight line over days, Fieller's interval by leaving out one client at a time",
        ),
        "",
    )
