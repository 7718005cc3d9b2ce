"""Exact tail areas against scipy.stats, which the toolkit does not load for an answer."""

from __future__ import annotations

import pytest
from scipy import stats

from toolkit.quantiles import binomial_above, binomial_p, chi2_above, f_quantile, fisher_above, fisher_p, poisson_above


@pytest.mark.parametrize(("k", "n", "share"), [(120, 300, 0.5), (3, 40, 0.12), (0, 9, 0.5), (9, 9, 0.5), (7, 20, 0.35)])
def test_binomial_areas_are_scipys(k, n, share):
    assert binomial_p(k, n, share) == pytest.approx(stats.binomtest(k, n, share).pvalue, abs=1e-12)
    above = stats.binomtest(k, n, share, alternative="greater").pvalue
    assert binomial_above(k, n, share) == pytest.approx(above, abs=1e-12)


@pytest.mark.parametrize("table", [[[30, 120], [12, 140]], [[0, 10], [4, 6]], [[5, 5], [5, 5]]])
def test_fishers_p_is_scipys(table):
    assert fisher_p(table) == pytest.approx(stats.fisher_exact(table).pvalue, abs=1e-12)
    (a, b), (c, d) = table
    more = stats.fisher_exact(table, alternative="greater").pvalue
    assert fisher_above(a, a + b, c, c + d) == pytest.approx(more, abs=1e-12)


def test_the_others_are_scipys():
    assert poisson_above(4, 1.3) == pytest.approx(stats.poisson.sf(3, 1.3), abs=1e-12)
    assert chi2_above(5.0, 2.2) == pytest.approx(stats.chi2.sf(5.0, 2.2), abs=1e-12)
    assert f_quantile(0.999, 30, 60) == pytest.approx(stats.f.ppf(0.999, 30, 60), rel=1e-9)
