"""Who counts how often: clients counted more than once, keen clients who return, one practitioner carrying it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.explanations.case import Case, Explanation, Status, client_sums, jackknife, told
from toolkit.explanations.chance import mean_over_clients, mean_over_rows
from toolkit.number_words import amount
from toolkit.quantiles import t_half_width
from toolkit.records.coded_texts import as_texts
from toolkit.result import Estimate


def repeated_clients(case: Case) -> Explanation:
    """Extra half-width of the interval when every client counts once instead of every row."""
    name = "clients counted more than once"
    change = case.changes()
    sums, counts = case.sums
    if len(counts) and counts.max() == 1:
        return Explanation(
            explanation=name,
            status="not_applicable",
            size=None,
            says=f"Each of the {len(counts)} clients counts once already.",
            what_would_close_it="",
        )
    close = "Nothing to change in the records: the client's pseudonym in every row lets each client count once."
    fair = jackknife(sums, counts, mean_over_clients, name="mean", unit=case.unit, method="client means")
    if fair is None:
        says = f"Only {len(counts)} clients have readings before and after, so their repeats cannot be weighed."
        return Explanation(explanation=name, status="open", size=None, says=says, what_would_close_it=close)
    rows = change["change"].to_numpy(dtype=float)
    naive = t_half_width(rows)
    half = (fair.ci_high - fair.ci_low) / 2
    extra = half - naive
    size = Estimate(
        name="extra half-width of the interval",
        value=extra,
        ci_low=extra,
        ci_high=extra,
        unit=case.unit,
        n=fair.n,
        method="95 % half-width over client means less 95 % half-width over rows, both by t",
    )
    says = (
        f"{len(rows)} rows come from {fair.n} clients; with every client counted once the interval reaches "
        f"± {amount(half, case.unit)}, not ± {amount(naive, case.unit)}."
    )
    return Explanation(explanation=name, status="adjusted", size=size, says=says, what_would_close_it=close)


def informative_visits(case: Case) -> Explanation:
    """Mean with every session weighing the same, less mean with every client weighing the same."""
    name = "keen clients returning more"
    change = case.changes()
    sums, counts = case.sums
    close = "Write down who stopped coming and when; judge first visits beside all visits."
    if len(counts) < 3 or counts.max() == counts.min():
        says = (
            "Every client has the same number of readings, so none weighs more."
            if len(counts) >= 3
            else (f"Only {len(counts)} clients have readings before and after.")
        )
        status: Status = "not_applicable" if len(counts) >= 3 else "open"
        close = close if status == "open" else ""
        return Explanation(explanation=name, status=status, size=None, says=says, what_would_close_it=close)

    def shift(s: np.ndarray, c: np.ndarray) -> np.ndarray:
        return np.asarray(mean_over_rows(s, c) - mean_over_clients(s, c))

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
    return Explanation(explanation=name, status="adjusted", size=size, says=says.strip(), what_would_close_it=close)


def first_visits(change: pd.DataFrame, *, unit: str) -> Estimate | None:
    """Mean change over the first session of each client that has both readings, sides of one session averaged."""
    when = pd.to_datetime(change["date"])
    if when.isna().any() and "visit" in change:
        when = change["visit"]
    then = "visit" if "visit" in change else "session_id"  # visits of one day are numbered by what they say
    keys = pd.DataFrame({"when": when, "then": change[then]}).reset_index(drop=True)
    order = change[["client", "session_id", "change"]].iloc[keys.sort_values(["when", "then"], kind="stable").index]
    opening = order.groupby("client")["session_id"].transform("first")
    first = order[order["session_id"] == opening]
    return jackknife(
        *client_sums(first), mean_over_clients, name="first visits alone", unit=unit, method="client means"
    )


NAME = "one practitioner carrying it"


def without_each_practitioner(rows: pd.DataFrame, *, both: bool = True) -> tuple[float | None, dict[str, float]]:
    """Technique less comparison, clients weighted equally within each; and the same without each practitioner.

    Parameters
    ----------
    rows
        client, practitioner, arm (1 technique, 0 comparison), y (none missing).
    both
        Less the comparison; else the technique's mean alone.

    Returns
    -------
    tuple
        The difference, None where an arm has no row; and those that are left without each practitioner by name.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": ["a", "a", "b"], "practitioner": ["P", "P", "Q"], "arm": 1.0, "y": [1, 3, 5]})
    >>> without_each_practitioner(rows, both=False)
    (3.5, {'P': 5.0, 'Q': 2.0})
    """
    client, practitioner = (pd.factorize(rows[name]) for name in ("client", "practitioner"))
    names, arm = [str(name) for name in practitioner[1]], rows["arm"].to_numpy(dtype=np.intp)
    size = 2 * len(client[1])
    place = arm * len(client[1]) + client[0]
    key, cell = np.unique(practitioner[0].astype(np.int64) * size + place, return_inverse=True)
    whose, where = key // size, key % size
    y = rows["y"].to_numpy(dtype=float)
    sums, counts = (np.bincount(cell, weights=w, minlength=len(key)) for w in (y, np.ones(len(y))))
    all_sums, all_counts = (np.bincount(where, weights=w, minlength=size) for w in (sums, counts))
    there = all_counts > 0
    means = np.where(there, all_sums, 0.0) / np.where(there, all_counts, 1.0)
    rest = all_counts[where] - counts
    left = np.where(rest > 0, (all_sums[where] - sums) / np.maximum(rest, 1.0), 0.0)
    at = 2 * whose + where // len(client[1])
    total, n = means.reshape(2, -1).sum(axis=1), there.reshape(2, -1).sum(axis=1)
    shape = (len(names), 2)
    fewer = np.bincount(at, weights=rest == 0, minlength=2 * len(names)).reshape(shape)
    moved = np.bincount(at, weights=left - means[where], minlength=2 * len(names)).reshape(shape)
    found = {names[k]: _of_arms(total + moved[k], n - fewer[k], both) for k in np.argsort(names)}
    return _of_arms(total, n, both), {name: value for name, value in found.items() if value is not None}


def _of_arms(total: np.ndarray, n: np.ndarray, both: bool) -> float | None:
    """Technique's mean less the comparison's, or the technique's alone; None where an arm is empty."""
    if n[1] < 1 or (both and n[0] < 1):
        return None
    return float(total[1] / n[1] - (total[0] / n[0] if both else 0.0))


