"""The claim rule, and nothing else: the strongest sentence that the records allow.

| level | when |
|---|---|
| `moved_enough` | drawn comparison; lower limit less leaning allowance ≥ smallest change that matters |
| `moved` | drawn comparison; that lower limit above 0 |
| `probably_moved` | comparison sessions or other side, with a second baseline; that lower limit above 0 |
| `no_better_than_waiting` | nothing speaks against the comparison, the interval inside ± the smallest that matters |
| `worse_than_waiting` | nothing speaks against the comparison, the upper limit lies below 0 |
| `readings_changed` | none of these, but the interval of after − before_2 (else after − before) excludes 0 |
| `not_enough` | otherwise |

The rows are tried from the top; the first that holds is the level. Limits are those of the attributable change with
missing readings filled in against the technique, at the level that the looks and the number of questions leave.
More looks than were planned leave nothing for a claim about the technique: `readings_changed` is then the most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from toolkit.number_words import amount, counted, decimals_of, span, with_interval

Level = Literal[
    "moved_enough",
    "moved",
    "probably_moved",
    "no_better_than_waiting",
    "worse_than_waiting",
    "readings_changed",
    "not_enough",
]
LEVELS: tuple[Level, ...] = (
    "moved_enough",
    "moved",
    "probably_moved",
    "no_better_than_waiting",
    "worse_than_waiting",
    "readings_changed",
    "not_enough",
)


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What the rule looks at. Changes in the measure's unit, better = positive; None = not available.

    `low`, `mean`, `high`: attributable change, bounded. `readings_low`, `readings_high`: interval of the change in the
    readings themselves. `allowance`: for a reader who knew what was done. `smallest`: smallest change that matters.
    `doubted`: something in the records speaks against the comparison, so it counts neither for nor against.
    """

    basis: str | None
    randomised: bool
    second_baseline: bool
    mean: float | None
    low: float | None
    high: float | None
    allowance: float
    smallest: float | None
    readings_mean: float | None
    readings_low: float | None
    readings_high: float | None
    looks_used_up: bool = False
    doubted: bool = False


@dataclass(frozen=True, kw_only=True)
class Context:
    """The words and counts that a sentence needs; nothing here changes the level."""

    measure: str
    region: str
    intervention: str
    unit: str
    against: str
    n_clients: int
    n_sessions: int
    confidence_level: float
    method: str
    allowance_source: str
    smallest_source: str
    readings_method: str
    n_readings_clients: int
    n_for_certainty: int | None
    declared: bool
    blinded_enough: bool
    n_missing: int
    why_not_compared: str = ""  # there is something to compare with, but no estimate can be made from it
    waits_unread: bool = False  # an order is written down, and no reading after a wait
    drawn: str = ""  # "drawn and sealed", "order drawn at random, as written down" …
    why_not_drawn: str = ""  # what in the records speaks against a draw, or against the comparison
    n_practitioners: int = 0
    reversals: str = ""  # subgroups that went opposite ways
    declared_says: str = ""


@dataclass(frozen=True, kw_only=True)
class Claim:
    """What may be said, on what basis, what may not, and what it would take to say more."""

    level: Level
    basis: str | None
    declared: bool
    sentence: str
    next_step: str
    may_say: str
    may_not_say: str
    to_say_more: str


def level_of(evidence: Evidence) -> Level:
    """The first row of the rule that holds.

    Example:
        >>> level_of(Evidence(basis="randomised_order", randomised=True, second_baseline=True, mean=3.0, low=1.5,
        ...     high=4.5, allowance=1.0, smallest=5.0, readings_mean=5.0, readings_low=4.0, readings_high=6.0))
        'moved'
    """
    low, high, smallest = evidence.low, evidence.high, evidence.smallest
    if low is not None and high is not None and not evidence.looks_used_up:
        least = low - evidence.allowance
        if evidence.randomised and smallest is not None and least >= smallest:
            return "moved_enough"
        if evidence.randomised and least > 0:
            return "moved"
        if not evidence.randomised and evidence.second_baseline and least > 0:
            return "probably_moved"
        if smallest is not None and -smallest < low and high < smallest and not evidence.doubted:
            return "no_better_than_waiting"
        if high < 0 and not evidence.doubted:
            return "worse_than_waiting"
    readings = (evidence.readings_low, evidence.readings_high)
    if None not in readings and (float(readings[0] or 0) > 0 or float(readings[1] or 0) < 0):
        return "readings_changed"
    return "not_enough"


