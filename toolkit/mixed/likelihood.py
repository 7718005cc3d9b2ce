"""The profiled likelihood of a linear mixed model, from cross-products alone.

The large factor (clients) is eliminated in closed form, one 1 x 1 or 2 x 2 block for each level; the dense factors
(practitioners) by a Cholesky factor of their own size.

Notation: y = X beta + Z1 b1 + Z2 b2 + e with Var(b1) = s2 G, Var(b2) = s2 D, Var(e) = s2 I; H = Var(y) / s2, and
H1 the same without Z2. G = L L' with L lower triangular; `theta` holds the entries of L, then one relative standard
deviation for each dense factor (Bates, Maechler, Bolker & Walker 2015, J Stat Software 67(1)).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import linalg

from toolkit.mixed.cross_products import Array, Codes


class Products(Protocol):
    """Cross-products of all rows (`CrossProducts`), or the same put together from those of sites (`nested`)."""

    @property
    def n(self) -> int:
        """Rows."""

    @property
    def p(self) -> int:
        """Fixed columns."""

    @property
    def k(self) -> int:
        """Random effects of each level of the large factor."""

    @property
    def correlated(self) -> bool:
        """May they go together?"""

    @property
    def dense_of(self) -> Codes:
        """For each dense column the number of its factor."""

    @property
    def joint(self) -> Array:
        """Cross-products of X, y and the dense columns."""

    @property
    def blocks(self) -> Array:
        """The distinct Z1'Z1 blocks."""

    @property
    def counts(self) -> Array:
        """How many levels have each."""

    @property
    def n_dense_factors(self) -> int:
        """How many factors are kept dense."""

    @property
    def n_large_theta(self) -> int:
        """Entries of `theta` that belong to the large factor."""

    def outer(self, weights: Array) -> Array:
        """Sum of C' w C over the large factor's levels."""

    def forms(self, by_joint: Array) -> Array:
        """For each block the sum over its levels of C Psi C'."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Height:
    """The likelihood at one `theta`, and which way it rises: all that a search looks at."""

    theta: Array
    deviance: float
    """Minus twice the profiled (restricted) log-likelihood, for an X with orthonormal columns."""
    gradient: Array
    by_variance: Array
    """Derivative by each relative variance (diagonal of G, then dense factors): its sign decides at zero."""
    rss: float
    relative_covariance: Array
    """G, shape (k, k)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Point(Height):
    """The same with what later steps need of it."""

    beta: Array
    eliminated: Array
    """(I + G Z1'Z1)^-1 for each distinct block, shape (d, k, k)."""
    without_large: Array
    """The joint cross-products through H1^-1, shape (m, m)."""
    dense_inverse: Array
    """B = (D^-1 + Z2'H1^-1 Z2)^-1, shape (q2, q2)."""
    projector: Array
    """[I, -N_xyz B]: takes the joint matrix through H1^-1 to H^-1, shape (p + 1, m)."""
    xx_inverse: Array
    """(X'H^-1 X)^-1, shape (p, p)."""


def relative_covariance(theta: Array, *, k: int, correlated: bool) -> Array:
    """G = L L' of the large factor from the first entries of `theta`."""
    if k == 0:
        return np.empty((0, 0))
    if k == 1:
        return np.array([[theta[0] ** 2]])
    a, b, c = (theta[0], theta[1], theta[2]) if correlated else (theta[0], 0.0, theta[1])
    return np.array([[a * a, a * b], [a * b, b * b + c * c]])


def small_inverse(matrices: Array) -> Array:
    """Inverse of many 1 x 1 or 2 x 2 matrices at once, shape (d, k, k)."""
    if matrices.shape[-1] < 2:
        return np.asarray(1.0 / matrices)
    a, b, c, d = matrices[:, 0, 0], matrices[:, 0, 1], matrices[:, 1, 0], matrices[:, 1, 1]
    return np.asarray(np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2) / (a * d - b * c)[:, None, None])


def evaluate(parts: Products, theta: Array, *, reml: bool, sigma2: float | None = None) -> Point:
    """Deviance, gradient and the pieces of the fit at `theta`; raises LinAlgError where nothing is left to explain.

    The residual variance is profiled out unless `sigma2` gives it.
    """
    p, k, first = parts.p, parts.k, parts.n_large_theta
    g = relative_covariance(theta, k=k, correlated=parts.correlated)
    eliminated = small_inverse(np.eye(k) + g @ parts.blocks) if k else parts.blocks
    joint = parts.joint - parts.outer(eliminated @ g) if k else parts.joint
    deviance = float(parts.counts @ -np.log(_determinants(eliminated))) if k else 0.0

    cross = joint[p + 1 :, : p + 1]
    half, b = _dense_inverse(joint[p + 1 :, p + 1 :], theta[first:][parts.dense_of])
    deviance += half
    taken = b @ cross
    xy = joint[: p + 1, : p + 1] - cross.T @ taken
    x_half, x_root = _lower_root(xy[:p, :p])
    xx_inverse = x_root.T @ x_root
    beta = xx_inverse @ xy[:p, p]
    rss = float(xy[p, p] - xy[p, :p] @ beta)
    if not rss > 0:
        raise linalg.LinAlgError("nothing left to explain")
    nu = parts.n - p if reml else parts.n
    variance = rss / nu if sigma2 is None else sigma2
    deviance += nu * np.log(2 * np.pi * variance) + rss / variance
    deviance += x_half if reml else 0.0

    projector = np.hstack([np.eye(p + 1), -taken.T])
    inner = _inner_weight(xx_inverse, beta, 1 / variance, reml=reml)
    gradient, by_variance = _gradient(parts, theta, eliminated, joint, b, projector, inner)
    return Point(
        theta=theta,
        deviance=deviance,
        gradient=gradient,
        by_variance=by_variance,
        beta=beta,
        rss=rss,
        relative_covariance=g,
        eliminated=eliminated,
        without_large=joint,
        dense_inverse=b,
        projector=projector,
        xx_inverse=xx_inverse,
    )


