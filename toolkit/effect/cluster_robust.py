"""Weighted least squares whose interval does not believe the model: clients are whole, their scatter is their own.

Bias-reduced cluster-robust variance (CR2) with Satterthwaite degrees of freedom, every client weighing the same:
Bell & McCaffrey (2002), Survey Methodology 28:169-181; Pustejovsky & Tipton (2018), J Business & Economic Statistics
36:672-683 (both from memory). Working model: independent errors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True)
class Robust:
    """Coefficient of the first column with its standard error and degrees of freedom."""

    value: float
    se: float
    df: float


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
        Outcome (n), columns (n × p, full rank), client codes (n), weights (n).

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
    reach = weight * (x @ bread[:, 0])  # what each row adds to the coefficient
    order = np.argsort(client, kind="stable")
    edges = np.flatnonzero(np.diff(client[order])) + 1
    scores, carried, inside = [], [], []
    meat = x.T @ (x * (weight**2)[:, None])
    for rows in np.split(order, edges):
        xg, wg = x[rows], weight[rows]
        hat = xg @ bread @ (xg * wg[:, None]).T
        block = np.eye(len(rows)) - hat - hat.T + xg @ bread @ meat @ bread @ xg.T
        values, vectors = np.linalg.eigh((block + block.T) / 2)
        kept = values > 1e-8
        half = (vectors[:, kept] / np.sqrt(values[kept])) @ vectors[:, kept].T
        mine = half @ reach[rows]
        scores.append(float(mine @ left[rows]))
        inside.append(float(mine @ mine))
        carried.append(np.r_[xg.T @ mine, (xg * wg[:, None]).T @ mine])
    variance = float(np.sum(np.square(scores)))
    df = _satterthwaite(np.array(inside), np.array(carried), bread, meat, x.shape[1])
    if len(scores) < 3 or variance <= 0 or not np.isfinite(df) or df <= 0:
        return None
    return Robust(value=float(beta[0]), se=float(np.sqrt(variance)), df=df)


def _satterthwaite(inside: Floats, carried: Floats, bread: Floats, meat: Floats, p: int) -> float:
    """Degrees of freedom of the variance under independent errors: (trace)² / trace of the square."""
    plain, weighed = carried[:, :p], carried[:, p:]
    # g_i = (I − X B XᵀW)ᵀ m_i = m_i − W X B (Xᵀ m_i)
    cross = weighed @ bread @ plain.T
    gram = np.diag(inside) - cross - cross.T + plain @ bread @ meat @ bread @ plain.T
    return float(np.trace(gram) ** 2 / np.sum(gram**2))
