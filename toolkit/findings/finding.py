"""One question judged: what moved, what else could explain it, what is left, what may be said."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.claim.declared import MOST_ALPHA
from toolkit.claim.question import Question
from toolkit.claim.rule import Claim, Context, Evidence, make_claim
from toolkit.effect.borne_out import BorneOut, bear_out
from toolkit.effect.comparison import Compared, find_comparison, role_of_side, technique_rows, treated_side_rule
from toolkit.effect.estimate import N_DRAWS, Attributable
from toolkit.effect.unwritten import with_unwritten
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.explanations.adjustment_steps import AdjustmentStep, adjustment_steps
from toolkit.explanations.all_explanations import explanations_of
from toolkit.explanations.case import Case, Explanation
from toolkit.explanations.chance import level_at_look
from toolkit.findings.measured import Ruler
from toolkit.records.coded_texts import as_texts
from toolkit.records.texts import keep_rows
from toolkit.result import Estimate
from toolkit.stats.centre import mean_change
from toolkit.stats.clients import clients_change
from toolkit.stats.published import published_sem
from toolkit.stats.sample_size import clients_for_width
from toolkit.stats.signs import signs_change


@dataclass(frozen=True, eq=False, kw_only=True)
class Judged:
    """One question with its records, estimates and claim, before anything is written out.

    `readings` and `readings_2`: change from before (before_2) to after over client means, None where it cannot be had,
    with the reason in `why_no_readings`. `why_no_comparison` says why nothing is attributable.
    """

    question: Question
    declared: bool
    technique: pd.DataFrame
    ruler: Ruler
    readings: Estimate | None
    readings_2: Estimate | None
    why_no_readings: str
    compared: Compared | None
    complete: Attributable | None
    attributable: Attributable | None
    why_no_comparison: str
    blinded_share: float | None
    allowance: float
    allowance_source: str
    side_note: str
    borne: BorneOut | None = None
    declared_says: str = ""
    sealed: bool = False
    n_questions: int = 1
    n_small_p: int = 0
    look: int = 1

    @property
    def p(self) -> float:
        """Two-sided p of the attributable change, 1 where there is none."""
        return self.attributable.p if self.attributable is not None else 1.0


def judge(
    rows: pd.DataFrame,
    question: Question,
    *,
    declared: bool,
    ruler: Ruler,
    relation: str,
    look: int,
    rng: np.random.Generator | int,
    lost: pd.DataFrame | None = None,
    schedule: pd.DataFrame | None = None,
    n_draws: int = N_DRAWS,
    quick: bool = False,
) -> Judged:
    """Estimates for one question.

    Parameters
    ----------
    rows
        Tidy wide rows of all measures.
    question
        With `better` and `unit` filled in.
    declared, ruler, look
        Was it declared; the measurement error; which look this is.
    relation
        The codebook's side relation of region and measure ("" = none).
    rng, n_draws
        For redraws, and how many.
    lost
        Rows that were set aside whole, of all questions (`Records.lost`).
    schedule
        The sealed schedule, opened: client, session, order.
    quick
        Take the draw for kept, leave subgroups alone, and count from the second reading before only, as for a season
        that is simulated.
    """
    mine = keep_rows(rows, (rows["measure"] == question.measure).to_numpy())
    better = str(question.better)
    asked = {"measure": question.measure, "region": question.region, "intervention": question.intervention}
    whole = technique_rows(mine, **asked)
    rule, how = treated_side_rule(whole, relation=relation, better=better)
    rule, how = (question.side_rule, "as the question says") if question.side_rule else (rule, how)
    treated = keep_rows(whole, (role_of_side(whole, rule=rule) != "other").to_numpy())
    compared = find_comparison(
        mine,
        **asked,
        better=better,
        comparison=question.comparison,
        relation=relation,
        side_rule=rule,
        technique=whole,
    )
    del mine, whole  # copies of most rows
    if compared is not None:
        about = {"region": question.region, "intervention": question.intervention}
        compared = with_unwritten(compared, rows, **about, lost=lost)
    borne = None
    if compared is not None:
        sem, sem_source = larger_sem(ruler)
        borne = bear_out(
            compared,
            sem=sem,
            sem_source=sem_source,
            allowance=question.leaning_allowance,
            lost=lost_of(lost, question, compared),
            share=question.share_treated_first,
            schedule=schedule,
            confidence_level=level_at_look(look, question.looks_planned, min(question.alpha, MOST_ALPHA)),
            rng=rng,
            n_draws=n_draws,
            quick=quick,
        )
    copied = borne is not None and borne.copied
    readings_2 = None if copied else _readings(treated, question, first="before_2")[0]
    readings, why_none = (None, "") if quick and readings_2 else _readings(treated, question, first="before")
    return Judged(
        question=question,
        declared=declared,
        technique=treated,
        ruler=ruler,
        readings=readings,
        readings_2=readings_2,
        why_no_readings=why_none,
        compared=borne.compared if borne else None,
        complete=borne.complete if borne else None,
        attributable=borne.attributable if borne else None,
        why_no_comparison=borne.why_none if borne else _why_nothing(treated),
        blinded_share=borne.observer.blinded_share if borne else _blinded_share(treated),
        allowance=borne.observer.allowance if borne else 0.0,
        allowance_source=borne.observer.source if borne else "nothing is compared",
        borne=borne,
        side_note=f"Readings of the {rule} side belong to the treatment ({how})." if relation == "opposite" else "",
        look=look,
    )


def larger_sem(ruler: Ruler) -> tuple[float | None, str]:
    """The larger of own and published error: one's own second readings may have been remembered."""
    published = published_sem(ruler.measure)
    if published is not None and published.unit == ruler.unit and published.value > (ruler.sem or 0.0):
        return published.value, f"published: {published.citation}"
    return ruler.sem, ruler.source


