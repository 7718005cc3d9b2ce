"""Degrees of freedom and adjusted covariances: Kenward–Roger and Satterthwaite.

Sources: Kenward & Roger (1997) Biometrics 53:983-997; Satterthwaite (1946) Biometrics Bulletin 2:110-114 in the form of
Giesbrecht & Burns (1985) and Fai & Cornelius (1996); the formulas for F are those of Halekoh & Højsgaard (2014)
J Stat Software 59(9) and Kuznetsova, Brockhoff & Christensen (2017) J Stat Software 82(13).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from toolkit.mixed.cross_products import Array
from toolkit.mixed.likelihood import Point, Products


@dataclass(frozen=True, kw_only=True, eq=False)
class Curvature:
    """The likelihood's curvature by the variance components (large factor, dense factors, residual last)."""

    reml: bool
    covariance: Array
    """Covariance of the fixed effects, shape (p, p)."""
    variances: Array
    """The R variance components s_r (the covariance of intercept and slope among them), residual last."""
    jacobian: Array
    """Derivative of the variance components by (theta, residual standard deviation), shape (R, T + 1)."""
    second: Array
    """Second derivatives of the same, shape (R, T + 1, T + 1)."""
    first_forms: Array
    """[X r]'V^-1 G_r V^-1 [X r] with r the residual y - X beta, shape (R, p + 1, p + 1)."""
    second_forms: Array
    """[X r]'V^-1 G_r V^-1 G_s V^-1 [X r], shape (R, R, p + 1, p + 1)."""
    traces: Array
    """tr(V^-1 G_r), shape (R,)."""
    double_traces: Array
    """tr(V^-1 G_r V^-1 G_s), shape (R, R)."""

    @property
    def _p(self) -> int:
        return len(self.covariance)

    @cached_property
    def _projected_traces(self) -> Array:
        """tr(P G_r P G_s) with P the restricted projector: twice the expected information (REML)."""
        p, phi = self._p, self.covariance
        forms = self.first_forms[:, :p, :p]
        second = np.einsum("ab,rsba->rs", phi, self.second_forms[:, :, :p, :p])
        through = phi @ forms
        return np.asarray(self.double_traces - 2 * second + np.einsum("rab,sba->rs", through, through))

    @cached_property
    def _weights(self) -> Array:
        """W: the asymptotic covariance of the variance components from the expected information."""
        information = (self._projected_traces + self._projected_traces.T) / 2
        scale = np.sqrt(np.abs(np.diag(information)))
        scale[scale == 0] = 1.0
        scaled = information / np.outer(scale, scale)
        values = np.linalg.eigvalsh(scaled)
        inverse = np.linalg.inv(scaled) if values[0] > 1e-10 * values[-1] else np.linalg.pinv(scaled, hermitian=True)
        return np.asarray(2 * inverse / np.outer(scale, scale))

    @cached_property
    def adjusted_covariance(self) -> Array:
        """The Kenward–Roger covariance of the fixed effects, shape (p, p)."""
        p, phi = self._p, self.covariance
        forms = self.first_forms[:, :p, :p]
        inner = np.einsum("rs,rsab->ab", self._weights, self.second_forms[:, :, :p, :p])
        inner -= np.einsum("rs,rab,bc,scd->ad", self._weights, forms, phi, forms, optimize=True)
        adjusted = phi + 2 * phi @ ((inner + inner.T) / 2) @ phi
        return np.asarray(adjusted)

    def kenward_roger(self, contrast: Array) -> tuple[float, float]:
        """Standard error and df of one contrast (p,).

        With a handful of rows the adjustment can outweigh the variance itself; the unadjusted variance then stands.
        """
        phi, p = self.covariance, self._p
        through = phi @ contrast
        slopes = np.einsum("a,rab,b->r", through, self.first_forms[:, :p, :p], through) / float(contrast @ through)
        spread = float(slopes @ self._weights @ slopes)
        adjusted = float(contrast @ self.adjusted_covariance @ contrast)
        se = float(np.sqrt(adjusted if adjusted > 0 else contrast @ through))
        return se, 2.0 / spread if spread > 0 else np.inf

    def kenward_roger_f(self, contrasts: Array, beta: Array) -> tuple[float, float, float]:
        """Scaled F, numerator and denominator df of several contrasts (q, p) at once, contrasts of full row rank."""
        phi, p, q = self.covariance, self._p, len(contrasts)
        theta = contrasts.T @ np.linalg.solve(contrasts @ phi @ contrasts.T, contrasts)
        through = np.einsum("ab,bc,rcd,de->rae", theta, phi, self.first_forms[:, :p, :p], phi, optimize=True)
        singles = np.einsum("raa->r", through)
        a1 = float(singles @ self._weights @ singles)
        a2 = float(np.einsum("rs,rab,sba->", self._weights, through, through, optimize=True))
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        v0, v1, v2 = 1 + g / below * b, 1 - (q - g) / below * b, 1 - (q + 2 - g) / below * b
        ratio = 1.0 if abs(1 - a2 / q) < 1e-14 and abs(v1) < 1e-14 else (1 - a2 / q) / v1
        rho = ratio**2 * v0 / v2 / q
        df = 4 + (q + 2) / (q * rho - 1)
        scale = 1.0 if abs(df - 2) < 1e-2 else df * (1 - a2 / q) / (df - 2)
        values = contrasts @ beta
        wald = float(values @ np.linalg.solve(contrasts @ self.adjusted_covariance @ contrasts.T, values)) / q
        return scale * wald, float(q), float(df)

    @cached_property
    def _observed_inverse(self) -> Array:
        """Covariance of (theta, residual SD) from the observed information; directions without curvature left out."""
        p = self._p
        cross = self.first_forms[:, p, :p]
        quadratic = self.second_forms[:, :, p, p] - np.einsum("ra,ab,sb->rs", cross, self.covariance, cross)
        traces, doubles = self.traces, self.double_traces
        if self.reml:
            traces = traces - np.einsum("ab,rba->r", self.covariance, self.first_forms[:, :p, :p])
            doubles = self._projected_traces
        gradient = traces - self.first_forms[:, p, p]
        hessian = self.jacobian.T @ (2 * quadratic - doubles) @ self.jacobian
        hessian += np.einsum("r,rtu->tu", gradient, self.second)
        values, vectors = np.linalg.eigh((hessian + hessian.T) / 2)
        keep = values > 1e-6
        return np.asarray(2 * (vectors[:, keep] / values[keep]) @ vectors[:, keep].T)

    def satterthwaite(self, contrast: Array) -> tuple[float, float]:
        """Standard error and df of one contrast (p,)."""
        p = self._p
        through = self.covariance @ contrast
        variance = float(contrast @ through)
        slope = self.jacobian.T @ np.einsum("a,rab,b->r", through, self.first_forms[:, :p, :p], through)
        spread = float(slope @ self._observed_inverse @ slope)
        return float(np.sqrt(variance)), 2 * variance**2 / spread if spread > 0 else np.inf

    def satterthwaite_f(self, contrasts: Array, beta: Array) -> tuple[float, float, float]:
        """F, numerator and denominator df of several contrasts (q, p) at once, contrasts of full row rank."""
        values, vectors = np.linalg.eigh(contrasts @ self.covariance @ contrasts.T)
        turned = vectors.T @ contrasts
        f = float(np.mean((turned @ beta) ** 2 / values))
        dfs = np.array([self.satterthwaite(row)[1] for row in turned])
        q = len(dfs)
        if q == 1 or np.ptp(dfs) < 1e-8 * dfs[0]:
            return f, float(q), float(dfs[0])
        above = dfs[dfs > 2]
        total = float(np.sum(above / (above - 2)))
        return f, float(q), 2 * total / (total - q) if total > q else 2.0


