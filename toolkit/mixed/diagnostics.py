"""How well a fitted model sits on its rows: residuals, leverage, shares of variance, and what one client decides.

Sources: intraclass correlations as shares of the variance components; R² after Nakagawa & Schielzeth (2013) Methods
Ecol Evol 4:133-142, with random slopes after Johnson (2014) ibid. 5:944-946; leverage of the fitted values as in
Demidenko & Stukel (2005) Stat Med 24:893-909; Cook's distance (1977) for the removal of a whole client.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import linalg

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array, Codes, cross_products
from toolkit.mixed.likelihood import evaluate
from toolkit.mixed.mixed_fit import MixedFit, random_columns
from toolkit.number_words import figure_text, quantity
from toolkit.result import Shown

_CHUNK_CELLS = 4_000_000


def random_effects(fit: MixedFit) -> pd.DataFrame:
    """Predicted deviation of each level of each grouping factor (BLUP): group, level, effect, deviation."""
    frames = []
    for group, effects in _deviations(fit).items():
        names = ["intercept"] + ([fit.rows.slope[0]] if effects.shape[1] == 2 and fit.rows.slope else [])
        for place, name in enumerate(names):
            frames.append(
                pd.DataFrame(
                    {
                        "group": group,
                        "level": fit.rows.groups.levels[group],
                        "effect": name,
                        "deviation": effects[:, place],
                    }
                )
            )
    columns = ["group", "level", "effect", "deviation"]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


def _deviations(fit: MixedFit) -> dict[str, Array]:
    """Predicted random effects by grouping factor, shape (levels, 1 or 2), in the user's units."""
    parts, point, groups = fit.parts, fit.point, fit.rows.groups
    p, out = parts.p, {}
    to_residual = np.append(-point.beta, 1.0)
    if groups.large is not None:
        pulled = (point.eliminated.transpose(0, 2, 1)[parts.block_of] @ parts.sums) @ (point.projector.T @ to_residual)
        effects = pulled @ point.relative_covariance
        if parts.k == 2:
            effects = effects / np.array([1.0, fit.slope_spread])
        out[groups.large] = effects
    cross = point.without_large[p + 1 :, : p + 1]
    dense = point.without_large[p + 1 :, p + 1 :]
    pulled_dense = (cross - dense @ point.dense_inverse @ cross) @ to_residual
    ratios = point.theta[parts.n_large_theta :] ** 2
    for place, name in enumerate(groups.dense):
        out[name] = ratios[place] * pulled_dense[parts.dense_of == place][:, None]
    return out


def residual_rows(fit: MixedFit) -> pd.DataFrame:
    """For each row: observed, expected (fixed effects), fitted (and random effects), residual, standardised residual
    (residual over its standard deviation given the random effects) and leverage, in the order of the rows fitted.
    """
    rows = fit.rows
    expected = rows.x @ fit.estimates
    fitted = expected.copy()
    for group, effects in _deviations(fit).items():
        codes = rows.groups.codes[group]
        fitted += effects[codes, 0]
        if effects.shape[1] == 2 and rows.slope is not None:
            fitted += effects[codes, 1] * rows.slope[1]
    residual = rows.y - fitted
    hat = leverage(fit)
    weight = np.ones(fit.n) if rows.weights is None else rows.weights
    spread = np.sqrt(fit.residual_variance / weight * np.clip(1 - hat, 1e-12, None))
    return pd.DataFrame(
        {
            "observed": rows.y,
            "expected": expected,
            "fitted": fitted,
            "residual": residual,
            "standardised": residual / spread,
            "leverage": hat,
        }
    )


