"""Linear mixed models for clients who come back and practitioners who share them.

`fit_mixed_arrays` fits from arrays. Random intercepts for any number of grouping factors (crossed or nested; one may
have very many levels), one random slope for the largest of them, REML or ML; tests by Kenward–Roger or Satterthwaite.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import linalg, special

from toolkit.errors import FitError
from toolkit.models.design import FixedColumns, Groups, full_rank, usable_groups
from toolkit.models.inference import Curvature, curvature
from toolkit.models.likelihood import Array, CrossProducts, Point, cross_products
from toolkit.models.search import Convergence, best_point
from toolkit.result import Estimate, Shown, figure_text

DfMethod = Literal["kenward_roger", "satterthwaite", "normal"]
_SAID = {"kenward_roger": "Kenward–Roger", "satterthwaite": "Satterthwaite", "normal": "normal approximation"}


@dataclass(frozen=True, kw_only=True)
class VarianceComponent:
    """One variance (or covariance) of the model, in squared units of the outcome (per squared unit of the slope)."""

    group: str
    effect: str
    variance: float
    sd: float
    """Square root of the variance; for a covariance the correlation."""
    levels: int


@dataclass(frozen=True, kw_only=True)
class Contrast(Estimate):
    """A weighted sum of fixed effects with its test."""

    t: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class FTest:
    """A test of several fixed effects at once."""

    name: str
    f: float
    df_numerator: float
    df_denominator: float
    p: float
    method: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """The rows a model was fitted to, as arrays (y in the user's units; x of full rank)."""

    y: Array
    x: Array
    groups: Groups
    slope: tuple[str, Array] | None
    correlated: bool
    weights: Array | None


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedFit(Shown):
    """A fitted linear mixed model, at full precision, with what the search and the checks said."""

    outcome: str
    unit: str
    names: tuple[str, ...]
    """Fixed effects that were estimated."""
    estimates: Array
    covariance: Array
    residual_variance: float
    components: tuple[VarianceComponent, ...]
    log_likelihood: float
    reml: bool
    n: int
    levels: dict[str, int]
    """Levels of each grouping factor in the model."""
    dropped: tuple[str, ...]
    """Fixed effects that could not be told from others."""
    notes: tuple[str, ...]
    convergence: Convergence
    rows: Rows = field(repr=False)
    parts: CrossProducts = field(repr=False)
    point: Point = field(repr=False)
    scale: Array = field(repr=False)
    """Takes coefficients of the orthonormal columns to those of the user's."""

    @cached_property
    def curvature(self) -> Curvature:
        """The likelihood's curvature, from which degrees of freedom come."""
        return curvature(self.parts, self.point, reml=self.reml, scale=self.scale)

    @property
    def _counted(self) -> tuple[int, str]:
        """What n counts: levels of the large factor, else rows."""
        large = self.rows.groups.large
        return (self.levels[large], f"{large}s") if large else (self.n, "rows")

    def contrast(
        self,
        weights: str | Mapping[str, float] | Sequence[float] | Array,
        *,
        ddf: DfMethod = "kenward_roger",
        confidence_level: float = 0.95,
        name: str | None = None,
    ) -> Contrast:
        """A fixed effect by name, or a weighted sum of them, with its test and interval.

        Raises `FitError` where a name is unknown or was dropped, or Kenward–Roger is asked of a fit by ML.
        """
        row = self.weights(weights)
        se, df = self._se_and_df(row, ddf)
        value = float(row @ self.estimates)
        t = value / se if se > 0 else float("nan")
        reach = t_quantile((1 + confidence_level) / 2, df) * se
        n, n_of = self._counted
        return Contrast(
            name=name or (weights if isinstance(weights, str) else "contrast"),
            value=value,
            se=se,
            df=df,
            t=t,
            p=t_two_sided(t, df),
            ci_low=value - reach,
            ci_high=value + reach,
            confidence_level=confidence_level,
            unit=self.unit,
            n=n,
            n_of=n_of,
            method=f"linear mixed model, {_SAID[ddf]}",
        )

    def _se_and_df(self, row: Array, ddf: DfMethod) -> tuple[float, float]:
        """Standard error and df of one contrast."""
        if ddf == "kenward_roger":
            self._needs_reml()
            return self.curvature.kenward_roger(row)
        if ddf == "satterthwaite":
            return self.curvature.satterthwaite(row)
        if ddf == "normal":
            return float(np.sqrt(row @ self.covariance @ row)), float("inf")
        raise FitError(f"ddf is {ddf!r}: choose kenward_roger, satterthwaite or normal.")

    def _needs_reml(self) -> None:
        if not self.reml:
            raise FitError("Kenward–Roger is defined for a fit by REML: fit again with reml=True, or ask for satterthwaite.")

    def weights(self, weights: str | Mapping[str, float] | Sequence[float] | Array) -> Array:
        """Weights of the fixed effects as an array (p,), from a name, names with weights, or the array itself."""
        if isinstance(weights, str):
            weights = {weights: 1.0}
        if isinstance(weights, Mapping):
            row = np.zeros(len(self.names))
            for name, weight in weights.items():
                if name in self.dropped:
                    raise FitError(f"{name} was left out of the model: it cannot be told from the other columns.")
                if name not in self.names:
                    raise FitError(f"{name!r} is not a fixed effect of this model. It has: {', '.join(self.names)}.")
                row[self.names.index(name)] = weight
            return row
        row = np.asarray(weights, dtype=float)
        if row.shape != self.estimates.shape:
            raise FitError(f"A contrast needs {len(self.names)} weights, one a fixed effect; {row.size} came.")
        return row

    def f_test(self, contrasts: Any, *, ddf: DfMethod = "kenward_roger", name: str = "contrasts") -> FTest:
        """Test several contrasts (q, p), or fixed effects by name, to be zero together; redundant ones are left out."""
        matrix = np.array([self.weights(row) for row in contrasts])
        r = linalg.qr(matrix.T, mode="r", pivoting=True)
        size = np.abs(np.diag(r[0]))
        matrix = matrix[np.sort(r[1][: int((size > 1e-10 * size[0]).sum())])]
        if ddf == "kenward_roger":
            self._needs_reml()
            f, upper, lower = self.curvature.kenward_roger_f(matrix, self.estimates)
        elif ddf == "satterthwaite":
            f, upper, lower = self.curvature.satterthwaite_f(matrix, self.estimates)
        else:
            raise FitError(f"An F test needs kenward_roger or satterthwaite, not {ddf!r}.")
        p = float(special.fdtrc(upper, lower, f)) if np.isfinite(lower) else float(special.chdtrc(upper, upper * f))
        return FTest(name=name, f=f, df_numerator=upper, df_denominator=lower, p=p, method=_SAID[ddf])

    def effects(self, *, ddf: DfMethod = "kenward_roger", confidence_level: float = 0.95) -> tuple[Contrast, ...]:
        """Every fixed effect with its test and interval."""
        return tuple(self.contrast(name, ddf=ddf, confidence_level=confidence_level) for name in self.names)

    def sentence(self) -> str:
        """What was fitted, to what, and how the search went."""
        groups = ", ".join(f"{count} {name}s" for name, count in self.levels.items())
        left_out = f" Left out: {', '.join(self.dropped)}." if self.dropped else ""
        notes = " ".join(f"{note[0].upper()}{note[1:]}." for note in self.notes)
        return (
            f"{self.outcome}: linear mixed model by {'REML' if self.reml else 'ML'} of {self.n} rows"
            f"{f' ({groups})' if groups else ''}; residual SD {figure_text(float(np.sqrt(self.residual_variance)))} "
            f"{self.unit}; the search {self.convergence.message}.{left_out} {notes}".strip()
        )

    def table(self) -> pd.DataFrame:
        """Fixed effects with tests, Kenward–Roger where fitted by REML, else Satterthwaite."""
        return pd.DataFrame([e.as_row() for e in self.effects(ddf="kenward_roger" if self.reml else "satterthwaite")])


def t_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t, normal where df has no limit."""
    return float(special.stdtrit(df, probability)) if np.isfinite(df) else float(special.ndtri(probability))


def t_two_sided(t: float, df: float) -> float:
    """Two-sided p of Student's t."""
    return float(2 * (special.stdtr(df, -abs(t)) if np.isfinite(df) else special.ndtr(-abs(t))))


def fit_mixed_arrays(
    y: Any,
    x: Any,
    names: Sequence[str],
    groups: Mapping[str, Any],
    *,
    slope: tuple[str, Any] | None = None,
    correlated: bool = True,
    weights: Any = None,
    reml: bool = True,
    outcome: str = "outcome",
    unit: str = "",
) -> MixedFit:
    """Fit y (n,) on the fixed columns x (n, p), named, with random intercepts for each grouping factor.

    `groups` maps a name to n labels. `slope` is a name and a column (n,) whose effect varies between the levels of the
    first grouping factor, `correlated` with its intercept or not. `weights` (n,) are precision weights.
    A factor with one level, or one row for each level, is left out and named in `notes`; fixed columns that others
    already say are named in `dropped`.

    Raises `FitError` for missing values, too few rows, an outcome without variation, or a perfect fit.

    Example:
        >>> rng = np.random.default_rng(1)
        >>> client = np.repeat(np.arange(20), 4)
        >>> y = 5 + rng.normal(size=20)[client] + rng.normal(size=80)
        >>> fit = fit_mixed_arrays(y, np.ones((80, 1)), ["Intercept"], {"client": client})
        >>> round(fit.contrast("Intercept").df, 1)
        19.0
    """
    outcome_values, columns, root = _checked(y, x, names, weights)
    n = len(outcome_values)
    slope_group = next(iter(groups), None) if slope is not None else None
    usable = usable_groups(groups, n=n, slope_group=slope_group)
    slope, notes = _usable_slope(slope, slope_group, usable, n)
    fixed = full_rank(columns if root is None else columns * root[:, None], tuple(names))
    _enough(n, fixed, outcome_values)
    weighted = outcome_values if root is None else outcome_values * root
    start = fixed.q.T @ weighted
    rest = weighted - fixed.q @ start
    if float(rest @ rest) <= 1e-20 * float(weighted @ weighted):
        raise FitError("Perfect fit: the fixed effects say every reading exactly, so nothing is left to judge them by.")
    spread = float(np.sqrt(np.mean(np.square(slope[1])))) if slope is not None else 1.0
    parts = _parts(fixed.q, rest, usable, slope, spread, correlated=correlated, root=root)
    point, convergence = _search(parts, reml=reml)
    return _fitted(
        parts=parts,
        point=point,
        convergence=convergence,
        fixed=fixed,
        start=start,
        spread=spread,
        reml=reml,
        notes=usable.notes + notes,
        rows=Rows(
            y=outcome_values,
            x=fixed.x if root is None else fixed.x / root[:, None],
            groups=usable,
            slope=slope,
            correlated=correlated,
            weights=None if root is None else root**2,
        ),
        outcome=outcome,
        unit=unit,
    )


def _checked(y: Any, x: Any, names: Sequence[str], weights: Any) -> tuple[Array, Array, Array | None]:
    """Outcome, fixed columns and root weights as arrays, or an error naming what is missing."""
    outcome, columns = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    if outcome.ndim != 1 or columns.ndim != 2 or columns.shape != (len(outcome), len(names)):
        raise FitError(f"The model needs n outcomes and n x {len(names)} columns; {outcome.shape} and {columns.shape} came.")
    for what, values in (("the outcome", outcome), *((name, columns[:, i]) for i, name in enumerate(names))):
        bad = int((~np.isfinite(values)).sum())
        if bad:
            raise FitError(f"{what} is missing in {bad} of {len(values)} rows. Set those rows aside first.")
    if weights is None:
        return outcome, columns, None
    given = np.asarray(weights, dtype=float)
    if given.shape != outcome.shape or not np.isfinite(given).all() or (given <= 0).any():
        raise FitError("Weights must be one number above zero for each row.")
    return outcome, columns, np.sqrt(given)


def _enough(n: int, fixed: FixedColumns, outcome: Array) -> None:
    """Refuse what cannot be fitted."""
    p = len(fixed.names)
    if n <= p:
        raise FitError(f"{n} row(s) are too few for {p} fixed effect(s): at least {p + 1} are needed.")
    if float(np.ptp(outcome)) == 0.0:
        raise FitError(f"The outcome is {outcome[0]:g} in all {n} rows: nothing varies, so there is nothing to model.")


def _usable_slope(
    slope: tuple[str, Any] | None, group: str | None, groups: Groups, n: int
) -> tuple[tuple[str, Array] | None, tuple[str, ...]]:
    """The random slope as a column, or None with the reason it was left out."""
    if slope is None:
        return None, ()
    name, values = slope[0], np.asarray(slope[1], dtype=float)
    if values.shape != (n,) or not np.isfinite(values).all():
        raise FitError(f"{name} must be a number in each of the {n} rows to serve as a random slope.")
    if group not in groups.codes:
        return None, (f"the random slope of {name} was left out with its grouping factor {group}",)
    codes = groups.codes[group]
    counts = np.bincount(codes)
    low = np.full(len(counts), np.inf)
    high = np.full(len(counts), -np.inf)
    np.minimum.at(low, codes, values)
    np.maximum.at(high, codes, values)
    if not (high > low).any():
        return None, (f"the random slope of {name} was left out: it never varies within a {group}",)
    if 2 * len(counts) >= n:
        return None, (f"the random slope of {name} was left out: fewer than two rows for each {group} on average",)
    return (name, values), ()


def _parts(
    q: Array,
    rest: Array,
    groups: Groups,
    slope: tuple[str, Array] | None,
    spread: float,
    *,
    correlated: bool,
    root: Array | None,
) -> CrossProducts:
    """The cross-products of the (weighted) rows."""
    intercept = np.ones(len(rest)) if root is None else root
    z = intercept[:, None]
    if slope is not None:
        z = np.column_stack([intercept, slope[1] / spread * intercept])
    large = None if groups.large is None else groups.codes[groups.large]
    dense = [groups.codes[name] for name in groups.dense]
    return cross_products(q, rest, large, z, dense, correlated=correlated, root_weights=root)


def _search(parts: CrossProducts, *, reml: bool) -> tuple[Point, Convergence]:
    """The best point, or a plain word where the grouping factors explain everything."""
    try:
        point, convergence = best_point(parts, reml=reml)
    except linalg.LinAlgError as reason:
        raise FitError("Perfect fit: fixed effects and groups together say every reading exactly.") from reason
    if point.rss <= 1e-11 * float(parts.joint[parts.p, parts.p]):
        raise FitError("Perfect fit: the groups say every reading exactly, so nothing is left to judge effects by.")
    return point, convergence


def _fitted(
    *,
    parts: CrossProducts,
    point: Point,
    convergence: Convergence,
    fixed: FixedColumns,
    start: Array,
    spread: float,
    reml: bool,
    notes: tuple[str, ...],
    rows: Rows,
    outcome: str,
    unit: str,
) -> MixedFit:
    """Bring the fit back to the user's columns and units."""
    sigma2 = point.rss / (parts.n - parts.p if reml else parts.n)
    deviance = point.deviance + (2 * fixed.log_determinant if reml else 0.0)
    if rows.weights is not None:
        deviance -= float(np.log(rows.weights).sum())
    return MixedFit(
        outcome=outcome,
        unit=unit,
        names=fixed.names,
        estimates=fixed.scale @ (start + point.beta),
        covariance=sigma2 * fixed.scale @ point.xx_inverse @ fixed.scale.T,
        residual_variance=sigma2,
        components=_components(parts, point, rows, sigma2, spread),
        log_likelihood=-deviance / 2,
        reml=reml,
        n=parts.n,
        levels={name: len(levels) for name, levels in rows.groups.levels.items()},
        dropped=fixed.dropped,
        notes=notes,
        convergence=convergence,
        rows=rows,
        parts=parts,
        point=point,
        scale=fixed.scale,
    )


def _components(
    parts: CrossProducts, point: Point, rows: Rows, sigma2: float, spread: float
) -> tuple[VarianceComponent, ...]:
    """The variance components by name."""
    found: list[VarianceComponent] = []

    def add(group: str, effect: str, variance: float, sd: float, levels: int) -> None:
        found.append(VarianceComponent(group=group, effect=effect, variance=variance, sd=sd, levels=levels))

    large = rows.groups.large
    if large is not None:
        g, count = sigma2 * point.relative_covariance, len(rows.groups.levels[large])
        add(large, "intercept", float(g[0, 0]), float(np.sqrt(g[0, 0])), count)
        if rows.slope is not None:
            add(large, rows.slope[0], float(g[1, 1] / spread**2), float(np.sqrt(g[1, 1]) / spread), count)
            both = float(np.sqrt(g[0, 0] * g[1, 1]))
            if parts.correlated:
                add(large, "covariance", float(g[0, 1] / spread), float(g[0, 1]) / both if both else float("nan"), count)
    for place, name in enumerate(rows.groups.dense):
        sd = float(np.sqrt(sigma2) * point.theta[parts.n_large_theta + place])
        add(name, "intercept", sd**2, sd, len(rows.groups.levels[name]))
    add("residual", "", sigma2, float(np.sqrt(sigma2)), parts.n)
    return tuple(found)
