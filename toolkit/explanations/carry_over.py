"""Held to the next visit? The next session's first reading as outcome, and how the gain fades with the days between.

A session's last reading before is set against the same side's first reading at the client's next session. Drawing the
order within a session cannot compare visits: whoever waits first is treated all the same before going home. Only
sessions between visits that were measured and not treated can: they are compared with technique sessions by the same
mixed model as everywhere (Kenward–Roger, clients and practitioners random). Without them readings are described, and
their cause stays open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.estimate import estimate
from toolkit.errors import FitError, NotEnoughError
from toolkit.explanations.between_visits import fading, visit_pairs
from toolkit.explanations.case import client_sums, jackknife, told
from toolkit.explanations.chance import mean_over_clients
from toolkit.number_words import amount
from toolkit.result import Estimate, Shown

FEWEST_SESSIONS = 5
FEWEST_CLIENTS = 3
TWICE = (
    0.8  # share of sessions read twice before, in each arm, from which a side chosen by one reading cannot explain it
)
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
    `second_baseline`: whether both arms were read twice before. `allowance`: how far a reader may have leaned.
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
    second_baseline: bool = False
    allowance: float = 0.0

    @property
    def level(self) -> Literal["probably_moved", "readings_changed", "not_enough"]:
        """The most that may be said, in the words of the claim rule; nothing here was drawn at random."""
        found = self.attributable
        if found is not None and self.second_baseline and found.ci_low > self.allowance:
            return "probably_moved"
        changed = self.readings.ci_low > 0 or self.readings.ci_high < 0
        return "readings_changed" if changed else "not_enough"

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
        if self.level == "probably_moved":
            return (
                f"At the next visit {measure} had probably held more after {what} than after sessions that were only "
                f"measured: {difference}. What was compared was not drawn at random, so something else that differs "
                "between the two may explain it."
            )
        if found.ci_low > 0 or found.ci_high < 0:
            better = "better" if found.ci_low > 0 else "worse"
            return (
                f"At the next visit {measure} read {better} after {what} than after sessions that were only measured: "
                f"{difference}. {self._why_open()}, so the cause is open."
            )
        return (
            f"Whether {what} holds {measure} to the next visit is not settled: against sessions that were only "
            f"measured the difference is {difference}."
        )

    def _why_open(self) -> str:
        if not self.second_baseline:
            return "Not all was read twice before, and sides chosen by one reading drift back by themselves"
        if self.attributable is not None and 0 < self.attributable.ci_low <= self.allowance:
            return f"A reader who leans by {amount(self.allowance, self.unit)} could explain the low end of it"
        return "What was compared was not drawn at random"

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
        if share.ci_high - share.ci_low > 1:
            said = f"How much of the gain is left after {self.days:.3g} days is not settled"
            if share.ci_low <= 0 and share.ci_high >= 1:
                return f"{said}: nothing of it and all of it would both fit ({share.n} clients)."
            ends = f"{100 * share.ci_low:.0f} to {100 * share.ci_high:.0f}"
            return f"{said} (95 % interval {ends} %; {share.n} clients)."
        left = (
            f"Of the gain within the session {share_text(share.value)} (95 % interval {100 * share.ci_low:.0f} to "
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
    side_rule: str | None = None,
    allowance: float = 0.0,
    confidence_level: float = 0.95,
) -> Held:
    """What of a session's change is still there at the client's next visit, and how it fades.

    Args:
        rows: tidy wide rows (one measured side of one session each) of any measures.
        region: codebook name or "any". better: "higher" or "lower".
        relation: the codebook's side relation of region and measure ("" = the same side).
        side_rule: "same" or "opposite" where the question states which side a reading belongs to.
        allowance: how far a reader may have leaned, in `unit`.
        confidence_level: of the difference to sessions only measured (several questions: higher).

    Returns:
        A `Held`: attributable where at least 5 sessions of 3 clients were only measured, described otherwise.

    Raises:
        NotEnoughError: fewer than 3 clients came back after such a session and were read first thing, or all changed
            by the same amount.

    Example:
        >>> from toolkit.simulate import ClinicDials, simulate_clinic
        >>> clinic = simulate_clinic(ClinicDials(design="comparison_sessions", effect=3.0), rng=1)
        >>> found = held_to_next_visit(clinic.rows, measure="cervical_lateral_flexion", region="upper_trapezius",
        ...     intervention="percussive_release", better="higher", unit="deg")
        >>> found.attributable.ci_low < 0.0 < found.attributable.ci_high  # the effect of that clinic does not last
        True
    """
    pairs = visit_pairs(
        rows,
        measure=measure,
        region=region,
        intervention=intervention,
        better=better,
        relation=relation,
        side_rule=side_rule,
    )
    technique = pairs[pairs["arm"] == 1]
    readings = _mean_of(technique, "y", name="next first reading less last reading before", unit=unit)
    if readings is None:
        n = technique["client"].nunique()
        raise NotEnoughError(
            f"{n} client{'' if n == 1 else 's'} came back after a session of the technique and were read first thing; "
            f"at least {FEWEST_CLIENTS} are needed. Read once before anything is done, at every visit."
        )
    if readings.ci_low == readings.ci_high:
        raise NotEnoughError(
            f"First readings at the next visit differ from the last before by the same {amount(readings.value, unit)} "
            f"in all {readings.n} clients, so nothing can be told from chance."
        )
    attributable, why_not = _attributable(pairs, unit=unit, confidence_level=confidence_level)
    compared = pairs if attributable is not None else technique
    faded = fading(compared, unit=unit)
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
        fades=faded.slope,
        share_left=faded.share,
        days=faded.days,
        why_no_share=faded.why,
        gaps=(float(days.min()), float(days.median()), float(days.max())),
        second_baseline=bool(pairs.groupby("arm")["has_second"].mean().min() >= TWICE),
        allowance=allowance,
    )


def share_text(value: float) -> str:
    """A share in percent, never "-0 %"."""
    return f"{round(100 * value) or 0} %"


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _mean_of(rows: pd.DataFrame, column: str, *, name: str, unit: str) -> Estimate | None:
    """Mean over client means with its interval, None below 3 clients."""
    sums, counts = client_sums(rows.assign(change=rows[column]))
    return jackknife(sums, counts, mean_over_clients, name=name, unit=unit, method="client means")


def _attributable(pairs: pd.DataFrame, *, unit: str, confidence_level: float) -> tuple[Estimate | None, str]:
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
        found = estimate(
            Compared(
                basis="comparison_sessions",
                rows=rows,
                against="sessions that were only measured",
                within_visit=False,
            ),
            confidence_level=confidence_level,
        )
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
            confidence_level=found.confidence_level,
            se=found.se,
            df=found.df,
            p=found.p,
        ),
        "",
    )
