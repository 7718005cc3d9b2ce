"""Ordinal and 0-10 scales (pain, comfort): ranks and counts of better and worse, no mean needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, p_words
from toolkit.result import Estimate, Shown
from toolkit.stats.beyond_error import matched_rank_biserial, probability_of_improvement
from toolkit.stats.centre import hodges_lehmann_change
from toolkit.stats.clients import clients_of, complete_pairs
from toolkit.stats.paired_tests import TestResult, sign_test, wilcoxon_signed_rank


@dataclass(frozen=True, kw_only=True, eq=False)
class ScaleChange(Shown):
    """The change on a bounded scale, every client once, better = positive.

    `probability` is P(better) + half P(unchanged); `typical` the Hodges-Lehmann change in scale points; `rank_biserial`
    is None where fewer than two clients changed. `at_best` clients began at the scale's best end and could not improve.
    """

    measure: str
    n_rows: int
    n_missing: int
    n_clients: int
    n_better: int
    n_worse: int
    n_unchanged: int
    at_best: int
    probability: Estimate
    typical: Estimate
    rank_biserial: Estimate | None
    wilcoxon: TestResult
    sign: TestResult
    clients: pd.DataFrame

    def sentence(self) -> str:
        """How many moved which way, without a word on why."""
        ceiling = f" {self.at_best} began at the best end and could not improve." if self.at_best else ""
        return (
            f"{self.measure}: of {self.n_clients} clients {self.n_better} rated better, {self.n_worse} worse and "
            f"{self.n_unchanged} the same (Wilcoxon {p_words(self.wilcoxon.p)}; probability of improvement "
            f"{figure_text(self.probability.value)}, {100 * self.probability.confidence_level:.4g} % interval "
            f"{figure_text(self.probability.ci_low)} to {figure_text(self.probability.ci_high)}).{ceiling} "
            "A change of ratings does not say what caused it."
        )

    def table(self) -> pd.DataFrame:
        """Estimates and tests as rows."""
        found = [each.as_row() for each in (self.probability, self.typical, self.rank_biserial) if each is not None]
        tested = [
            {"what": test.name, "value": test.statistic, "unit": "statistic", "n": test.n, "n_of": "clients"}
            | {"df": test.df, "p": test.p, "method": test.method}
            for test in (self.wilcoxon, self.sign)
        ]
        return pd.DataFrame(found + tested)


def scale_change(
    rows: pd.DataFrame,
    *,
    measure: str,
    better: str,
    lowest: float = 0.0,
    highest: float = 10.0,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
) -> ScaleChange:
    """The change on an ordinal or bounded scale: signed ranks, sign test, probability of improvement.

    Parameters
    ----------
    rows
        One row a rating pair; columns `client`, `session_id`, `first`, `second`. Repeated clients are averaged.
    measure
        For the words.
    better
        "higher" or "lower" (pain: lower).
    lowest, highest
        The ends of the scale.
    first, second
        Columns to compare.
    confidence_level
        Of the intervals.

    Raises
    ------
    ToolkitError
        A rating lies outside the scale, a column is missing, text stands among the numbers.
    NotEnoughError
        No complete row, or one client only.

    References
    ----------
    Conover (1999) Practical Nonparametric Statistics; see `wilcoxon_signed_rank`, `probability_of_improvement`.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABCDEF"), "before": [6, 5, 7, 4, 3, 8], "after": [4, 5, 3, 3, 4, 5]})
    >>> found = scale_change(rows, measure="pain_rating", better="lower")
    >>> found.n_better, found.n_worse, round(found.probability.value, 2)
    (4, 1, 0.75)
    """
    pairs = complete_pairs(rows, first=first, second=second, better=better)
    outside = ((pairs.rows[["first", "second"]] < lowest) | (pairs.rows[["first", "second"]] > highest)).any(axis=1)
    if outside.any():
        raise ToolkitError(
            f"{measure}: {int(outside.sum())} row(s) hold a rating outside {lowest:g} to {highest:g}. "
            "Correct them, or give the scale's own ends."
        )
    clients = clients_of(pairs)
    if len(clients) < 2:
        raise NotEnoughError(f"{measure}: only one client rated twice. Record more clients.")
    change = np.round(clients["change"].to_numpy(dtype=float), 10)
    best = highest if better == "higher" else lowest
    return ScaleChange(
        measure=measure,
        n_rows=pairs.n_complete,
        n_missing=pairs.n_missing,
        n_clients=len(clients),
        n_better=int((change > 0).sum()),
        n_worse=int((change < 0).sum()),
        n_unchanged=int((change == 0).sum()),
        at_best=int((clients["mean_first"] == best).sum()),
        probability=probability_of_improvement(change, confidence_level=confidence_level),
        typical=hodges_lehmann_change(change, unit="scale points", confidence_level=confidence_level),
        rank_biserial=matched_rank_biserial(change, confidence_level=confidence_level)
        if np.count_nonzero(change) >= 2
        else None,
        wilcoxon=wilcoxon_signed_rank(change),
        sign=sign_test(change),
        clients=clients,
    )
