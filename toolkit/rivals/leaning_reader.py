"""A leaning reader: who knows what was done, and hopes, reads a little further.

Compared are re-measurements taken blind with those that were not, and the last digits before and after. The tipping
point says how far a reader would have to lean to explain all of the difference.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival

NAME = "a leaning reader"
ENOUGH_BLINDED = 0.8
CLOSE = "Have somebody who does not know what was done take the reading after, in at least 80 of 100 sessions."


def last_digit_p(before: pd.Series, after: pd.Series) -> float | None:
    """p of a χ² test that last digits are spread alike before and after; None where there are too few readings.

    Last digits are those of the whole numbers; a reader who rounds upwards after treatment shifts them.
    """
    tables = [np.bincount(np.abs(s.dropna().round().astype(int)) % 10, minlength=10) for s in (before, after)]
    table = np.array(tables)[:, np.sum(tables, axis=0) > 0]
    if table.shape[1] < 2 or table.sum(axis=1).min() < 50:
        return None
    return float(stats.chi2_contingency(table).pvalue)


def blinded_difference(case: Case) -> Estimate | None:
    """Mean change when the reader knew, less mean change when not; clients weighted equally, Welch interval."""
    change = case.changes()
    knew = change["examiner_blinded"].map({"no": "knew", "yes": "blind"})
    means = change.assign(knew=knew).dropna(subset=["knew"]).groupby(["knew", "client"], observed=True)["change"].mean()
    groups = [means[means.index.get_level_values(0) == key].to_numpy(dtype=float) for key in ("knew", "blind")]
    if min(len(g) for g in groups) < 3 or sum(float(np.std(g)) for g in groups) == 0:
        return None
    test = stats.ttest_ind(*groups, equal_var=False)
    low, high = test.confidence_interval(0.95)
    return Estimate(
        name="knew less blind",
        value=float(np.mean(groups[0]) - np.mean(groups[1])),
        ci_low=float(low),
        ci_high=float(high),
        unit=case.unit,
        n=len(set(means.index.get_level_values(1))),
        df=float(test.df),
        p=float(test.pvalue),
        method="client means, Welch's t",
    )


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
            f"Readers who knew found {figure_text(size.value)} {case.unit} more change than readers who did not."
        )
    p = last_digit_p(case.technique["before"], case.technique["after"])
    if p is not None and p < 0.01:
        says.append(f"Last digits are spread differently before and after (χ² test, p = {figure_text(p)}).")
    if case.attributable is not None and case.attributable.ci_low > 0:
        says.append(
            f"A reader would have to lean by {figure_text(case.attributable.ci_low)} {case.unit} on every technique "
            "reading to bring the lower limit to 0."
        )
    if share is not None and share >= ENOUGH_BLINDED:
        return Rival(rival=NAME, status="closed_by_design", size=size, says=" ".join(says), what_would_close_it="")
    if case.allowance > 0:
        says.append(f"{figure_text(case.allowance)} {case.unit} are taken off the lower limit.")
        return Rival(rival=NAME, status="bounded", size=size, says=" ".join(says), what_would_close_it=CLOSE)
    return Rival(rival=NAME, status="open", size=size, says=" ".join(says), what_would_close_it=CLOSE)