def lost_of(lost: pd.DataFrame | None, question: Question, compared: Compared) -> pd.DataFrame | None:
    """Rows set aside whole that belong to this question: its intervention, and region and measure where they say so."""
    if lost is None or lost.empty:
        return None
    mine = lost["measure"].isin((question.measure, ""))
    if question.region != "any":
        mine &= lost["region"].isin((question.region, ""))
    done = lost["intervention"]
    if compared.basis in ("comparison_sessions", "randomised_protocol"):
        other = "measured_only" if question.comparison in (None, "wait", "other_side") else str(question.comparison)
        mine &= done.isin((question.intervention, other))
        return lost[mine].assign(arm=(done[mine] == question.intervention).astype(float))
    mine &= done.isin((question.intervention, ""))
    if compared.basis == "randomised_side":
        mine &= lost["side_drawn"] == "yes"
    return lost[mine]


_NAMED = {"before": "before", "before_2": "the second reading before"}


NOTHING = "the records hold nothing to compare with"


def _why_nothing(technique: pd.DataFrame) -> str:
    """Why the records compare nothing: no order at all, or an order whose waits have no reading after them."""
    waited = technique[(technique["order"] == "wait_first").to_numpy()]
    if len(waited) and waited["after_wait"].isna().all() and (technique["order"] == "technique_first").any():
        return (
            f"an order is written down, but none of the {len(waited)} readings that waited first has one after the wait"
        )
    return NOTHING


def _readings(technique: pd.DataFrame, question: Question, *, first: str) -> tuple[Estimate | None, str]:
    """Mean change over client means with its t interval (a sign: net share improved), or why there is none."""
    pairs = technique.dropna(subset=[first, "after"])
    if pairs.empty:
        return None, f"no row has both {first} and after"
    if question.unit == "yes_no":
        return _signs(pairs, question, first=first)
    means = clients_change(pairs, first=first, second="after", better=str(question.better))["change"]
    try:
        return mean_change(means.to_numpy(), unit=str(question.unit), name=f"after less {_NAMED[first]}"), ""
    except NotEnoughError as problem:
        return None, str(problem)


def _signs(pairs: pd.DataFrame, question: Question, *, first: str) -> tuple[Estimate | None, str]:
    """Net share of a sign that improved, with the interval and the test made for signs, or why there is none."""
    try:
        found = signs_change(pairs, measure=question.measure, better=str(question.better), first=first, rng=0)
    except ToolkitError as problem:
        return None, str(problem)
    said = f"{found.difference.method}; p: {found.test.name}, {found.test.method}"
    return replace(
        found.difference, name=f"after less {_NAMED[first]}", unit=str(question.unit), p=found.test.p, method=said
    ), ""


def _blinded_share(technique: pd.DataFrame) -> float | None:
    """Share of re-measurements by a reader who did not know what was done; None where nobody wrote it down."""
    said = as_texts(technique.loc[technique["after"].notna(), "examiner_blinded"])
    if said.empty or not said.isin(("yes", "no")).any():
        return None
    return float((said == "yes").mean())


