"""The curvature of a fitted likelihood by its variance components, without a rows x rows matrix.

With V = sum of s_r G_r (the residual last), degrees of freedom need X'V^-1 G_r V^-1 X, X'V^-1 G_r V^-1 G_s V^-1 X and
tr(V^-1 G_r V^-1 G_s). For the large and the dense factors they come from cross-products; those of the residual follow
from G_residual = (V - sum of the others) / s2, so that the cost is linear in the number of levels.
"""

from __future__ import annotations

import numpy as np

from toolkit.mixed.cross_products import Array, CrossProducts
from toolkit.mixed.inference import Curvature
from toolkit.mixed.likelihood import Point


def curvature(parts: CrossProducts, point: Point, *, reml: bool, scale: Array) -> Curvature:
    """The curvature at the fitted `point`; `scale` (p, p) takes orthonormal coefficients to those of the user's X."""
    p = parts.p
    sigma2 = point.rss / (parts.n - p if reml else parts.n)
    large_x, dense_x, dense_dense = _through_h(parts, point)
    gamma, bases = _relative_components(parts, point)
    first, second, traces, doubles = _forms(parts, point, bases, large_x, dense_x, dense_dense)
    whole = np.zeros((p + 1, p + 1))
    whole[:p, :p], whole[p, p] = np.linalg.inv(point.xx_inverse), point.rss
    first, second, traces, doubles = _with_residual(gamma, whole, float(parts.n), first, second, traces, doubles)
    turn = np.eye(p + 1)
    turn[:p, :p] = np.linalg.inv(scale)
    jacobian, bend = _derivatives(parts, point, gamma, sigma2)
    return Curvature(
        reml=reml,
        covariance=sigma2 * scale @ point.xx_inverse @ scale.T,
        variances=np.append(gamma, 1.0) * sigma2,
        jacobian=jacobian,
        second=bend,
        first_forms=turn.T @ first @ turn / sigma2**2,
        second_forms=turn.T @ second @ turn / sigma2**3,
        traces=traces / sigma2,
        double_traces=doubles / sigma2**2,
    )


def _through_h(parts: CrossProducts, point: Point) -> tuple[Array, Array, Array]:
    """Z1'H^-1[X r] (q1, k, p + 1), Z2'H^-1[X r] (q2, p + 1) and Z2'H^-1 Z2 (q2, q2)."""
    p = parts.p
    to_residual = np.eye(p + 1)
    to_residual[:p, p] = -point.beta
    large = _large_through_h1(parts, point)
    large_x = large @ point.projector.T @ to_residual
    dense = point.without_large[p + 1 :, p + 1 :]
    cross = point.without_large[p + 1 :, : p + 1]
    dense_x = (cross - dense @ point.dense_inverse @ cross) @ to_residual
    return large_x, dense_x, dense - dense @ point.dense_inverse @ dense


def _large_through_h1(parts: CrossProducts, point: Point) -> Array:
    """Z1'H1^-1[X y Z2], shape (q1, k, m)."""
    if not parts.k:
        return np.zeros((0, 0, parts.joint.shape[0]))
    if parts.k == 1:
        return np.asarray(point.eliminated[parts.block_of] * parts.sums)
    return np.asarray(point.eliminated.transpose(0, 2, 1)[parts.block_of] @ parts.sums)


def _relative_components(parts: CrossProducts, point: Point) -> tuple[Array, list[Array]]:
    """The variance components over s2 without the residual, and the basis matrix of each of the large factor's."""
    g, first = point.relative_covariance, parts.n_large_theta
    dense = point.theta[first:] ** 2
    if parts.k == 0:
        return dense, []
    if parts.k == 1:
        return np.append(g[0, 0], dense), [np.eye(1)]
    both = [np.diag([1.0, 0.0]), np.array([[0.0, 1.0], [1.0, 0.0]]), np.diag([0.0, 1.0])]
    if parts.correlated:
        return np.concatenate([[g[0, 0], g[0, 1], g[1, 1]], dense]), both
    return np.concatenate([[g[0, 0], g[1, 1]], dense]), [both[0], both[2]]


def _forms(
    parts: CrossProducts, point: Point, bases: list[Array], large_x: Array, dense_x: Array, dense_dense: Array
) -> tuple[Array, Array, Array, Array]:
    """The first and second forms and traces (H in place of V) of all components but the residual."""
    p, n_large = parts.p, len(bases)
    r = n_large + parts.n_dense_factors
    first, second = np.zeros((r, p + 1, p + 1)), np.zeros((r, r, p + 1, p + 1))
    traces, doubles = np.zeros(r), np.zeros((r, r))
    if n_large:
        _fill_large(parts, point, bases, large_x, dense_x, (first, second, traces, doubles))
    levels = [parts.dense_of == place for place in range(parts.n_dense_factors)]
    for i, here in enumerate(levels, start=n_large):
        first[i] = dense_x[here].T @ dense_x[here]
        traces[i] = np.sum(np.diag(dense_dense)[here])
        for j, there in enumerate(levels, start=n_large):
            block = dense_dense[np.ix_(here, there)]
            second[i, j] = dense_x[here].T @ block @ dense_x[there]
            doubles[i, j] = np.sum(block**2)
    return first, second, traces, doubles


