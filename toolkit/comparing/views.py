"""What an owner looks at beside the one number: readings, sites, practitioners, time, dose, harm, comfort.

Each function gives a tidy frame at full precision; where something cannot be had, its row says why in `note`. A
difference is always that of the one engine (`toolkit.effect.estimate`), asked of fewer sessions.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.estimate import estimate, sessions_of
from toolkit.effect.not_drawn import adjust_not_drawn, difference_by, within_contrast
from toolkit.effect.rerandomisation import difference_interval
from toolkit.errors import FitError, NotEnoughError
from toolkit.quantiles import t_half_width, t_quantile
from toolkit.records.free_text import kind_of_event
from toolkit.stats.pooling import PooledSites, pool_sites
from toolkit.stats.proportions import share_of

DIFFERENCE_COLUMNS = ["group", "sessions", "clients", "difference", "ci_low", "ci_high", "se", "df", "note"]
FEWEST_SESSIONS, FEWEST_CLIENTS = 5, 3  # of each protocol
Z = 1.959963984540054


def readings_table(compared: Compared, names: tuple[str, str], *, sign: float) -> pd.DataFrame:
    """Raw readings by site and protocol: sessions, clients, means and SDs before and after, missing ones counted.

    Readings are as they were written (not turned round where lower is better); the change is after less the last
    reading before.
    """
    rows = compared.rows.assign(
        protocol=np.where(compared.rows["arm"] == 1, names[0], names[1]),
        before=sign * compared.rows["base"],
        after=sign * (compared.rows["base"] + compared.rows["y"]),
        change=sign * compared.rows["y"],
    )
    rows = rows.assign(site=rows["site"].astype(str).replace("", "all") if "site" in rows else "all")
    found = rows.groupby(["site", "protocol"]).agg(
        sessions=("session_id", "nunique"),
        clients=("client", "nunique"),
        before_mean=("before", "mean"),
        before_sd=("before", "std"),
        after_mean=("after", "mean"),
        after_sd=("after", "std"),
        change_mean=("change", "mean"),
        change_sd=("change", "std"),
        after_missing=("y", lambda y: int(y.isna().sum())),
    )
    return found.reset_index()


def difference_in(compared: Compared, kept: Any, *, group: str, level: float) -> dict[str, Any]:
    """The difference in some of the sessions, or why it cannot be had: one row of `DIFFERENCE_COLUMNS`."""
    part = replace(compared, rows=compared.rows[kept])
    row: dict[str, Any] = dict.fromkeys(DIFFERENCE_COLUMNS, np.nan)
    row |= {"group": group, "sessions": part.rows["session_id"].nunique(), "clients": part.rows["client"].nunique()}
    complete = part.rows.dropna(subset=["y"]).groupby("arm").agg(n=("session_id", "nunique"), who=("client", "nunique"))
    n, who = (complete[name].reindex([1.0, 0.0], fill_value=0).tolist() for name in ("n", "who"))
    if min(n) < FEWEST_SESSIONS or min(who) < FEWEST_CLIENTS:
        return row | {"note": f"too few: {n[0]} and {n[1]} sessions of {who[0]} and {who[1]} clients"}
    try:
        found = estimate(part, confidence_level=level)
    except (NotEnoughError, FitError) as why:
        return row | {"note": str(why)}
    values = {"difference": found.mean, "ci_low": found.ci_low, "ci_high": found.ci_high, "note": ""}
    half = t_quantile(0.975, found.df) if found.df else Z
    se = (found.at_level(0.95).ci_high - found.at_level(0.95).ci_low) / 2 / float(half)  # brackets count as wide
    return row | values | {"se": se, "df": found.df}


def by_group(compared: Compared, column: str, *, level: float) -> pd.DataFrame:
    """The difference within each site (practitioner …), in alphabetical order; empty where there is one only."""
    labels = compared.rows[column].astype(str) if column in compared.rows else pd.Series(dtype=str)
    names = sorted(labels.unique())
    rows = [difference_in(compared, labels == name, group=name, level=level) for name in names if len(names) > 1]
    return pd.DataFrame(rows, columns=DIFFERENCE_COLUMNS)


def left_out(compared: Compared, column: str, *, level: float) -> pd.DataFrame:
    """The difference with one practitioner (site …) left out at a time."""
    labels = compared.rows[column].astype(str) if column in compared.rows else pd.Series(dtype=str)
    names = sorted(labels.unique())
    rows = [difference_in(compared, labels != name, group=name, level=level) for name in names if len(names) > 1]
    return pd.DataFrame(rows, columns=DIFFERENCE_COLUMNS)


def spread_of(groups: pd.DataFrame, *, unit: str, level: float) -> PooledSites | None:
    """How far sites (practitioners) differ in the difference, by random effects; None below two with a number."""
    known = groups[groups["se"] > 0]
    if len(known) < 2:
        return None
    sites = pd.DataFrame({"site": known["group"], "effect": known["difference"], "variance": known["se"] ** 2})
    return pool_sites(sites, unit=unit, confidence_level=level)


def shrunken(groups: pd.DataFrame, pooled: PooledSites | None) -> pd.DataFrame:
    """Each practitioner's difference drawn towards all, as far as chance alone would spread them; never ranked.

    Empirical Bayes with the variance between practitioners that the records show (Morris 1983, J Am Stat Assoc
    78:47-55). `within_chance`: does an interval hold what is pooled over all?
    """
    if pooled is None:
        return groups.assign(shrunken=np.nan, shrunken_low=np.nan, shrunken_high=np.nan, within_chance="")
    own, between = groups["se"].to_numpy(dtype=float) ** 2, pooled.tau2
    centre, centre_var = pooled.pooled.value, float(pooled.pooled.se or 0.0) ** 2
    weight = between / (between + own)
    value = centre + weight * (groups["difference"].to_numpy(dtype=float) - centre)
    half = Z * np.sqrt(weight * own + (1 - weight) ** 2 * centre_var)
    inside = np.abs(groups["difference"] - centre) <= Z * np.sqrt(own)
    told = np.where(np.isnan(value), "", np.where(inside, "yes", "no"))
    return groups.assign(shrunken=value, shrunken_low=value - half, shrunken_high=value + half, within_chance=told)


def over_time(compared: Compared, *, level: float) -> pd.DataFrame:
    """Does the difference drift over the calendar? Its change a quarter (first row), and each quarter by itself."""
    complete = compared.rows.dropna(subset=["y"])
    dates = pd.to_datetime(complete["date"])
    row: dict[str, Any] = dict.fromkeys(DIFFERENCE_COLUMNS, np.nan)
    row |= {"group": "change a quarter", "note": ""}
    row |= {"sessions": complete["session_id"].nunique(), "clients": complete["client"].nunique()}
    if dates.isna().any() or dates.nunique() < 2:
        return pd.DataFrame([row | {"note": "the records hold days, not dates, so the calendar is not known"}])
    sessions = sessions_of(complete.assign(date=dates))
    quarters = (pd.to_datetime(sessions["date"]) - dates.min()).dt.days / 91.3125
    try:
        way = difference_by(sessions, quarters, second_baseline=compared.has_second_baseline)
        low, high = way.interval(level)
        row |= {"difference": way.value, "ci_low": low, "ci_high": high, "se": way.se, "df": way.df}
    except (NotEnoughError, FitError) as why:
        row |= {"note": str(why)}
    all_dates = pd.to_datetime(compared.rows["date"])
    labels = all_dates.dt.year.astype(str) + " quarter " + all_dates.dt.quarter.astype(str)
    each = [difference_in(compared, labels == name, group=name, level=level) for name in sorted(labels.unique())]
    return pd.DataFrame([row, *each], columns=DIFFERENCE_COLUMNS)


def dose_table(compared: Compared, rows: pd.DataFrame, names: tuple[str, str], *, level: float) -> pd.DataFrame:
    """Minutes and sessions of each protocol, and the difference if both had taken as long (last row)."""
    minutes = pd.to_numeric(_of_session(compared, rows, "minutes"), errors="coerce")
    found = []
    for arm, name in ((1.0, names[0]), (0.0, names[1])):
        mine = compared.rows["arm"] == arm
        took, per_client = minutes[mine].dropna(), compared.rows[mine].groupby("client")["session_id"].nunique()
        found.append(
            {
                "protocol": name,
                "sessions": int(compared.rows.loc[mine, "session_id"].nunique()),
                "sessions_a_client": float(per_client.median()) if len(per_client) else np.nan,
                "minutes_known": len(took),
                "minutes_median": float(took.median()) if len(took) else np.nan,
                "minutes_low": float(took.quantile(0.25)) if len(took) else np.nan,
                "minutes_high": float(took.quantile(0.75)) if len(took) else np.nan,
            }
        )
    return pd.DataFrame([*found, _for_as_long(compared, minutes, level=level)])


def _for_as_long(compared: Compared, minutes: pd.Series, *, level: float) -> dict[str, Any]:
    """The difference adjusted for minutes, or why there is none."""
    known = compared.rows.assign(minutes=minutes).dropna(subset=["y", "minutes"])
    row: dict[str, Any] = {"protocol": "difference for as many minutes", "sessions": known["session_id"].nunique()}
    overlap = known.groupby("arm")["minutes"].agg(["min", "max"])
    if len(overlap) < 2 or len(known) < 10 or known["minutes"].nunique() < 2:
        return row | {"note": "minutes are not written down in enough sessions of both"}
    if overlap["min"].max() > overlap["max"].min():
        return row | {"note": "one always took longer than the other, so minutes and protocol cannot be told apart"}
    sessions = sessions_of(known).merge(
        known.drop_duplicates("session_id")[["session_id", "minutes"]], on="session_id", how="left"
    )
    try:
        got = adjust_not_drawn(sessions, second_baseline=compared.has_second_baseline, also=("minutes",))
    except (NotEnoughError, FitError) as why:
        return row | {"note": str(why)}
    low, high = got.interval(level)
    return row | {"difference": got.nearest.value, "ci_low": low, "ci_high": high, "note": ""}


def harm_table(compared: Compared, rows: pd.DataFrame, names: tuple[str, str], *, level: float) -> pd.DataFrame:
    """Adverse events of each protocol: sessions that say, sessions with one, share with Wilson's interval, clients.

    An empty cell is "not said", never "none". Sessions of one client belong together, so the interval is a little
    narrow where few clients had many events; the clients stand beside it.
    """
    events = _of_session(compared, rows, "adverse_event").astype(str).replace({"nan": "", "<NA>": "", "None": ""})
    sessions = compared.rows.assign(event=events).drop_duplicates(["session_id", "arm"])
    found = []
    for arm, name in ((1.0, names[0]), (0.0, names[1])):
        said = sessions[(sessions["arm"] == arm) & (sessions["event"] != "")]
        had = said[said["event"].str.casefold() != "none"]
        row = {"protocol": name, "sessions": int((sessions["arm"] == arm).sum()), "said": len(said)}
        row |= {"with_event": len(had), "clients_with_event": had["client"].nunique(), "share": np.nan}
        if len(said):
            share = share_of(len(had), len(said), n_of="sessions", confidence_level=level)
            row |= {"share": share.value, "ci_low": share.ci_low, "ci_high": share.ci_high}
        found.append(
            row
            | {
                "kinds": "; ".join(
                    f"{kind} ({n})" for kind, n in had["event"].map(kind_of_event).value_counts().items()
                )
            }
        )
    return pd.DataFrame(found)


def comfort_table(compared: Compared, rows: pd.DataFrame, names: tuple[str, str], *, level: float) -> pd.DataFrame:
    """Comfort (0 to 10) of each protocol over client means, and its difference; comfort is no outcome."""
    comfort = pd.to_numeric(_of_session(compared, rows, "comfort"), errors="coerce")
    known = compared.rows.assign(comfort=comfort).dropna(subset=["comfort"])
    means = known.groupby(["arm", "client"])["comfort"].mean()
    found, of_arm = [], {}
    for arm, name in ((1.0, names[0]), (0.0, names[1])):
        mine = means.xs(arm, level="arm") if arm in means.index.get_level_values("arm") else pd.Series(dtype=float)
        of_arm[arm] = mine
        mean, half = float(mine.mean()) if len(mine) else np.nan, np.nan
        if len(mine) > 2:
            half = t_half_width(mine, level=level)
        row = {"protocol": name, "clients": len(mine), "mean": mean, "ci_low": mean - half, "ci_high": mean + half}
        found.append(row)
    one, other = of_arm[1.0], of_arm[0.0]
    between = difference_interval(one, other, confidence_level=level) if min(len(one), len(other)) else None
    row = {"protocol": "difference", "clients": len(one.index.union(other.index))}
    if between is not None:
        row |= {"mean": float(one.mean() - other.mean()), "ci_low": between[0], "ci_high": between[1]}
    return pd.DataFrame([*found, row])


def _of_session(compared: Compared, rows: pd.DataFrame, column: str) -> pd.Series:
    """A column of the records for each compared row, by session; missing where the records have no such column."""
    if column not in rows:
        return pd.Series(np.nan, index=compared.rows.index)
    keys = rows.assign(session_id=rows["session_id"].astype(str)).drop_duplicates("session_id")
    return compared.rows["session_id"].map(keys.set_index("session_id")[column])


def tied_to(sessions: pd.DataFrame) -> str:
    """What the two cannot be told from: "site" or "practitioner", because none of them used both; "" otherwise."""
    for name in ("site", "practitioner"):
        if name in sessions and not within_contrast(sessions, name):
            return name
    return ""
