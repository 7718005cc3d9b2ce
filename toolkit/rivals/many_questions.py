"""Many measures and regions: of twenty questions asked of idle records, one comes out by chance."""

from __future__ import annotations

import numpy as np

from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, Status
from toolkit.rivals.looking_again import level_at_look

NAME = "many measures and regions"
CLOSE = "Write one question sheet before looking; a declared question is judged alone."


def many_questions(case: Case) -> Rival:
    """How many questions were judged together, and how many would stand out by chance."""
    found = case.attributable
    if case.n_questions <= 1 or found is None:
        says = (
            "Nothing was tested against a comparison here, so no test needs a correction."
            if found is None
            else "One question was tested, so there is nothing to correct for."
        )
        status: Status = "not_applicable" if found is None else "closed_by_design"
        return Rival(rival=NAME, status=status, size=None, says=says, what_would_close_it="")
    expected = case.n_questions * case.alpha
    says = (
        f"{case.n_questions} questions were tested together (Holm's correction; Holm 1979); if nothing moved in any, "
        f"about {expected:.2g} of them would fall below p = {case.alpha:.3g} by chance; {case.n_small_p} did."
    )
    alone = found.at_level(level_at_look(case.look, case.looks_planned, case.alpha))
    extra = (found.ci_high - found.ci_low - alone.ci_high + alone.ci_low) / 2
    size = None
    if np.isfinite(extra):
        size = Estimate(
            name="extra half-width of the interval",
            value=extra,
            ci_low=extra,
            ci_high=extra,
            unit=case.unit,
            n=found.n_clients,
            method=f"Holm's correction over {case.n_questions} questions, against one question alone",
        )
    return Rival(rival=NAME, status="adjusted", size=size, says=says, what_would_close_it=CLOSE)
