"""Held to the next visit? The next session's first reading as outcome, and how the gain fades with the days between.

A session's last reading before is set against the same side's first reading at the client's next session. Drawing the
order within a session cannot compare visits: whoever waits first is treated all the same before going home. Only
sessions between visits that were measured and not treated can: they are compared with technique sessions by the same
mixed model as everywhere (Kenward–Roger, clients and practitioners random). Without them readings are described, and
their cause stays open.

Fading is a straight line over the days between visits, within clients (a client who comes back sooner is not compared
with one who comes back later), never read beyond the shortest and longest gap in the records. That is a rule of our
own: over the few weeks between visits readings scatter by more than an exponential differs from a line. The share
that is left is a ratio of two means; its interval is Fieller's (Fieller 1954), from leaving out one client at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from toolkit.attributable.compared import Compared, orientation, role_of_side, technique_rows, treated_side_rule
from toolkit.attributable.estimate import estimate
from toolkit.errors import FitError, NotEnoughError
from toolkit.result import Estimate, Shown
from toolkit.rivals.case import client_sums, jackknife, told
from toolkit.rivals.chance import mean_over_clients

Floats = NDArray[np.float64]
COMPARISON = "measured_only"
DAYS = 7.0
FEWEST_SESSIONS = 5
FEWEST_CLIENTS = 3
NOT_COMPARED = (
    "no session between visits was measured and not treated; a drawn order cannot compare visits, because every client "
    "is treated in each session"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Held(Shown):
    """What was left at the next visit. Changes in the measure's unit, better = positive.

    `readings`: next first reading less this session's last reading before, after technique sessions. `attributable`:
    the same less that after sessions only measured; None with the reason in `why_not_attributable`. `gain`: change
    within the session. `fades`: change of `readings` for each day more between the visits, within clients.
    `share_left`: how much of the gain was left after `days` days; None with the reason in `why_no_share`.
    `gaps`: shortest, median and longest number of days between the visits (NaN where there are no dates).
    """

    measure: str
    region: str
    intervention: str
    unit: str
    basis: Literal["comparison_sessions"] | None
    readings: Estimate
    attributable: Estimate | None
    why_not_attributable: str
    gain: Estimate | None
    fades: Estimate | None
    share_left: Estimate | None
    days: float
    why_no_share: str
    gaps: tuple[float, float, float]

    def sentence(self) -> str:
        """What was left at the next visit, and what that may be put down to."""
        return f"{self._held()} {self._lasted()}"

    def _held(self) -> str:
        what = f"{self.intervention.replace('_', ' ')} on {self.region.replace('_', ' ')}"
        measure = self.measure.replace("_", " ")
        if self.attributable is None:
            return f"{self._readings(what, measure)} {_capital(self.why_not_attributable)}."
        found = self.attributable
        difference = f"{told(found)}; {found.n} clients"
        if found.ci_low > 0 or found.ci_high < 0:
            more = "more" if found.ci_low > 0 else "less"
            return (
                f"At the next visit {measure} had probably held {more} after {what} than after sessions that were only "
                f"measured: {difference}. What was compared was not drawn at random, so something else that differs "
                "between the two may explain it."
            )
        return (
            f"Whether {what} holds {measure} to the next visit is not settled: against sessions that were only "
            f"measured the difference is {difference}."
        )

    def _readings(self, what: str, measure: str) -> str:
        found = self.readings
        shown = f"{told(found)}; {found.n} clients"
        if found.ci_low <= 0 <= found.ci_high:
            return f"First readings of {measure} at the visit after {what} do not clearly differ: {shown}."
        better = "better" if found.value > 0 else "worse"
        return (
            f"First readings of {measure} were {better} at the visit after {what} than before it: {shown}. "
            "Something moved them, the cause is open."
        )

    def _lasted(self) -> str:
        if self.share_left is None:
            return f"How long it lasts cannot be told: {self.why_no_share}."
        share = self.share_left
        left = (
            f"Of the gain within the session {100 * share.value:.0f} % (95 % interval {100 * share.ci_low:.0f} to "
            f"{100 * share.ci_high:.0f} %; {share.n} clients) was left after {self.days:.3g} days"
        )
        off = "" if self.attributable is not None else ", nothing taken off for what time alone does"
        if self.fades is None:
            return f"{left}{off}; the days between visits vary too little to see it fade."
        return f"{left}{off}; with each day more it changed by {told(self.fades)}."

    def table(self) -> pd.DataFrame:
        """One row an estimate."""
        found = (self.readings, self.attributable, self.gain, self.fades, self.share_left)
        return pd.DataFrame([one.as_row() for one in found if one is not None])


def held_to_next_visit(
    rows: pd.DataFrame,
    *,
    measure: str,
    region: str,
    intervention: str,
    better: str,
    unit: str,
    relation: str = "",
) -> Held:
    """What of a session's change is still there at the client's next visit, and how it fades.

    Args:
        rows: tidy wide rows (one measured side of one session each) of any measures.
        region: codebook name or "any". better: "higher" or "lower".
        relation: the codebook's side relation of region and measure ("" = the same side).

    Returns:
        A `Held`: attributable where at least 5 sessions of 3 clients were only measured, described otherwise.

    Raises:
        NotEnoughError: fewer than 3 clients came back after such a session and were read first thing.

    Example:
        >>> from toolkit.simulate import ClinicDials, simulate_clinic
        >>> clinic = simulate_clinic(ClinicDials(design="comparison_sessions", effect=3.0), rng=1)
        >>> found = held_to_next_visit(clinic.rows, measure="cervical_lateral_flexion", region="upper_trapezius",
        ...     intervention="percussive_release", better="higher", unit="deg")
        >>> found.attributable.ci_low < 0.0 < found.attributable.ci_high  # the effect of that clinic does not last
        True
    """
    pairs = visit_pairs(
        rows, measure=measure, region=region, intervention=intervention, better=better, relation=relation
    )
    technique = pairs[pairs["arm"] == 1]
    readings = _mean_of(technique, "y", name="next first reading less last reading before", unit=unit)
    if readings is None:
        raise NotEnoughError(
            f"{technique['client'].nunique()} clients came back after a session of {intervention} on {region} and were "
            f"read first thing in {measure}; at least {FEWEST_CLIENTS} are needed. Read once before anything is done, "
            "at every visit."
        )
    attributable, why_not = _attributable(pairs, unit=unit)
    compared = pairs if attributable is not None else technique
    fading = _fading(compared, unit=unit)
    days = technique["days"].dropna()
    return Held(
        measure=measure,
        region=region,
        intervention=intervention,
        unit=unit,
        basis="comparison_sessions" if attributable is not None else None,
        readings=readings,
        attributable=attributable,
        why_not_attributable=why_not,
        gain=_mean_of(
            technique.assign(y=technique["gain"]).dropna(subset=["y"]), "y", name="gain within the session", unit=unit
        ),
        fades=fading.slope,
        share_left=fading.share,
        days=fading.days,
        why_no_share=fading.why,
        gaps=(float(days.min()), float(days.median()), float(days.max())),
    )


def visit_pairs(
    rows: pd.DataFrame, *, measure: str, region: str, intervention: str, better: str, relation: str = ""
) -> pd.DataFrame:
    """Each session of the technique, or only measured, with the same side's first reading at the next session.

    Returns:
        One row a side and session: client, practitioner, session_id, side, arm (1 technique, 0 only measured), base
        (last reading before), gap, has_second, gain (after − base), following (next first reading), y (following −
        base), days between; oriented, better = positive; only rows with both base and next first reading.
    """
    mine = rows[rows["measure"] == measure]
    whole = technique_rows(mine, measure=measure, region=region, intervention=intervention)
    rule = treated_side_rule(whole, relation=relation, better=better)[0]
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


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _mean_of(rows: pd.DataFrame, column: str, *, name: str, unit: str) -> Estimate | None:
    """Mean over client means with its interval, None below 3 clients."""
    sums, counts = client_sums(rows.assign(change=rows[column]))
    return jackknife(sums, counts, mean_over_clients, name=name, unit=unit, method="client means")


def _attributable(pairs: pd.DataFrame, *, unit: str) -> tuple[Estimate | None, str]:
    """Technique less sessions only measured, or why it cannot be had."""
    counts = pairs.groupby("arm").agg(sessions=("session_id", "nunique"), clients=("client", "nunique"))
    sessions, clients = (counts[name].reindex([0.0, 1.0], fill_value=0).to_numpy() for name in counts)
    if sessions[0] == 0:
        return None, NOT_COMPARED
    if sessions.min() < FEWEST_SESSIONS or clients.min() < FEWEST_CLIENTS:
        return None, (
            f"after {sessions[0]} session(s) of {clients[0]} client(s) that were only measured the next first reading "
            f"is known, after {sessions[1]} with the technique; at least {FEWEST_SESSIONS} of {FEWEST_CLIENTS} clients "
            "each are needed to compare"
        )
    rows = pairs.assign(blinded="unknown")
    try:
        found = estimate(Compared(basis="comparison_sessions", rows=rows, against="sessions that were only measured"))
    except (NotEnoughError, FitError) as problem:
        return None, str(problem).rstrip(".")
    return (
        Estimate(
            name="held: technique less sessions only measured",
            value=found.mean,
            ci_low=found.ci_low,
            ci_high=found.ci_high,
            unit=unit,
            n=found.n_clients,
            method=found.method,
            se=found.se,
            df=found.df,
            p=found.p,
        ),
        "",
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Fading:
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


def _parts(table: Floats, days: float) -> Floats:
    """Slope, what is left after `days`, and the gain, from the clients' sums.

    Sessions weigh the same here: a client's few measured sessions mostly follow treated ones, so clients' own means
    would mistake what fades from those for a course.
    """
    n, y, d, gain, sxx, sxy, n_waited, y_waited, gain_waited = table.sum(axis=0)
    slope = sxy / sxx if sxx > 0 else 0.0
    waited = np.array([y_waited, gain_waited]) / max(n_waited, 1.0)
    n = max(n, 1.0)
    return np.array([slope, y / n + slope * (days - d / n) - waited[0], gain / n - waited[1]])


def _fading(pairs: pd.DataFrame, *, unit: str) -> _Fading:
    """How the change fades over the days between visits, within clients."""
    table = _by_client(pairs)
    n, moving = int((table[:, 0] > 0).sum()), int((table[:, 4] > 0).sum())
    if n < FEWEST_SESSIONS:
        return _Fading(why=f"{n} clients have a reading after, a next visit and its day; {FEWEST_SESSIONS} are needed")
    gaps = pairs.loc[pairs["arm"] == 1, "days"]
    days = DAYS
    if moving < FEWEST_CLIENTS:
        table[:, 4:6] = 0.0
    if moving < FEWEST_CLIENTS or not gaps.min() <= DAYS <= gaps.max():
        days = float(table[:, 2].sum() / table[:, 0].sum())
    left_out = np.array([_parts(np.delete(table, i, axis=0), days) for i in range(len(table))])
    value = _parts(table, days)
    spread = (len(table) - 1) / len(table) * (left_out - left_out.mean(axis=0)).T @ (left_out - left_out.mean(axis=0))
    t = float(stats.t.ppf(0.975, n - 1))
    slope = _slope(value[0], float(np.sqrt(spread[0, 0])), t, n=moving, unit=unit)
    share, why = _share(value[1:], spread[1:, 1:], t, n=n)
    return _Fading(slope=slope if moving >= FEWEST_CLIENTS else None, share=share, days=days, why=why)


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