def curvature(parts: Products, point: Point, *, reml: bool, scale: Array) -> Curvature:
    """The curvature at the fitted `point`; `scale` (p, p) takes orthonormal coefficients to those of the user's X."""
    p = parts.p
    sigma2 = point.rss / (parts.n - p if reml else parts.n)
    take, dense_x, dense_dense = _through_h(parts, point)
    gamma, bases = _relative_components(parts, point)
    first, second, traces, doubles = _forms(parts, point, bases, take, dense_x, dense_dense)
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


def _through_h(parts: Products, point: Point) -> tuple[Array, Array, Array]:
    """From the joint matrix through H1^-1 to [X r] through H^-1 (p + 1, m), Z2'H^-1[X r] and Z2'H^-1 Z2."""
    p = parts.p
    to_residual = np.eye(p + 1)
    to_residual[:p, p] = -point.beta
    dense = point.without_large[p + 1 :, p + 1 :]
    cross = point.without_large[p + 1 :, : p + 1]
    dense_x = (cross - dense @ point.dense_inverse @ cross) @ to_residual
    return to_residual.T @ point.projector, dense_x, dense - dense @ point.dense_inverse @ dense


def _relative_components(parts: Products, point: Point) -> tuple[Array, list[Array]]:
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
    parts: Products, point: Point, bases: list[Array], take: Array, dense_x: Array, dense_dense: Array
) -> tuple[Array, Array, Array, Array]:
    """The first and second forms and traces (H in place of V) of all components but the residual."""
    p, n_large = parts.p, len(bases)
    r = n_large + parts.n_dense_factors
    first, second = np.zeros((r, p + 1, p + 1)), np.zeros((r, r, p + 1, p + 1))
    traces, doubles = np.zeros(r), np.zeros((r, r))
    if n_large:
        _fill_large(parts, point, bases, take, dense_x, (first, second, traces, doubles))
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
    parts: Products,
    point: Point,
    bases: list[Array],
    take: Array,
    dense_x: Array,
    into: tuple[Array, Array, Array, Array],
) -> None:
    """Forms and traces of the large factor's components, with each other and with the dense factors.

    Of the second forms of two components only the symmetric part is had, which is all that is ever used.
    """
    first, second, traces, doubles = into
    p, b, counts = parts.p, point.dense_inverse, parts.counts
    out, back = point.eliminated, point.eliminated.transpose(0, 2, 1)
    own = parts.blocks @ point.eliminated
    apart = np.eye(len(b)) - b @ point.without_large[p + 1 :, p + 1 :]
    through = [parts.outer(out @ basis @ back) for basis in bases]
    between = [take @ one[:, p + 1 :] for one in through]
    inner = [one[p + 1 :, p + 1 :] for one in through]
    for i, basis in enumerate(bases):
        first[i] = take @ through[i] @ take.T
        traces[i] = np.einsum("d,dab,ba->", counts, own, basis) - np.sum(b * inner[i])
        for j, other in enumerate(bases):
            mixed = basis @ own @ other
            both = parts.outer(out @ (mixed + mixed.transpose(0, 2, 1)) @ back)
            second[i, j] = take @ both @ take.T / 2 - between[i] @ b @ between[j].T
            doubles[i, j] = (
                np.einsum("d,dab,dba->", counts, own @ basis, own @ other)
                - np.sum(b * both[p + 1 :, p + 1 :])
                + np.sum((b @ inner[i]) * (b @ inner[j]).T)
            )
        for place in range(parts.n_dense_factors):
            at, here = len(bases) + place, parts.dense_of == place
            second[i, at] = (between[i] @ apart)[:, here] @ dense_x[here]
            second[at, i] = second[i, at].T
            doubles[i, at] = doubles[at, i] = np.sum(np.diag(apart.T @ inner[i] @ apart)[here])


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


def _derivatives(parts: Products, point: Point, gamma: Array, sigma2: float) -> tuple[Array, Array]:
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