def one_practitioner(case: Case) -> Explanation:
    """Range of the result when one practitioner at a time is left out."""
    close = "Let several practitioners work in the same way, and write down who did."
    if case.compared is not None:
        rows = case.compared.rows.dropna(subset=["y"])
    else:
        rows = case.changes().assign(arm=1.0, y=lambda r: r["change"])[["client", "practitioner", "arm", "y"]]
    rows = rows.assign(**{name: as_texts(rows[name]) for name in ("client", "practitioner")})
    names = sorted(rows["practitioner"].unique())
    if not names:
        says = "No row has readings to compare, so no practitioner can be left out."
        return Explanation(explanation=NAME, status="open", size=None, says=says, what_would_close_it=close)
    if len(names) < 2:
        says = "All sessions are by one practitioner: what is found is about that pair of hands."
        return Explanation(explanation=NAME, status="open", size=None, says=says, what_would_close_it=close)
    whole, found = without_each_practitioner(rows, both=case.compared is not None)
    if whole is None or not found:
        says = "Too few sessions to leave a practitioner out."
        return Explanation(explanation=NAME, status="open", size=None, says=says, what_would_close_it=close)
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
    return Explanation(
        explanation=NAME,
        status="open" if carried else "adjusted",
        size=size,
        says=says + (" Without one of them half of it or more is gone." if carried else ""),
        what_would_close_it=close,
    )


def _stands_out(case: Case) -> bool:
    """Is there something to carry: a result (else a change in the readings) above what chance explains?"""
    if case.complete is not None:
        return case.complete.ci_low > 0
    change = jackknife(*case.sums, mean_over_clients, name="", unit=case.unit, method="")
    return case.compared is None and change is not None and change.ci_low > 0
