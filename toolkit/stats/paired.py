"""Did the readings move? The change from a first to a second reading, every client weighing the same."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.result import Estimate, Shown, figure_text
from toolkit.stats.centre import hodges_lehmann_change, mean_change, median_change, trimmed_mean_change
from toolkit.stats.clients import Pairs, client_share, clients_of, complete_pairs, design_effect_of, same_throughout
from toolkit.stats.paired_tests import TestResult, paired_t, sign_flip_test, sign_test, wilcoxon_signed_rank


@dataclass(frozen=True, kw_only=True, eq=False)
class PairedChange(Shown):
    """The change of clients between two readings, turned so that better is positive. Full precision throughout.

    `mean`, `median`, `trimmed_mean` (None where the middle does not vary) and `hodges_lehmann` have intervals;
    `t`, `wilcoxon`, `sign` and `sign_flip` are tests on clients. `naive` is the usual answer, a t interval over the
    rows as if each were another person; `design_effect` is by how much its squared error is too small, `icc` the share
    of the changes' variance that lies between clients. `clients` holds one row a client. Rows read = `n_rows` +
    `n_missing`.
    """

    measure: str
    unit: str
    better: str
    first: str
    second: str
    confidence_level: float
    n_rows: int
    n_missing: int
    n_sessions: int
    n_clients: int
    mean: Estimate
    median: Estimate
    trimmed_mean: Estimate | None
    hodges_lehmann: Estimate
    t: TestResult
    wilcoxon: TestResult
    sign: TestResult
    sign_flip: TestResult
    icc: float
    design_effect: float
    naive: Estimate
    clients: pd.DataFrame
    notes: tuple[str, ...] = ()

    def sentence(self) -> str:
        """What the readings did, without a word on why."""
        left_out = f" {self.n_missing} of {self.n_rows + self.n_missing} rows lack a reading." if self.n_missing else ""
        return (
            f"{self.measure}: from '{self.first}' to '{self.second}' the readings of {self.n_clients} clients "
            f"({self.n_sessions} sessions, {self.n_rows} rows) changed on average by {figure_text(self.mean.value)} "
            f"{self.unit} ({self.confidence_level:.0%} interval {figure_text(self.mean.ci_low)} to "
            f"{figure_text(self.mean.ci_high)}; better is positive; every client weighs the same).{left_out} "
            "A change of readings does not say what caused it."
        )

    def estimates(self) -> list[Estimate]:
        """Every estimate, the naive one last."""
        return [
            found
            for found in (self.mean, self.median, self.trimmed_mean, self.hodges_lehmann, self.naive)
            if found is not None
        ]

    def tests(self) -> list[TestResult]:
        """The four tests on clients."""
        return [self.t, self.wilcoxon, self.sign, self.sign_flip]

    def table(self) -> pd.DataFrame:
        """One row an estimate (`what`, `value`, limits …) and one a test."""
        found = [estimate.as_row() for estimate in self.estimates()]
        tested = [
            {"what": test.name, "value": test.statistic, "unit": "statistic", "n": test.n, "n_of": "clients"}
            | {"df": test.df, "p": test.p, "method": test.method}
            for test in self.tests()
        ]
        return pd.DataFrame(found + tested)


def _trimmed_or_why(
    changes: np.ndarray, *, unit: str, confidence_level: float
) -> tuple[Estimate | None, tuple[str, ...]]:
    """The trimmed mean, or None with the reason."""
    try:
        return trimmed_mean_change(changes, unit=unit, confidence_level=confidence_level), ()
    except NotEnoughError as why:
        return None, (str(why),)


def _refuse_thin(clients: pd.DataFrame, pairs: Pairs, measure: str, unit: str) -> None:
    """Say clearly why there is nothing to test: one client, or no variation between clients."""
    changes = clients["change"].to_numpy()
    if len(clients) < 2:
        raise NotEnoughError(
            f"{measure}: only one client has both readings ({pairs.n_complete} row(s), mean change "
            f"{changes[0]:.3g} {unit}). One client cannot show what happens to clients. "
            "Record more clients, or use the tools for one client."
        )
    if same_throughout(changes):
        raise NotEnoughError(
            f"{measure}: all {len(clients)} clients changed by exactly {changes[0]:.6g} {unit} on average. Without any "
            "variation there is no interval and no test. Real readings vary: check whether they were copied or rounded."
        )


def paired_change(
    rows: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    better: str,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
    rng: np.random.Generator | int | None = None,
) -> PairedChange:
    """The change from `first` to `second`, clients weighted equally, with every usual estimate and test.

    Args:
        rows: one row a measured side of one session, of one measure; columns `client`, `session_id`, `first`, `second`.
        measure, unit: for the words; the readings must all be in `unit`.
        better: "higher" or "lower"; changes are turned so that better is positive.
        first, second: columns to compare (`before_2` for a side that was chosen because `before` was bad).
        confidence_level: of every interval.
        rng: numpy Generator or seed; used by the sign-flip test above 20 clients.

    Raises:
        ToolkitError: a column is missing, a client is empty, text stands among the numbers.
        NotEnoughError: no complete row, one client only, or no variation between clients.

    Source: see `mean_change`, `median_change`, `trimmed_mean_change`, `hodges_lehmann_change`, `paired_tests`.

    Example:
        >>> rows = pd.DataFrame({"client": list("AABC"), "before": [30, 32, 40, 35], "after": [34, 38, 41, 38]})
        >>> found = paired_change(rows, measure="lunge", unit="deg", better="higher")
        >>> found.mean.value, found.n_clients, found.n_rows
        (3.0, 3, 4)
    """
    pairs = complete_pairs(rows, first=first, second=second, better=better)
    clients = clients_of(pairs)
    _refuse_thin(clients, pairs, measure, unit)
    changes = clients["change"].to_numpy(dtype=float)
    trimmed, notes = _trimmed_or_why(changes, unit=unit, confidence_level=confidence_level)
    return PairedChange(
        measure=measure,
        unit=unit,
        better=better,
        first=first,
        second=second,
        confidence_level=confidence_level,
        n_rows=pairs.n_complete,
        n_missing=pairs.n_missing,
        n_sessions=int(clients["n_sessions"].sum()),
        n_clients=len(clients),
        mean=mean_change(changes, unit=unit, confidence_level=confidence_level),
        median=median_change(changes, unit=unit, confidence_level=confidence_level),
        trimmed_mean=trimmed,
        hodges_lehmann=hodges_lehmann_change(changes, unit=unit, confidence_level=confidence_level),
        t=paired_t(changes),
        wilcoxon=wilcoxon_signed_rank(changes),
        sign=sign_test(changes),
        sign_flip=sign_flip_test(changes, rng=rng),
        icc=client_share(pairs),
        design_effect=design_effect_of(pairs),
        naive=mean_change(
            pairs.rows["change"].to_numpy(dtype=float),
            unit=unit,
            confidence_level=confidence_level,
            name="mean change over rows (every row taken for another person)",
            n_of="rows",
        ),
        clients=clients,
        notes=notes,
    )