def make_claim(evidence: Evidence, context: Context) -> Claim:
    """Level and sentences for one question.

    Args:
        evidence: the numbers that decide.
        context: the words and counts that the sentences carry.

    Returns:
        The claim. Its sentence never says more than its level.
    """
    level = level_of(evidence)
    said = _SENTENCES[level](evidence, context)
    sentence = said[0].upper() + said[1:]
    if not context.declared:
        said_why = context.declared_says or "The question was not written down before looking."
        sentence += f" {said_why} So it counts as not written down before looking: one of many looked at."
    if context.reversals:
        sentence += f" {context.reversals}"
    step = _next_step(level, evidence, context)
    return Claim(
        level=level,
        basis=evidence.basis,
        declared=context.declared,
        sentence=sentence,
        next_step=step,
        may_say=sentence,
        may_not_say=_MAY_NOT_SAY[level],
        to_say_more=step,
    )


def _what(context: Context) -> str:
    return f"{context.intervention} on {context.region}"


def _interval(evidence: Evidence, context: Context) -> str:
    level = f"{100 * context.confidence_level:.4g} % interval"
    endless = all(end is not None and math.isinf(end) for end in (evidence.low, evidence.high))
    limits = (
        f"too few sessions for a {level}" if endless else f"{level} {span(evidence.low, evidence.high, context.unit)}"
    )
    whose = f"the average of these {context.n_clients} clients"
    if context.n_practitioners > 1:
        whose += f" of {context.n_practitioners} practitioners"
    drawn = context.drawn or _DRAWN.get(str(evidence.basis), "not drawn at random")
    places = decimals_of(evidence.mean, evidence.low, evidence.high, context.unit)
    mean = amount(evidence.mean, context.unit, decimals=places)
    return (
        f"{mean} ({limits}; {whose}, {context.n_sessions} sessions, {drawn}; "
        f"{context.method.split(';')[0].split(',')[0]})"
    )


_DRAWN = {
    "randomised_order": "order drawn at random, as written down",
    "randomised_side": "treated side drawn at random, as written down",
    "randomised_protocol": "drawn at random, as written down",
}


def _less_allowance(evidence: Evidence, context: Context) -> str:
    if evidence.allowance <= 0:
        return ""
    return (
        f" after taking off {amount(evidence.allowance, context.unit)} for a reader who may lean "
        f"({context.allowance_source})"
    )


def _moved_enough(evidence: Evidence, context: Context) -> str:
    return (
        f"{_what(context)} moved {context.measure} by more than {context.against} did, and by enough to matter: the "
        f"difference in favour is {_interval(evidence, context)}, and its low end{_less_allowance(evidence, context)} "
        f"is not below {amount(evidence.smallest, context.unit)} ({context.smallest_source})."
    )


def _moved(evidence: Evidence, context: Context) -> str:
    tail = (
        f" Whether it is as much as {amount(evidence.smallest, context.unit)} ({context.smallest_source}) is open."
        if evidence.smallest is not None
        else " No smallest change that matters was named, so whether it is enough to matter is not judged."
    )
    return (
        f"{_what(context)} moved {context.measure} by more than {context.against} did: the difference in favour is "
        f"{_interval(evidence, context)}, and its low end{_less_allowance(evidence, context)} is above 0.{tail}"
    )


def _probably_moved(evidence: Evidence, context: Context) -> str:
    return (
        f"{_what(context)} probably moved {context.measure} by more than {context.against} did: the difference in "
        f"favour is {_interval(evidence, context)}, and its low end{_less_allowance(evidence, context)} is above 0. "
        f"{context.why_not_drawn or 'What was compared was not drawn at random.'} So something else that differs "
        "between the two may explain it."
    )


def _no_better(evidence: Evidence, context: Context) -> str:
    return (
        f"For {context.measure}, {_what(context)} did no better and no worse than {context.against}, within what "
        f"matters: the difference is {_interval(evidence, context)}, inside ± "
        f"{amount(evidence.smallest, context.unit)} ({context.smallest_source})."
    )


def _worse(evidence: Evidence, context: Context) -> str:
    return (
        f"For {context.measure}, {_what(context)} did worse than {context.against}: the difference in favour is "
        f"{_interval(evidence, context)}, below 0."
        + ("" if evidence.randomised else " Nobody drew what was compared, so something else may explain that.")
    )


def _readings(evidence: Evidence, context: Context) -> str:
    better = "better" if (evidence.readings_mean or 0) > 0 else "worse"
    moved = with_interval(
        evidence.readings_mean,
        evidence.readings_low,
        evidence.readings_high,
        context.unit,
        signed=False,
        also=f"{counted(context.n_readings_clients, 'client')}; {context.readings_method}",
    )
    return (
        f"Readings of {context.measure} were {better} after {_what(context)} by {moved}: something moved them, "
        f"the cause is open.{_compared_so_far(evidence, context)}"
    )


