"""What may be said of two protocols: the rule and its sentences, and nothing else.

| verdict | when |
|---|---|
| `tied` | no site, or no practitioner, used both: nothing is claimed |
| `did_better` | drawn and the draw borne out, the interval excludes 0, no other way of counting points the other way |
| `went_with_more` | the same, not drawn |
| `draw_broken` | said to be drawn, but what the records show no adjustment mends: nothing is claimed |
| `reader_may_explain` | the interval excludes 0, but not after a reader's leaning is allowed for: nothing is claimed |
| `ways_disagree` | the interval excludes 0, but another way of counting points the other way: nothing is claimed |
| `too_unlike` | not drawn, the interval excludes 0, but visible imbalance is left: nothing is claimed |
| `alike` | the interval lies inside ± the smallest change that matters |
| `not_told` | otherwise |

The rows are tried from the top; limits are those after missing readings were filled in both ways.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from toolkit.looks.words import amount, capital, counted, number, threshold, with_interval
from toolkit.result import Estimate

Verdict = Literal[
    "tied",
    "did_better",
    "went_with_more",
    "draw_broken",
    "ways_disagree",
    "too_unlike",
    "reader_may_explain",
    "alike",
    "not_told",
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)
CLAIMS: frozenset[Verdict] = frozenset({"did_better", "went_with_more"})
MOST_IMBALANCE = 0.25  # SDs that may be left between the two (Stuart 2010, Statistical Science 25:1-21)


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What the rule looks at: differences in the measure's unit, better = positive, A less B.

    `allowance`: how far a reader who knew which it was may lean. It counts where the records say that most readers
    knew. Where nobody wrote it down, neither protocol is the one to lean towards: the sentence then says how much
    leaning would do.
    """

    low: float
    high: float
    drawn: bool
    smallest: float | None
    tied_to: str = ""
    disagreeing: tuple[str, ...] = ()
    imbalance_left: float = 0.0
    allowance: float = 0.0
    draw_broken: bool = False


@dataclass(frozen=True, kw_only=True)
class Told:
    """The words and counts a sentence needs; nothing here changes the verdict."""

    first: str
    other: str
    measure: str
    unit: str
    found: Estimate
    n_sessions: int
    n_practitioners: int
    n_sites: int
    n_missing: int
    imbalance: str
    overlap: str
    draw: str
    unblinded: bool
    most_imbalanced: str = ""
    different_people: str = ""


def verdict_of(evidence: Evidence) -> Verdict:
    """The first row of the rule that holds.

    Examples
    --------
    >>> verdict_of(Evidence(low=0.5, high=2.0, drawn=False, smallest=3.0))
    'went_with_more'
    >>> verdict_of(Evidence(low=0.5, high=2.0, drawn=True, smallest=3.0, tied_to="site"))
    'tied'
    """
    if evidence.tied_to:
        return "tied"
    if evidence.low > 0 or evidence.high < 0:
        if evidence.draw_broken:
            return "draw_broken"
        if evidence.disagreeing:
            return "ways_disagree"
        if not evidence.drawn and evidence.imbalance_left > MOST_IMBALANCE:
            return "too_unlike"
        if max(evidence.low, -evidence.high) <= evidence.allowance:
            return "reader_may_explain"
        return "did_better" if evidence.drawn else "went_with_more"
    if evidence.smallest is not None and -evidence.smallest < evidence.low and evidence.high < evidence.smallest:
        return "alike"
    return "not_told"


def disagreeing(quoted: Estimate, others: Sequence[Estimate]) -> tuple[str, ...]:
    """Names of the other ways of counting whose difference points the other way."""
    return tuple(one.name for one in others if one.value * quoted.value < 0)


def sentence_of(verdict: Verdict, evidence: Evidence, told: Told) -> str:
    """What may be said; never more than the verdict."""
    parts = [_SAID[verdict](evidence, told)]
    if evidence.drawn:
        parts.append(told.draw)
    elif verdict != "draw_broken":
        parts.append(_who_chose(verdict, told))
    if verdict in CLAIMS and told.unblinded:
        near = evidence.low if evidence.low > 0 else -evidence.high
        parts.append(
            f"Whoever read after mostly knew which it was: leaning by {amount(near, told.unit)} towards it would do."
        )
    if told.n_missing:
        parts.append(f"{counted(told.n_missing, 'reading')} after not written down, filled in both ways.")
    return " ".join(part for part in parts if part)


def _figures(told: Told) -> str:
    found = told.found
    who = [
        counted(found.n, "client"),
        counted(told.n_sessions, "session"),
        counted(told.n_practitioners, "practitioner"),
    ]
    if told.n_sites > 1:
        who.append(counted(told.n_sites, "site"))
    size = with_interval(found.value, found.ci_low, found.ci_high, told.unit, level=found.confidence_level)
    return f"{size}; {', '.join(who)}; {found.method.split(';')[0]}"