def _dense_inverse(dense: Array, relative_sd: Array) -> tuple[float, Array]:
    """log|I + D^1/2 Z2'H1^-1 Z2 D^1/2| and B = (D^-1 + Z2'H1^-1 Z2)^-1, zero where a variance is zero."""
    if not relative_sd.size:
        return 0.0, np.empty((0, 0))
    half, inverse = _lower_root(np.eye(len(relative_sd)) + relative_sd[:, None] * dense * relative_sd)
    root = inverse * relative_sd
    return half, root.T @ root


def _lower_root(matrix: Array) -> tuple[float, Array]:
    """log determinant of a positive definite matrix, and the inverse of its lower Cholesky factor.

    LAPACK directly: the usual wrappers cost many times the work at these sizes.
    """
    factor, failed = linalg.lapack.dpotrf(matrix, lower=1, clean=1)
    if failed:
        raise linalg.LinAlgError("not positive definite")
    inverse, _ = linalg.lapack.dtrtri(factor, lower=1)
    return 2 * float(np.log(factor.diagonal()).sum()), inverse


def _determinants(matrices: Array) -> Array:
    """Determinants of many 1 x 1 or 2 x 2 matrices."""
    if matrices.shape[-1] == 1:
        return np.asarray(matrices[:, 0, 0])
    return np.asarray(matrices[:, 0, 0] * matrices[:, 1, 1] - matrices[:, 0, 1] * matrices[:, 1, 0])


def _inner_weight(xx_inverse: Array, beta: Array, per_rss: float, *, reml: bool) -> Array:
    """Derivative of log|X'H^-1X| (REML) and of the residual's part by [X y]'H^-1[X y], shape (p + 1, p + 1)."""
    contrast = np.append(-beta, 1.0)
    inner = per_rss * np.outer(contrast, contrast)
    if reml:
        inner[:-1, :-1] += xx_inverse
    return inner


def _gradient(
    parts: Products,
    theta: Array,
    eliminated: Array,
    joint: Array,
    b: Array,
    projector: Array,
    inner: Array,
) -> tuple[Array, Array]:
    """Derivatives of the deviance by `theta` and by each relative variance."""
    p, k, first = parts.p, parts.k, parts.n_large_theta
    gradient = np.zeros(len(theta))
    large: list[float] = []
    if k:
        by_joint = projector.T @ inner @ projector
        by_joint[p + 1 :, p + 1 :] += b
        forms = parts.forms(by_joint)
        transposed = eliminated.transpose(0, 2, 1)
        by_g = np.einsum("d,dab->ab", parts.counts, parts.blocks @ eliminated) - (transposed @ forms @ eliminated).sum(
            0
        )
        gradient[:first] = through_factor(theta, by_g, k=k, correlated=parts.correlated)
        large = list(np.diag(by_g))
    if parts.dense_of.size:
        dense = joint[p + 1 :, p + 1 :]
        through = joint[: p + 1, p + 1 :] - (joint[: p + 1, p + 1 :] @ b) @ dense
        each = (
            np.diag(dense) - np.einsum("ij,ji->i", dense @ b, dense) - np.einsum("ai,ab,bi->i", through, inner, through)
        )
        by_dense = np.bincount(parts.dense_of, weights=each)
        gradient[first:] = 2 * theta[first:] * by_dense
        return gradient, np.concatenate([large, by_dense])
    return gradient, np.array(large)


def through_factor(theta: Array, by_g: Array, *, k: int, correlated: bool) -> Array:
    """Chain rule from G to the entries of its factor L."""
    if k == 1:
        return np.array([2 * theta[0] * by_g[0, 0]])
    if not correlated:
        return np.array([2 * theta[0] * by_g[0, 0], 2 * theta[1] * by_g[1, 1]])
    a, b, c = theta[:3]
    off = by_g[0, 1]
    return np.array([2 * a * by_g[0, 0] + 2 * b * off, 2 * a * off + 2 * b * by_g[1, 1], 2 * c * by_g[1, 1]])
