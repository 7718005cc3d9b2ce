"""The profiled likelihood where clients and practitioners belong to sites: no matrix grows with the number of sites.

Columns that all sites share stand in the middle; a site's own mean and its practitioners are linked with nothing but
them, so each site is eliminated by itself (a Schur complement) and what is left is as small as for one site. Notation
as in `likelihood`; restricted likelihood only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from toolkit.mixed.cross_products import Array, Codes, as_blocks
from toolkit.mixed.likelihood import Height, relative_covariance, small_inverse, through_factor


@dataclass(frozen=True, kw_only=True, eq=False)
class NestedProducts:
    """What the likelihood needs of the rows, site by site. Columns of a site: shared X (c), y, its practitioners (q).

    The first site has no column of its own; every other one has a copy of column `one`, not stored.
    """

    n: int
    p: int
    """Fixed columns, the sites' own among them."""
    k: int
    """Random effects of each client: 0, 1 (intercept) or 2 (and a slope, correlated)."""
    shared: int
    """Fixed columns that all sites share (c)."""
    one: int
    """Which of them is the intercept."""
    joint: Array
    """Cross-products within each site, shape (sites, m, m) with m = c + 1 + q; unused practitioners are nought."""
    practitioners: bool
    """Are practitioners a random factor?"""
    grouped: Array
    """Outer products of client sums added over clients of one site with one block, shape (rows, pairs, m * m)."""
    starts: Codes
    """Where each site's rows of `grouped` begin, and their end, shape (sites + 1,)."""
    block_of: Codes
    """The block of each row of `grouped`, shape (rows,)."""
    blocks: Array
    """The distinct Z1'Z1 blocks, shape (d, k, k)."""
    counts: Array
    """How many clients have each block, shape (d,)."""
    correlated: bool = True

    @property
    def n_dense_factors(self) -> int:
        """Practitioners, or none."""
        return int(self.practitioners)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sites:
    """Everything eliminated but the shared columns: what each site leaves, and the way back to its own columns."""

    within: Array
    """Joint products of each site without clients, shape (sites, m, m)."""
    b: Array
    """(D^-1 + Z2'H1^-1 Z2)^-1 of each site, shape (sites, q, q)."""
    taken: Array
    """[X y]'H1^-1 Z2 B of each site, shape (sites, c + 1, q)."""
    link: Array
    """Products of a site's own column with the shared ones and y, over its square; nought at the first site."""
    own: Array
    """That square, shape (sites,); 1 at the first site."""
    left: Array
    """What is left of the shared columns and y, shape (c + 1, c + 1)."""
    log_determinants: float


def height(parts: NestedProducts, theta: Array) -> Height:
    """Restricted deviance and gradient at `theta`; raises LinAlgError where nothing is left to explain."""
    k, c = parts.k, parts.shared
    g = relative_covariance(theta, k=k, correlated=True)
    eliminated = small_inverse(np.eye(k) + g @ parts.blocks) if k else parts.blocks
    found = _eliminated(parts, eliminated @ g, theta[-1] if parts.practitioners else 0.0)
    root = linalg.cholesky(found.left[:c, :c], lower=True)
    inverse = linalg.cho_solve((root, True), np.eye(c))
    beta = inverse @ found.left[:c, c]
    rss = float(found.left[c, c] - found.left[c, :c] @ beta)
    if not rss > 0:
        raise linalg.LinAlgError("nothing left to explain")
    nu = parts.n - parts.p
    deviance = nu * np.log(2 * np.pi * rss / nu) + nu + found.log_determinants
    deviance += 2 * float(np.log(np.diag(root)).sum())
    if k:
        deviance -= float(parts.counts @ np.log(np.linalg.det(eliminated)))
    inner = _inner(parts, found, inverse, beta, nu / rss)
    gradient, by_variance = _gradient(parts, theta, eliminated, found, inner)
    return Height(
        theta=theta, deviance=deviance, gradient=gradient, by_variance=by_variance, rss=rss, relative_covariance=g
    )


