"""Adjusted means of a fitted model, and the differences between them.

An adjusted mean is what the model expects for a region or an intervention with the other factors weighted alike
(`balanced`) or as they occur in the rows (`observed`), covariates at their means (Searle, Speed & Milliken 1980,
Am Stat 34:216-221).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.mixed_fit import DfMethod, FTest, MixedFit
from toolkit.multiplicity import holm_p
from toolkit.number_words import quantity
from toolkit.result import Shown

_DRAWS = 2**16
_SEED = 20240229


def uncorrected(p: Array, df: Array, se: Array, *, confidence_level: float) -> tuple[Array, Array]:
    """The p-values as they are, and each interval's own half-width."""
    return p, _t_quantiles((1 + confidence_level) / 2, df) * se


def holm(p: Array, df: Array, se: Array, *, confidence_level: float) -> tuple[Array, Array]:
    """Holm's (1979) step-down p-values; the half-widths are Bonferroni's, since Holm's test has none of its own."""
    return holm_p(p), _t_quantiles(1 - (1 - confidence_level) / (2 * len(p)), df) * se


def tukey(t: Array, df: Array, se: Array, *, n_means: int, confidence_level: float) -> tuple[Array, Array]:
    """Tukey–Kramer p-values and half-widths from the studentised range of `n_means` means."""
    from scipy.stats import studentized_range

    finite = np.where(np.isfinite(df), df, 1e6)
    p = np.array([studentized_range.sf(abs(one) * np.sqrt(2), n_means, d) for one, d in zip(t, finite, strict=True)])
    quantile = {d: float(studentized_range.ppf(confidence_level, n_means, d)) for d in np.unique(finite)}
    return p, np.array([quantile[d] for d in finite]) / np.sqrt(2) * se


def multivariate_t(
    t: Array, df: Array, se: Array, covariance: Array, *, confidence_level: float
) -> tuple[Array, Array]:
    """p-values and half-widths from the largest of correlated t's (Hothorn, Bretz & Westfall 2008).

    The distribution of the largest |t| is drawn with a fixed low-discrepancy sequence (2^16 points, error near 1e-3),
    each comparison at its own df; p below 0.001 is Bonferroni's, which is then as sharp and cannot be drawn as zero.
    """
    from scipy.stats import qmc

    sd = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    keep = values > 1e-10
    root = vectors[:, keep] * np.sqrt(values[keep])
    points = qmc.Sobol(int(keep.sum()) + 1, rng=np.random.default_rng(_SEED)).random(_DRAWS)
    normal = special.ndtri(np.clip(points[:, 1:], 1e-12, 1 - 1e-12)) @ root.T
    largest = np.abs(normal).max(axis=1)
    p, reach = np.empty(len(t)), np.empty(len(t))
    for own in np.unique(df):
        chi = np.sqrt(special.chdtri(own, points[:, 0].clip(1e-12, 1.0)) / own) if np.isfinite(own) else 1.0
        drawn, here = largest / chi, df == own
        single = 2 * (special.stdtr(own, -np.abs(t[here])) if np.isfinite(own) else special.ndtr(-np.abs(t[here])))
        seen = np.array([(drawn >= abs(one)).mean() for one in t[here]])
        p[here] = np.where(seen > 1e-3, np.maximum(seen, single), np.minimum(single * len(t), 1.0))
        reach[here] = float(np.quantile(drawn, confidence_level)) * se[here]
    return p, reach


def _t_quantiles(probability: float, df: Array) -> Array:
    """Quantiles of Student's t, normal where df has no limit."""
    finite = np.isfinite(df)
    out = np.full(len(df), float(special.ndtri(probability)))
    out[finite] = special.stdtrit(df[finite], probability)
    return out


Weights = Literal["balanced", "observed"]
Adjustment = Literal["none", "holm", "tukey", "multivariate_t"]


