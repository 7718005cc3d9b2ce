"""McNemar's test when a client gives several pairs (sides, sessions): four published versions for clustered pairs.

Each takes one row a client with the counts `yes_yes`, `yes_no`, `no_yes`, `no_no` of the client's pairs. On the same
records they give different figures; with few clients none is exact, and the sign-flip test on clients is the safer one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.change.clients import Floats
from toolkit.change.paired_tests import TestResult
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.quantiles import chi2_above

CELLS = ["yes_yes", "yes_no", "no_yes", "no_no"]


def checked_clusters(clusters: pd.DataFrame) -> pd.DataFrame:
    """The four counts a client, clients without a pair left out.

    Raises:
        ToolkitError: a column is missing or a count negative or not whole.
        NotEnoughError: fewer than two clients with a pair, or nobody's answer changed.
    """
    missing = [cell for cell in CELLS if cell not in clusters.columns]
    if missing:
        raise ToolkitError(
            f"Counts a client are needed in the columns {', '.join(CELLS)}; missing: {', '.join(missing)}."
        )
    counts = clusters[CELLS].astype(float)
    if (counts < 0).any(axis=None) or (counts != counts.round()).any(axis=None):
        raise ToolkitError("Counts a client must be whole numbers from 0 up.")
    counts = counts[counts.sum(axis=1) > 0]
    if len(counts) < 2:
        raise NotEnoughError(f"{len(counts)} client(s) with a pair: a clustered test needs at least two.")
    if not (counts["yes_no"] + counts["no_yes"]).any():
        raise NotEnoughError("Nobody's answer changed: there is nothing to test. Report the shares.")
    return counts


def _tested(statistic: float, clients: int, method: str) -> TestResult:
    return TestResult(
        name="McNemar test, clustered",
        statistic=statistic,
        p=float(chi2_above(statistic, 1)),
        df=1.0,
        n=clients,
        method=method,
    )


def _net(counts: pd.DataFrame) -> tuple[Floats, Floats]:
    """A client's net change (no to yes minus yes to no) and number of pairs."""
    net = (counts["no_yes"] - counts["yes_no"]).to_numpy(dtype=float)
    return net, counts.sum(axis=1).to_numpy(dtype=float)


def _refuse_zero(spread: float) -> float:
    if spread <= 0:
        raise NotEnoughError("No client's changes differ from the others': a clustered test has no variance to use.")
    return spread


def obuchowski_test(clusters: pd.DataFrame) -> TestResult:
    """Clustered McNemar test from the variance between clients under equality, (K - 1)/K corrected.

    Source: Obuchowski (1998) Statistics in Medicine 17:1495-1507.

    Example:
        >>> counts = pd.DataFrame({"yes_yes": [1, 0, 2], "yes_no": [0, 0, 1], "no_yes": [2, 1, 0], "no_no": [1, 1, 0]})
        >>> round(obuchowski_test(counts).statistic, 4)
        0.4444
    """
    counts = checked_clusters(clusters)
    net, _ = _net(counts)
    k = len(net)
    statistic = (k - 1) / k * net.sum() ** 2 / _refuse_zero(float((net**2).sum()))
    return _tested(float(statistic), k, "Obuchowski 1998")


def durkalski_test(clusters: pd.DataFrame) -> TestResult:
    """Clustered McNemar test on every client's net change per pair, so that each client weighs the same.

    Source: Durkalski, Palesch, Lipsitz & Rust (2003) Statistics in Medicine 22:2417-2428.
    """
    counts = checked_clusters(clusters)
    net, pairs = _net(counts)
    share = net / pairs
    return _tested(float(share.sum() ** 2 / _refuse_zero(float((share**2).sum()))), len(net), "Durkalski 2003")


def yang_test(clusters: pd.DataFrame) -> TestResult:
    """Clustered McNemar test with the mean of the variances under equality and as observed.

    Source: Yang, Sun & Hardin (2010) Biometrical Journal 52:638-652.
    """
    counts = checked_clusters(clusters)
    net, pairs = _net(counts)
    k = len(net)
    observed = ((net - pairs * net.sum() / pairs.sum()) ** 2).sum()
    spread = _refuse_zero(float(observed + (net**2).sum()) / 2)
    return _tested(float((k - 1) / k * net.sum() ** 2 / spread), k, "Yang 2010")


def _typical_size(sizes: Floats) -> float:
    """The average number of pairs a client that an ANOVA with unequal sizes works with."""
    k, mean = len(sizes), float(sizes.mean())
    return mean - float(((sizes - mean) ** 2).sum()) / (k * (k - 1) * mean)


def _answers_correlation(counts: pd.DataFrame) -> float:
    """How alike the pairs of one client are, over all four answers (ANOVA estimate)."""
    cells = counts.to_numpy(dtype=float)
    pairs = cells.sum(axis=1)
    k, mean = len(pairs), float(pairs.mean())
    off = cells - np.outer(pairs, cells.sum(axis=0) / pairs.sum())
    between = float((off**2 / pairs[:, None]).sum()) / k
    within = float((cells * (pairs[:, None] - cells) / pairs[:, None]).sum()) / (k * (mean - 1))
    total = between + (_typical_size(pairs) - 1) * within
    if total <= 0:
        raise NotEnoughError(
            "All pairs of all clients have the same answers: how alike a client's pairs are stays open."
        )
    return (between - within) / total


def eliasziw_donner_test(clusters: pd.DataFrame) -> TestResult:
    """McNemar's chi-squared divided by a variance inflation from the correlation of a client's changed answers.

    The correlation comes from all four answers; a correlation at or below 0 inflates nothing.

    Source: Eliasziw & Donner (1991) Statistics in Medicine 10:1981-1991.
    """
    counts = checked_clusters(clusters)
    up, down = float(counts["no_yes"].sum()), float(counts["yes_no"].sum())
    plain = (up - down) ** 2 / (up + down)
    pairs = counts.sum(axis=1).to_numpy(dtype=float)
    changed = (counts["yes_no"] + counts["no_yes"]).to_numpy(dtype=float)
    with_change = changed[changed > 0]
    if (pairs <= 1).all() or len(with_change) < 2:
        return _tested(plain, len(pairs), "Eliasziw & Donner 1991 (no client with several changed answers)")
    alike = _answers_correlation(counts)
    if alike <= 0:
        return _tested(plain, len(pairs), "Eliasziw & Donner 1991 (correlation at or below 0: no inflation)")
    of_changed = 1 / (1 + (up + down) / pairs.sum() * (1 - alike) / alike)
    k, typical = len(with_change), _typical_size(with_change)
    crowd = typical + k * (float(with_change.mean()) - typical)
    return _tested(plain / (1 + (crowd - 1) * of_changed), len(pairs), "Eliasziw & Donner 1991")