def with_family(judged: list[Judged], *, at_least: int = 1) -> list[Judged]:
    """Holm's correction over questions judged together: each interval at the level its place in the order leaves.

    `at_least`: how many questions the family has, where not all of them are judged here (undeclared, or other sheets).

    From the smallest p on, the k-th of m questions is judged at alpha/(m − k + 1), as long as all before it stood out;
    the others at the level where that stopped (Holm 1979, Scandinavian Journal of Statistics 6:65–70).
    """
    family = [one for one in judged if one.attributable is not None]
    m = max(len(family), at_least)
    if m < 2 or not family:
        return judged
    level_for: dict[int, float] = {}
    stopped_at: int | None = None
    for k, one in enumerate(sorted(family, key=lambda j: j.p)):
        place = k if stopped_at is None else stopped_at
        base = 1 - (one.attributable.confidence_level if one.attributable is not None else 0.95)
        level_for[id(one)] = 1 - base / (m - place)
        if stopped_at is None and one.p > base / (m - k):
            stopped_at = k
    small = sum(one.p < one.question.alpha for one in family)
    return [
        replace(
            one,
            attributable=one.attributable.at_level(level_for[id(one)]) if one.attributable is not None else None,
            n_questions=m,
            n_small_p=small,
        )
        for one in judged
    ]


def case_of(judged: Judged, rows: pd.DataFrame) -> Case:
    """What the explanations look at."""
    question = judged.question
    return Case(
        rows=keep_rows(rows, (rows["measure"] == question.measure).to_numpy()),
        technique=judged.technique,
        measure=question.measure,
        unit=str(question.unit),
        better=str(question.better),
        compared=judged.compared,
        complete=judged.complete,
        attributable=judged.attributable,
        sem=judged.ruler.sem,
        sem_source=judged.ruler.source,
        allowance=judged.allowance,
        blinded_share=judged.blinded_share,
        n_questions=judged.n_questions,
        n_small_p=judged.n_small_p,
        look=judged.look,
        looks_planned=question.looks_planned,
        alpha=question.alpha,
    )


def claim_of(judged: Judged, *, measure: str, region: str, intervention: str) -> Claim:
    """The claim for one judged question, worded with these names."""
    question, found = judged.question, judged.attributable
    readings = judged.readings_2 if judged.readings_2 is not None else judged.readings
    compared = judged.compared
    borne = judged.borne
    evidence = Evidence(
        basis=compared.basis if compared is not None and found is not None else None,
        randomised=borne is not None and borne.randomised,
        second_baseline=borne is not None and borne.second_baseline,
        mean=found.mean if found else None,
        low=found.ci_low if found else None,
        high=found.ci_high if found else None,
        allowance=judged.allowance,
        smallest=question.smallest_change_that_matters,
        readings_mean=readings.value if readings else None,
        readings_low=readings.ci_low if readings else None,
        readings_high=readings.ci_high if readings else None,
        looks_used_up=judged.look > question.looks_planned,
        doubted=borne is not None and bool(borne.against_the_draw),
    )
    context = Context(
        measure=measure,
        region=region,
        intervention=intervention,
        unit=str(question.unit),
        against=compared.against if compared is not None else "waiting",
        n_clients=found.n_clients if found else 0,
        n_sessions=found.n_sessions if found else 0,
        confidence_level=found.confidence_level if found else 0.95,
        method=found.method if found else "",
        allowance_source=judged.allowance_source,
        smallest_source=question.source,
        readings_method=f"{readings.name}, {readings.method}" if readings else "",
        n_readings_clients=readings.n if readings else 0,
        n_for_certainty=clients_to_settle(judged),
        declared=judged.declared,
        blinded_enough=borne is not None and borne.observer.enough,
        n_missing=sum(borne.flow.n_lost) if borne is not None else 0,
        why_not_compared=judged.why_no_comparison if found is None and judged.why_no_comparison != NOTHING else "",
        waits_unread=compared is None and judged.why_no_comparison != NOTHING,
        drawn=borne.drawn_words if borne is not None else "",
        why_not_drawn=borne.against_the_draw if borne is not None else "",
        n_practitioners=int(compared.rows["practitioner"].nunique()) if compared is not None else 0,
        reversals=borne.reversals if borne is not None else "",
        declared_says=judged.declared_says,
    )
    return make_claim(evidence, context)


def clients_to_settle(judged: Judged) -> int | None:
    """About how many clients, recorded as now, would make the interval narrow enough to decide.

    Narrow enough: half-width at most half of the smallest change that matters, else of the estimate itself. Widths
    fall with the square root of the number of clients.
    """
    found, size = judged.attributable, judged.question.smallest_change_that_matters
    if found is None:
        return None
    target = size / 2 if size else abs(found.mean) / 2
    needed = clients_for_width(found.n_clients, half_width=(found.ci_high - found.ci_low) / 2, wanted=target)
    return None if needed is None else max(needed, found.n_clients + 1)


def steps_and_explanations(judged: Judged, rows: pd.DataFrame) -> tuple[list[AdjustmentStep], list[Explanation]]:
    """The adjustment steps and the explanations of one judged question."""
    case = case_of(judged, rows)
    return adjustment_steps(case), explanations_of(case)
