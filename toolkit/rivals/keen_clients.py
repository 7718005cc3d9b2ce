"""Keen clients return more: those whose readings moved come again, and weigh more with every visit."""

from __future__ import annotations

import numpy as np

from toolkit.result import figure_text
from toolkit.rivals.case import Case, Rival, Status, client_sums, jackknife
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
        return Rival(rival=name, status=status, size=None, says=says, what_would_close_it="")

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
    first = change.sort_values(["date", "session_id"], kind="stable").groupby("client", observed=True)["change"].first()
    says = (
        f"Weighing sessions instead of clients would add {figure_text(size.value if size else None)} {case.unit} "
        f"to the change; first visits alone show {figure_text(float(first.mean()))} {case.unit} ({len(first)} clients)."
    )
    return Rival(rival=name, status="adjusted", size=size, says=says, what_would_close_it=close)
