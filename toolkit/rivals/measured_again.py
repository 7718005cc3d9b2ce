"""Being measured again: joints and people loosen, and learn the movement, while they are measured and wait."""

from __future__ import annotations

from toolkit.rivals.case import Case, Rival, Status, client_sums, jackknife, told
from toolkit.rivals.chance import mean_over_clients

NAME = "being measured again"


def measured_again(case: Case) -> Rival:
    """How much the comparison's readings rose with nothing done; else the drift from first to second baseline."""
    if case.compared is not None:
        rows = case.compared.rows
        waited = rows[(rows["arm"] == 0) & rows["y"].notna()].assign(change=lambda r: r["y"])
        size = jackknife(
            *client_sums(waited),
            mean_over_clients,
            name="change of the comparison",
            unit=case.unit,
            method="client means",
        )
        status: Status = "closed_by_design" if case.compared.randomised else "adjusted"
        changed = told(size) if size else "an amount that fewer than 3 clients cannot tell"
        says = f"With {case.compared.against}, readings changed by {changed}; this is taken off."
        if _treated_otherwise(case):
            says += " There something else was done, so this is not what measuring again does by itself."
        return Rival(rival=NAME, status=status, size=size, says=says, what_would_close_it="")
    drift = case.changes(second="before_2")
    size = (
        jackknife(
            *client_sums(drift),
            mean_over_clients,
            name="second less first reading before",
            unit=case.unit,
            method="client means",
        )
        if len(drift)
        else None
    )
    says = (
        f"From the first to the second reading before, readings changed by {told(size)}; "
        "what a third reading would have added is not known."
        if size
        else "Nothing in the records shows what measuring again does by itself."
    )
    close = "Let some sessions wait as long as the treatment takes, and read again, before treating."
    return Rival(rival=NAME, status="open", size=size, says=says, what_would_close_it=close)


def _treated_otherwise(case: Case) -> bool:
    """Is the comparison another intervention, not sessions that were only measured?"""
    if case.compared is None or case.compared.basis != "comparison_sessions":
        return False
    sessions = set(case.compared.rows.loc[case.compared.rows["arm"] == 0, "session_id"])
    theirs = case.rows[case.rows["session_id"].astype(str).isin(sessions)]
    return bool((theirs["intervention"].astype(str) != "measured_only").any())
