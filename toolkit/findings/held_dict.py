"""What was left at the next visit, as findings.json holds it.

It is asked only when findings are written: nothing that decides a claim rests on it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from toolkit.errors import FitError, NotEnoughError
from toolkit.findings.finding import Judged
from toolkit.records.account import Records
from toolkit.result import Estimate
from toolkit.rivals.held import Held, held_to_next_visit
from toolkit.rivals.looking_again import level_at_look


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
