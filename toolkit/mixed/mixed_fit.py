"""What a fitted linear mixed model says: fixed effects with their tests, variance components, how the fit went."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg, special

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array, Codes, CrossProducts
from toolkit.mixed.design import Groups
from toolkit.mixed.formula import FormulaDesign
from toolkit.mixed.inference import Curvature, curvature
from toolkit.mixed.likelihood import Point
from toolkit.mixed.search import Convergence
from toolkit.number_words import figure_text, quantity
from toolkit.quantiles import t_above, t_quantile
from toolkit.result import Estimate, Shown

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

    def sentence(self) -> str:
        """The test in one line."""
        return (
            f"F({figure_text(self.df_numerator)}, {figure_text(self.df_denominator)}) = {figure_text(self.f)}, "
            f"p = {figure_text(self.p)} ({self.method})."
        )


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
    aliases: Array
    """What each dropped column is made of, as weights of the kept ones, shape (dropped, p)."""
    notes: tuple[str, ...]
    convergence: Convergence
    rows: Rows = field(repr=False)
    parts: CrossProducts = field(repr=False)
    point: Point = field(repr=False)
    scale: Array = field(repr=False)
    """Takes coefficients of the orthonormal columns to those of the user's."""
    start: Array = field(repr=False)
    """Least-squares coefficients of the orthonormal columns, taken from the outcome before the fit."""
    slope_spread: float = field(default=1.0, repr=False)
    """Root mean square by which the slope's column was divided."""
    design: FormulaDesign | None = field(default=None, repr=False)
    """The formula's columns and factors, where the model was fitted by formula."""

    @cached_property
    def curvature(self) -> Curvature:
        """The likelihood's curvature, from which degrees of freedom come."""
        return curvature(self.parts, self.point, reml=self.reml, scale=self.scale)

    @property
    def aic(self) -> float:
        """Akaike's criterion: fixed effects, variance components and the residual counted."""
        return -2 * self.log_likelihood + 2 * (len(self.names) + len(self.point.theta) + 1)

    @property
    def _counted(self) -> tuple[int, str]:
        """What n counts: levels of the first grouping factor, else rows."""
        first = next(iter(self.levels), None)
        return (self.levels[first], f"{first}s") if first else (self.n, "rows")

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
        reach = float(t_quantile((1 + confidence_level) / 2, df)) * se
        n, n_of = self._counted
        return Contrast(
            name=name or (weights if isinstance(weights, str) else "contrast"),
            value=value,
            se=se,
            df=df,
            t=t,
            p=2 * float(t_above(abs(t), df)),
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
            raise FitError(
                "Kenward–Roger is defined for a fit by REML: fit again with reml=True, or ask for satterthwaite."
            )

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

    def estimable(self, full: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
        """Rows over all columns of the formula as weights of the kept ones, and whether the records can tell each.

        They can tell a row that weighs each dropped column as it weighs the columns that stand for it.
        """
        if self.design is None:
            raise FitError("This needs a model fitted by formula: use fit_mixed.")
        every = [str(name) for name in self.design.spec.column_names]
        kept = full[:, [every.index(name) for name in self.names]]
        dropped = full[:, [every.index(name) for name in self.dropped]]
        apart = np.abs(kept @ self.aliases.T - dropped)
        return kept, np.asarray(apart.max(axis=1, initial=0.0) <= 1e-8)

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
        notes = f"Noted: {'; '.join(self.notes)}." if self.notes else ""
        spread = quantity(float(np.sqrt(self.residual_variance)), self.unit)
        return (
            f"{self.outcome}: linear mixed model by {'REML' if self.reml else 'ML'} of {self.n} rows"
            f"{f' ({groups})' if groups else ''}; residual SD {spread}; the search {self.convergence.message}."
            f"{left_out} {notes}".strip()
        )

    def table(self) -> pd.DataFrame:
        """Fixed effects with tests, Kenward–Roger where fitted by REML, else Satterthwaite."""
        return pd.DataFrame([e.as_row() for e in self.effects(ddf="kenward_roger" if self.reml else "satterthwaite")])


def random_columns(rows: Rows, slope_spread: float) -> tuple[Array, Codes | None, list[Codes]]:
    """The (weighted) random columns of the large factor (n, k), its codes, and the dense factors' codes."""
    root = np.ones(len(rows.y)) if rows.weights is None else np.sqrt(rows.weights)
    z = root[:, None]
    if rows.slope is not None:
        z = np.column_stack([root, rows.slope[1] / slope_spread * root])
    large = None if rows.groups.large is None else rows.groups.codes[rows.groups.large]
    return z, large, [rows.groups.codes[name] for name in rows.groups.dense]
