"""A sign read before and after (the heel lifts: yes or no): how many clients gained or lost it, every client once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, p_words
from toolkit.result import Estimate, Shown
from toolkit.stats.clients import Pairs, clients_of, complete_pairs, direction
from toolkit.stats.paired_tests import TestResult, flip_signs
from toolkit.stats.proportions import PairedCounts, PairedShares, paired_score_limits
from toolkit.stats.sign_tests import (
    conditional_odds_ratio,
    durkalski_test,
    eliasziw_donner_test,
    mcnemar_chi2_corrected,
    mcnemar_exact,
    mcnemar_midp,
    obuchowski_test,
    yang_test,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SignsChange(Shown):
    """The change of a sign between two readings; positive = better, clients weighted equally.

    `counts` are the rows' 2 x 2 table; `difference` is the mean over clients of each client's net share that improved.
    `tests` starts with the one to report: McNemar's mid-p where every client gives one pair, the client-level sign-flip
    test where clients repeat. `odds_ratio` (None where nobody changed) counts rows and ignores repetition.
    `clients` holds one row a client with the four counts.
    """

    measure: str
    better: str
    confidence_level: float
    n_rows: int
    n_missing: int
    n_sessions: int
    n_clients: int
    counts: PairedCounts
    first_share: float
    second_share: float
    difference: Estimate
    odds_ratio: Estimate | None
    tests: tuple[TestResult, ...]
    clients: pd.DataFrame
    notes: tuple[str, ...] = ()

    @property
    def test(self) -> TestResult:
        """The test to report."""
        return self.tests[0]

    def sentence(self) -> str:
        """How often the sign was there before and after, without a word on why."""
        return (
            f"{self.measure}: present in {figure_text(100 * self.first_share)} % before and "
            f"{figure_text(100 * self.second_share)} % after ({self.n_clients} clients, {self.n_rows} pairs, every "
            f"client weighs the same); {figure_text(100 * self.difference.value)} % net for the better "
            f"({100 * self.confidence_level:.4g} % interval {figure_text(100 * self.difference.ci_low)} to "
            f"{figure_text(100 * self.difference.ci_high)} %; {self.test.name}, {self.test.method}: "
            f"{p_words(self.test.p)}). A change of readings does not say what caused it."
        )

    def table(self) -> pd.DataFrame:
        """The difference, the odds ratio and every test as rows."""
        found = [self.difference.as_row()] + ([self.odds_ratio.as_row()] if self.odds_ratio else [])
        tested = [
            {"what": test.name, "value": test.statistic, "unit": "statistic", "n": test.n, "n_of": "clients or pairs"}
            | {"df": test.df, "p": test.p, "method": test.method}
            for test in self.tests
        ]
        return pd.DataFrame(found + tested)


def _checked_signs(pairs: Pairs, measure: str) -> None:
    """Refuse values other than 0 and 1."""
    read = pairs.rows[["first", "second"]].to_numpy()
    odd = ~np.isin(read, (0.0, 1.0))
    if odd.any():
        raise ToolkitError(
            f"{measure}: {int(odd.any(axis=1).sum())} row(s) hold something other than 0 (no) and 1 (yes). "
            "A sign is present or absent; a scale belongs to another measure."
        )


def cluster_counts(pairs: Pairs) -> pd.DataFrame:
    """One row a client: how many of the client's pairs were yes-yes, yes-no, no-yes, no-no."""
    first, second = (pairs.rows[which].to_numpy() == 1 for which in ("first", "second"))
    code, names = pd.factorize(pairs.rows["client"], sort=True)
    cells = {
        "yes_yes": first & second,
        "yes_no": first & ~second,
        "no_yes": ~first & second,
        "no_no": ~first & ~second,
    }
    counted = {name: np.bincount(code, weights=cell).astype(int) for name, cell in cells.items()}
    return pd.DataFrame({"client": names, **counted})


def _equal_weight_shares(clients: pd.DataFrame) -> PairedShares:
    """The four shares with every client weighing the same, and how many independent pairs they are worth.

    The worth compares the variance a single pair would have with the variance seen between clients; it lies between
    the number of clients and the number of pairs.
    """
    cells = clients[["yes_yes", "yes_no", "no_yes", "no_no"]].to_numpy(dtype=float)
    pairs = cells.sum(axis=1)
    each = cells / pairs[:, None]
    net = each[:, 2] - each[:, 1]
    single = float(each[:, 1].mean() + each[:, 2].mean() - net.mean() ** 2)
    spread = float(net.var())
    worth = len(cells) * single / spread if spread > 0 else float(len(cells))
    mean = each.mean(axis=0)
    return PairedShares(
        yes_yes=float(mean[0]),
        yes_no=float(mean[1]),
        no_yes=float(mean[2]),
        no_no=float(mean[3]),
        n=float(np.clip(worth, len(cells), pairs.sum())),
    )