def _eliminated(parts: NestedProducts, shrink: Array, relative_sd: float) -> _Sites:
    """Clients, practitioners and sites' own columns taken out, site by site."""
    c, one = parts.shared, parts.one
    within = parts.joint - _of_clients(parts, shrink)
    people = within[:, c + 1 :, c + 1 :]
    cross = within[:, : c + 1, c + 1 :]
    matrix = np.eye(people.shape[-1]) + relative_sd**2 * people
    logs = 2 * float(np.log(np.diagonal(np.linalg.cholesky(matrix), axis1=1, axis2=2)).sum())
    b = np.asarray(relative_sd**2 * np.linalg.inv(matrix), dtype=float)
    taken = cross @ b
    reduced = within[:, : c + 1, : c + 1] - taken @ cross.transpose(0, 2, 1)
    own = reduced[:, one, one].copy()
    own[0] = 1.0
    if not (own > 0).all():
        raise linalg.LinAlgError("a site is told by the other columns")
    link = reduced[:, one] / own[:, None]
    link[0] = 0.0
    left = reduced.sum(axis=0) - (link * own[:, None]).T @ link
    logs += float(np.log(own).sum())
    return _Sites(within=within, b=b, taken=taken, link=link, own=own, left=left, log_determinants=logs)


def _of_clients(parts: NestedProducts, shrink: Array) -> Array:
    """What the clients' random effects take off each site's products, shape as `joint`."""
    out = np.zeros_like(parts.joint)
    if not parts.k:
        return out
    weights = shrink[:, 0, 0][:, None] if parts.k == 1 else shrink.reshape(-1, 4)[:, [0, 1, 3]]
    weights = weights[parts.block_of]
    for site, (first, end) in enumerate(zip(parts.starts, parts.starts[1:], strict=False)):
        rows = parts.grouped[first:end]
        out[site] = (weights[first:end].ravel() @ rows.reshape(-1, rows.shape[-1])).reshape(out.shape[1:])
    return out


def _inner(parts: NestedProducts, found: _Sites, inverse: Array, beta: Array, per_rss: float) -> Array:
    """Derivative by each site's [X y]'H^-1[X y], the site's own column counted with `one`, (sites, c + 1, c + 1)."""
    c, one = parts.shared, parts.one
    own = found.link[:, c] - found.link[:, :c] @ beta
    contrast = np.tile(np.append(-beta, 1.0), (len(own), 1))
    contrast[:, one] -= own
    inner = per_rss * contrast[:, :, None] * contrast[:, None, :]
    turn = np.tile(np.eye(c), (len(own), 1, 1))
    turn[:, :, one] -= found.link[:, :c]
    inner[:, :c, :c] += turn.transpose(0, 2, 1) @ inverse @ turn
    inner[1:, one, one] += 1 / found.own[1:]
    return np.asarray(inner)


def _gradient(
    parts: NestedProducts, theta: Array, eliminated: Array, found: _Sites, inner: Array
) -> tuple[Array, Array]:
    """Derivatives of the deviance by `theta` and by each relative variance."""
    c, k = parts.shared, parts.k
    gradient, by_variance = np.zeros(len(theta)), []
    if k:
        forms = _forms(parts, found, inner)
        by_g = np.einsum("d,dab->ab", parts.counts, parts.blocks @ eliminated)
        by_g -= (eliminated.transpose(0, 2, 1) @ forms @ eliminated).sum(axis=0)
        gradient[: len(theta) - parts.practitioners] = through_factor(theta, by_g, k=k, correlated=True)
        by_variance = list(np.diag(by_g))
    if parts.practitioners:
        people, cross = found.within[:, c + 1 :, c + 1 :], found.within[:, : c + 1, c + 1 :]
        through = cross - found.taken @ people
        by_people = float(
            np.trace(people, axis1=1, axis2=2).sum()
            - np.einsum("sij,sjk,ski->", people, found.b, people, optimize=True)
            - np.einsum("sai,sab,sbi->", through, inner, through, optimize=True)
        )
        gradient[-1] = 2 * theta[-1] * by_people
        by_variance.append(by_people)
    return gradient, np.array(by_variance)


def _forms(parts: NestedProducts, found: _Sites, inner: Array) -> Array:
    """For each block the sum over its clients of C Psi C', Psi the derivative by the joint products, (d, k, k)."""
    c = parts.shared
    sites = len(parts.joint)
    projector = np.concatenate([np.tile(np.eye(c + 1), (sites, 1, 1)), -found.taken], axis=2)
    by_joint = projector.transpose(0, 2, 1) @ inner @ projector
    by_joint[:, c + 1 :, c + 1 :] += found.b
    return _added_forms(parts, by_joint)


