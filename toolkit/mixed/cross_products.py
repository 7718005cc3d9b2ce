"""The rows of a mixed model, read once: what is left are cross-products.

One small matrix holds the cross-products of the fixed columns, the outcome and the dense factors (practitioners, say);
each level of the large factor (clients) keeps its sums over those columns. Levels with the same block share one sum,
so that a trial of the variance ratios costs the same for a thousand rows as for a million.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]

_LARGEST_GROUPED = 20_000_000


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

    def outer(self, weights: Array) -> Array:
        """Sum of C' w C over the large factor's levels: C their sums, w (d, k, k) symmetric by block; shape (m, m)."""
        if self.grouped is not None:
            flat = weights[:, 0, 0] if self.k == 1 else weights.reshape(-1, 4)[:, [0, 1, 3]].ravel()
            return np.asarray((flat @ self.grouped).reshape(self.joint.shape))
        width = self.joint.shape[0]
        weighed = np.matmul(weights[self.block_of], self.sums)
        return np.asarray(self.sums.reshape(-1, width).T @ weighed.reshape(-1, width))

    def forms(self, by_joint: Array) -> Array:
        """For each distinct block the sum over its levels of C Psi C', with Psi = `by_joint`, shape (d, k, k)."""
        d, k = len(self.counts), self.k
        if self.grouped is not None:
            return as_blocks((self.grouped @ by_joint.ravel()).reshape(d, -1), k)
        width = self.joint.shape[0]
        left = (self.sums.reshape(-1, width) @ by_joint).reshape(self.sums.shape)
        each = np.matmul(left, self.sums.transpose(0, 2, 1))
        out = np.zeros((d, k, k))
        np.add.at(out, self.block_of, each)
        return out


def as_blocks(sums: Array, k: int) -> Array:
    """Sums by the pairs of `grouped` as symmetric blocks, (d, pairs) to (d, k, k)."""
    if k == 1:
        return sums[:, :, None]
    return np.stack([sums[:, 0], sums[:, 1] / 2, sums[:, 1] / 2, sums[:, 2]], axis=-1).reshape(-1, 2, 2)


def cross_products(
    x: Array,
    y: Array,
    large: Codes | None,
    z: Array,
    dense: list[Codes],
    *,
    correlated: bool,
    root_weights: Array | None,
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
    return _of_levels(joint, sums, gram, n=n, p=p, k=k, dense_of=dense_of, correlated=correlated)


def level_products(joint: Array, sums: Array, gram: Array, *, n: int) -> CrossProducts:
    """The same from sums alone, without dense factors: `joint` of [X y], of each level its `sums` and its block."""
    nobody = np.empty(0, dtype=np.intp)
    return _of_levels(joint, sums, gram, n=n, p=len(joint) - 1, k=sums.shape[1], dense_of=nobody, correlated=True)


def _of_levels(
    joint: Array, sums: Array, gram: Array, *, n: int, p: int, k: int, dense_of: Codes, correlated: bool
) -> CrossProducts:
    """Products of all rows with levels of the same block put together."""
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
        start = int(end)
    return grouped.reshape(d * pairs, m * m)