def net_improvement(clients: pd.DataFrame, *, better: str, confidence_level: float = 0.95) -> Estimate:
    """The net share that improved: mean over clients of each client's net share of pairs, better = positive.

    Newcombe's paired limits, on as many pairs as the variance between clients is worth.

    Parameters
    ----------
    clients
        One row a client with the counts `yes_yes`, `yes_no`, `no_yes`, `no_no` (see `cluster_counts`).
    better
        "higher" where the sign is a good one, "lower" where it should go away.
    confidence_level
        Of the interval.

    Examples
    --------
    >>> counts = pd.DataFrame({"yes_yes": [1, 0, 0], "yes_no": [1, 1, 0], "no_yes": [0, 0, 0], "no_no": [0, 1, 1]})
    >>> round(net_improvement(counts, better="lower").value, 3)
    0.333
    """
    turned, shares = direction(better), _equal_weight_shares(clients)
    low, high = paired_score_limits(shares, confidence_level=confidence_level)
    repeated = "" if abs(shares.n - len(clients)) < 1e-9 else f" on {shares.n:.1f} effective pairs"
    return Estimate(
        name="net share that improved",
        value=turned * (shares.second - shares.first),
        ci_low=low if turned > 0 else -high,
        ci_high=high if turned > 0 else -low,
        unit="share",
        n=len(clients),
        method=f"Newcombe's paired score interval (1998, method 10){repeated}, clients weighted equally",
        confidence_level=confidence_level,
    )


def _tests_of_repeated(
    clients: pd.DataFrame, turned: float, rng: np.random.Generator | int | None
) -> tuple[tuple[TestResult, ...], tuple[str, ...]]:
    """The client-level sign-flip test, then four published clustered versions; where those refuse, the reason."""
    pairs = clients[["yes_yes", "yes_no", "no_yes", "no_no"]].sum(axis=1)
    net = turned * (clients["no_yes"] - clients["yes_no"]) / pairs
    found = [flip_signs(net.to_numpy(dtype=float), rng=rng)]
    refused: list[str] = []
    for test in (durkalski_test, obuchowski_test, yang_test, eliasziw_donner_test):
        try:
            found.append(test(clients))
        except NotEnoughError as why:
            refused.append(str(why))
    return tuple(found), tuple(dict.fromkeys(refused))


def signs_change(
    rows: pd.DataFrame,
    *,
    measure: str,
    better: str,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
    rng: np.random.Generator | int | None = None,
) -> SignsChange:
    """The change of a sign (0 = absent, 1 = present) between two readings, every client weighing the same.

    Parameters
    ----------
    rows
        One row a measured side of one session, of one sign; columns `client`, `session_id`, `first`, `second`.
    measure
        For the words.
    better
        "higher" where the sign is a good one, "lower" where it should go away.
    first, second
        Columns to compare.
    confidence_level
        Of the intervals.
    rng
        Numpy Generator or seed; used by the sign-flip test when more than 20 clients repeat.

    Raises
    ------
    ToolkitError
        A column is missing, a client is empty, a value is neither 0 nor 1.
    NotEnoughError
        No complete row, or one client only.

    References
    ----------
    Newcombe (1998) Statistics in Medicine 17:2635-2650; Fagerland et al. (2013); Durkalski et al. (2003).

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABCDE"), "before": [1, 1, 1, 0, 1], "after": [0, 0, 1, 0, 0]})
    >>> found = signs_change(rows, measure="heel_lift", better="lower")
    >>> round(found.difference.value, 2), found.test.p
    (0.6, 0.125)
    """
    turned = direction(better)
    pairs = complete_pairs(rows, first=first, second=second, better=better)
    _checked_signs(pairs, measure)
    clients = cluster_counts(pairs)
    if len(clients) < 2:
        raise NotEnoughError(
            f"{measure}: only one client has both readings. One client cannot show what happens to clients; "
            "record more."
        )
    cells = clients[["yes_yes", "yes_no", "no_yes", "no_no"]].sum()
    counts = PairedCounts(**{str(name): int(count) for name, count in cells.items()})
    improved, worsened = (counts.no_yes, counts.yes_no) if turned > 0 else (counts.yes_no, counts.no_yes)
    shares = _equal_weight_shares(clients)
    notes: tuple[str, ...] = ()
    if counts.n == len(clients):
        tests: tuple[TestResult, ...] = (mcnemar_midp(counts), mcnemar_exact(counts), mcnemar_chi2_corrected(counts))
    else:
        tests, notes = _tests_of_repeated(clients, turned, rng)
    return SignsChange(
        measure=measure,
        better=better,
        confidence_level=confidence_level,
        n_rows=pairs.n_complete,
        n_missing=pairs.n_missing,
        n_sessions=int(clients_of(pairs)["n_sessions"].sum()),
        n_clients=len(clients),
        counts=counts,
        first_share=shares.first,
        second_share=shares.second,
        difference=net_improvement(clients, better=better, confidence_level=confidence_level),
        odds_ratio=conditional_odds_ratio(improved, worsened, confidence_level=confidence_level)
        if counts.discordant
        else None,
        tests=tests,
        clients=clients,
        notes=notes,
    )
