"""What time does: being measured again within a session, natural course over weeks.

Shown by first readings over weeks (whatever moved them: time, visits, or drifting back from a bad first day) and,
where the records hold comparison sessions, by the stretch from such a session to the next visit, in which nothing had
been done.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.explanations.case import Case, Explanation, Status, client_sums, first_readings, jackknife, told
from toolkit.explanations.chance import mean_over_clients, mean_over_rows
from toolkit.quantiles import t_quantile
from toolkit.records.coded_texts import among, as_texts
from toolkit.result import Estimate

MEASURED_AGAIN = "being measured again"


def measured_again(case: Case) -> Explanation:
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
        return Explanation(explanation=MEASURED_AGAIN, status=status, size=size, says=says, what_would_close_it="")
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
    return Explanation(explanation=MEASURED_AGAIN, status="open", size=size, says=says, what_would_close_it=close)


def _treated_otherwise(case: Case) -> bool:
    """Is the comparison another intervention, not sessions that were only measured?"""
    if case.compared is None or case.compared.basis != "comparison_sessions":
        return False
    sessions = case.compared.rows.loc[case.compared.rows["arm"] == 0, "session_id"]
    theirs = case.rows[among(case.rows["session_id"], sessions)]
    return bool((as_texts(theirs["intervention"]) != "measured_only").any())


NATURAL_COURSE = "natural course over weeks"


def course_per_week(rows: pd.DataFrame, *, sign: float, unit: str) -> Estimate | None:
    """Slope of first readings on weeks since the client's first visit, within clients and sides.

    Args:
        rows: tidy rows of one measure, with client, measured_side, day or date, before.
        sign: +1 where a rise is better.

    Returns:
        The slope in `unit` a week with a client-clustered t interval; None where fewer than 3 clients came back.
    """
    frame = first_readings(rows).dropna(subset=["weeks"])
    who = [frame["client"], frame["side"]]
    x = frame["weeks"] - frame["weeks"].groupby(who).transform("mean")
    y = sign * (frame["before"] - frame["before"].groupby(who).transform("mean"))
    bread = float((x**2).sum())
    n = int(frame.loc[x.abs() > 1e-12, "client"].nunique())
    if n < 3 or bread <= 0:
        return None
    slope = float((x * y).sum()) / bread
    scores = (x * (y - slope * x)).groupby(frame["client"]).sum().to_numpy()
    se = float(np.sqrt(n / (n - 1) * np.sum(scores**2))) / bread
    reach = float(t_quantile(0.975, n - 1)) * se
    return Estimate(
        name="course of first readings",
        value=slope,
        ci_low=slope - reach,
        ci_high=slope + reach,
        unit=f"{unit} a week",
        n=n,
        method="slope within clients and sides, client-clustered standard error",
        se=se,
        df=n - 1,
    )


def untreated_stretches(rows: pd.DataFrame, *, sign: float, unit: str) -> Estimate | None:
    """Change a week from a session that was only measured to the same side's next first reading.

    Args:
        rows: tidy rows of one measure. sign: +1 where a rise is better.

    Returns:
        Sum of changes over sum of weeks, interval by leaving out one client at a time; None below 3 clients.
    """
    frame = first_readings(rows)
    frame["untreated"] = (rows["intervention"] == "measured_only").loc[frame.index]
    frame = frame.dropna(subset=["weeks"]).sort_values("weeks", kind="stable")
    grouped = frame.groupby(["client", "side"], sort=False)
    change = sign * (grouped["before"].shift(-1) - frame["before"])
    weeks = grouped["weeks"].shift(-1) - frame["weeks"]
    kept = frame["untreated"] & change.notna() & (weeks > 0)
    sums = pd.DataFrame({"change": change[kept], "weeks": weeks[kept]}).groupby(frame.loc[kept, "client"]).sum()
    return jackknife(
        sums["change"].to_numpy(),
        sums["weeks"].to_numpy(),
        mean_over_rows,
        name="untreated stretches",
        unit=f"{unit} a week",
        method="change over weeks from sessions that were only measured to the next first reading",
    )


def natural_course(case: Case) -> Explanation:
    """Slope of first readings over weeks; within one session it has no time to act."""
    course = course_per_week(case.rows, sign=case.sign, unit=case.unit)
    says = (
        f"First readings changed by {told(course)} within {course.n} clients, whatever moved them."
        if course
        else "Too few clients came back to see a course over weeks."
    )
    untreated = untreated_stretches(case.rows, sign=case.sign, unit=case.unit)
    if untreated:
        says += f" Over stretches that began with a session only measured: {told(untreated)}, {untreated.n} clients."
    return Explanation(
        explanation=NATURAL_COURSE,
        status="closed_by_design",
        size=untreated or course,
        says=f"{says} Before and after stand in the same session, so weeks cannot explain the difference.",
        what_would_close_it="",
    )
