"""Weighted least squares whose interval does not believe the model: clients are whole, their scatter is their own.

Bias-reduced cluster-robust variance (CR2) with Satterthwaite degrees of freedom, every client weighing the same:
Bell & McCaffrey (2002), Survey Methodology 28:169-181; Pustejovsky & Tipton (2018), J Business & Economic Statistics
36:672-683 (both from memory). Working model: independent errors.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
_ROWS_AT_ONCE = 50_000
TOLD = 1e-6  # share of a column's squares that is left where others tell it


@dataclass(frozen=True, eq=False, kw_only=True)
class Robust:
    """Coefficient of the first column with its standard error and degrees of freedom.

    `scores`: what each client adds to it, by code; the root of their sum of squares is the standard error.
    """

    value: float
    se: float
    df: float
    scores: Floats


def n_codes(code: Codes) -> int:
    """How many different codes there are, without sorting them."""
    return int(np.count_nonzero(np.bincount(code)))


def equal_clients(client: Codes) -> Floats:
    """Weights under which every client weighs the same, however often they came (mean 1)."""
    count = np.bincount(client)
    weight = 1.0 / count[client]
    return np.asarray(weight * len(client) / weight.sum())


def cluster_robust(y: Floats, x: Floats, client: Codes, weight: Floats) -> Robust | None:
    """First coefficient of a weighted regression, CR2 over clients; None where it cannot be had.

    Parameters
    ----------
    y, x, client, weight
        Outcome (n), columns (n × p, full rank), client codes (n), weights (n; the same in all rows of a client).

    Returns
    -------
    Robust or None
        None where the columns are not of full rank or fewer than three clients carry the coefficient.
    """
    root = np.sqrt(weight)
    r = np.asarray(np.linalg.qr(x * root[:, None], mode="r"))
    if np.abs(np.diag(r)).min() < 1e-9 * max(1.0, np.abs(r).max()):
        return None
    bread = np.linalg.inv(r.T @ r)
    beta = bread @ (x.T @ (weight * y))
    left = y - x @ beta
    meat = x.T @ (x * (weight**2)[:, None])
    spread = bread @ meat @ bread
    scores, inside, carried, whose = [], [], [], []
    for rows in _of_one_size(client):
        xg, own = x[rows], weight[rows[:, 0]]
        mine = _adjusted(xg, own, bread, spread)
        whose.append(client[rows[:, 0]])
        scores.append(np.einsum("bn,bn->b", mine, left[rows]))
        inside.append(np.einsum("bn,bn->b", mine, mine))
        reached = np.einsum("bnp,bn->bp", xg, mine)
        carried.append(np.hstack([reached, own[:, None] * reached]))
    every = np.concatenate(scores)
    variance = float(np.sum(np.square(every)))
    df = _satterthwaite(np.concatenate(inside), np.concatenate(carried), bread, spread)
    if len(every) < 3 or variance <= 0 or not np.isfinite(df) or df <= 0:
        return None
    by_client = np.zeros(int(client.max()) + 1)
    by_client[np.concatenate(whose)] = every
    return Robust(value=float(beta[0]), se=float(np.sqrt(variance)), df=df, scores=by_client)


def _of_one_size(client: Codes) -> Iterator[Codes]:
    """The rows of clients with equally many rows, shape (clients, rows of each), some thousand rows at a time."""
    order = np.argsort(client, kind="stable")
    starts = np.r_[0, np.flatnonzero(np.diff(client[order])) + 1]
    sizes = np.diff(np.r_[starts, len(order)])
    for size in np.unique(sizes):
        mine = starts[sizes == size]
        at_once = max(1, int(_ROWS_AT_ONCE // size))
        for first in range(0, len(mine), at_once):
            yield order[mine[first : first + at_once, None] + np.arange(size)]


def _adjusted(xg: Floats, own: Floats, bread: Floats, spread: Floats) -> Floats:
    """What each row adds to the coefficient, by the inverse square root of its client's block, shape (b, n).

    The block is I − H − Hᵀ + X B M B Xᵀ with H = w X B Xᵀ: the identity but for the span of the client's columns, so a
    client with more rows than columns is worked out in that span.
    """
    inner = spread - own[:, None, None] * (2 * bread)
    reach = own[:, None] * (xg @ bread[:, 0])
    n, p = xg.shape[1:]
    if n <= p:
        return _inverse_root(np.eye(n) + xg @ inner @ xg.transpose(0, 2, 1), reach[:, :, None])[:, :, 0]
    q, r = np.linalg.qr(xg)
    within = np.einsum("bnp,bn->bp", q, reach)[:, :, None]
    moved = _inverse_root(np.eye(p) + r @ inner @ r.transpose(0, 2, 1), within) - within
    return np.asarray(reach + (q @ moved)[:, :, 0])


def _inverse_root(blocks: Floats, columns: Floats) -> Floats:
    """Inverse square roots of symmetric blocks (b, n, n), directions without any room left out, times columns."""
    values, vectors = np.linalg.eigh((blocks + blocks.transpose(0, 2, 1)) / 2)
    scale = np.where(values > 1e-8, 1 / np.sqrt(np.maximum(values, 1e-8)), 0.0)
    return np.asarray((vectors * scale[:, None, :]) @ (vectors.transpose(0, 2, 1) @ columns))


def _satterthwaite(inside: Floats, carried: Floats, bread: Floats, spread: Floats) -> float:
    """Degrees of freedom of the variance under independent errors: (trace)² / trace of the square.

    With g_i = (I − X B XᵀW)ᵀ m_i = m_i − W X B (Xᵀ m_i) the matrix of all g_i·g_j is a diagonal plus C K Cᵀ: its traces
    need no matrix of clients by clients.
    """
    kernel = np.block([[spread, -bread], [-bread, np.zeros_like(bread)]])
    gram = kernel @ (carried.T @ carried)
    each = np.einsum("ij,jk,ik->i", carried, kernel, carried, optimize=True)
    square = float(np.sum(inside**2) + 2 * np.sum(inside * each) + np.sum(gram * gram.T))
    return float(inside.sum() + np.trace(gram)) ** 2 / square