@dataclass(frozen=True, kw_only=True, eq=False)
class AdjustedMeans(Shown):
    """Adjusted means by one or more factors; `rows` has one row a mean, `estimable` no where the rows cannot say it."""

    factors: tuple[str, ...]
    outcome: str
    unit: str
    weights: Weights
    ddf: DfMethod
    confidence_level: float
    rows: pd.DataFrame
    fit: MixedFit = field(repr=False)
    weights_of_effects: Array = field(repr=False)
    """Each mean as weights of the fixed effects, shape (means, p)."""

    def sentence(self) -> str:
        """The range of the means, in words."""
        said = self.rows[self.rows["estimable"]]
        if said.empty:
            return f"No adjusted mean of {self.outcome} by {' and '.join(self.factors)} can be told from these rows."
        ordered = sorted(zip(said["mean"].tolist(), self._names(said), strict=True))
        (low, lowest), (high, highest) = ordered[0], ordered[-1]
        missing = len(self.rows) - len(said)
        return (
            f"Adjusted means of {self.outcome} by {' and '.join(self.factors)} run from {quantity(low, self.unit)} "
            f"({lowest}) to {quantity(high, self.unit)} ({highest}), other factors weighted "
            f"{'alike' if self.weights == 'balanced' else 'as they occur'}; "
            f"{100 * self.confidence_level:.4g} % intervals."
            + (f" {missing} mean(s) cannot be told from these rows." if missing else "")
        )

    def _names(self, rows: pd.DataFrame) -> list[str]:
        return [", ".join(map(str, row)) for row in rows[list(self.factors)].itertuples(index=False)]

    def labels(self) -> list[str]:
        """A short name for each mean."""
        return self._names(self.rows)

    def table(self) -> pd.DataFrame:
        """The means at full precision."""
        return self.rows


@dataclass(frozen=True, kw_only=True, eq=False)
class Contrasts(Shown):
    """Differences between adjusted means, each with its own interval, and one that holds for all of them at once."""

    what: str
    unit: str
    adjustment: Adjustment
    confidence_level: float
    rows: pd.DataFrame
    together: FTest | None = None

    def sentence(self) -> str:
        """How many differences stand out, in words."""
        clear = self.rows[self.rows["p_adjusted"] < 1 - self.confidence_level]
        named = "; ".join(
            f"{row['contrast']}: {quantity(float(row['estimate']), self.unit)}" for _, row in clear.iterrows()
        )
        joint = f" Together: {self.together.sentence()}" if self.together is not None else ""
        how = "" if self.adjustment == "none" else f", corrected for {len(self.rows)} of them"
        return (
            f"{self.what}: {len(clear)} of {len(self.rows)} differ beyond chance{how}"
            f"{f' ({named})' if named else ''}.{joint}"
        )

    def table(self) -> pd.DataFrame:
        """The differences at full precision."""
        return self.rows


def adjusted_means(
    fit: MixedFit,
    factors: str | Sequence[str],
    *,
    weights: Weights = "balanced",
    ddf: DfMethod = "kenward_roger",
    confidence_level: float = 0.95,
) -> AdjustedMeans:
    """Adjusted means of a model fitted by formula, one for each combination of the `factors`' levels.

    Raises `FitError` where the model was not fitted by formula or does not hold the factor.

    Examples
    --------
    >>> from toolkit.mixed.mixed import fit_mixed
    >>> rng = np.random.default_rng(2)
    >>> rows = pd.DataFrame({"client": np.repeat(np.arange(12), 6), "region": np.tile(["calf", "neck"], 36)})
    >>> rows["change"] = rng.normal(size=12)[rows["client"]] + rng.normal(size=72)
    >>> fit = fit_mixed(rows, formula="change ~ region", groups=("client",), unit="deg")
    >>> adjusted_means(fit, "region").rows["region"].tolist()
    ['calf', 'neck']
    """
    wanted = (factors,) if isinstance(factors, str) else tuple(factors)
    design = fit.design
    if design is None:
        raise FitError("Adjusted means need a model fitted by formula: use fit_mixed.")
    for factor in wanted:
        if factor not in design.factors:
            raise FitError(
                f"{factor} is not a factor of {design.formula}. It has: {', '.join(design.factors) or 'none'}."
            )
    grid = design.grid()
    share = _shares(grid, design.rows, [name for name in design.factors if name not in wanted], weights)
    columns = design.columns_for(grid) * share[:, None]
    keys = grid[list(wanted)].drop_duplicates().reset_index(drop=True)
    place = pd.MultiIndex.from_frame(keys).get_indexer(pd.MultiIndex.from_frame(grid[list(wanted)]))
    full = np.zeros((len(keys), columns.shape[1]))
    np.add.at(full, place, columns)
    rows, effects = _mean_rows(fit, keys, full, design.rows.groupby(list(wanted)).size(), ddf, confidence_level)
    return AdjustedMeans(
        factors=wanted,
        outcome=fit.outcome,
        unit=fit.unit,
        weights=weights,
        ddf=ddf,
        confidence_level=confidence_level,
        rows=rows,
        fit=fit,
        weights_of_effects=effects,
    )