def _fill_large(
    parts: CrossProducts,
    point: Point,
    bases: list[Array],
    large_x: Array,
    dense_x: Array,
    into: tuple[Array, Array, Array, Array],
) -> None:
    """Forms and traces of the large factor's components, with each other and with the dense factors."""
    first, second, traces, doubles = into
    p, b, counts = parts.p, point.dense_inverse, parts.counts
    large_z = _large_through_h1(parts, point)[:, :, p + 1 :]
    own = parts.blocks @ point.eliminated
    apart = np.eye(len(b)) - b @ point.without_large[p + 1 :, p + 1 :]
    weighted = [np.matmul(basis, large_x) for basis in bases]
    between = [_summed(w, large_z) for w in weighted]
    inner = [_summed(large_z, np.matmul(basis, large_z)) for basis in bases]
    for i, basis in enumerate(bases):
        first[i] = _summed(weighted[i], large_x)
        traces[i] = np.einsum("d,dab,ba->", counts, own, basis) - np.sum(b * inner[i])
        for j, other in enumerate(bases):
            moved = np.matmul(own[parts.block_of], weighted[j])
            second[i, j] = _summed(weighted[i], moved) - between[i] @ b @ between[j].T
            mixed = basis @ own @ other
            turned = np.matmul((mixed + mixed.transpose(0, 2, 1))[parts.block_of], large_z)
            doubles[i, j] = (
                np.einsum("d,dab,dba->", counts, own @ basis, own @ other)
                - np.sum(b * _summed(large_z, turned))
                + np.sum((b @ inner[i]) * (b @ inner[j]).T)
            )
        for place in range(parts.n_dense_factors):
            at, here = len(bases) + place, parts.dense_of == place
            second[i, at] = (between[i] @ apart)[:, here] @ dense_x[here]
            second[at, i] = second[i, at].T
            doubles[i, at] = doubles[at, i] = np.sum(np.diag(apart.T @ inner[i] @ apart)[here])


def _summed(one: Array, other: Array) -> Array:
    """Sum over the large factor's levels and random columns of one' other."""
    return np.asarray(np.tensordot(one, other, axes=([0, 1], [0, 1])))


def _with_residual(
    gamma: Array, whole: Array, n: float, first: Array, second: Array, traces: Array, doubles: Array
) -> tuple[Array, Array, Array, Array]:
    """Append the residual component from I = H - sum of gamma_r G_r."""
    r, width = len(gamma), whole.shape[0]
    all_first, all_second = np.empty((r + 1, width, width)), np.empty((r + 1, r + 1, width, width))
    all_first[:r], all_second[:r, :r] = first, second
    all_first[r] = whole - np.einsum("r,rab->ab", gamma, first)
    all_second[:r, r] = first - np.einsum("s,rsab->rab", gamma, second)
    all_second[r, :r] = all_second[:r, r].transpose(0, 2, 1)
    all_second[r, r] = all_first[r] - np.einsum("r,rab->ab", gamma, all_second[:r, r])
    all_traces, all_doubles = np.append(traces, n - gamma @ traces), np.empty((r + 1, r + 1))
    all_doubles[:r, :r] = doubles
    all_doubles[:r, r] = all_doubles[r, :r] = traces - doubles @ gamma
    all_doubles[r, r] = all_traces[r] - gamma @ all_doubles[:r, r]
    return all_first, all_second, all_traces, all_doubles


def _derivatives(parts: CrossProducts, point: Point, gamma: Array, sigma2: float) -> tuple[Array, Array]:
    """First and second derivatives of the variance components by (theta, residual SD)."""
    theta, t, r = point.theta, len(point.theta), len(gamma)
    slopes, bends = np.zeros((r, t)), np.zeros((r, t, t))
    first, n_large = parts.n_large_theta, r - parts.n_dense_factors
    if parts.k == 2 and parts.correlated:
        a, b, c = theta[:3]
        slopes[:3, :3] = [[2 * a, 0, 0], [b, a, 0], [0, 2 * b, 2 * c]]
        bends[0, 0, 0] = bends[2, 1, 1] = bends[2, 2, 2] = 2
        bends[1, 0, 1] = bends[1, 1, 0] = 1
    else:
        for i in range(n_large):
            slopes[i, i], bends[i, i, i] = 2 * theta[i], 2
    for j in range(parts.n_dense_factors):
        slopes[n_large + j, first + j], bends[n_large + j, first + j, first + j] = 2 * theta[first + j], 2
    sigma = np.sqrt(sigma2)
    jacobian, second = np.zeros((r + 1, t + 1)), np.zeros((r + 1, t + 1, t + 1))
    jacobian[:r, :t] = sigma2 * slopes
    jacobian[:r, t] = 2 * sigma * gamma
    jacobian[r, t] = 2 * sigma
    second[:r, :t, :t] = sigma2 * bends
    second[:r, :t, t] = second[:r, t, :t] = 2 * sigma * slopes
    second[:r, t, t] = 2 * gamma
    second[r, t, t] = 2
    return jacobian, second