def leverage(fit: MixedFit) -> Array:
    """How much of each row's fitted value is its own reading, between 0 and 1, shape (n,)."""
    parts, point, rows = fit.parts, fit.point, fit.rows
    root = np.ones(fit.n) if rows.weights is None else np.sqrt(rows.weights)
    q = (rows.x * root[:, None]) @ fit.scale
    z, large, dense = random_columns(rows, fit.slope_spread)
    shrink = point.eliminated @ point.relative_covariance if parts.k else None
    out = np.empty(fit.n)
    p = parts.p
    starts = np.cumsum([0, *np.bincount(parts.dense_of)])
    chunk = max(1, _CHUNK_CELLS // parts.joint.shape[0])
    for start in range(0, fit.n, chunk):
        here = slice(start, start + chunk)
        xz = np.hstack([q[here], np.zeros((len(q[here]), len(parts.dense_of)))])
        for place, codes in enumerate(dense):
            xz[np.arange(len(xz)), p + starts[place] + codes[here]] = root[here]
        own = np.ones(len(xz))
        if large is not None and shrink is not None:
            level = large[here]
            taken = np.einsum("nk,nkc->nc", z[here], shrink[parts.block_of[level]])
            own -= np.einsum("nk,nk->n", taken, z[here])
            sums = np.delete(parts.sums, p, axis=2)[level]
            xz = xz - np.einsum("nk,nkm->nm", taken, sums)
        x1, z1 = xz[:, :p], xz[:, p:]
        own -= np.einsum("ni,ij,nj->n", z1, point.dense_inverse, z1)
        x2 = x1 + z1 @ point.projector[:p, p + 1 :].T
        own -= np.einsum("ni,ij,nj->n", x2, point.xx_inverse, x2)
        out[here] = 1 - own
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class VarianceShares(Shown):
    """Whose the variance is: ICC of each grouping factor, and R² of fixed effects and of the whole model."""

    icc: dict[str, float]
    """Share of the variance beside the fixed effects that lies between the levels of each grouping factor."""
    r2_fixed: float
    r2_whole: float
    n: int

    def sentence(self) -> str:
        """The shares in words."""
        shares = ", ".join(f"{figure_text(value)} between {name}s" for name, value in self.icc.items())
        return (
            f"Of the variance not explained by the fixed effects, {shares or 'none lies between groups'}; fixed "
            f"effects explain {figure_text(self.r2_fixed)} of all variance, with the groups "
            f"{figure_text(self.r2_whole)} (Nakagawa & Schielzeth 2013; {self.n} rows)."
        )

    def table(self) -> pd.DataFrame:
        """One row a share."""
        rows = [(f"ICC, {name}", value) for name, value in self.icc.items()]
        return pd.DataFrame(
            [*rows, ("R² fixed", self.r2_fixed), ("R² whole", self.r2_whole)], columns=["what", "share"]
        )


def variance_shares(fit: MixedFit) -> VarianceShares:
    """ICCs and R² of a fitted model (with a random slope: the factor's variance averaged over the rows)."""
    between: dict[str, float] = {}
    for component in fit.components:
        if component.group == "residual":
            continue
        if component.effect == "intercept":
            weight = 1.0
        elif fit.rows.slope is not None:
            values = fit.rows.slope[1]
            weight = 2 * float(values.mean()) if component.effect == "covariance" else float(np.mean(values**2))
        between[component.group] = between.get(component.group, 0.0) + weight * component.variance
    rest = sum(between.values()) + fit.residual_variance
    fixed = float(np.var(fit.rows.x @ fit.estimates, ddof=1))
    fixed = fixed if fixed > 1e-12 * rest else 0.0
    return VarianceShares(
        icc={name: value / rest for name, value in between.items()},
        r2_fixed=fixed / (fixed + rest),
        r2_whole=(fixed + sum(between.values())) / (fixed + rest),
        n=fit.n,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Influence(Shown):
    """What the fixed effects would be without each level of a grouping factor, the variance ratios held."""

    group: str
    unit: str
    rows: pd.DataFrame
    """level, n_rows, cooks_distance, and one column a fixed effect: its estimate without that level."""
    estimates: pd.Series = field(repr=False)

    def sentence(self) -> str:
        """The level that decides most, in words."""
        top = self.rows.sort_values("cooks_distance", ascending=False).iloc[0].to_dict()
        shifts = {str(name): float(top[name]) - float(value) for name, value in self.estimates.items() if name in top}
        most = max(shifts, key=lambda name: abs(shifts[name]))
        return (
            f"Left out one {self.group} at a time, {top['level']} ({figure_text(int(top['n_rows']))} rows) moves the "
            f"estimates most: {most} by {quantity(shifts[most], self.unit)} (Cook's distance "
            f"{figure_text(float(top['cooks_distance']))})."
        )

    def table(self) -> pd.DataFrame:
        """One row a level, most influential first."""
        return self.rows.sort_values("cooks_distance", ascending=False, ignore_index=True)


def influence(fit: MixedFit, *, by: str) -> Influence:
    """Estimates without each level of `by` (a grouping factor of the model), the variance ratios held at the fit's.

    Exact for those ratios; an estimate that cannot be told without the level is NaN. Raises `FitError` for an unknown
    group.
    """
    groups = fit.rows.groups
    if by not in groups.codes:
        raise FitError(f"{by} is not a grouping factor of this model. It has: {', '.join(groups.codes) or 'none'}.")
    codes, levels = groups.codes[by], groups.levels[by]
    without = _without_large_levels(fit) if by == groups.large else _without_dense_levels(fit, codes, len(levels))
    shift = without - fit.estimates
    precision = np.linalg.inv(fit.covariance)
    rows = pd.DataFrame({"level": levels, "n_rows": np.bincount(codes)})
    rows["cooks_distance"] = np.einsum("la,ab,lb->l", shift, precision, shift) / len(fit.names)
    effects = pd.DataFrame(without, columns=list(fit.names))
    return Influence(
        group=by,
        unit=fit.unit,
        rows=pd.concat([rows, effects], axis=1),
        estimates=pd.Series(fit.estimates, index=list(fit.names)),
    )


def _without_large_levels(fit: MixedFit) -> Array:
    """Fixed effects without each level of the large factor, its part taken from the cross-products."""
    parts, point, p = fit.parts, fit.point, fit.parts.p
    _, large, dense = random_columns(fit.rows, fit.slope_spread)
    root = np.ones(fit.n) if fit.rows.weights is None else np.sqrt(fit.rows.weights)
    q = (fit.rows.x * root[:, None]) @ fit.scale
    rest = fit.rows.y * root - q @ fit.start
    width = parts.joint.shape[0]
    starts = np.cumsum([0, *np.bincount(parts.dense_of)])
    order = np.argsort(large, kind="stable") if large is not None else np.arange(fit.n)
    ends = np.cumsum(np.bincount(large)) if large is not None else np.array([fit.n])
    sd = point.theta[parts.n_large_theta :][parts.dense_of]
    shrink = (point.eliminated @ point.relative_covariance)[parts.block_of]
    out = np.empty((len(ends), p))
    begin = 0
    for level, end in enumerate(ends):
        own = order[begin:end]
        block = np.zeros((len(own), width))
        block[:, :p], block[:, p] = q[own], rest[own]
        for place, codes in enumerate(dense):
            block[np.arange(len(own)), p + 1 + starts[place] + codes[own]] = root[own]
        taken = parts.sums[level].T @ shrink[level] @ parts.sums[level]
        out[level] = _solved(point.without_large - (block.T @ block - taken), p, sd)
        begin = end
    return (out + fit.start) @ fit.scale.T


def _solved(joint: Array, p: int, sd: Array) -> Array:
    """Fixed effects from the joint cross-products with the large factor eliminated; NaN where they cannot be told."""
    xy = joint[: p + 1, : p + 1]
    if sd.size:
        inner = np.eye(len(sd)) + sd[:, None] * joint[p + 1 :, p + 1 :] * sd
        pulled = sd[:, None] * joint[p + 1 :, : p + 1]
        xy = xy - pulled.T @ np.linalg.solve(inner, pulled)
    values, vectors = np.linalg.eigh(xy[:p, :p])
    if values[0] <= 1e-9 * values[-1]:
        return np.full(p, np.nan)
    return np.asarray((vectors / values) @ vectors.T @ xy[:p, p])


def _without_dense_levels(fit: MixedFit, codes: Codes, n_levels: int) -> Array:
    """Fixed effects without each level of a dense factor, from the rows that are left."""
    parts = fit.parts
    z, large, dense = random_columns(fit.rows, fit.slope_spread)
    root = None if fit.rows.weights is None else np.sqrt(fit.rows.weights)
    x = fit.rows.x if root is None else fit.rows.x * root[:, None]
    q = x @ fit.scale
    rest = (fit.rows.y if root is None else fit.rows.y * root) - q @ fit.start
    out = np.empty((n_levels, parts.p))
    for level in range(n_levels):
        keep = codes != level
        left = cross_products(
            q[keep],
            rest[keep],
            _recoded(large, keep),
            z[keep],
            [_recoded_dense(one, keep) for one in dense],
            correlated=parts.correlated,
            root_weights=None if root is None else root[keep],
        )
        try:
            out[level] = evaluate(left, fit.point.theta, reml=fit.reml).beta
        except linalg.LinAlgError:
            out[level] = np.nan
    return (out + fit.start) @ fit.scale.T


def _recoded(codes: Codes | None, keep: np.ndarray) -> Codes | None:
    """Codes of the rows kept, without gaps."""
    return None if codes is None else _recoded_dense(codes, keep)


def _recoded_dense(codes: Codes, keep: np.ndarray) -> Codes:
    """Codes of the rows kept, without gaps."""
    return np.unique(codes[keep], return_inverse=True)[1].astype(np.intp).reshape(-1)
