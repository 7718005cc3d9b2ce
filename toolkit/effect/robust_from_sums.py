"""CR2 over clusters from their cross-products: what `cluster_robust` says, without rows.

Where a cluster carries little of the fit, the inverse root of its block is a short power series (to 1e-13 of itself);
the others are taken apart by their eigenvalues.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from toolkit.effect.client_sums import Floats, at_site, full, solved, vector_at_site
from toolkit.effect.cluster_robust import Robust
from toolkit.errors import FitError

_SMALL = 0.05  # leverage up to which the series is summed
_LEFT = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class Clusters:
    """Some clusters of one site: their place, cross-products of [shared columns, y] (g, k + 1, k + 1), weights."""

    site: int
    place: slice | np.ndarray
    gram: Floats
    weight: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class _Local:
    """What the fit is for rows of one site: bread, spread, the first column of the bread, coefficients."""

    bread: Floats
    spread: Floats
    column: Floats
    beta: Floats


def robust(
    clusters: Callable[[], Iterable[Clusters]], *, n: int, sites: int, pooled: tuple[Floats, Floats] | None = None
) -> Robust:
    """Coefficient of the first column, its standard error over clusters and Satterthwaite's df.

    Parameters
    ----------
    clusters
        Gives all clusters, some at a time; asked twice where `pooled` is not given.
    n, sites
        How many clusters and sites.
    pooled
        Cross-products by site, weighed once and twice.

    Raises
    ------
    FitError
        The columns cannot be told apart, or fewer than three clusters carry the coefficient.
    """
    once, twice = pooled or _pooled(clusters(), sites)
    k = once.shape[1] - 1
    bread, beta = solved(full(once))
    spread = bread @ full(twice)[:-1, :-1] @ bread
    local = [at_site(bread, k), at_site(spread, k), vector_at_site(bread[:, 0], k), vector_at_site(beta, k)]
    scores, inside, each = np.zeros(n), np.zeros(n), np.zeros(n)
    outer = np.zeros((3, sites, k, k))
    for some in clusters():
        here = _Local(
            **dict(zip(("bread", "spread", "column", "beta"), (one[some.site] for one in local), strict=True))
        )
        scores[some.place], inside[some.place], reached = _adjusted(some, here)
        w = some.weight
        own_way = np.einsum("gi,gi->g", reached @ here.spread, reached)
        each[some.place] = own_way - 2 * w * np.einsum("gi,gi->g", reached @ here.bread, reached)
        for power in range(3):
            outer[power, some.site] += (reached * (w**power)[:, None]).T @ reached
    df = _df(inside, each, outer, bread, spread)
    variance = float(scores @ scores)
    if n < 3 or variance <= 0 or not np.isfinite(df) or df <= 0:
        raise FitError("Nothing is left to judge the difference by: too few clients carry it.")
    return Robust(value=float(beta[0]), se=float(np.sqrt(variance)), df=df, scores=scores)


def _pooled(clusters: Iterable[Clusters], sites: int) -> tuple[Floats, Floats]:
    """Cross-products by site, weighed once and twice."""
    once = twice = np.empty(0)
    for some in clusters:
        if not once.size:
            once = np.zeros((sites, *some.gram.shape[1:]))
            twice = np.zeros_like(once)
        flat = some.gram.reshape(len(some.gram), -1)
        once[some.site] += (some.weight @ flat).reshape(once.shape[1:])
        twice[some.site] += (some.weight**2 @ flat).reshape(once.shape[1:])
    return once, twice


def _adjusted(some: Clusters, local: _Local) -> tuple[Floats, Floats, Floats]:
    """What each cluster adds to the coefficient, the squares of its adjusted rows, and their sums by column."""
    k, w = len(local.beta), some.weight
    x = some.gram[:, :k, :k]
    left = some.gram[:, :k, k] - x @ local.beta
    flat = x.reshape(len(x), -1)
    bound = np.abs(flat @ local.spread.ravel()) + 2 * w * np.abs(flat @ local.bread.ravel())
    small = bound <= _SMALL
    if small.all():
        return _by_series(x, left, w, local, float(bound.max(initial=0.0)))
    out = [np.empty(len(x)), np.empty(len(x)), np.empty((len(x), k))]
    for mine, way in ((small, _by_series), (~small, _by_eigenvalues)):
        if mine.any():
            found = way(x[mine], left[mine], w[mine], local, float(bound[mine].max()))
            for whole, part in zip(out, found, strict=True):
                whole[mine] = part
    return out[0], out[1], out[2]


def _by_series(x: Floats, left: Floats, w: Floats, local: _Local, bound: float) -> tuple[Floats, Floats, Floats]:
    """(I + R M R')^-1/2 as a power series in R'R M, so far that what is left is beyond the last digits."""
    terms = 1 if bound < _LEFT else min(int(np.ceil(np.log(_LEFT) / np.log(bound))), 12)
    first = now = x @ local.column
    reached, scores, inside, root = now.copy(), left @ local.column, now @ local.column, 1.0
    for power in range(1, terms + 1):
        ahead = now @ local.spread - (2 * w)[:, None] * (now @ local.bread)
        root *= -(2 * power - 1) / (2 * power)
        scores += root * np.einsum("gi,gi->g", ahead, left)
        inside += (-1.0) ** power * np.einsum("gi,gi->g", ahead, first)
        now = np.einsum("gij,gj->gi", x, ahead)
        reached += root * now
    return w * scores, w**2 * inside, w[:, None] * reached


def _by_eigenvalues(x: Floats, left: Floats, w: Floats, local: _Local, _: float) -> tuple[Floats, Floats, Floats]:
    """The same by the eigenvalues of each cluster's block, in the span of its columns."""
    inner = local.spread - (2 * w)[:, None, None] * local.bread
    values, vectors = np.linalg.eigh(x)
    sound = values > 1e-12 * values[:, -1:]
    size = np.where(sound, np.sqrt(np.maximum(values, 0)), 0.0)
    r = size[:, :, None] * vectors.transpose(0, 2, 1)
    blocks = np.eye(x.shape[1]) + r @ inner @ r.transpose(0, 2, 1)
    own, turned = np.linalg.eigh((blocks + blocks.transpose(0, 2, 1)) / 2)
    back = np.where(own > 1e-8, 1 / np.sqrt(np.maximum(own, 1e-8)), 0.0)
    within = w[:, None] * (r @ local.column)
    mine = np.einsum("gij,gj->gi", turned, back * np.einsum("gji,gj->gi", turned, within))
    seen = np.einsum("gji,gj->gi", vectors, left) * np.where(sound, 1 / np.where(sound, size, 1.0), 0.0)
    return np.sum(mine * seen, axis=1), np.sum(mine**2, axis=1), np.einsum("gji,gj->gi", r, mine)


def _df(inside: Floats, each: Floats, outer: Floats, bread: Floats, spread: Floats) -> float:
    """Satterthwaite's df, as `cluster_robust` has it, from sums by site."""
    padded = [np.zeros((outer.shape[1], outer.shape[2] + 1, outer.shape[3] + 1)) for _ in range(3)]
    for one, by_site in zip(padded, outer, strict=True):
        one[:, :-1, :-1] = by_site
    blocks = [full(one)[:-1, :-1] for one in padded]
    carried = np.block([[blocks[0], blocks[1]], [blocks[1], blocks[2]]])
    kernel = np.block([[spread, -bread], [-bread, np.zeros_like(bread)]])
    gram = kernel @ carried
    square = float(np.sum(inside**2) + 2 * np.sum(inside * each) + np.sum(gram * gram.T))
    return float(inside.sum() + np.trace(gram)) ** 2 / square
