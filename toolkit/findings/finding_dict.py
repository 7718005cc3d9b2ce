"""One judged question as the plain dict that findings.json holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.rule import Claim
from toolkit.errors import FitError, NotEnoughError
from toolkit.explanations.carry_over import Held, held_to_next_visit
from toolkit.explanations.chance import level_at_look
from toolkit.explanations.observer_bias import tipping_point
from toolkit.findings.balance import balance_parts
from toolkit.findings.finding import Judged, case_of, claim_of, steps_and_explanations
from toolkit.findings.moved import counted_from, responders_of
from toolkit.records.account import Records
from toolkit.records.cautions import cautions_by_section
from toolkit.records.codebook import Codebook
from toolkit.records.coded_texts import each_once
from toolkit.result import Estimate
from toolkit.stats.effect_size_intervals import effect_sizes


def held_parts(judged: Judged, records: Records, labels: dict[str, str]) -> dict[str, Any]:
    """The keys `held` (None where it cannot be told) and `why_not_held` (the reason in a sentence, else empty)."""
    try:
        found = _held(judged, records)
    except (NotEnoughError, FitError) as problem:
        return {"held": None, "why_not_held": str(problem)}
    named = replace(found, measure=labels["measure"], region=labels["region"], intervention=labels["intervention"])
    return {"held": held_dict(named), "why_not_held": ""}


def _held(judged: Judged, records: Records) -> Held:
    """The question asked of the next visit's first reading, at a level that counts all questions together."""
    question = judged.question
    level = level_at_look(judged.look, question.looks_planned, question.alpha)
    return held_to_next_visit(
        records.rows,
        measure=question.measure,
        region=question.region,
        intervention=question.intervention,
        better=str(question.better),
        unit=str(question.unit),
        relation=records.codebook.limits(question.region, question.measure) or "",
        side_rule=question.side_rule,
        allowance=judged.allowance,
        confidence_level=1 - (1 - level) / judged.n_questions,
    )


def held_dict(found: Held) -> dict[str, Any]:
    """What was left at the next visit: the sentence, and every number with unit, interval, n and method."""
    shortest, usual, longest = found.gaps
    return {
        "sentence": found.sentence(),
        "level": found.level,
        "basis": found.basis,
        "readings": _number(found.readings),
        "compared": _number(found.attributable),
        "why_not_compared": found.why_not_attributable,
        "gain": _number(found.gain),
        "change_a_day": _number(found.fades),
        "share_left": _number(found.share_left),
        "share_left_after_days": found.days if found.share_left is not None else None,
        "why_no_share": found.why_no_share,
        "days_between": {"shortest": shortest, "median": usual, "longest": longest},
        "read_twice_before": found.second_baseline,
    }


def _number(found: Estimate | None) -> dict[str, Any] | None:
    """One estimate with what a reader needs beside it."""
    if found is None:
        return None
    return {
        "name": found.name,
        "mean": found.value,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "confidence_level": found.confidence_level,
        "unit": found.unit,
        "n_clients": found.n,
        "method": found.method,
    }


def labels_of(judged: Judged, records: Records) -> dict[str, str]:
    """Measure, region and intervention of a question in a reader's words."""
    question = judged.question
    return labels_in(
        records.codebook, measure=question.measure, region=question.region, intervention=question.intervention
    )


def labels_in(book: Codebook, *, measure: str, region: str, intervention: str) -> dict[str, str]:
    """Codes of measure, region and intervention (several joined by +) in a reader's words."""
    return {
        "measure": book.label("measure", measure),
        "region": "any region" if region == "any" else book.label("region", region),
        "intervention": book.label("intervention", intervention),
    }


def _draw(judged: Judged) -> dict[str, Any] | None:
    """Whether chance was in charge of what is compared; None where nobody drew."""
    draw = judged.borne.draw if judged.borne is not None else None
    if draw is None:
        return None
    patterns = [
        {"part": one.part, "words": one.words.format(first="treated first"), "p": one.p} for one in draw.patterns
    ]
    found = {"verdict": draw.verdict, "p": draw.p, "says": draw.says, "patterns": patterns}
    return {**found, "n_draws": draw.n_draws, "n_first": draw.n_first}


def _flow(judged: Judged) -> dict[str, Any] | None:
    """Sessions of each arm from the draw to the estimate; None where nothing is compared."""
    if judged.borne is None:
        return None
    flow, arms = judged.borne.flow, ("technique", "comparison")
    names = list(dict.fromkeys(flow.steps["step"]))
    steps = [{"step": name, **{arm: flow.count(name, arm) for arm in arms}} for name in names]
    return {"says": flow.says, "steps": steps}


