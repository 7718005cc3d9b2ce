"""The profiled likelihood of a linear mixed model, from cross-products alone.

The rows are read once. What is left is one small matrix of cross-products of the fixed columns, the outcome and the
dense factors (practitioners, say), and for each level of the large factor (clients) its sums over those columns.
Clients are then eliminated in closed form, one 1 x 1 or 2 x 2 block each; levels that share the same block share one
sum, so that a trial of the variance ratios costs the same for a thousand rows as for a million.

Notation: y = X beta + Z1 b1 + Z2 b2 + e with Var(b1) = s2 G, Var(b2) = s2 D, Var(e) = s2 I; H = Var(y) / s2, and
H1 the same without Z2. G = L L' with L lower triangular; `theta` holds the entries of L, then one relative standard
deviation for each dense factor (Bates, Maechler, Bolker & Walker 2015, J Stat Software 67(1)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]

_LARGEST_GROUPED = 4_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossProducts:
    """Everything the likelihood needs of the rows. Columns of the joint matrix: X (p), y (1), dense levels (q2)."""

    n: int
    p: int
    k: int
    """Random effects for each level of the large factor: 0 (no such factor), 1 (intercept) or 2 (and a slope)."""
    correlated: bool
    dense_of: Codes
    """For each dense column the number of its factor, shape (q2,)."""
    joint: Array
    """Cross-products of the joint matrix, shape (m, m)."""
    sums: Array
    """For each level of the large factor its random columns times the joint matrix, shape (q1, k, m)."""
    blocks: Array
    """The distinct Z1'Z1 blocks, shape (d, k, k)."""
    block_of: Codes
    """Which block each level has, shape (q1,)."""
    counts: Array
    """How many levels have each block, shape (d,)."""
    grouped: Array | None
    """Sums of outer products of `sums` over levels with the same block, shape (d * pairs, m * m), if small enough."""

    @property
    def n_dense_factors(self) -> int:
        """How many factors are kept dense."""
        return int(self.dense_of.max()) + 1 if self.dense_of.size else 0

    @property
    def n_large_theta(self) -> int:
        """Entries of `theta` that belong to the large factor."""
        return (0, 1, 3 if self.correlated else 2)[self.k]


@dataclass(frozen=True, kw_only=True, eq=False)
class Point:
    """The likelihood at one `theta`, with what later steps need of it."""

    theta: Array
    deviance: float
    """Minus twice the profiled (restricted) log-likelihood, for an X with orthonormal columns."""
    gradient: Array
    by_variance: Array
    """Derivative by each relative variance (diagonal of G, then dense factors): its sign decides at zero."""
    beta: Array
    rss: float
    relative_covariance: Array
    """G, shape (k, k)."""
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


def cross_products(
    x: Array, y: Array, large: Codes | None, z: Array, dense: list[Codes], *, correlated: bool, root_weights: Array | None
) -> CrossProducts:
    """Read the rows once: x (n, p) with orthonormal columns, y (n,), codes of the large factor, its random columns
    z (n, k), codes of each dense factor; all already multiplied by `root_weights` where weights are used.
    """
    n, p = x.shape
    xy = np.column_stack([x, y])
    z2, dense_of = _indicators(dense, n, root_weights)
    q2 = z2.shape[1]
    joint = np.empty((p + 1 + q2, p + 1 + q2))
    joint[: p + 1, : p + 1] = xy.T @ xy
    joint[p + 1 :, : p + 1] = z2.T @ xy
    joint[: p + 1, p + 1 :] = joint[p + 1 :, : p + 1].T
    joint[p + 1 :, p + 1 :] = (z2.T @ z2).toarray()
    k = 0 if large is None else z.shape[1]
    sums, gram = _level_sums(xy, z2, large, z, k)
    blocks, block_of, counts = _distinct_blocks(gram)
    return CrossProducts(
        n=n,
        p=p,
        k=k,
        correlated=correlated,
        dense_of=dense_of,
        joint=joint,
        sums=sums,
        blocks=blocks,
        block_of=block_of,
        counts=counts,
        grouped=_grouped_products(sums, block_of, len(counts)),
    )


def _indicators(dense: list[Codes], n: int, root_weights: Array | None) -> tuple[sparse.csr_array, Codes]:
    """The dense factors' indicator columns side by side, sparse, and the factor each column belongs to."""
    if not dense:
        return sparse.csr_array((n, 0)), np.empty(0, dtype=np.intp)
    levels = [int(codes.max()) + 1 for codes in dense]
    starts = np.concatenate([[0], np.cumsum(levels)[:-1]])
    columns = np.column_stack([codes + start for codes, start in zip(dense, starts, strict=True)]).ravel()
    values = np.ones(n) if root_weights is None else root_weights
    pointers = np.arange(0, n * len(dense) + 1, len(dense))
    z2 = sparse.csr_array((np.repeat(values, len(dense)), columns, pointers), shape=(n, sum(levels)))
    return z2, np.repeat(np.arange(len(dense)), levels)


