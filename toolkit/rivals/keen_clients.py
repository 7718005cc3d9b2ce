"""Keen clients return more: those whose readings moved come again, and weigh more with every visit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, Status, client_sums, jackknife, told
from toolkit.rivals.chance import mean_over_clients, mean_over_rows


def keen_clients(case: Case) -> Rival:
    """Mean with every session weighing the same, less mean with every client weighing the same."""
    name = "keen clients returning more"
    change = case.changes()
    sums, counts = client_sums(change)
    close = "Write down who stopped coming and when; judge first visits beside all visits."
    if len(counts) < 3 or counts.max() == counts.min():
        says = (
            "Every client has the same number of readings, so none weighs more."
            if len(counts) >= 3
            else (f"Only {len(counts)} clients have readings before and after.")
        )
        status: Status = "not_applicable" if len(counts) >= 3 else "open"
        close = close if status == "open" else ""
        return Rival(rival=name, status=status, size=None, says=says, what_would_close_it=close)

    def shift(s: np.ndarray, c: np.ndarray) -> float:
        return mean_over_rows(s, c) - mean_over_clients(s, c)

    size = jackknife(
        sums,
        counts,
        shift,
        name="sessions weighing the same less clients weighing the same",
        unit=case.unit,
        method="difference of two means",
    )
    first = first_visits(change, unit=case.unit)
    says = ""
    if size is not None:
        says += f"Weighing sessions instead of clients would add {told(size)} to the change. "
    if first is not None:
        says += f"First visits alone show {told(first)}, {first.n} clients."
    return Rival(rival=name, status="adjusted", size=size, says=says.strip(), what_would_close_it=close)


def first_visits(change: pd.DataFrame, *, unit: str) -> Estimate | None:
    """Mean change over the first session of each client that has both readings, sides of one session averaged."""
    when = pd.to_datetime(change["date"])
    if when.isna().any() and "visit" in change:
        when = change["visit"]
    order = change.assign(client=change["client"].astype(str), when=when).sort_values(
        ["when", "session_id"], kind="stable"
    )
    opening = order.groupby("client")["session_id"].transform("first")
    first = order[order["session_id"] == opening]
    return jackknife(
        *client_sums(first), mean_over_clients, name="first visits alone", unit=unit, method="client means"
    )