def _added_forms(parts: NestedProducts, by_joint: Array) -> Array:
    """The same from Psi of each site, (sites, m, m)."""
    m = parts.joint.shape[-1]
    each = np.empty(parts.grouped.shape[:2])
    for site, (first, end) in enumerate(zip(parts.starts, parts.starts[1:], strict=False)):
        rows = parts.grouped[first:end].reshape(-1, m * m)
        each[first:end] = (rows @ by_joint[site].ravel()).reshape(end - first, -1)
    d = len(parts.counts)
    sums = np.array([np.bincount(parts.block_of, weights=one, minlength=d) for one in each.T], dtype=float).T
    return as_blocks(sums, parts.k)


@dataclass(frozen=True, kw_only=True, eq=False)
class SiteByClient:
    """The same products as `CrossProducts` has them, put together from those of sites: for one look at the end.

    Fixed columns are the shared ones, then a column for each site but the first.
    """

    parts: NestedProducts

    @property
    def n(self) -> int:
        """Rows."""
        return self.parts.n

    @property
    def p(self) -> int:
        """Fixed columns, the sites' own among them."""
        return self.parts.p

    @property
    def k(self) -> int:
        """Random effects of each client."""
        return self.parts.k

    @property
    def correlated(self) -> bool:
        """They may go together."""
        return True

    @property
    def blocks(self) -> Array:
        """The distinct Z1'Z1 blocks."""
        return self.parts.blocks

    @property
    def counts(self) -> Array:
        """How many clients have each."""
        return self.parts.counts

    @property
    def n_dense_factors(self) -> int:
        """Practitioners, or none."""
        return self.parts.n_dense_factors

    @property
    def n_large_theta(self) -> int:
        """Entries of `theta` that belong to clients."""
        return (0, 1, 3)[self.k]

    @cached_property
    def dense_of(self) -> Codes:
        """All dense columns are practitioners."""
        there = np.diagonal(self.parts.joint, axis1=1, axis2=2)[:, self.parts.shared + 1 :] > 0
        return np.zeros(int(there.sum()), dtype=np.intp)

    @cached_property
    def _places(self) -> list[tuple[Codes, Codes]]:
        """For each site: places in its own products, and where they stand in those of all."""
        c, places = self.parts.shared, []
        start = self.parts.p + 1
        for site, joint in enumerate(self.parts.joint):
            people = c + 1 + np.flatnonzero(np.diag(joint)[c + 1 :] > 0)
            own = ([self.parts.one], [c + site - 1]) if site else ([], [])
            inside = np.r_[np.arange(c), own[0], c, people].astype(np.intp)
            outside = np.r_[np.arange(c), own[1], self.parts.p, start + np.arange(len(people))].astype(np.intp)
            places.append((inside, outside))
            start += len(people)
        return places

    def _spread(self, by_site: Array) -> Array:
        """Matrices of sites added up where their columns stand."""
        width = self.p + 1 + len(self.dense_of)
        out = np.zeros((width, width))
        for matrix, (inside, outside) in zip(by_site, self._places, strict=True):
            out[np.ix_(outside, outside)] += matrix[np.ix_(inside, inside)]
        return out

    @cached_property
    def joint(self) -> Array:
        """Cross-products of X, y and practitioners."""
        return self._spread(self.parts.joint)

    def outer(self, weights: Array) -> Array:
        """Sum of C' w C over clients: C their sums, w (d, k, k) symmetric by block."""
        return self._spread(_of_clients(self.parts, weights))

    def forms(self, by_joint: Array) -> Array:
        """For each block the sum over its clients of C Psi C', with Psi = `by_joint`, shape (d, k, k)."""
        m = self.parts.joint.shape[-1]
        local = np.zeros((len(self._places), m, m))
        for site, (inside, outside) in enumerate(self._places):
            np.add.at(local[site], np.ix_(inside, inside), by_joint[np.ix_(outside, outside)])
        return _added_forms(self.parts, local)
