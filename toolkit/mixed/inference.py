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
