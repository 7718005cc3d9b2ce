"""One practitioner carrying it: the average is good because one pair of hands is."""

from __future__ import annotations

import pandas as pd

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival

NAME = "one practitioner carrying it"


def difference_of_client_means(rows: pd.DataFrame) -> float | None:
    """Technique less comparison, clients weighted equally within each; technique alone where there is no comparison."""
    means = rows.groupby(["arm", "client"])["y"].mean().groupby("arm").mean()
    if 1.0 not in means.index:
        return None
    return float(means[1.0] - means.get(0.0, 0.0))


def one_practitioner(case: Case) -> Rival:
    """Range of the result when one practitioner at a time is left out."""
    close = "Let several practitioners work in the same way, and write down who did."
    if case.compared is not None:
        rows = case.compared.rows.dropna(subset=["y"])
    else:
        rows = case.changes().assign(arm=1.0, y=lambda r: r["change"])[["client", "practitioner", "arm", "y"]]
    rows = rows.astype({"client": str, "practitioner": str})
    names = sorted(rows["practitioner"].unique())
    if len(names) < 2:
        says = "All sessions are by one practitioner: what is found is about that pair of hands."
        return Rival(rival=NAME, status="open", size=None, says=says, what_would_close_it=close)
    whole = difference_of_client_means(rows)
    without = {name: difference_of_client_means(rows[rows["practitioner"] != name]) for name in names}
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
        method="difference of client means, one practitioner left out at a time; interval: range over them",
        confidence_level=1.0,
    )
    says = (
        f"Leaving out one of {len(names)} practitioners at a time, the difference stays between "
        f"{figure_text(min(found.values()))} and {figure_text(max(found.values()))} {case.unit} "
        f"(all: {figure_text(whole)})."
    )
    carried = whole > 0 and found[carrier] <= 0.5 * whole
    return Rival(
        rival=NAME,
        status="open" if carried else "adjusted",
        size=size,
        says=says + (" Without one of them half of it or more is gone." if carried else ""),
        what_would_close_it=close,
    )
