"""CR2 over clusters from their cross-products: what `cluster_robust` says, without rows.

Where a cluster carries little of the fit, the inverse root of its block is a short power series (to 1e-12 of itself);
the others are taken apart by their eigenvalues. What a fit needs of a cluster is linear in its packed products, so all
clusters of a site are asked by one product of matrices.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from toolkit.effect.client_sums import Codes, Floats, at_site, full, solved, square, unpacked, vector_at_site
from toolkit.effect.cluster_robust import Robust
from toolkit.errors import FitError

_SMALL = 0.05  # leverage up to which the series is summed
_LEFT = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class Clusters:
    """Some clusters of one site: their place, packed products of [shared columns, y] (pairs, g), weights (None: 1)."""

    site: int
    place: slice | Codes
    packed: Floats
    weight: Floats | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Local:
    """What a fit is for rows of one site: bread, spread, the first column of the bread, coefficients."""

    bread: Floats
    spread: Floats
    column: Floats
    beta: Floats

    @property
    def contrast(self) -> Floats:
        """What takes [columns, y] to the residual."""
        return np.append(-self.beta, 1.0)

    @cached_property
    def asked(self) -> Floats:
        """Rows that take packed products to X'X column (k), X'residual (k), and the traces of X'X spread and bread."""
        k = len(self.beta)
        place = square(k + 1)
        out = np.zeros((2 * k + 2, (k + 1) * (k + 2) // 2))
        row = np.arange(k)[:, None]
        out[row, place[:k, :k]] = self.column
        out[k + row, place[:k]] = self.contrast
        out[2 * k], out[2 * k + 1] = (_form(one, k + 1) for one in (self.spread, self.bread))
        return out

    @cached_property
    def first_asked(self) -> Floats:
        """Rows to the score, the squares of its factors (rows by the column, residuals) and both traces."""
        k = len(self.beta)
        score = np.outer(np.r_[self.column, 0.0], self.contrast)
        squares = [np.outer(one, one) for one in (self.column, self.contrast)]
        return np.stack([_form(one, k + 1) for one in (score, *squares, self.spread, self.bread)])


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Least squares over all clusters: inverse of X'X, coefficients, what X'X weighed twice leaves, by site."""

    bread: Floats
    beta: Floats
    spread: Floats
    sites: tuple[Local, ...]

    @classmethod
    def of(cls, once: Floats, twice: Floats) -> Solution:
        """From cross-products by site, weighed once and twice.

        Raises
        ------
        FitError
            The columns cannot be told apart.
        """
        k = once.shape[1] - 1
        bread, beta = solved(full(once))
        spread = bread @ full(twice)[:-1, :-1] @ bread
        parts = (at_site(bread, k), at_site(spread, k), vector_at_site(bread[:, 0], k), vector_at_site(beta, k))
        names = ("bread", "spread", "column", "beta")
        sites = tuple(Local(**dict(zip(names, one, strict=True))) for one in zip(*parts, strict=True))
        return cls(bread=bread, beta=beta, spread=spread, sites=sites)


def robust(clusters: Iterable[Clusters], fit: Solution, *, n: int) -> Robust:
    """Coefficient of the first column, its standard error over `n` clusters and Satterthwaite's df.

    Raises
    ------
    FitError
        Fewer than three clusters carry the coefficient.
    """
    k = len(fit.sites[0].beta)
    scores, inside, each = np.zeros(n), np.zeros(n), np.zeros(n)
    outer = np.zeros((3, len(fit.sites), k, k))
    for some in clusters:
        local, w = fit.sites[some.site], some.weight
        scores[some.place], inside[some.place], reached = _adjusted(some, local)
        each[some.place] = (_applied(local, w, reached, bread=2.0) * reached).sum(axis=0)
        for power in range(3):
            outer[power, some.site] += (reached if w is None else reached * w**power) @ reached.T
    df = _df(inside, each, outer, fit)
    variance = float(scores @ scores)
    if n < 3 or variance <= 0 or not np.isfinite(df) or df <= 0:
        raise FitError("Nothing is left to judge the difference by: too few clients carry it.")
    return Robust(value=float(fit.beta[0]), se=float(np.sqrt(variance)), df=df, scores=scores)


def first_scores(found: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Scores before CR2 adjusts them, and how far the adjusted ones can lie from them (∞: not known).

    Parameters
    ----------
    found
        `Local.first_asked` of the clusters, (5, g). `w`: their weights.
    """
    score, reach, left, spread, bread = found
    leverage = np.abs(spread) + 2 * w * np.abs(bread)
    far = w * leverage * np.sqrt(np.maximum(reach, 0) * np.maximum(left, 0))
    return w * score, np.where(leverage < 0.5, far, np.inf)


def _form(matrix: Floats, width: int) -> Floats:
    """The row that takes packed products of so many columns to the trace of their product with this matrix."""
    whole = np.zeros((width, width))
    whole[: len(matrix), : len(matrix)] = matrix
    return np.bincount(square(width).ravel(), weights=whole.ravel()).astype(float)


def _applied(local: Local, w: Floats | None, columns: Floats, *, bread: float) -> Floats:
    """(spread − `bread` × weight × bread) times each column."""
    if w is None:
        return np.asarray((local.spread - bread * local.bread) @ columns)
    return np.asarray(local.spread @ columns - (bread * w) * (local.bread @ columns))


def _adjusted(some: Clusters, local: Local) -> tuple[Floats, Floats, Floats]:
    """What each cluster adds to the coefficient, the squares of its adjusted rows, and their sums by column (k, g)."""
    k, w = len(local.beta), some.weight
    found = local.asked @ some.packed
    bound = np.abs(found[2 * k]) + 2 * (1.0 if w is None else w) * np.abs(found[2 * k + 1])
    first, left = found[:k], found[k : 2 * k]
    small = bound <= _SMALL
    if small.all():
        return _by_series(some.packed, first, left, w, local, float(bound.max(initial=0.0)))
    out = (np.empty(len(bound)), np.empty(len(bound)), np.empty((k, len(bound))))
    for mine, way in ((small, _by_series), (~small, _by_eigenvalues)):
        if mine.any():
            own = None if w is None else w[mine]
            parts = way(some.packed[:, mine], first[:, mine], left[:, mine], own, local, float(bound[mine].max()))
            for whole, part in zip(out, parts, strict=True):
                whole[..., mine] = part
    return out


def _by_series(
    packed: Floats, first: Floats, left: Floats, w: Floats | None, local: Local, bound: float
) -> tuple[Floats, Floats, Floats]:
    """(I + R M R')^-1/2 as a power series in R'R M, so far that what is left is beyond the last digits."""
    terms = 1 if bound < _LEFT else max(int(np.ceil(np.log(_LEFT) / np.log(bound))) - 1, 1)
    k = len(first)
    place = square(k + 1)[:k, :k]
    now, reached, scores, inside, root = first, first.copy(), local.column @ left, local.column @ first, 1.0
    for power in range(1, terms + 1):
        ahead = _applied(local, w, now, bread=2.0)
        root *= -(2 * power - 1) / (2 * power)
        scores += root * (ahead * left).sum(axis=0)
        inside += (-1.0) ** power * (ahead * first).sum(axis=0)
        now = np.stack([(packed[row] * ahead).sum(axis=0) for row in place])
        reached += root * now
    return (scores, inside, reached) if w is None else (w * scores, w**2 * inside, w * reached)


def _by_eigenvalues(
    packed: Floats, first: Floats, left: Floats, w: Floats | None, local: Local, _: float
) -> tuple[Floats, Floats, Floats]:
    """The same by the eigenvalues of each cluster's block, in the span of its columns."""
    k = len(first)
    x = unpacked(packed)[:, :k, :k]
    weight = np.ones(len(x)) if w is None else w
    inner = local.spread - (2 * weight)[:, None, None] * local.bread
    values, vectors = np.linalg.eigh(x)
    sound = values > 1e-12 * values[:, -1:]
    size = np.where(sound, np.sqrt(np.maximum(values, 0)), 0.0)
    r = size[:, :, None] * vectors.transpose(0, 2, 1)
    blocks = np.eye(k) + r @ inner @ r.transpose(0, 2, 1)
    own, turned = np.linalg.eigh((blocks + blocks.transpose(0, 2, 1)) / 2)
    back = np.where(own > 1e-8, 1 / np.sqrt(np.maximum(own, 1e-8)), 0.0)
    within = weight[:, None] * (r @ local.column)
    mine = np.einsum("gij,gj->gi", turned, back * np.einsum("gji,gj->gi", turned, within))
    seen = np.einsum("gji,jg->gi", vectors, left) * np.where(sound, 1 / np.where(sound, size, 1.0), 0.0)
    return np.sum(mine * seen, axis=1), np.sum(mine**2, axis=1), np.einsum("gji,gj->ig", r, mine)


def _df(inside: Floats, each: Floats, outer: Floats, fit: Solution) -> float:
    """Satterthwaite's df, as `cluster_robust` has it, from sums by site."""
    padded = [np.zeros((outer.shape[1], outer.shape[2] + 1, outer.shape[3] + 1)) for _ in range(3)]
    for one, by_site in zip(padded, outer, strict=True):
        one[:, :-1, :-1] = by_site
    blocks = [full(one)[:-1, :-1] for one in padded]
    carried = np.block([[blocks[0], blocks[1]], [blocks[1], blocks[2]]])
    kernel = np.block([[fit.spread, -fit.bread], [-fit.bread, np.zeros_like(fit.bread)]])
    gram = kernel @ carried
    square_of = float(np.sum(inside**2) + 2 * np.sum(inside * each) + np.sum(gram * gram.T))
    return float(inside.sum() + np.trace(gram)) ** 2 / square_of
