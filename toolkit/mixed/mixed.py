"""Linear mixed models for clients who come back and practitioners who share them.

`fit_mixed` fits by formula from tidy rows, `fit_mixed_arrays` from arrays. Random intercepts for any number of grouping
factors (crossed or nested; one may have very many levels), one random slope for the first of them, REML or ML; tests by
Kenward–Roger or Satterthwaite (`MixedFit.contrast`, `MixedFit.f_test`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array, CrossProducts, cross_products
from toolkit.mixed.design import FixedColumns, Groups, full_rank, usable_groups
from toolkit.mixed.formula import formula_design
from toolkit.mixed.likelihood import Point
from toolkit.mixed.mixed_fit import MixedFit, Rows, VarianceComponent, random_columns
from toolkit.mixed.search import Convergence, best_point


def fit_mixed(
    rows: pd.DataFrame,
    *,
    formula: str,
    groups: Sequence[str] | None = None,
    slope: str | None = None,
    correlated: bool = True,
    weights: str | None = None,
    reml: bool = True,
    unit: str = "",
) -> MixedFit:
    """Fit a formula such as ``change ~ region * intervention + baseline`` with random intercepts for `groups`.

    `rows` is a tidy frame, one row for each outcome; `groups` (client, and practitioner where there is such a column,
    if left out), `slope` (a column whose effect varies between the levels
    of the first group) and `weights` name columns. Rows without a value in a column that is used are set aside and
    counted in `notes`. Columns that cannot be told from others are named in `dropped`, with the reason in `notes`.

    Raises `FitError` where a column is missing, nothing varies, or too few rows are left.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> rows = pd.DataFrame({"client": np.repeat(np.arange(20), 4), "treated": np.tile([0, 1], 40)})
    >>> rows["change"] = 2.0 * rows["treated"] + rng.normal(size=20)[rows["client"]] + rng.normal(size=80)
    >>> fit = fit_mixed(rows, formula="change ~ treated", groups=("client",), unit="deg")
    >>> effect = fit.contrast("treated")
    >>> effect.ci_low < 2.0 < effect.ci_high, round(effect.df, 1)
    (True, 59.0)
    """
    if groups is None:
        groups = [name for name in ("client", "practitioner") if name == "client" or name in rows.columns]
    used = tuple(name for name in (slope, weights) if name is not None)
    design, columns, names, outcome, notes = formula_design(rows, formula=formula, also=(*groups, *used))
    fit = fit_mixed_arrays(
        outcome,
        columns,
        names,
        {group: design.rows[group].to_numpy() for group in groups},
        slope=None if slope is None else (slope, design.as_number(slope)),
        correlated=correlated,
        weights=None if weights is None else design.as_number(weights),
        reml=reml,
        outcome=design.outcome,
        unit=unit,
    )
    return replace(fit, design=design, notes=notes + fit.notes)


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

    Examples
    --------
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
    rows = Rows(
        y=outcome_values,
        x=fixed.x if root is None else fixed.x / root[:, None],
        groups=usable,
        slope=slope,
        correlated=correlated,
        weights=None if root is None else root**2,
    )
    z, large, dense = random_columns(rows, spread)
    parts = cross_products(fixed.q, rest, large, z, dense, correlated=correlated, root_weights=root)
    point, convergence = _search(parts, reml=reml)
    return _fitted(
        parts=parts,
        point=point,
        convergence=convergence,
        fixed=fixed,
        start=start,
        spread=spread,
        reml=reml,
        notes=usable.notes + notes + fixed.notes() + _only_between(parts, fixed, usable),
        rows=rows,
        outcome=outcome,
        unit=unit,
    )


def _checked(y: Any, x: Any, names: Sequence[str], weights: Any) -> tuple[Array, Array, Array | None]:
    """Outcome, fixed columns and root weights as arrays, or an error naming what is missing."""
    outcome, columns = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    if outcome.ndim != 1 or columns.ndim != 2 or columns.shape != (len(outcome), len(names)):
        raise FitError(
            f"The model needs n outcomes and n x {len(names)} columns; {outcome.shape} and {columns.shape} came."
        )
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


def _only_between(parts: CrossProducts, fixed: FixedColumns, groups: Groups) -> tuple[str, ...]:
    """Name fixed columns that never vary within a level of a dense factor: they rest on comparing its levels."""
    p = parts.p
    said: list[str] = []
    to_user = np.linalg.inv(fixed.scale)
    for place, group in enumerate(groups.dense):
        at = np.flatnonzero(parts.dense_of == place) + p + 1
        counts = parts.joint[at, at]
        sums = parts.joint[np.ix_(at, np.arange(p))] @ to_user
        squares = (to_user**2).sum(axis=0)
        within = squares - (sums**2 / counts[:, None]).sum(axis=0)
        between = (sums**2 / counts[:, None]).sum(axis=0) - sums.sum(axis=0) ** 2 / counts.sum()
        alone = np.flatnonzero((within <= 1e-9 * squares) & (between > 1e-9 * squares))
        said.extend(
            f"{fixed.names[column]} never varies within a {group}: it rests on comparing {len(at)} {group}s"
            for column in alone
        )
    return tuple(said)


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
        aliases=fixed.aliases,
        notes=notes,
        convergence=convergence,
        rows=rows,
        parts=parts,
        point=point,
        scale=fixed.scale,
        start=start,
        slope_spread=spread,
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
                add(
                    large, "covariance", float(g[0, 1] / spread), float(g[0, 1]) / both if both else float("nan"), count
                )
    for place, name in enumerate(rows.groups.dense):
        sd = float(np.sqrt(sigma2) * point.theta[parts.n_large_theta + place])
        add(name, "intercept", sd**2, sd, len(rows.groups.levels[name]))
    add("residual", "", sigma2, float(np.sqrt(sigma2)), parts.n)
    return tuple(found)
