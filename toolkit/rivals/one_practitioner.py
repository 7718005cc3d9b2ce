"""One practitioner carrying it: the average is good because one pair of hands is."""

from __future__ import annotations

import pandas as pd

from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, amount, client_sums, jackknife
from toolkit.rivals.chance import mean_over_clients

NAME = "one practitioner carrying it"


def difference_of_client_means(rows: pd.DataFrame) -> float | None:
    """Technique less comparison, clients weighted equally within each.

    Args:
        rows: client, arm (1 technique, 0 comparison), y (none missing).

    Returns:
        The difference, None where one of the two has no row.
    """
    means = rows.groupby(["arm", "client"])["y"].mean().groupby("arm").mean()
    return float(means[1.0] - means[0.0]) if {0.0, 1.0} <= set(means.index) else None


def _technique_alone(rows: pd.DataFrame) -> float | None:
    """Mean of the technique's client means, None where there is no row."""
    means = rows.groupby("client")["y"].mean()
    return float(means.mean()) if len(means) else None


def one_practitioner(case: Case) -> Rival:
    """Range of the result when one practitioner at a time is left out."""
    close = "Let several practitioners work in the same way, and write down who did."
    if case.compared is not None:
        rows = case.compared.rows.dropna(subset=["y"])
    else:
        rows = case.changes().assign(arm=1.0, y=lambda r: r["change"])[["client", "practitioner", "arm", "y"]]
    rows = rows.astype({"client": str, "practitioner": str})
    names = sorted(rows["practitioner"].unique())
    if not names:
        says = "No row has readings to compare, so no practitioner can be left out."
        return Rival(rival=NAME, status="open", size=None, says=says, what_would_close_it=close)
    if len(names) < 2:
        says = "All sessions are by one practitioner: what is found is about that pair of hands."
        return Rival(rival=NAME, status="open", size=None, says=says, what_would_close_it=close)
    result = difference_of_client_means if case.compared is not None else _technique_alone
    whole = result(rows)
    without = {name: result(rows[rows["practitioner"] != name]) for name in names}
    found = {name: value for name, value in without.items() if value is not None}
    if whole is None or not found:
        says = "Too few sessions to leave a practitioner out."
        return Rival(rival=NAME, status="open", size=None, says=says, what_would_close_it=close)
    carrier = min(found, key=lambda name: found[name])
    shift = whole - found[carrier]
    size = Estimate(
        name="fall without the practitioner who carries most",
        value=shift,
        ci_low=whole - max(found.values()),
        ci_high=shift,
        unit=case.unit,
        n=len(names),
        n_of="practitioners",
        method="client means, one practitioner left out at a time; interval: range over them",
        confidence_level=1.0,
    )
    what = "difference" if case.compared is not None else "change"
    says = (
        f"Leaving out one of {len(names)} practitioners at a time, the {what} stays between "
        f"{amount(min(found.values()), case.unit)} and {amount(max(found.values()), case.unit)} "
        f"(all: {amount(whole, case.unit)})."
    )
    carried = _stands_out(case) and found[carrier] <= 0.5 * whole
    return Rival(
        rival=NAME,
        status="open" if carried else "adjusted",
        size=size,
        says=says + (" Without one of them half of it or more is gone." if carried else ""),
        what_would_close_it=close,
    )


def _stands_out(case: Case) -> bool:
    """Is there something to carry: a result (else a change in the readings) above what chance explains?"""
    if case.complete is not None:
        return case.complete.ci_low > 0
    change = jackknife(*client_sums(case.changes()), mean_over_clients, name="", unit=case.unit, method="")
    return case.compared is None and change is not None and change.ci_low > 0