def _compared_so_far(evidence: Evidence, context: Context) -> str:
    if evidence.looks_used_up:
        return " The planned looks are used up, so no comparison can be claimed from these records any more."
    if evidence.mean is None and context.why_not_compared:
        against = f" {context.why_not_drawn}" if context.why_not_drawn else ""
        return f"{against} No comparison can be made: {context.why_not_compared.rstrip('.')}."
    if evidence.mean is None:
        return " The records hold nothing to compare the technique with."
    found = f" Against {context.against} the difference is {_interval(evidence, context)}"
    if evidence.low is None or evidence.high is None:
        return f"{found}, which does not settle it."
    if evidence.smallest is None and evidence.low <= 0 <= evidence.high and math.isfinite(evidence.high - evidence.low):
        beyond = amount(max(-evidence.low, evidence.high), context.unit)
        return f"{found}: no difference was seen, and differences beyond ±{beyond} are excluded."
    if evidence.low - evidence.allowance > 0 and context.why_not_drawn:
        return f"{found}. {context.why_not_drawn} So it does not count for the technique."
    if evidence.doubted and context.why_not_drawn:
        return f"{found}. {context.why_not_drawn} So it counts neither for the technique nor against it."
    if evidence.low > 0 and evidence.allowance > 0:
        return (
            f"{found}; less {amount(evidence.allowance, context.unit)} for a reader who may lean "
            f"({context.allowance_source}), its low end is not above 0."
        )
    return f"{found}, which does not settle it."


def _not_enough(evidence: Evidence, context: Context) -> str:
    tail = _compared_so_far(evidence, context)
    more = f" About {context.n_for_certainty} clients in all would settle it." if context.n_for_certainty else ""
    return f"The records do not tell whether {_what(context)} moves {context.measure}.{tail}{more}"


_SENTENCES = {
    "moved_enough": _moved_enough,
    "moved": _moved,
    "probably_moved": _probably_moved,
    "no_better_than_waiting": _no_better,
    "worse_than_waiting": _worse,
    "readings_changed": _readings,
    "not_enough": _not_enough,
}


_MAY_NOT_SAY: dict[Level, str] = {
    "moved_enough": "That it helps every client, that it lasts, or that another way would not do as well.",
    "moved": "That the change is large enough to matter, that it lasts beyond the session, or that every client moves.",
    "probably_moved": "That the technique is the cause: what was compared was not drawn at random.",
    "no_better_than_waiting": "That the technique is useless for other measures, regions or people.",
    "worse_than_waiting": "That it harms: the records show less change than the comparison, in one measure.",
    "readings_changed": "That the technique moved them: waiting or being measured again may do the same.",
    "not_enough": "That it works, and equally that it does not: the absence of an answer is not an answer.",
}


def _above(evidence: Evidence) -> bool:
    """Does the low end, less the allowance, lie above 0?"""
    return evidence.low is not None and evidence.low - evidence.allowance > 0


def _next_step(level: Level, evidence: Evidence, context: Context) -> str:
    """The one change of record-keeping that would allow a stronger sentence."""
    if evidence.looks_used_up:
        return "Write a new question sheet before looking, and judge it on sessions from then on."
    if level in ("no_better_than_waiting", "worse_than_waiting"):
        return (
            "This question is answered for these records. Change one thing in the way of working, write a new question "
            "sheet, and judge it on sessions from then on."
        )
    if context.waits_unread:
        return "The order is there; what is missing is the reading after the wait. Read and write it down (after_wait)."
    if evidence.mean is None and context.why_not_compared:
        return (
            "Go on recording in the same way until there is enough to compare, and read finely enough to see a change."
        )
    if evidence.mean is not None and evidence.smallest is None and not _above(evidence):
        return (
            "Name on the question sheet the smallest change that would matter, with its source: only then can “no "
            "better” be told from “not known”."
        )
    if context.why_not_drawn and evidence.basis is not None:
        return (
            "Have the order drawn and sealed beforehand by somebody who does not treat, open each line only when the "
            "client is there, and write down every session that was opened."
        )
    if evidence.basis is None or evidence.mean is None:
        return (
            "Let a coin decide in each session whether the client is treated first or waits first, as long as the "
            "treatment takes, and read again after each part; then every client is treated and every session compares."
        )
    if not evidence.second_baseline and not evidence.randomised:
        return "Read twice before the technique, a few minutes apart: a restricted reading drifts back by itself."
    if not evidence.randomised:
        return "Draw the order (technique first or wait first) by a coin, and write down which it was."
    if level == "moved_enough":
        return "See whether it holds until the next visit: read first thing at every visit, and only measure at some."
    if not context.blinded_enough:
        return (
            "Have the re-measurement taken by somebody who does not know what was done, in at least 80 of 100 "
            f"sessions: it spares the allowance of {amount(evidence.allowance, context.unit)}."
        )
    if context.n_missing:
        return f"Write down every reading after, also where nothing moved: {context.n_missing} are missing."
    if level == "moved":
        return "More clients would narrow the interval; whether it reaches the change that matters is then shown."
    more = f" About {context.n_for_certainty} clients in all would settle it." if context.n_for_certainty else ""
    return f"Go on recording in the same way.{more}"
