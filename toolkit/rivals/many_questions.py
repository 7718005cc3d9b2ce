"""Many measures and regions: of twenty questions asked of idle records, one comes out by chance."""

from __future__ import annotations

from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival

NAME = "many measures and regions"


def many_questions(case: Case) -> Rival:
    """How many questions were judged together, and how many would stand out by chance."""
    if case.n_questions <= 1:
        says = "One question was asked."
        return Rival(rival=NAME, status="closed_by_design", size=None, says=says, what_would_close_it="")
    expected = case.n_questions * case.alpha
    says = (
        f"{case.n_questions} questions were judged together (Holm's correction; Holm 1979); about {expected:.1f} of "
        f"them would fall below p = {case.alpha:.3g} by chance, {case.n_small_p} do."
    )
    size = None
    found = case.attributable
    if found is not None and found.se is not None:
        narrow = found.at_level(1 - case.alpha)
        extra = (found.ci_high - found.ci_low - narrow.ci_high + narrow.ci_low) / 2
        size = Estimate(
            name="extra half-width of the interval",
            value=extra,
            ci_low=extra,
            ci_high=extra,
            unit=case.unit,
            n=found.n_clients,
            method=f"Holm's correction over {case.n_questions} questions",
        )
    close = "Write one question sheet before looking; a declared question is judged alone."
    return Rival(rival=NAME, status="adjusted", size=size, says=says, what_would_close_it=close)
