"""Who moved by more than measurement error, and how many got better whatever by: clients, never rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text, quantity
from toolkit.quantiles import normal_above, normal_quantile
from toolkit.result import Estimate, Shown
from toolkit.stats.centre import checked_level, normal_reach
from toolkit.stats.clients import Floats, clients_of, complete_pairs
from toolkit.stats.paired_tests import checked_differences, signed_ranks
from toolkit.stats.proportions import share_of


def probability_of_improvement(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """P(change > 0) + half of P(change = 0): how often a client improves, ties split. One half = nothing.

    The interval is Bonett & Price's adjusted Wald interval for paired shares, one imagined person added to each side;
    it holds its level from n = 8 on, apart from the steps that any count has.

    Parameters
    ----------
    differences
        One oriented change a person.

    Raises
    ------
    NotEnoughError
        Fewer than two persons.

    References
    ----------
    Bonett & Price (2012) Journal of Educational and Behavioral Statistics 37:479-488.

    Examples
    --------
    >>> probability_of_improvement([1, 2, 0, -1]).value
    0.625
    """
    values = np.round(checked_differences(differences), 10)
    n = len(values)
    up, down = float((values > 0).sum()), float((values < 0).sum())
    a, b = (up + 1) / (n + 2), (down + 1) / (n + 2)
    z = normal_reach(confidence_level)
    reach = z * np.sqrt((a + b - (a - b) ** 2) / (n + 2))
    return Estimate(
        name="probability of improvement",
        value=(up + (n - up - down) / 2) / n,
        ci_low=max(0.0, float(1 + a - b - reach) / 2),
        ci_high=min(1.0, float(1 + a - b + reach) / 2),
        unit="probability",
        n=n,
        method="share better + half the share unchanged; Bonett-Price interval",
        confidence_level=confidence_level,
    )


def _pair_share_error(share: float, n: int) -> float:
    """Standard error of the share of pairs of persons whose changes sum above 0, were their distribution normal.

    The exact variance of a U statistic of two (Hoeffding 1948), its covariance term from the bivariate normal with
    correlation one half (Owen's T).
    """
    at = special.ndtri(share)
    shared = share - 2 * special.owens_t(at, 1 / np.sqrt(3)) - share**2
    return float(np.sqrt((4 * (n - 2) * shared + 2 * share * (1 - share)) / (n * (n - 1))))


def _pair_share_limits(share: float, n: int, *, confidence_level: float) -> tuple[float, float]:
    """Score limits for the share of pairs that sum above 0: all values the observed share does not contradict."""
    from scipy import optimize

    z = normal_reach(confidence_level)

    def contradiction(at: float) -> float:
        return abs(share - at) - z * _pair_share_error(at, n)

    edge = 1e-9
    here = float(np.clip(share, edge, 1 - edge))
    low = optimize.brentq(contradiction, edge, here) if contradiction(edge) > 0 > contradiction(here) else 0.0
    high = optimize.brentq(contradiction, here, 1 - edge) if contradiction(1 - edge) > 0 > contradiction(here) else 1.0
    return float(low), float(high)


def matched_rank_biserial(differences: Any, *, confidence_level: float = 0.95) -> Estimate:
    """Matched-pairs rank-biserial correlation: (V+ - V-) / (V+ + V-), from -1 to 1; zeros dropped.

    The interval is a score interval for the share of pairs of persons whose changes sum above 0 (a U statistic), its
    variance that of normal changes; it covers 94-96 % for normal and heavy-tailed changes from n = 8 on.

    Raises
    ------
    NotEnoughError
        Fewer than two persons, or fewer than two that changed.

    References
    ----------
    Kerby (2014) Comprehensive Psychology 3:11.IT.3.1; the interval is our own, see the coverage table.

    Examples
    --------
    >>> round(matched_rank_biserial([3, 2, 1, -4]).value, 3)
    0.2
    """
    values = checked_differences(differences)
    ranks = checked_differences(signed_ranks(values))
    share = float(ranks[ranks > 0].sum() / np.abs(ranks).sum())
    n = len(ranks)
    pairs_share = float(ranks[ranks > 0].sum() - (ranks > 0).sum()) / (n * (n - 1) / 2)
    low, high = _pair_share_limits(pairs_share, n, confidence_level=checked_level(confidence_level))
    return Estimate(
        name="matched rank-biserial correlation",
        value=2 * share - 1,
        ci_low=2 * min(low, share) - 1,
        ci_high=2 * max(high, share) - 1,
        unit="correlation",
        n=n,
        method="(V+ - V-) / (V+ + V-), zeros dropped; score interval of a U statistic",
        confidence_level=confidence_level,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Responders(Shown):
    """Shares of clients beyond measurement error, beyond the smallest change that matters, or both.

    `threshold` is the MDC for one change; a client of m sessions is judged against threshold / sqrt(m), because the
    mean of m changes has that much less error. `worse` counts those as far beyond it on the wrong side. `expected` are
    the shares that measurement error alone would give if nobody changed, keyed like the estimates. The smallest change
    that matters is not divided: a client either got that much or not. `clients` holds one row a client.
    """

    measure: str
    unit: str
    threshold: float
    threshold_source: str
    smallest_change_that_matters: float | None
    smallest_change_source: str
    n_missing: int
    beyond_error: Estimate
    worse: Estimate
    beyond_mic: Estimate | None
    both: Estimate | None
    expected: dict[str, float]
    clients: pd.DataFrame

    def sentence(self) -> str:
        """How many moved beyond the ruler's error, beside how many would if nothing happened."""
        by_chance = self.expected["beyond_error"]
        enough = ""
        if self.both is not None:
            enough = (
                f" {figure_text(100 * self.both.value)} % also reached the "
                f"{quantity(self.smallest_change_that_matters, self.unit)} that matter "
                f"({self.smallest_change_source})."
            )
        return (
            f"{self.measure}: {figure_text(100 * self.beyond_error.value)} % of {self.beyond_error.n} clients "
            f"({100 * self.beyond_error.confidence_level:.4g} % interval "
            f"{figure_text(100 * self.beyond_error.ci_low)} to {figure_text(100 * self.beyond_error.ci_high)} %) "
            f"improved by more than measurement error ({quantity(self.threshold, self.unit)} for one change; "
            f"{self.threshold_source}); error alone would "
            f"show {figure_text(100 * by_chance)} %, and {figure_text(100 * self.worse.value)} % got worse by as much."
            f"{enough} Beyond error does not mean because of the treatment."
        )

    def table(self) -> pd.DataFrame:
        """One row a share, with the share expected if nothing happened."""
        return pd.DataFrame(
            [
                found.as_row() | {"expected_if_nothing_happened": self.expected[kind]}
                for kind, found in self.shares().items()
            ]
        )

    def shares(self) -> dict[str, Estimate]:
        """The shares there are, keyed like `expected`."""
        kinds = {
            "beyond_error": self.beyond_error,
            "worse": self.worse,
            "beyond_mic": self.beyond_mic,
            "both": self.both,
        }
        return {kind: found for kind, found in kinds.items() if found is not None}


def _checked_sizes(threshold: float, mic: float | None, sem: float | None) -> None:
    """Refuse sizes that are not above 0."""
    for size, what in ((threshold, "threshold"), (mic, "smallest change that matters"), (sem, "SEM")):
        if size is not None and not (np.isfinite(size) and size > 0):
            raise ToolkitError(f"The {what} is {size:g}: give a size above 0, in the readings' unit.")


def _expected_shares(sessions: Floats, *, threshold: float, mic: float | None, sem: float) -> dict[str, float]:
    """Shares of clients beyond each bound if every change were error only: normal, SD sqrt(2) SEM / sqrt(sessions)."""
    spread = np.sqrt(2.0) * sem / np.sqrt(sessions)
    error = threshold / np.sqrt(sessions)
    beyond = float(normal_above(error / spread).mean())
    shares = {"beyond_error": beyond, "worse": beyond}
    if mic is not None:
        shares["beyond_mic"] = float(normal_above(mic / spread).mean())
        shares["both"] = float(normal_above(np.maximum(mic, error) / spread).mean())
    return shares


def responders(
    rows: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    better: str,
    threshold: float,
    threshold_source: str,
    smallest_change_that_matters: float | None = None,
    smallest_change_source: str = "",
    sem: float | None = None,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
) -> Responders:
    """Shares of clients beyond measurement error (MDC), beyond the smallest change that matters (MIC), and beyond both.

    A client is judged once, by the mean of the client's changes, against the MDC of a mean of as many sessions
    (MDC / sqrt(sessions)). Rows of the same session (two sides) count as one session there, since they share a visit.

    Parameters
    ----------
    rows
        One row a measured side of one session, of one measure; columns `client`, `session_id`, `first`, `second`.
    measure, unit
        For the words.
    better
        "higher" or "lower".
    threshold
        MDC of one person's single change, in `unit`.
    threshold_source
        Where it comes from ("own records", a citation).
    smallest_change_that_matters, smallest_change_source
        MIC in `unit` and where it comes from.
    sem
        Standard error of measurement in `unit`; left out, the threshold is taken for an MDC95 (1.96 sqrt(2) SEM).
    first, second
        Columns to compare.
    confidence_level
        Of Wilson's intervals.

    Raises
    ------
    ToolkitError
        A size is not above 0, a column is missing, text stands among the numbers.
    NotEnoughError
        No row holds both readings.

    References
    ----------
    de Vet et al. (2006) Health and Quality of Life Outcomes 4:54 (MDC and MIC); Wilson (1927).

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [40, 36, 45, 32]})
    >>> said = {"measure": "lunge", "unit": "deg", "better": "higher", "threshold_source": "MDC95"}
    >>> found = responders(rows, threshold=5, **said)
    >>> found.beyond_error.value, round(found.expected["beyond_error"], 3)
    (0.5, 0.025)
    """
    _checked_sizes(threshold, smallest_change_that_matters, sem)
    pairs = complete_pairs(rows, first=first, second=second, better=better)
    clients = clients_of(pairs)
    sessions = clients["n_sessions"].to_numpy(dtype=float)
    change = np.round(clients["change"].to_numpy(dtype=float), 10)
    error = threshold / np.sqrt(sessions)
    clients = clients.assign(threshold=error, beyond_error=change > error, worse=change < -error)
    mic = smallest_change_that_matters
    if mic is not None:
        clients = clients.assign(beyond_mic=change >= mic, both=(change > error) & (change >= mic))

    def share(kind: str, name: str) -> Estimate:
        return share_of(int(clients[kind].sum()), len(clients), name=name, confidence_level=confidence_level)

    return Responders(
        measure=measure,
        unit=unit,
        threshold=threshold,
        threshold_source=threshold_source,
        smallest_change_that_matters=mic,
        smallest_change_source=smallest_change_source or "source not given",
        n_missing=pairs.n_missing,
        beyond_error=share("beyond_error", "improved beyond measurement error"),
        worse=share("worse", "got worse beyond measurement error"),
        beyond_mic=None if mic is None else share("beyond_mic", "improved by at least what matters"),
        both=None if mic is None else share("both", "improved beyond measurement error and by what matters"),
        expected=_expected_shares(
            sessions,
            threshold=threshold,
            mic=mic,
            sem=threshold / (normal_quantile(0.975) * np.sqrt(2)) if sem is None else sem,
        ),
        clients=clients,
    )
