"""Tests of a sign read twice in the same people: McNemar's in its versions, Cochran's Q, and for clustered pairs.

Each takes one row a client with the counts `yes_yes`, `yes_no`, `no_yes`, `no_no` of the client's pairs. On the same
records they give different figures; with few clients none is exact, and the sign-flip test on clients is the safer one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.quantiles import chi2_above
from toolkit.result import Estimate
from toolkit.stats.clients import Floats
from toolkit.stats.paired_tests import TestResult
from toolkit.stats.proportions import PairedCounts, wilson_limits


def _mcnemar(counts: PairedCounts, *, statistic: float, p: float, df: float | None, method: str) -> TestResult:
    """One version of McNemar's test; where nobody's answer changed p is 1 and the method says so."""
    if counts.discordant == 0:
        statistic, p, method = 0.0, 1.0, f"nobody's answer changed ({counts.n} pairs): p = 1"
    return TestResult(name="McNemar test", statistic=statistic, p=p, df=df, n=counts.discordant, method=method)


def mcnemar_chi2(counts: PairedCounts) -> TestResult:
    """McNemar's chi-squared without continuity correction; for some 25 changed answers or more.

    References
    ----------
    McNemar (1947) Psychometrika 12:153-157.

    Examples
    --------
    >>> round(mcnemar_chi2(PairedCounts(yes_yes=794, yes_no=150, no_yes=86, no_no=570)).statistic, 2)
    17.36
    """
    squared = (counts.yes_no - counts.no_yes) ** 2 / max(counts.discordant, 1)
    return _mcnemar(counts, statistic=squared, p=float(chi2_above(squared, 1)), df=1.0, method="chi-squared")


def mcnemar_chi2_corrected(counts: PairedCounts) -> TestResult:
    """McNemar's chi-squared with Edwards' continuity correction.

    References
    ----------
    Edwards (1948) Psychometrika 13:185-187.
    """
    gap = max(abs(counts.yes_no - counts.no_yes) - 1, 0)
    squared = gap**2 / max(counts.discordant, 1)
    return _mcnemar(
        counts,
        statistic=squared,
        p=float(chi2_above(squared, 1)),
        df=1.0,
        method="chi-squared, continuity-corrected",
    )


def mcnemar_exact(counts: PairedCounts) -> TestResult:
    """McNemar's test, exact: a binomial test on the changed answers. `statistic` is how many went from no to yes.

    Examples
    --------
    >>> mcnemar_exact(PairedCounts(yes_yes=4, yes_no=0, no_yes=5, no_no=3)).p
    0.0625
    """
    from scipy import stats

    p = float(stats.binomtest(counts.no_yes, counts.discordant, 0.5).pvalue) if counts.discordant else 1.0
    return _mcnemar(counts, statistic=float(counts.no_yes), p=p, df=None, method="exact binomial")


def _exactly(k: int, n: int) -> float:
    """Probability of exactly k heads in n tosses."""
    return float(special.bdtr(k, n, 0.5) - (special.bdtr(k - 1, n, 0.5) if k else 0.0))


def mcnemar_midp(counts: PairedCounts) -> TestResult:
    """McNemar's test with the mid-p value: less cautious than the exact test, seldom above its level.

    References
    ----------
    Fagerland, Lydersen & Laake (2013) BMC Medical Research Methodology 13:91.

    Examples
    --------
    >>> round(mcnemar_midp(PairedCounts(yes_yes=4, yes_no=0, no_yes=5, no_no=3)).p, 5)
    0.03125
    """
    m, fewer = counts.discordant, min(counts.yes_no, counts.no_yes)
    p = 2 * float(special.bdtr(fewer, m, 0.5)) - _exactly(fewer, m)
    return _mcnemar(counts, statistic=float(counts.no_yes), p=min(1.0, p), df=None, method="mid-p binomial")


def conditional_odds_ratio(improved: int, worsened: int, *, confidence_level: float = 0.95) -> Estimate:
    """Of those whose answer changed: odds of improving over getting worse, Wilson's limits turned into odds.

    With nobody worse the ratio and its upper limit are "no limit"; the lower limit still tells.

    Raises
    ------
    ToolkitError
        A count is negative.
    NotEnoughError
        Nobody's answer changed.

    References
    ----------
    Fagerland, Lydersen & Laake (2014) Statistics in Medicine 33:2850-2875.

    Examples
    --------
    >>> found = conditional_odds_ratio(150, 86)
    >>> round(found.value, 3), round(found.ci_low, 2), round(found.ci_high, 2)
    (1.744, 1.34, 2.27)
    """
    if improved < 0 or worsened < 0:
        raise ToolkitError(f"Counts cannot be negative: {improved} improved, {worsened} worsened.")
    changed = improved + worsened
    if changed == 0:
        raise NotEnoughError("Nobody's answer changed: there is no odds ratio of change. Report the share instead.")
    low, high = wilson_limits(improved / changed, changed, confidence_level=confidence_level)

    def odds(share: float) -> float:
        return share / (1 - share) if share < 1 else float("inf")

    return Estimate(
        name="conditional odds ratio (improved : worsened)",
        value=improved / worsened if worsened else float("inf"),
        ci_low=odds(low),
        ci_high=odds(high) if worsened else float("inf"),
        unit="ratio",
        n=changed,
        n_of="changed answers",
        method="ratio of changed answers; Wilson limits as odds",
        confidence_level=confidence_level,
    )


def cochran_q(answers: Any) -> TestResult:
    """Cochran's Q: is a sign equally frequent at three or more readings of the same people?

    Parameters
    ----------
    answers
        One row a person, one column a reading, 0 or 1 throughout.

    Raises
    ------
    ToolkitError
        Something is neither 0 nor 1, or fewer than two columns.
    NotEnoughError
        Every person answered the same throughout.

    References
    ----------
    Cochran (1950) Biometrika 37:256-266; computed by statsmodels.

    Examples
    --------
    >>> round(cochran_q([[1, 1, 0], [1, 1, 0], [0, 1, 0], [1, 0, 0]]).statistic, 3)
    4.5
    """
    from statsmodels.stats.contingency_tables import cochrans_q

    try:
        table = np.asarray(answers, dtype=float)
    except (TypeError, ValueError) as wrong:
        raise ToolkitError("The answers hold something that is not a number: write 0 (no) or 1 (yes).") from wrong
    if table.ndim != 2 or table.shape[1] < 2 or not np.isin(table, (0.0, 1.0)).all():
        raise ToolkitError("Cochran's Q needs one row a person, two or more readings, each 0 (no) or 1 (yes).")
    varied = (table.sum(axis=1) > 0) & (table.sum(axis=1) < table.shape[1])
    if not varied.any():
        raise NotEnoughError(f"All {len(table)} persons gave the same answer throughout: there is no change to test.")
    found = cochrans_q(table)
    return TestResult(
        name="Cochran's Q",
        statistic=float(found.statistic),
        p=float(found.pvalue),
        df=float(table.shape[1] - 1),
        n=len(table),
        method=f"chi-squared; {int(varied.sum())} persons whose answer changed",
    )


CELLS = ["yes_yes", "yes_no", "no_yes", "no_no"]


def checked_clusters(clusters: pd.DataFrame) -> pd.DataFrame:
    """The four counts a client, clients without a pair left out.

    Raises
    ------
    ToolkitError
        A column is missing or a count negative or not whole.
    NotEnoughError
        Fewer than two clients with a pair, or nobody's answer changed.
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

    References
    ----------
    Obuchowski (1998) Statistics in Medicine 17:1495-1507.

    Examples
    --------
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

    References
    ----------
    Durkalski, Palesch, Lipsitz & Rust (2003) Statistics in Medicine 22:2417-2428.
    """
    counts = checked_clusters(clusters)
    net, pairs = _net(counts)
    share = net / pairs
    return _tested(float(share.sum() ** 2 / _refuse_zero(float((share**2).sum()))), len(net), "Durkalski 2003")


def yang_test(clusters: pd.DataFrame) -> TestResult:
    """Clustered McNemar test with the mean of the variances under equality and as observed.

    References
    ----------
    Yang, Sun & Hardin (2010) Biometrical Journal 52:638-652.
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

    References
    ----------
    Eliasziw & Donner (1991) Statistics in Medicine 10:1981-1991.
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