def _level_sums(xy: Array, z2: sparse.csr_array, large: Codes | None, z: Array, k: int) -> tuple[Array, Array]:
    """For each level of the large factor: its random columns times [X y Z2], and times themselves."""
    n, width = xy.shape[0], xy.shape[1] + z2.shape[1]
    if large is None:
        return np.empty((0, 0, width)), np.empty((0, 0, 0))
    q1 = int(large.max()) + 1
    sums = np.empty((q1, k, width))
    gram = np.empty((q1, k, k))
    for a in range(k):
        z1 = sparse.csr_array((z[:, a], large, np.arange(n + 1)), shape=(n, q1)).T
        sums[:, a, : xy.shape[1]] = z1 @ xy
        sums[:, a, xy.shape[1] :] = (z1 @ z2).toarray()
        for b in range(k):
            gram[:, a, b] = np.bincount(large, weights=z[:, a] * z[:, b], minlength=q1)
    return sums, gram


def _distinct_blocks(gram: Array) -> tuple[Array, Codes, Array]:
    """The distinct blocks among the levels, which one each level has, and how often each occurs."""
    q1, k, _ = gram.shape
    if q1 == 0:
        return gram, np.empty(0, dtype=np.intp), np.empty(0)
    rounded = np.round(gram.reshape(q1, k * k), 9)
    if k == 1:
        _, first, inverse, counts = np.unique(rounded[:, 0], return_index=True, return_inverse=True, return_counts=True)
    else:
        _, first, inverse, counts = np.unique(
            rounded, axis=0, return_index=True, return_inverse=True, return_counts=True
        )
    return gram[first], inverse.reshape(-1), counts.astype(float)


def _grouped_products(sums: Array, block_of: Codes, d: int) -> Array | None:
    """Outer products of the level sums, added over levels with the same block; None where they would be too many."""
    q1, k, m = sums.shape
    pairs = k * (k + 1) // 2
    if q1 == 0 or d * pairs * m * m > _LARGEST_GROUPED:
        return None
    order = np.argsort(block_of, kind="stable")
    ends = np.cumsum(np.bincount(block_of, minlength=d))
    grouped = np.empty((d, pairs, m, m))
    start = 0
    for block, end in enumerate(ends):
        part = sums[order[start:end]]
        grouped[block, 0] = part[:, 0].T @ part[:, 0]
        if k == 2:
            cross = part[:, 0].T @ part[:, 1]
            grouped[block, 1] = cross + cross.T
            grouped[block, 2] = part[:, 1].T @ part[:, 1]
        start = end
    return grouped.reshape(d * pairs, m * m)


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
        return 1.0 / matrices
    a, b, c, d = matrices[:, 0, 0], matrices[:, 0, 1], matrices[:, 1, 0], matrices[:, 1, 1]
    return np.stack([d, -b, -c, a], axis=-1).reshape(-1, 2, 2) / (a * d - b * c)[:, None, None]


def _without_large(parts: CrossProducts, shrink: Array) -> Array:
    """The joint cross-products with the large factor eliminated: N = W'W - sum of C' S C."""
    if parts.k == 0:
        return parts.joint
    if parts.grouped is not None:
        weights = shrink[:, 0, 0] if parts.k == 1 else shrink.reshape(-1, 4)[:, [0, 1, 3]].ravel()
        return parts.joint - (weights @ parts.grouped).reshape(parts.joint.shape)
    taken = np.matmul(shrink[parts.block_of], parts.sums)
    width = parts.joint.shape[0]
    return parts.joint - parts.sums.reshape(-1, width).T @ taken.reshape(-1, width)


def _block_forms(parts: CrossProducts, by_joint: Array) -> Array:
    """For each distinct block the sum over its levels of C Psi C', with Psi = `by_joint`, shape (d, k, k)."""
    d, k = len(parts.counts), parts.k
    if parts.grouped is not None:
        forms = (parts.grouped @ by_joint.ravel()).reshape(d, -1)
        if k == 1:
            return forms[:, :, None]
        return np.stack([forms[:, 0], forms[:, 1] / 2, forms[:, 1] / 2, forms[:, 2]], axis=-1).reshape(d, 2, 2)
    width = parts.joint.shape[0]
    left = (parts.sums.reshape(-1, width) @ by_joint).reshape(parts.sums.shape)
    each = np.matmul(left, parts.sums.transpose(0, 2, 1))
    out = np.zeros((d, k, k))
    np.add.at(out, parts.block_of, each)
    return out


