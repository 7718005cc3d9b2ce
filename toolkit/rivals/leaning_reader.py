"""A leaning reader: who knows what was done, and hopes, reads a little further.

Compared are re-measurements taken blind with those that were not, and the last digits before and after. The tipping
point says how far a reader would have to lean to explain all of the difference.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.attributable.client_means import difference_interval
from toolkit.result import Estimate
from toolkit.rivals.case import Case, Rival, amount, jackknife, told

NAME = "a leaning reader"
ENOUGH_BLINDED = 0.8
FEWEST_READINGS = 50
CLOSE = "Have somebody who does not know what was done take the reading after, in at least 80 of 100 sessions."


def digit_preference(case: Case, *, confidence_level: float = 0.99) -> Estimate | None:
    """How much more often readings end in 0 or 5 after than before, where they clearly do; None otherwise.

    Of readings that lie at most 1 beside such a number about a third end in it when nobody prefers it, because
    neighbouring numbers are about equally frequent. A sharp limit to what was treated can upset that before, so the
    share after must lie above a third by itself, and above the share before. Only whole numbers have a last digit.

    Returns:
        Share after less share before, interval by leaving out one client at a time.
    """
    pairs = case.technique.dropna(subset=["before", "after"])
    readings = pairs[["before", "after"]].to_numpy(dtype=float)
    if len(readings) < FEWEST_READINGS or not np.array_equal(readings, np.round(readings)):
        return None
    digit = np.abs(readings) % 5
    near = np.isin(digit, (0, 1, 4))
    if near.sum(axis=0).min() < FEWEST_READINGS:
        return None
    client = pd.factorize(pairs["client"].astype(str))[0]
    ends, close = (np.column_stack([np.bincount(client, column) for column in one.T]) for one in (digit == 0, near))

    def share_after(ends: np.ndarray, close: np.ndarray) -> float:
        return float(ends[:, 1].sum() / max(close[:, 1].sum(), 1))

    def gap(ends: np.ndarray, close: np.ndarray) -> float:
        return share_after(ends, close) - float(ends[:, 0].sum() / max(close[:, 0].sum(), 1))

    found = [
        jackknife(
            ends,
            close,
            statistic,
            name="readings ending in 0 or 5, after less before",
            unit="yes_no",
            method="share of readings at most 1 beside such a number",
            confidence_level=confidence_level,
        )
        for statistic in (share_after, gap)
    ]
    after, more = found
    return more if after is not None and more is not None and after.ci_low > 1 / 3 and more.ci_low > 0 else None


def blinded_difference(case: Case) -> Estimate | None:
    """Mean change when the reader knew, less mean change when not; clients weighted equally, in both groups paired."""
    change = case.changes()
    knew = change["examiner_blinded"].astype(str)
    means = change["change"].groupby([knew, change["client"].astype(str)]).mean()
    groups = [means[means.index.get_level_values(0) == said].droplevel(0) for said in ("no", "yes")]
    if min(len(g) for g in groups) < 3:
        return None
    found = difference_interval(*groups)
    if found is None or found[2] == 0:
        return None
    n = len(groups[0].index.union(groups[1].index))
    return Estimate(
        name="knew less blind",
        value=float(groups[0].mean() - groups[1].mean()),
        ci_low=found[0],
        ci_high=found[1],
        unit=case.unit,
        n=n,
        df=n - 1,
        se=found[2],
        method="difference of means of client means, clients in both groups paired; who read blind was not drawn",
    )


def tipping_point(case: Case) -> float | None:
    """How far readers who knew (or of whom it is not said) must lean on technique readings to bring the limit to 0.

    The lower limit over the share of technique readings that were not blinded: blind readings cannot lean. None where
    the limit is not above 0 or all were blind.
    """
    if case.attributable is None or case.compared is None or not 0 < case.attributable.ci_low < np.inf:
        return None
    rows = case.compared.rows
    knew = rows.loc[(rows["arm"] == 1) & rows["y"].notna(), "blinded"] != "yes"
    share = float(knew.mean()) if len(knew) else 0.0
    return case.attributable.ci_low / share if share > 0 else None


def leaning_reader(case: Case) -> Rival:
    """Blinded against unblinded re-measurements, last digits, tipping point, and the allowance taken off."""
    share = case.blinded_share
    size = blinded_difference(case)
    says = []
    if share is None:
        says.append("Nobody wrote down whether the reader knew what was done.")
    else:
        says.append(
            f"{100 * share:.0f} % of the re-measurements were taken by a reader who did not know what was done."
        )
    if size is not None:
        says.append(
            f"Change found by readers who knew, less that found by readers who did not: {told(size)}, {size.n} clients."
        )
    digits = digit_preference(case)
    if digits is not None:
        says.append(f"Readings end in 0 or 5 more often after than before, by {told(digits)} of those near one.")
    tipping = tipping_point(case)
    if tipping is not None:
        says.append(
            f"Readers not known to be blind would have to lean by {amount(tipping, case.unit)} on every one of their "
            "readings after the technique to bring the lower limit to 0."
        )
    if share is not None and share >= ENOUGH_BLINDED:
        return Rival(rival=NAME, status="closed_by_design", size=size, says=" ".join(says), what_would_close_it="")
    if case.allowance > 0 and case.attributable is not None:
        says.append(f"From the lower limit {amount(case.allowance, case.unit)} is taken off.")
        return Rival(rival=NAME, status="bounded", size=size, says=" ".join(says), what_would_close_it=CLOSE)
    return Rival(rival=NAME, status="open", size=size, says=" ".join(says), what_would_close_it=CLOSE)