def _shares(grid: pd.DataFrame, rows: pd.DataFrame, others: list[str], weights: Weights) -> Array:
    """What each grid row counts within its mean: alike, or as its combination of the other factors occurs."""
    if not others:
        return np.ones(len(grid))
    if weights == "balanced":
        return np.full(len(grid), 1.0 / grid[others].drop_duplicates().shape[0])
    seen = rows.groupby(others).size() / len(rows)
    wanted = pd.MultiIndex.from_frame(grid[others]) if len(others) > 1 else pd.Index(grid[others[0]])
    return np.asarray(seen.reindex(wanted).fillna(0.0), dtype=float)


def _mean_rows(
    fit: MixedFit, keys: pd.DataFrame, full: Array, counts: pd.Series, ddf: DfMethod, level: float
) -> tuple[pd.DataFrame, Array]:
    """The means with intervals, and as weights of the fixed effects that were estimated."""
    kept, estimable = fit.estimable(full)
    rows = keys.copy()
    found = [
        fit.contrast(row, ddf=ddf, confidence_level=level) if ok else None
        for row, ok in zip(kept, estimable, strict=True)
    ]
    for column, name in (("mean", "value"), ("se", "se"), ("df", "df"), ("ci_low", "ci_low"), ("ci_high", "ci_high")):
        rows[column] = [getattr(contrast, name) if contrast else np.nan for contrast in found]
    index = pd.MultiIndex.from_frame(keys) if keys.shape[1] > 1 else pd.Index(keys.iloc[:, 0])
    rows["n_rows"] = counts.reindex(index).fillna(0).astype(int).to_numpy()
    rows["estimable"] = estimable
    return rows, kept


def pairwise(means: AdjustedMeans, *, adjustment: Adjustment = "tukey") -> Contrasts:
    """Every difference between two of the means (first minus second)."""
    labels = means.labels()
    if len(labels) < 2:
        raise FitError(f"{' and '.join(means.factors)} has one level ({labels[0]}): there is nothing to compare.")
    pairs = list(combinations(range(len(labels)), 2))
    weights = np.array([_one_minus(len(labels), i, j) for i, j in pairs]).reshape(-1, len(labels))
    names = [f"{labels[i]} - {labels[j]}" for i, j in pairs]
    return mean_contrasts(
        means, weights, names, adjustment=adjustment, what=f"Differences by {' and '.join(means.factors)}"
    )


def against(means: AdjustedMeans, comparison: str, *, adjustment: Adjustment = "multivariate_t") -> Contrasts:
    """Every other mean minus the mean of the `comparison` level (one factor only).

    Raises `FitError` where the comparison is not one of the levels.
    """
    labels = means.labels()
    if comparison not in labels:
        raise FitError(f"{comparison!r} is not one of: {', '.join(labels)}.")
    base = labels.index(comparison)
    others = [i for i in range(len(labels)) if i != base]
    weights = np.array([_one_minus(len(labels), i, base) for i in others]).reshape(-1, len(labels))
    names = [f"{labels[i]} - {comparison}" for i in others]
    return mean_contrasts(means, weights, names, adjustment=adjustment, what=f"Against {comparison}")