def evaluate(parts: CrossProducts, theta: Array, *, reml: bool) -> Point:
    """Deviance, gradient and the pieces of the fit at `theta`; raises LinAlgError where nothing is left to explain."""
    p, k, first = parts.p, parts.k, parts.n_large_theta
    g = relative_covariance(theta, k=k, correlated=parts.correlated)
    eliminated = small_inverse(np.eye(k) + g @ parts.blocks) if k else parts.blocks
    joint = _without_large(parts, eliminated @ g)
    deviance = float(parts.counts @ -np.log(_determinants(eliminated))) if k else 0.0

    relative_sd = theta[first:][parts.dense_of]
    cross, dense = joint[p + 1 :, : p + 1], joint[p + 1 :, p + 1 :]
    if relative_sd.size:
        factor = linalg.cholesky(
            np.eye(len(relative_sd)) + relative_sd[:, None] * dense * relative_sd, lower=True, check_finite=False
        )
        root = linalg.solve_triangular(factor, np.diag(relative_sd), lower=True, check_finite=False)
        b = root.T @ root
        deviance += 2 * float(np.log(np.diag(factor)).sum())
    else:
        b = np.empty((0, 0))
    taken = b @ cross
    xy = joint[: p + 1, : p + 1] - cross.T @ taken
    x_factor = linalg.cholesky(xy[:p, :p], lower=True, check_finite=False)
    x_root = linalg.solve_triangular(x_factor, np.eye(p), lower=True, check_finite=False)
    xx_inverse = x_root.T @ x_root
    beta = xx_inverse @ xy[:p, p]
    rss = float(xy[p, p] - xy[p, :p] @ beta)
    if not rss > 0:
        raise linalg.LinAlgError("nothing left to explain")
    nu = parts.n - p if reml else parts.n
    deviance += nu * (1 + np.log(2 * np.pi * rss / nu)) + (2 * float(np.log(np.diag(x_factor)).sum()) if reml else 0.0)

    projector = np.hstack([np.eye(p + 1), -taken.T])
    inner = _inner_weight(xx_inverse, beta, nu / rss, reml=reml)
    gradient, by_variance = _gradient(parts, theta, g, eliminated, joint, b, projector, inner)
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


def _determinants(matrices: Array) -> Array:
    """Determinants of many 1 x 1 or 2 x 2 matrices."""
    if matrices.shape[-1] == 1:
        return matrices[:, 0, 0]
    return matrices[:, 0, 0] * matrices[:, 1, 1] - matrices[:, 0, 1] * matrices[:, 1, 0]


def _inner_weight(xx_inverse: Array, beta: Array, nu_over_rss: float, *, reml: bool) -> Array:
    """Derivative of log|X'H^-1X| (REML) and nu log rss by [X y]'H^-1[X y], shape (p + 1, p + 1)."""
    contrast = np.append(-beta, 1.0)
    inner = nu_over_rss * np.outer(contrast, contrast)
    if reml:
        inner[:-1, :-1] += xx_inverse
    return inner


def _gradient(
    parts: CrossProducts, theta: Array, g: Array, eliminated: Array, joint: Array, b: Array, projector: Array, inner: Array
) -> tuple[Array, Array]:
    """Derivatives of the deviance by `theta` and by each relative variance."""
    p, k, first = parts.p, parts.k, parts.n_large_theta
    gradient = np.zeros(len(theta))
    large: list[float] = []
    if k:
        by_joint = projector.T @ inner @ projector
        by_joint[p + 1 :, p + 1 :] += b
        forms = _block_forms(parts, by_joint)
        transposed = eliminated.transpose(0, 2, 1)
        by_g = np.einsum("d,dab->ab", parts.counts, parts.blocks @ eliminated) - (transposed @ forms @ eliminated).sum(0)
        gradient[:first] = _through_factor(theta, by_g, k=k, correlated=parts.correlated)
        large = list(np.diag(by_g))
    if parts.dense_of.size:
        dense = joint[p + 1 :, p + 1 :]
        through = joint[: p + 1, p + 1 :] - (joint[: p + 1, p + 1 :] @ b) @ dense
        each = np.diag(dense) - np.einsum("ij,ji->i", dense @ b, dense) - np.einsum("ai,ab,bi->i", through, inner, through)
        by_dense = np.bincount(parts.dense_of, weights=each)
        gradient[first:] = 2 * theta[first:] * by_dense
        return gradient, np.concatenate([large, by_dense])
    return gradient, np.array(large)


def _through_factor(theta: Array, by_g: Array, *, k: int, correlated: bool) -> Array:
    """Chain rule from G to the entries of its factor L."""
    if k == 1:
        return np.array([2 * theta[0] * by_g[0, 0]])
    if not correlated:
        return np.array([2 * theta[0] * by_g[0, 0], 2 * theta[1] * by_g[1, 1]])
    a, b, c = theta[:3]
    off = by_g[0, 1]
    return np.array([2 * a * by_g[0, 0] + 2 * b * off, 2 * a * off + 2 * b * by_g[1, 1], 2 * c * by_g[1, 1]])