def claim_parts(judged: Judged, records: Records) -> dict[str, Any]:
    """The claim of one question, and what a list of claims is titled and ordered by, as in its entry of `findings`."""
    question, labels = judged.question, labels_of(judged, records)
    return {
        "labels": labels,
        "measure": question.measure,
        "region": question.region,
        "intervention": question.intervention,
        "n_clients": int(judged.technique["client"].nunique()),
        "attributable": _attributable(judged),
        "claim": _claim(claim_of(judged, **labels)),
    }


def finding_dict(judged: Judged, records: Records) -> dict[str, Any]:
    """One entry of `findings`."""
    question, rows = judged.question, judged.technique
    labels = labels_of(judged, records)
    steps, explanations = steps_and_explanations(judged, records.rows)
    claim = claim_of(judged, **labels)
    size = question.smallest_change_that_matters
    sizes, why_no_sizes = _effect_sizes(judged)
    return {
        "id": f"{question.measure}|{question.region}|{question.intervention}",
        "labels": labels,
        "measure": question.measure,
        "region": question.region,
        "intervention": question.intervention,
        "unit": question.unit,
        "better": question.better,
        "n_clients": int(rows["client"].nunique()),
        "n_sessions": int(rows["session_id"].nunique()),
        "n_sides": len(each_once(rows[["client", "measured_side"]])),
        "n_missing_after": int(rows["after"].isna().sum()),
        "change": _change(judged),
        "change_from_second_baseline": _estimate(judged.readings_2),
        "effect_sizes": sizes,
        "beyond_measurement_error": _beyond(judged),
        "ladder": [vars(step) for step in steps],
        "attributable": _attributable(judged),
        "rivals": [
            {
                "rival": explanation.explanation,
                "status": explanation.status,
                "size": explanation.size.value if explanation.size else None,
                "ci_low": explanation.size.ci_low if explanation.size else None,
                "ci_high": explanation.size.ci_high if explanation.size else None,
                "unit": explanation.size.unit if explanation.size else None,
                "n": explanation.size.n if explanation.size else None,
                "n_of": explanation.size.n_of if explanation.size else None,
                "method": explanation.size.method if explanation.size else None,
                "confidence_level": explanation.size.confidence_level if explanation.size else None,
                "says": explanation.says,
                "what_would_close_it": explanation.what_would_close_it,
            }
            for explanation in explanations
        ],
        "claim": _claim(claim),
        "cautions": _region_cautions(question.region),
        "balance": balance_parts(judged, records.rows) if judged.attributable is not None else None,
        **held_parts(judged, records, labels),
        "smallest_change_that_matters": (
            None if size is None else {"value": size, "unit": question.unit, "source": question.source}
        ),
        "leaning": _observer_bias(judged, records.rows),
        "draw": _draw(judged),
        "flow": _flow(judged),
        "observer": _observer(judged),
        "doubts": _doubts(judged),
        "declared_because": judged.declared_says,
        "looks": {"look": judged.look, "planned": question.looks_planned},
        "questions_judged_together": judged.n_questions,
        "notes": [*_finding_notes(judged), *([why_no_sizes] if why_no_sizes else [])],
    }


def _observer(judged: Judged) -> dict[str, Any] | None:
    """Who read, by arm, and what is taken off for a reader who may lean."""
    if judged.borne is None:
        return None
    seen = judged.borne.observer
    gap = None if seen.gap is None else dict(zip(("difference", "ci_low", "ci_high"), seen.gap, strict=True))
    return {
        "blinded_technique": None if seen.blinded is None else seen.blinded[0],
        "blinded_comparison": None if seen.blinded is None else seen.blinded[1],
        "read_by_treater": seen.read_by_treater,
        "gap": gap,
        "allowance": seen.allowance,
        "source": seen.source,
        "second_readings": judged.borne.copied,
    }


def _doubts(judged: Judged) -> list[str]:
    """What else in the records takes the comparison its word."""
    borne = judged.borne
    if borne is None:
        return []
    rests = f"Without {borne.rests_on} hardly any of the difference is left." if borne.rests_on else ""
    differs = f"What was compared differs in {'; '.join(borne.imbalance)}." if borne.imbalance else ""
    second = f"Second readings before count as none: {borne.copied}." if borne.copied else ""
    return [said for said in (*borne.doubts, differs, second, borne.repeated, rests, borne.reversals) if said]


def _region_cautions(region: str) -> list[str]:
    """Where to stay off in this region; the cautions for everyone stand once, beside all findings."""
    sections = cautions_by_section([region])
    return [one.text for several in sections.values() for one in several if one.place != "everyone"]


