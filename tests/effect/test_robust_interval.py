"""The robust interval and the draw check of very many rows: the quick ways give what the plain definitions give."""

from __future__ import annotations

import numpy as np
import pytest

from toolkit.effect import draw_check
from toolkit.effect.cluster_robust import cluster_robust, equal_clients
from toolkit.effect.whose_average import whitened
from toolkit.mixed.mixed import fit_mixed_arrays


def some_rows(n_clients: int = 12, seed: int = 4):
    """Clients with one to nine rows: more and fewer than there are columns."""
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(n_clients), rng.integers(1, 10, n_clients))
    rng.shuffle(client)
    n = len(client)
    x = np.column_stack([rng.integers(0, 2, n), np.ones(n), rng.normal(size=n), rng.normal(size=n)]).astype(float)
    return x @ [1.0, 2.0, 0.5, 0.0] + rng.normal(size=n_clients)[client] + rng.normal(size=n), x, client


def by_definition(y, x, client, weight):
    """CR2 with its Satterthwaite df as Bell & McCaffrey (2002) write it down, with matrices of rows by rows."""
    n = len(y)
    bread = np.linalg.inv(x.T @ (x * weight[:, None]))
    residual_maker = np.eye(n) - x @ bread @ (x * weight[:, None]).T
    left = residual_maker @ y
    covariance = residual_maker @ residual_maker.T
    each, vectors = [], []
    for code in np.unique(client):
        rows = client == code
        values, turned = np.linalg.eigh(covariance[np.ix_(rows, rows)])
        kept = values > 1e-8
        root = (turned[:, kept] / np.sqrt(values[kept])) @ turned[:, kept].T
        mine = np.zeros(n)
        mine[rows] = root @ (weight * (x @ bread[:, 0]))[rows]
        each.append(mine @ left)
        vectors.append(residual_maker.T @ mine)
    gram = np.array(vectors) @ np.array(vectors).T
    return (bread @ (x.T @ (weight * y)))[0], np.sqrt(np.sum(np.square(each))), np.trace(gram) ** 2 / np.sum(gram**2)


@pytest.mark.parametrize("equal", [False, True], ids=["by rows", "every client the same"])
def test_the_robust_interval_is_that_of_its_definition(equal):
    y, x, client = some_rows()
    weight = equal_clients(client) if equal else np.ones(len(y))
    found = cluster_robust(y, x, client, weight)
    assert (found.value, found.se, found.df) == pytest.approx(by_definition(y, x, client, weight), rel=1e-9)


def test_a_cluster_of_many_rows_is_worked_out_in_the_span_of_its_columns():
    y, x, client = some_rows(60)
    few = client % 4
    found = cluster_robust(y, x, few, np.ones(len(y)))
    assert (found.value, found.se, found.df) == pytest.approx(by_definition(y, x, few, np.ones(len(y))), rel=1e-9)


def test_whitened_rows_have_the_cross_products_of_the_models_covariance():
    y, x, client = some_rows(40)
    fit = fit_mixed_arrays(y, x, list("abcd"), {"client": client}, slope=("technique", x[:, 0]))
    intercept, slope, both = (fit.components[place].variance for place in range(3))
    apart = (1.3, 0.8)
    outcome, columns = whitened(y, x, client, fit, apart)
    label = x[:, 0]
    expected = np.zeros((5, 5))
    stack = np.column_stack([y, x])
    for code in np.unique(client):
        rows = client == code
        a = label[rows]
        covariance = intercept + both * (a[:, None] + a) + slope * np.outer(a, a)
        covariance += np.diag(fit.residual_variance * np.where(a == 1, apart[1], apart[0]))
        expected += stack[rows].T @ np.linalg.solve(covariance, stack[rows])
    got = np.column_stack([outcome, columns])
    assert got.T @ got == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("share", [0.5, 0.3])
def test_the_moments_of_many_draws_are_those_that_redraws_have(share, monkeypatch):
    monkeypatch.setattr(draw_check, "N_REDRAWS", 12_000)
    rng = np.random.default_rng(3)
    code = np.unique(rng.integers(0, 300, 3000), return_inverse=True)[1]
    sizes = np.bincount(code).astype(float)
    label = (np.arange(3000) < share * 3000).astype(float)
    mean, variance = draw_check._moments_of_many(sizes, label.mean())
    redrawn = draw_check._moments_by_chance(label, code, sizes)
    assert mean == pytest.approx(redrawn[0], rel=0.01)
    assert variance == pytest.approx(redrawn[1], rel=0.1)


def test_the_largest_of_many_draws_is_distributed_as_over_redraws():
    rng = np.random.default_rng(5)
    columns = rng.normal(size=(2000, 12)) + rng.normal(size=(2000, 1))
    columns -= columns.mean(axis=0)
    columns /= np.sqrt((columns**2).sum(axis=0))
    label = (np.arange(2000) < 1000).astype(float)
    redrawn = draw_check._largest_by_chance(label, columns) / np.sqrt(0.25 * 2000 / 1999)
    normal = draw_check.largest_of_many(columns.T @ columns)
    at = [0.5, 0.9, 0.99]
    assert np.quantile(normal, at) == pytest.approx(np.quantile(redrawn, at), rel=0.06)
