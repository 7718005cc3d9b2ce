"""Two protocols compared from records: who got which, how far they differ, and what else could explain it.

Four ways of counting stand side by side: plain client means; a mixed model adjusted for the reading before; overlap
weighting; and a doubly robust combination that is right when either the model or the weights are (Robins, Rotnitzky &
Zhao 1994; for overlap weights Mao, Li & Greene 2019, from memory). When the protocol was drawn at random the adjusted
model is the answer, and the others only show that nothing hangs on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd

from toolkit.comparing.allocation import Allocation, allocation, characteristics
from toolkit.comparing.ways_of_counting import (
    adjusted_difference,
    plain_difference,
    weighted_and_robust,
    without_practitioner,
)
from toolkit.effect.comparison import by_sessions, orientation, technique_rows
from toolkit.effect.estimate import sessions_of
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate, Shown, figure_text
from toolkit.stats.equivalence_tests import Equivalence, equivalence_of

Drawn = Literal["chosen", "drawn"]
KNOWN_BEFORE = ("base", "visit", "practitioner", "position", "tissue_length", "treated_side", "site")


@dataclass(frozen=True, eq=False, kw_only=True)
class ProtocolComparison(Shown):
    """Protocol A less protocol B in the measure's unit, better = positive.

    `measure`, `unit`, `region`, `protocol_a`, `protocol_b`, `drawn` say what was compared, `n_missing` how many
    sessions lack a reading after, `same` whether a difference that matters is excluded.

    `estimates`: the four ways of counting, `adjusted` (the one to quote) second. `allocation`: balance and weights;
    `sessions`: got_a, score, weight, y, base, client, practitioner. `without_practitioner`: the adjusted difference
    with one practitioner left out at a time. `e_value`: how strong an unmeasured cause must be to explain all of the
    difference, and to bring its interval to 0. `n_to_tell`: clients needed to tell a difference that matters.
    """

    measure: str
    unit: str
    protocol_a: str
    protocol_b: str
    region: str
    drawn: Drawn
    estimates: tuple[Estimate, ...]
    allocation: Allocation
    sessions: pd.DataFrame
    without_practitioner: pd.DataFrame
    same: Equivalence | None
    e_value: tuple[float, float]
    n_to_tell: int | None
    n_missing: int

    @property
    def adjusted(self) -> Estimate:
        """The estimate to quote."""
        return self.estimates[1]

    def sentence(self) -> str:
        """What may be said of the two protocols."""
        found = self.adjusted
        a, b = self.protocol_a.replace("_", " "), self.protocol_b.replace("_", " ")
        figures = (
            f"({figure_text(found.value)} {self.unit}, {found.confidence_level:.0%} interval "
            f"{figure_text(found.ci_low)} to {figure_text(found.ci_high)}; {found.n} clients, "
            f"{len(self.sessions)} sessions; {found.method})"
        )
        if found.ci_low > 0 or found.ci_high < 0:
            first, other = (a, b) if found.ci_low > 0 else (b, a)
            verb = "did better than" if self.drawn == "drawn" else "went with more improvement than"
            said = f"{first} {verb} {other} in {self.measure.replace('_', ' ')} {figures}."
        elif self.same is not None and self.same.equivalent:
            said = f"{a} and {b} do not differ by as much as matters in {self.measure.replace('_', ' ')} {figures}."
        else:
            said = f"The records do not tell {a} and {b} apart in {self.measure.replace('_', ' ')} {figures}."
        said = said[0].upper() + said[1:]
        if self.drawn == "chosen":
            said += " Who got which was chosen, not drawn, so a difference may come from that choice."
        return said

    def table(self) -> pd.DataFrame:
        """The four ways of counting."""
        return pd.DataFrame([one.as_row() for one in self.estimates])

    def advice(self) -> str:
        """What a clinic can do next; never which protocol to use on anybody."""
        if self.drawn == "chosen":
            return (
                "To decide between the two, let chance choose for a season: draw the protocol for each client or "
                "session, record as before, and compare again."
            )
        if self.same is not None and self.same.equivalent:
            return "In this measure the two do alike; choose by comfort, time or cost, and look at other measures."
        if self.n_to_tell is not None and self.n_to_tell > self.adjusted.n:
            return f"Go on drawing: about {self.n_to_tell} clients would tell a difference that matters."
        return "See whether the difference also holds in other measures and at the next visit."


def compare_protocols(
    rows: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    better: str,
    protocol_a: str,
    protocol_b: str,
    region: str = "any",
    drawn: Drawn = "chosen",
    smallest_change_that_matters: float | None = None,
    confidence_level: float = 0.95,
) -> ProtocolComparison:
    """Compare two ways of working on one measure.

    Args:
        rows: tidy wide rows, those of untreated sides left out (see `only_treated`).
        measure, unit, better: what is compared. protocol_a, protocol_b: interventions.
        region: one region, or "any". drawn: was the protocol "drawn" at random, or "chosen"?
        smallest_change_that_matters: for the equivalence test and the number of clients.

    Raises:
        ToolkitError: `drawn` is neither word.
        NotEnoughError: fewer than 5 sessions or 3 clients of either protocol have readings before and after.

    Example:
        >>> rng = np.random.default_rng(1)
        >>> n = 80
        >>> rows = pd.DataFrame({"session_id": np.arange(n), "client": np.arange(n) % 20, "practitioner": "p",
        ...     "visit": 1, "date": pd.NaT, "region": "calf", "intervention": np.tile(["long", "short"], n // 2),
        ...     "measure": "lunge", "order": "", "examiner_blinded": "yes", "before_2": np.nan,
        ...     "before": rng.normal(35, 4, n)})
        >>> rows["after"] = rows["before"] + 2 + 3 * (rows["intervention"] == "long") + rng.normal(0, 2, n)
        >>> found = compare_protocols(rows, measure="lunge", unit="deg", better="higher", protocol_a="long",
        ...     protocol_b="short", drawn="drawn")
        >>> bool(found.adjusted.ci_low < 3 < found.adjusted.ci_high)
        True
    """
    if drawn not in get_args(Drawn):
        raise ToolkitError(f"drawn = {drawn!r}: write 'drawn' where chance decided between the two, else 'chosen'.")
    sessions, n_missing = _sessions(rows, measure, region, protocol_a, protocol_b, better)
    known = characteristics(sessions, fields=tuple(f for f in KNOWN_BEFORE if f in sessions))
    allotted = allocation(known, sessions["got_a"].to_numpy(dtype=float))
    sessions = sessions.assign(score=allotted.score, weight=allotted.weight)
    level = confidence_level
    plain = plain_difference(sessions, unit=unit, confidence_level=level)
    adjusted = adjusted_difference(sessions, unit=unit, confidence_level=level)
    weighted, robust = weighted_and_robust(sessions, known, unit=unit, confidence_level=level)
    smallest = smallest_change_that_matters
    return ProtocolComparison(
        measure=measure,
        unit=unit,
        protocol_a=protocol_a,
        protocol_b=protocol_b,
        region=region,
        drawn=drawn,
        estimates=(plain, adjusted, weighted, robust),
        allocation=allotted,
        sessions=sessions,
        without_practitioner=without_practitioner(sessions, unit=unit, confidence_level=level),
        same=equivalence_of(adjusted, smallest_change_that_matters=smallest) if smallest else None,
        e_value=e_values(adjusted, sd=float(sessions["y"].std(ddof=1))),
        n_to_tell=_clients_to_tell(adjusted, smallest),
        n_missing=n_missing,
    )


def _sessions(
    rows: pd.DataFrame, measure: str, region: str, protocol_a: str, protocol_b: str, better: str
) -> tuple[pd.DataFrame, int]:
    """One row a session with its change and what was known before; how many rows had no reading after."""
    of_a, of_b = (
        technique_rows(rows, measure=measure, region=region, intervention=name) for name in (protocol_a, protocol_b)
    )
    compared = by_sessions(of_a, of_b[of_b["order"] != "wait_first"], better=better, against=protocol_b)
    if compared is None:
        raise NotEnoughError(
            f"There are {of_a['session_id'].nunique()} sessions with {protocol_a} and {of_b['session_id'].nunique()} "
            f"with {protocol_b} on {region} that read {measure}; both are needed."
        )
    complete = compared.rows.dropna(subset=["y"])
    sessions = sessions_of(complete).rename(columns={"arm": "got_a"})
    extra = [f for f in KNOWN_BEFORE if f in rows and f not in sessions]
    known = rows.drop_duplicates("session_id")[["session_id", *extra]].astype({"session_id": str})
    sessions = sessions.merge(known, on="session_id", how="left")
    sessions["base"] = orientation(better) * sessions["base"]
    counts = sessions.groupby("got_a")["client"].agg(["size", "nunique"]).reindex([1.0, 0.0], fill_value=0)
    if counts["size"].min() < 5 or counts["nunique"].min() < 3:
        (n_a, clients_a), (n_b, clients_b) = counts.to_numpy().tolist()
        raise NotEnoughError(
            f"{protocol_a} has {n_a} sessions of {clients_a} clients with readings before and after, {protocol_b} "
            f"{n_b} of {clients_b}; at least 5 sessions of 3 clients each are needed."
        )
    return sessions, int(compared.rows["y"].isna().sum())


def e_values(found: Estimate, *, sd: float) -> tuple[float, float]:
    """How strongly an unmeasured cause would have to go with both protocol and outcome to explain the difference.

    As risk ratios: for the estimate, and for the limit nearer to 0 (1 = the interval holds 0 already). The difference
    over the SD is turned into an approximate risk ratio, exp(0.91 d) (VanderWeele & Ding 2017, Annals of Internal
    Medicine 167:268–274).

    Args:
        found: the difference. sd: of the changes.

    Example:
        >>> one = Estimate(name="x", value=1.0, ci_low=0.5, ci_high=1.5, unit="deg", n=9, method="t")
        >>> [round(v, 2) for v in e_values(one, sd=1.0)]
        [4.4, 2.53]
    """
    if not sd > 0:
        return float("nan"), float("nan")

    def strength(d: float) -> float:
        ratio = float(np.exp(0.91 * abs(d) / sd))
        return ratio + float(np.sqrt(ratio * (ratio - 1)))

    near = 0.0 if found.ci_low <= 0 <= found.ci_high else min(abs(found.ci_low), abs(found.ci_high))
    return strength(found.value), strength(near)


def _clients_to_tell(found: Estimate, smallest: float | None) -> int | None:
    """Clients needed for a half-width of half the smallest change that matters, recorded as now."""
    if not smallest:
        return None
    half = (found.ci_high - found.ci_low) / 2
    return int(np.ceil(found.n * (half / (smallest / 2)) ** 2))
