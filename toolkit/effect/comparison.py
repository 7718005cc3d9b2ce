"""Which rows answer a question, and what they are compared with.

A question names a measure, a region, an intervention and a comparison. This module picks the rows, finds what the
records hold to compare them with (the *basis*) and gives one row per side with `y`, the change from the last
reading before to the reading after, oriented so that better is positive. A missing `y` stays in: it is judged later.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
import pandas as pd

from toolkit.records.coded_texts import among, as_texts, below_each_other, n_within, same_texts
from toolkit.records.texts import keep_rows

Basis = Literal["randomised_order", "randomised_side", "randomised_protocol", "comparison_sessions", "other_side"]
RANDOMISED: frozenset[str] = frozenset({"randomised_order", "randomised_side", "randomised_protocol"})
SIDES = ("left", "right")
_OF_A_SESSION = (
    *("client", "practitioner", "session_id", "date", "order", "region", "intervention"),
    *("before", "before_2", "after_wait", "after"),
)
ROLES = ("other", "treated", "whole")
MEASURED_ONLY = "measured_only"


class Asked(Protocol):
    """What a question says of the rows to compare (see `toolkit.claim.question.Question`)."""

    @property
    def measure(self) -> str: ...
    @property
    def region(self) -> str: ...
    @property
    def intervention(self) -> str: ...
    @property
    def comparison(self) -> str | None: ...
    @property
    def better(self) -> str | None: ...
    @property
    def side_rule(self) -> str | None: ...


@dataclass(frozen=True, eq=False, kw_only=True)
class Compared:
    """Rows of technique and comparison, side by side.

    `rows`: file-order frame with client, practitioner, site, session_id, date, day, visit, arm (1 technique, 0
    comparison), base (last reading before), gap (first minus last reading before), has_second, y (change, NaN = no
    reading after), blinded (yes/no/unknown). Readings are oriented: better is higher.
    `against`: what the comparison is, in words. `within_visit`: does `y` end in the visit it began in? Where it ends in
    the next one it holds that visit's first reading, and no client's stiffness can be had from first readings.
    `source`: the tidy rows that `rows` were made of, in the same order. `unclear`: sessions of the technique in which a
    draw was due but no order is written, as tidy rows. `elsewhere`: sessions of the same clients and months with an
    order, written under another region or intervention. `unread`: sessions of the same draw in which only other
    measures were read; `numbers_gone`: how many session numbers the file leaves out (see `unwritten`).
    `both_treated`: is the comparison another intervention? What is done for one arm is done for the other, and
    exchanging the two turns the sign and nothing else.
    """

    basis: Basis
    rows: pd.DataFrame
    against: str
    within_visit: bool = True
    source: pd.DataFrame | None = None
    unclear: pd.DataFrame | None = None
    elsewhere: pd.DataFrame | None = None
    unread: pd.DataFrame | None = None
    numbers_gone: int = 0
    both_treated: bool = False

    @property
    def randomised(self) -> bool:
        """Was the comparison drawn by chance?"""
        return self.basis in RANDOMISED

    @property
    def has_second_baseline(self) -> bool:
        """Were at least 80 % of the rows in each arm read twice before?"""
        arm, second = self.rows["arm"].to_numpy(), self.rows["has_second"].to_numpy(dtype=float)
        shares = [second[arm == one].mean() for one in np.unique(arm)]
        return bool(shares and min(shares) >= 0.8)


def technique_rows(rows: pd.DataFrame, *, measure: str, region: str, intervention: str) -> pd.DataFrame:
    """Rows of one measure in sessions that treated this region with this intervention (alone, not in combination)."""
    here = (rows["measure"] == measure) & (rows["intervention"] == intervention)
    if region != "any":
        here &= rows["region"] == region
    return keep_rows(rows, here.to_numpy())


def orientation(better: str) -> float:
    """+1 where a rise is better, −1 where a fall is."""
    return 1.0 if better == "higher" else -1.0


def treated_side_rule(rows: pd.DataFrame, *, relation: str, better: str) -> tuple[str, str]:
    """Which measured side belongs to the treated side: "same" or "opposite", and how that was found.

    Only where general anatomy says the opposite movement is limited (side-bending, for instance) can it be
    "opposite"; then the records decide by readings *before* alone: sessions that measured one side only, else the
    side that read more restricted. Readings after are never looked at, so the choice cannot flatter the technique.

    Args:
        rows: technique rows of one measure and region.
        relation: the codebook's word for this region and measure (same, opposite, both, or "").
        better: higher or lower.

    Returns:
        The rule and how it was found, in words.
    """
    if relation != "opposite":
        return "same", "the codebook names the same side"
    sided = rows[rows["treated_side"].isin(SIDES) & rows["measured_side"].isin(SIDES)]
    opposite = ~same_texts(sided["treated_side"], sided["measured_side"])
    alone = n_within(sided["measured_side"], sided["session_id"]) == 1
    if alone.sum() >= 5:
        share = float(opposite[alone].mean())
        if share >= 0.8 or share <= 0.2:
            return ("opposite" if share >= 0.8 else "same"), "sessions that measured one side only"
    both = sided.assign(opposite=opposite)[~alone]
    wide = both.pivot_table(index="client", columns="opposite", values="before", aggfunc="mean", observed=True)
    if wide.shape[1] == 2 and len(wide.dropna()) >= 5:
        gap = orientation(better) * (wide[True] - wide[False]).dropna()
        spread = float(gap.std(ddof=1))
        if spread > 0 and abs(gap.mean()) > 3 * spread / np.sqrt(len(gap)):
            return ("opposite" if gap.mean() < 0 else "same"), "the side that read more restricted before"
    return "same", "the records do not tell, so the side treated is taken as the side measured"


def role_of_side(rows: pd.DataFrame, *, rule: str) -> pd.Series:
    """For each row: does its reading belong to the treated side ("treated"), the other ("other") or neither ("whole")?

    A session that measured one side only has no other side: its reading belongs to the treatment.
    """
    sided = (rows["treated_side"].isin(SIDES) & rows["measured_side"].isin(SIDES)).to_numpy()
    belongs = same_texts(rows["treated_side"], rows["measured_side"]) == (rule == "same")
    sides = n_within(rows["measured_side"], rows["session_id"])
    role = np.where(~sided, ROLES.index("whole"), np.where(belongs | (sides < 2), ROLES.index("treated"), 0))
    said = pd.Categorical.from_codes(role, categories=pd.Index(ROLES, dtype="str"))
    return pd.Series(said, index=rows.index, name="role")


def only_treated(
    rows: pd.DataFrame, *, measure: str, better: str, relation: Callable[[str, str], str | None]
) -> pd.DataFrame:
    """Rows of one measure without the readings of sides that were not treated; sessions that only measured stay whole.

    Args:
        rows: tidy wide rows. relation: the codebook's side relation of a region and a measure.
    """
    mine = keep_rows(rows, (rows["measure"] == measure).to_numpy())
    kept = np.ones(len(mine), dtype=bool)
    told = mine[["region", "treated_side", "measured_side", "session_id", "client", "before"]]
    for region, part in told.assign(_at=np.arange(len(mine))).groupby(as_texts(mine["region"]), sort=False):
        rule, _ = treated_side_rule(part, relation=relation(str(region), measure) or "", better=better)
        kept[part["_at"]] = (role_of_side(part, rule=rule) != "other").to_numpy()
    return keep_rows(mine, kept)


def _as_compared(rows: pd.DataFrame, *, arm: np.ndarray, outcome: pd.Series, better: str) -> pd.DataFrame:
    """The columns that the estimate needs, with the change oriented so that better is positive."""
    sign = orientation(better)
    base = rows["before_2"].fillna(rows["before"])
    first = rows["before"].fillna(rows["before_2"])
    return pd.DataFrame(
        {
            "client": as_texts(rows["client"]).array,
            "practitioner": as_texts(rows["practitioner"]).array,
            "session_id": as_texts(rows["session_id"]).array,
            "date": rows["date"].to_numpy(),
            **{name: rows[name].array for name in ("day", "visit", "site", "time_of_day") if name in rows},
            "arm": arm.astype(float),
            "base": sign * base.to_numpy(dtype=float),
            "gap": sign * (first - base).to_numpy(dtype=float),
            "has_second": rows["before_2"].notna().to_numpy(),
            "y": sign * (outcome - base).to_numpy(dtype=float),
            "blinded": as_texts(rows["examiner_blinded"]).array,
        }
    )


def by_order(technique: pd.DataFrame, *, better: str) -> Compared | None:
    """First period of sessions whose order was drawn: technique first against waiting first."""
    drawn = keep_rows(technique, technique["order"].isin(("technique_first", "wait_first")).to_numpy())
    arm = (drawn["order"] == "technique_first").to_numpy()
    if arm.sum() < 1 or (~arm).sum() < 1:
        return None
    outcome = drawn["after"].where(arm, drawn["after_wait"])
    rows = _as_compared(drawn, arm=arm, outcome=outcome, better=better)
    return Compared(
        basis="randomised_order",
        rows=rows,
        against="waiting as long",
        source=drawn.reset_index(drop=True),
        unclear=_order_not_written(technique, drawn),
    )


def _order_not_written(technique: pd.DataFrame, drawn: pd.DataFrame) -> pd.DataFrame:
    """Sessions without an order, by practitioners who draw, between the first and the last day that they drew on."""
    blank = technique[~technique["order"].isin(("technique_first", "wait_first"))]
    if blank.empty:
        return blank
    days = pd.to_datetime(drawn["date"]).groupby(drawn["practitioner"].astype(str)).agg(["min", "max"])
    mine = blank["practitioner"].astype(str)
    when = pd.to_datetime(blank["date"])
    inside = (when >= mine.map(days["min"])) & (when <= mine.map(days["max"]))
    return blank[(inside | (when.isna() & mine.isin(days.index))).to_numpy()]


def _written_elsewhere(rows: pd.DataFrame, compared: Compared) -> pd.DataFrame:
    """Sessions with an order under another region or intervention, of the clients and in the months of those drawn."""
    if len(rows) == len(compared.rows):  # all of them are here
        return rows.iloc[:0]
    days = pd.to_datetime(compared.rows["date"])
    when = pd.to_datetime(rows["date"])
    mine = among(rows["client"], compared.rows["client"]) & ~among(rows["session_id"], compared.rows["session_id"])
    drawn = rows["order"].isin(("technique_first", "wait_first")) & (when >= days.min()) & (when <= days.max())
    found: pd.DataFrame = rows.loc[mine & drawn.to_numpy(), [name for name in _OF_A_SESSION if name in rows]]
    return found


def by_side(technique: pd.DataFrame, roles: pd.Series, *, better: str, drawn: bool) -> Compared | None:
    """Treated against untreated side of the same session, the treated side drawn at random or not."""
    is_drawn = (technique["side_drawn"] == "yes").to_numpy()
    chosen = technique[(is_drawn if drawn else ~is_drawn) & roles.isin(("treated", "other")).to_numpy()]
    role = roles.loc[chosen.index]
    both = n_within(role, chosen["session_id"]) == 2
    chosen, role = chosen[both], role[both]
    if chosen.empty:
        return None
    rows = _as_compared(chosen, arm=(role == "treated").to_numpy(), outcome=chosen["after"], better=better)
    basis: Basis = "randomised_side" if drawn else "other_side"
    against = "the untreated side of the same sessions"
    return Compared(basis=basis, rows=rows, against=against, source=chosen.reset_index(drop=True))


def by_sessions(
    technique: pd.DataFrame, comparison: pd.DataFrame, *, better: str, against: str, drawn: bool = False
) -> Compared | None:
    """Technique sessions against other sessions: measured only, or treated otherwise; drawn at random or not.

    Sessions that waited first are left out in both arms: there a rest came between the readings.
    """
    technique, comparison = (part[part["order"] != "wait_first"] for part in (technique, comparison))
    if technique.empty or comparison.empty:
        return None
    both = below_each_other([technique, comparison])
    arm = np.r_[np.ones(len(technique), bool), np.zeros(len(comparison), bool)]
    rows = _as_compared(both, arm=arm, outcome=both["after"], better=better)
    return Compared(
        basis="randomised_protocol" if drawn else "comparison_sessions",
        rows=rows,
        against=against,
        source=both.reset_index(drop=True),
        both_treated=bool((comparison["intervention"] != MEASURED_ONLY).any()),
    )


def comparison_rows(
    rows: pd.DataFrame, *, measure: str, region: str, other: str, rule: str | None = None
) -> pd.DataFrame:
    """Rows of the sessions to compare with: the same measure, and what they did was something else.

    Sessions that only measured count wherever they were, where none is written down for the region. Of another
    intervention only the same region counts, and only readings that belong to the treated side.

    Parameters
    ----------
    rows
        Tidy wide rows. `measure`, `region` ("any" = all) and `other`, the intervention compared with, pick them.
    rule
        Which measured side belongs to the treated side ("same" or "opposite"); by the records themselves if None.
    """
    here = rows[(rows["measure"] == measure) & (rows["intervention"] == other)]
    same = here if region == "any" else here[here["region"] == region]
    if other == MEASURED_ONLY:
        return same if len(same) else here
    return same[(role_of_side(same, rule=rule or "same") != "other").to_numpy()]


def sessions_with(other: str) -> str:
    """What sessions were compared with, in words."""
    return "sessions that were only measured" if other == MEASURED_ONLY else f"sessions with {other.replace('_', ' ')}"


def find_comparison(
    rows: pd.DataFrame,
    *,
    measure: str,
    region: str,
    intervention: str,
    better: str,
    comparison: str | None = None,
    relation: str = "",
    side_rule: str | None = None,
    technique: pd.DataFrame | None = None,
) -> Compared | None:
    """The strongest comparison that the records hold for a question, or the one that the question asks for.

    Args:
        rows: tidy wide rows (one measured side of one session each).
        comparison: "wait", "measured_only", "other_side", another intervention's name, or None for the strongest.
        relation: the codebook's side relation of region and measure.
        side_rule: "same" or "opposite" where the question states it.
        technique: the rows of the technique (`technique_rows`), where they are at hand.

    Returns:
        The compared rows, or None where the records hold nothing to compare with. When what was asked for is not in
        the records the strongest other comparison is returned; its `basis` then tells.
    """
    if technique is None:
        technique = technique_rows(rows, measure=measure, region=region, intervention=intervention)
    if technique.empty:
        return None
    rule = side_rule or treated_side_rule(technique, relation=relation, better=better)[0]
    roles = role_of_side(technique, rule=rule)
    treated = keep_rows(technique, (roles != "other").to_numpy())
    other = comparison if comparison not in (None, "wait", "other_side") else MEASURED_ONLY

    def other_sessions() -> Compared | None:
        if other == intervention:  # nothing is compared with itself
            return None
        against = comparison_rows(rows, measure=measure, region=region, other=str(other), rule=rule)
        return by_sessions(treated, against, better=better, against=sessions_with(str(other)))

    look_for: dict[str, Callable[[], Compared | None]] = {
        "wait": lambda: by_order(treated, better=better),
        "drawn_side": lambda: by_side(technique, roles, better=better, drawn=True),
        "sessions": other_sessions,
        "undrawn_side": lambda: by_side(technique, roles, better=better, drawn=False),
    }
    wanted = {
        "wait": ["wait"],
        "other_side": ["drawn_side", "undrawn_side"],
        None: [],
    }.get(comparison, ["sessions"])
    for name in [*wanted, "wait", "drawn_side", "sessions", "undrawn_side"]:
        one = look_for[name]()
        if one is not None and one.basis == "randomised_order":
            of_measure = keep_rows(rows, (rows["measure"] == measure).to_numpy())
            one = replace(one, elsewhere=_written_elsewhere(of_measure, one))
        if one is not None and _read_in_both_arms(one.rows):
            return one
    return None


def _read_in_both_arms(rows: pd.DataFrame) -> bool:
    """Has each arm two changes or more?"""
    arm = rows["arm"].to_numpy()[rows["y"].notna().to_numpy()]
    return bool(min((arm == 0).sum(), (arm == 1).sum()) >= 2)


def between_interventions(
    rows: pd.DataFrame, *, question: Asked, relation: str = "", drawn: bool = False
) -> Compared | None:
    """Sessions with one intervention against sessions with another, and nothing else: None where either is missing.

    The same rows as `find_comparison` gives a question whose comparison is another intervention.

    Parameters
    ----------
    rows
        Tidy wide rows.
    question
        What is asked: `comparison` names the other intervention, `better` is filled in.
    relation
        The codebook's side relation of region and measure ("" = none).
    drawn
        Did chance decide between the two? Nobody can read that off the records, so it is said.
    """
    asked = {"measure": question.measure, "region": question.region}
    technique = technique_rows(rows, **asked, intervention=question.intervention)
    better, other = str(question.better), str(question.comparison)
    rule = question.side_rule or treated_side_rule(technique, relation=relation, better=better)[0]
    treated = technique[(role_of_side(technique, rule=rule) != "other").to_numpy()]
    against = comparison_rows(rows, **asked, other=other, rule=rule)
    if other == question.intervention:  # nothing is compared with itself
        return None
    return by_sessions(treated, against, better=better, against=sessions_with(other), drawn=drawn)