def interaction(
    fit: MixedFit,
    *,
    effect: str,
    across: str,
    comparison: str | None = None,
    adjustment: Adjustment = "holm",
    ddf: DfMethod = "kenward_roger",
    confidence_level: float = 0.95,
) -> Contrasts:
    """Does `effect` do more in one level of `across` than in another? Differences of differences, and one test of all.

    Each level of `effect` minus `comparison` (its first level if not given), between each two levels of `across`.
    """
    means = adjusted_means(fit, (effect, across), ddf=ddf, confidence_level=confidence_level)
    effects, places = (tuple(dict.fromkeys(means.rows[name])) for name in (effect, across))
    base = comparison if comparison is not None else effects[0]
    if base not in effects:
        raise FitError(f"{base!r} is not a level of {effect}: {', '.join(effects)}.")
    at = {pair: i for i, pair in enumerate(means.rows[[effect, across]].itertuples(index=False, name=None))}
    weights, names = [], []
    for level in (level for level in effects if level != base):
        for one, other in combinations(places, 2):
            row = np.zeros(len(at))
            row[at[level, one]] += 1
            row[at[base, one]] -= 1
            row[at[level, other]] -= 1
            row[at[base, other]] += 1
            weights.append(row)
            names.append(f"({level} - {base}) in {one} - in {other}")
    return mean_contrasts(
        means, np.array(weights).reshape(-1, len(at)), names, adjustment=adjustment, what=f"{effect} between {across}s"
    )


def mean_contrasts(
    means: AdjustedMeans, weights: Array, names: Sequence[str], *, adjustment: Adjustment, what: str
) -> Contrasts:
    """Weighted sums of adjusted means (contrasts, means), with tests, corrected p and simultaneous intervals.

    Those that cannot be told from the rows are left out and named in `what`.
    """
    estimable = np.asarray(means.rows["estimable"], dtype=bool)
    able = ~(weights[:, ~estimable] != 0).any(axis=1)
    left_out = [name for name, ok in zip(names, able, strict=True) if not ok]
    effects = weights[able] @ means.weights_of_effects
    fit, level = means.fit, means.confidence_level
    found = [fit.contrast(row, ddf=means.ddf, confidence_level=level) for row in effects]
    if not found:
        raise FitError(f"{what}: none of these differences can be told from the rows.")
    rows = pd.DataFrame(
        {
            "contrast": [name for name, ok in zip(names, able, strict=True) if ok],
            "estimate": [c.value for c in found],
            "se": [c.se for c in found],
            "df": [c.df for c in found],
            "t": [c.t for c in found],
            "p": [c.p for c in found],
            "ci_low": [c.ci_low for c in found],
            "ci_high": [c.ci_high for c in found],
        }
    )
    covariance = fit.curvature.adjusted_covariance if means.ddf == "kenward_roger" else fit.covariance
    adjusted, reach = _adjusted(rows, effects @ covariance @ effects.T, len(means.rows), adjustment, level)
    rows["p_adjusted"] = adjusted
    rows["simultaneous_low"], rows["simultaneous_high"] = rows["estimate"] - reach, rows["estimate"] + reach
    joint = fit.f_test(effects, ddf=means.ddf, name=what) if len(rows) > 1 and means.ddf != "normal" else None
    said = what + (f" (not to be told from these rows: {'; '.join(left_out)})" if left_out else "")
    return Contrasts(
        what=said, unit=means.unit, adjustment=adjustment, confidence_level=level, rows=rows, together=joint
    )


def _adjusted(
    rows: pd.DataFrame, covariance: Array, n_means: int, adjustment: Adjustment, level: float
) -> tuple[Array, Array]:
    """Corrected p-values and half-widths of the intervals that hold together (Holm's: Bonferroni's intervals)."""
    t, df, se = (np.asarray(rows[name], dtype=float) for name in ("t", "df", "se"))
    if adjustment == "tukey":
        return tukey(t, df, se, n_means=n_means, confidence_level=level)
    if adjustment == "multivariate_t":
        return multivariate_t(t, df, se, covariance, confidence_level=level)
    correct = holm if adjustment == "holm" else uncorrected
    return correct(np.asarray(rows["p"], dtype=float), df, se, confidence_level=level)


def _one_minus(size: int, one: int, other: int) -> Array:
    """Weights of one mean minus another."""
    row = np.zeros(size)
    row[one], row[other] = 1.0, -1.0
    return row