def _ahead(evidence: Evidence, told: Told) -> tuple[str, str]:
    return (told.first, told.other) if evidence.low > 0 else (told.other, told.first)


def _did_better(evidence: Evidence, told: Told) -> str:
    one, other = _ahead(evidence, told)
    return f"{capital(one)} did better than {other} in {told.measure}: {_ahead_by(evidence, told)}."


def _went(evidence: Evidence, told: Told) -> str:
    one, other = _ahead(evidence, told)
    return f"{capital(one)} went with more improvement in {told.measure} than {other}: {_ahead_by(evidence, told)}."


def _ahead_by(evidence: Evidence, told: Told) -> str:
    return _figures(told) if evidence.low > 0 else _difference(told)


def _difference(told: Told) -> str:
    return f"{told.first} less {told.other} is {_figures(told)}"


def _disagree(evidence: Evidence, told: Told) -> str:
    ways = " and ".join(evidence.disagreeing)
    return (
        f"Ways of counting disagree about {told.first} and {told.other} in {told.measure}, so nothing is claimed: "
        f"{_difference(told)}, but {ways} points the other way."
    )


def _unlike(evidence: Evidence, told: Told) -> str:
    return (
        f"Sessions with {told.first} and with {told.other} were too unlike to compare in {told.measure}, so nothing is "
        f"claimed: {number(evidence.imbalance_left, decimals=2)} SD are left in {told.most_imbalanced} after "
        f"weighting; {_difference(told)}."
    )


def _alike(evidence: Evidence, told: Told) -> str:
    return (
        f"{capital(told.first)} and {told.other} do not differ by as much as {threshold(evidence.smallest, told.unit)} "
        f"in {told.measure}: {_difference(told)}."
    )


def _not_told(evidence: Evidence, told: Told) -> str:
    del evidence
    return f"The records do not tell {told.first} and {told.other} apart in {told.measure}: {_difference(told)}."


def _tied(evidence: Evidence, told: Told) -> str:
    return (
        f"No {evidence.tied_to} used both {told.first} and {told.other}, so in {told.measure} they cannot be told from "
        f"the {evidence.tied_to}s and nothing is claimed. As recorded, {_difference(told)}."
    )


def _reader(evidence: Evidence, told: Told) -> str:
    near = max(evidence.low, -evidence.high)
    return (
        f"A reader who leans by {amount(near, told.unit)} could explain the difference of {told.first} and "
        f"{told.other} in {told.measure}, and most readers knew which it was, so nothing is claimed: "
        f"{_difference(told)}; the allowance is {amount(evidence.allowance, told.unit)}."
    )


def _broken(evidence: Evidence, told: Told) -> str:
    del evidence
    return (
        f"{told.draw} Something left or was changed after the draw, which nothing mends, so of {told.first} and "
        f"{told.other} in {told.measure} nothing is claimed: {_difference(told)}."
    )


_SAID = {
    "draw_broken": _broken,
    "reader_may_explain": _reader,
    "tied": _tied,
    "did_better": _did_better,
    "went_with_more": _went,
    "ways_disagree": _disagree,
    "too_unlike": _unlike,
    "alike": _alike,
    "not_told": _not_told,
}


def _who_chose(verdict: Verdict, told: Told) -> str:
    """Who got which, as the sentence has to say it where nobody drew."""
    people = f"the two went to different people ({told.different_people})" if told.different_people else ""
    said = ["Who got which was chosen, not drawn", people, told.imbalance, told.overlap]
    cause = "that choice, or from who these people are" if people else "that choice"
    tail = f"; a difference may come from {cause}" if verdict in CLAIMS else ""
    return "; ".join(part for part in said if part) + tail + "."


def advice_of(verdict: Verdict, *, drawn: bool, n: int, n_to_tell: int | None, tied_to: str) -> str:
    """What a clinic can do next; never which protocol to use on anybody."""
    if verdict == "tied":
        return f"Let every {tied_to} use both for a season, drawn by chance for each client or session."
    if verdict == "reader_may_explain":
        return "Have somebody re-measure who does not know which protocol it was, in at least 80 of 100 sessions."
    if not drawn:
        return (
            "To decide between the two, let chance choose for a season (python3 start.py draw-order --between), record "
            "as before with two readings before, and compare again."
        )
    if verdict == "alike":
        return "In this measure the two do alike; choose by comfort, time or cost, and look at other measures."
    if n_to_tell is not None and n_to_tell > n:
        return f"Go on drawing: about {n_to_tell} clients would tell a difference that matters."
    return "See whether the difference also holds in other measures and at the next visit."