def _finding_notes(judged: Judged) -> list[str]:
    """What a reader should know about this question's records."""
    notes = [judged.side_note, judged.why_no_comparison, judged.why_no_readings, judged.declared_says, *_doubts(judged)]
    asked, compared = judged.question.comparison, judged.compared
    if asked is not None and compared is not None and not _is_asked(asked, compared.basis):
        notes.append(f"The question asks for a comparison with “{asked}”; the records hold {compared.against} instead.")
    return [note for note in notes if note]


def _is_asked(asked: str, basis: str) -> bool:
    bases = {"wait": ("randomised_order",), "other_side": ("randomised_side", "other_side")}
    return basis in bases.get(asked, ("comparison_sessions",))


def _claim(claim: Claim) -> dict[str, Any]:
    return {
        "level": claim.level,
        "basis": claim.basis,
        "declared": claim.declared,
        "sentence": claim.sentence,
        "next_step": claim.next_step,
        "may_say": claim.may_say,
        "may_not_say": claim.may_not_say,
        "to_say_more": claim.to_say_more,
    }


def _estimate(found: Estimate | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "mean": found.value,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p": found.p,
        "df": found.df,
        "n_clients": found.n,
        "method": found.method,
    }


def _change(judged: Judged) -> dict[str, Any]:
    """The raw change, or empty numbers with the reason as method."""
    found = _estimate(judged.readings)
    empty = {"mean": None, "ci_low": None, "ci_high": None, "p": None, "df": None, "n_clients": 0}
    return found or {**empty, "method": f"not available: {judged.why_no_readings}"}


def _attributable(judged: Judged) -> dict[str, Any] | None:
    found, compared = judged.attributable, judged.compared
    if found is None or compared is None:
        return None
    complete = judged.complete or found
    return {
        "mean": found.mean,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "p": found.p,
        "df": found.df,
        "method": found.method,
        "basis": compared.basis,
        "against": compared.against,
        "confidence_level": found.confidence_level,
        "n_clients": found.n_clients,
        "n_sessions": found.n_sessions,
        "n_filled": found.n_filled,
        "without_missing": {"mean": complete.mean, "ci_low": complete.ci_low, "ci_high": complete.ci_high},
    }


def _observer_bias(judged: Judged, rows: pd.DataFrame) -> dict[str, Any]:
    """The allowance, and how far readers not known to be blind must lean to bring the lower limit to 0."""
    found = judged.attributable
    needs_a_lean = found is not None and found.ci_low > 0
    none_needed = 0.0 if found is not None and np.isfinite(found.ci_low) else None
    return {
        "allowance": judged.allowance,
        "source": judged.allowance_source,
        "tipping_point": tipping_point(case_of(judged, rows)) if needs_a_lean else none_needed,
        "blinded_share": judged.blinded_share,
    }


def _effect_sizes(judged: Judged) -> tuple[list[dict[str, Any]], str]:
    """The effect sizes, or the reason why there is none."""
    question = judged.question
    try:
        found = effect_sizes(judged.technique, measure=question.measure, better=str(question.better))
    except NotEnoughError as problem:
        return [], f"No effect sizes: {problem}"
    rows = [
        {"name": e.name, "value": e.value, "ci_low": e.ci_low, "ci_high": e.ci_high, "n": e.n, "method": e.method}
        for e in found
    ]
    return rows, ""


def _beyond(judged: Judged) -> dict[str, Any]:
    """Shares of clients who moved beyond the ruler's error, for the better (`share`) and for the worse."""
    ruler = {"threshold": judged.ruler.mdc95, "threshold_source": judged.ruler.source}
    found = responders_of(judged)
    if found is None:
        return {"share": None, "ci_low": None, "ci_high": None, "n": 0, **ruler}
    share, worse, clients = found.beyond_error, found.worse, found.clients
    n_better, n_worse = (int(clients[name].sum()) for name in ("beyond_error", "worse"))
    return {
        "share": share.value,
        "ci_low": share.ci_low,
        "ci_high": share.ci_high,
        "n": share.n,
        **ruler,
        "n_better": n_better,
        "n_worse": n_worse,
        "n_within": share.n - n_better - n_worse,
        "worse": {"share": worse.value, "ci_low": worse.ci_low, "ci_high": worse.ci_high},
        "counted_from": counted_from(judged),
        "threshold_of_a_client": "the threshold over the root of the client's number of sessions",
        "expected_if_nothing_happened": found.expected["beyond_error"],
        "also_enough_to_matter": found.both.value if found.both is not None else None,
        "method": share.method,
    }
