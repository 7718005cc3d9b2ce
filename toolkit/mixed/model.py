"""The mixed model as the front door offers it: one call, then summary, adjusted means, contrasts, diagnostics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import FitError
from toolkit.mixed.adjusted_means import Adjustment, Contrasts, Weights, adjusted_means, against, interaction, pairwise
from toolkit.mixed.diagnostics import influence, random_effects, residual_rows, variance_shares
from toolkit.mixed.mixed import fit_mixed
from toolkit.mixed.mixed_fit import DfMethod, MixedFit
from toolkit.mixed.term_tests import term_tests
from toolkit.mixed.variance_intervals import likelihood_ratio, variance_intervals
from toolkit.number_words import p_words, quantity
from toolkit.result import Result, Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

GROUPS = ("client", "practitioner")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MixedModel(Shown):
    """A fitted linear mixed model; `mixed_model` makes it.

    Attributes
    ----------
    formula : str
        What was fitted.
    ddf : str
        How degrees of freedom are found: "kenward_roger", "satterthwaite" or "normal".
    level : float
        Confidence level of every interval.
    fit : MixedFit
        The fit itself: estimates, covariance, variance components, convergence, log-likelihood.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> data = pd.DataFrame({"client": np.repeat(np.arange(20), 4), "region": np.tile(["calf", "neck"], 40)})
    >>> data["change"] = rng.normal(size=20)[data["client"]] + rng.normal(size=80)
    >>> mixed_model("change ~ region", data).adjusted_means("region").frame["region"].tolist()
    ['calf', 'neck']
    """

    formula: str
    ddf: DfMethod
    level: float
    fit: MixedFit = field(repr=False)

    def summary(self) -> Result:
        """The fixed effects: a row each with estimate, interval, `statistic` (t), df, p and `se`.

        Returns
        -------
        Result
            `detail` is the fit; `notes` say what was left out and how the search for the variances went.
        """
        effects = self.fit.effects(ddf=self.ddf, confidence_level=self.level)
        rows = [one.standard_row(statistic=one.t, se=one.se, **self._counted()) for one in effects]
        return Result.of(rows, says=self.sentence(), title=self.formula, notes=self.fit.notes, detail=self.fit)

    def _counted(self) -> dict[str, Any]:
        return {"n_clients": self.fit.levels.get("client"), "n_rows": self.fit.n}

    def sentence(self) -> str:
        """What was fitted, to what, and how the search went."""
        return self.fit.sentence()

    def table(self) -> pd.DataFrame:
        """The rows of `summary`."""
        return self.summary().frame

    def variance_components(self, *, intervals: bool = False) -> Result:
        """Standard deviations between the levels of each group, and of the residual.

        Parameters
        ----------
        intervals
            With profile-likelihood intervals, which take a little longer.
        """
        if intervals:
            found = variance_intervals(self.fit, confidence_level=self.level)
            rows = [
                {"what": f"{row['group']} {row['effect']} {row['what']}".strip(), "estimate": row["value"]}
                | {"ci_low": row["ci_low"], "ci_high": row["ci_high"], "level": self.level, "unit": self.fit.unit}
                | {"method": f"profile likelihood ({found.criterion})", "n_levels": row["levels"]}
                for row in found.rows.to_dict("records")
            ]
            return Result.of(rows, says=found.sentence(), title="Variance components", detail=found)
        method = "REML" if self.fit.reml else "ML"
        rows = [
            {"what": f"{one.group} {one.effect}".strip(), "estimate": one.sd, "unit": self.fit.unit, "method": method}
            | {"variance": one.variance, "n_levels": one.levels}
            for one in self.fit.components
        ]
        says = "; ".join(f"{row['what']}: SD {quantity(row['estimate'], self.fit.unit)}".strip() for row in rows)
        return Result.of(rows, says=f"{says}.", title="Variance components", detail=self.fit.components)

    def adjusted_means(self, by: str | Sequence[str], *, weights: Weights = "balanced") -> Result:
        """What the model expects for each level of a factor (or of several), the other factors held alike.

        Parameters
        ----------
        by
            One factor of the formula, or several.
        weights
            Other factors count "balanced" (alike) or "observed" (as they occur); numbers are held at their means.

        Returns
        -------
        Result
            A row a combination of levels, p against zero, corrected by Holm; `estimable` is False where the rows cannot
            tell the mean.

        Raises
        ------
        FitError
            The formula has no such factor.
        """
        found = adjusted_means(self.fit, by, weights=weights, ddf=self.ddf, confidence_level=self.level)
        rows = []
        for row, weight in zip(found.rows.to_dict("records"), found.weights_of_effects, strict=True):
            able = bool(row["estimable"])
            tested = self.fit.contrast(weight, ddf=self.ddf, confidence_level=self.level, name="adjusted mean")
            known = tested.standard_row(statistic=tested.t) if able else {"what": "adjusted mean"}
            key = {name: row[name] for name in found.factors}
            rows.append(key | known | {"n_clients": None, "n_rows": row["n_rows"], "estimable": able})
        out = Result.of(rows, says=found.sentence(), groups=found.factors, title="Adjusted means", detail=found)
        return replace(out, rows=_holm(out.rows))

    def contrasts(
        self,
        by: str | Sequence[str],
        *,
        against_level: str | None = None,
        adjustment: Adjustment | None = None,
        weights: Weights = "balanced",
    ) -> Result:
        """Differences between adjusted means: every two, or each against one level.

        Parameters
        ----------
        by
            One factor of the formula, or several.
        against_level
            Compare each level with this one only.
        adjustment
            "tukey" (every two), "multivariate_t" (against one), "holm" or "none"; the first two are the defaults.
        weights
            As `adjusted_means`.

        Returns
        -------
        Result
            A row a difference, with `p_adjusted` and limits that hold for all together (`simultaneous_low`,
            `simultaneous_high`).

        Raises
        ------
        FitError
            The formula has no such factor, or the factor no such level.
        """
        means = adjusted_means(self.fit, by, weights=weights, ddf=self.ddf, confidence_level=self.level)
        if against_level is None:
            found = pairwise(means, adjustment=adjustment or "tukey")
        else:
            found = against(means, against_level, adjustment=adjustment or "multivariate_t")
        return self._contrast_result(found)

    def interaction(
        self, effect: str, across: str, *, comparison: str | None = None, adjustment: Adjustment = "holm"
    ) -> Result:
        """Does an effect differ between the levels of another factor: differences of differences.

        Parameters
        ----------
        effect
            A factor of the formula; each level is taken minus `comparison` (its first level if left out).
        across
            The factor between whose levels that difference is compared.
        comparison
            A level of `effect`.
        adjustment
            "holm", "multivariate_t" or "none".

        Returns
        -------
        Result
            A row a difference of differences, columns as `contrasts`.

        Raises
        ------
        FitError
            The formula has no such factor, or the factor no such level.
        """
        said = {"effect": effect, "across": across}
        return self._contrast_result(
            interaction(
                self.fit,
                **said,
                comparison=comparison,
                adjustment=adjustment,
                ddf=self.ddf,
                confidence_level=self.level,
            )
        )

    def _contrast_result(self, found: Contrasts) -> Result:
        rows = [
            {
                "what": row["contrast"],
                **{name: row[name] for name in ("estimate", "ci_low", "ci_high", "df", "p", "p_adjusted", "se")},
                "level": self.level,
                "statistic": row["t"],
                "unit": self.fit.unit,
                "method": f"adjusted means of a mixed model, {found.adjustment.replace('_', ' ')}",
                **{name: row[name] for name in ("simultaneous_low", "simultaneous_high")},
                **self._counted(),
            }
            for row in found.rows.to_dict("records")
        ]
        return Result.of(rows, says=found.sentence(), title=found.what, detail=found)

    def term_tests(self) -> Result:
        """An F test of each term of the formula: does it matter at all?

        Returns
        -------
        Result
            A row a term: `statistic` is F, `df` and `df_2`, p; `note` where there is no single answer.
        """
        ddf: DfMethod = "satterthwaite" if self.ddf == "normal" else self.ddf
        found = term_tests(self.fit, ddf=ddf)
        rows = [
            {"what": row["term"], "statistic": row["f"], "df": row["df_numerator"], "df_2": row["df_denominator"]}
            | {"p": row["p"], "method": row["method"], "note": row["note"], **self._counted()}
            for row in found.to_dict("records")
        ]
        tested = found.dropna(subset=["p"])
        words = "; ".join(f"{row['term']} {p_words(row['p'])}" for row in tested.to_dict("records"))
        return Result.of(rows, says=f"Tests of the terms: {words or 'none'}.", title="Term tests", detail=found)

    def random_effects(self) -> pd.DataFrame:
        """Predicted deviation of each level of each group (BLUP): `group`, `level`, `effect`, `deviation`.

        They are drawn towards zero by what the readings cannot tell; they rank nobody.
        """
        return random_effects(self.fit)

    def residuals(self) -> pd.DataFrame:
        """The rows fitted with `expected`, `fitted`, `residual`, `standardised` and `leverage`."""
        found = residual_rows(self.fit)
        if self.fit.design is None:
            return found
        return pd.concat([self.fit.design.rows.reset_index(drop=True), found], axis=1)

    def diagnostics(self) -> Result:
        """How well the model sits on its rows: shares of variance, shape of the residuals, who decides most.

        Returns
        -------
        Result
            Rows: intraclass correlation of each group, R² of the fixed effects and of the whole, skewness and excess
            kurtosis of the standardised residuals, and the largest Cook's distance of each group. `plot()` draws
            residuals against fitted values and against normal quantiles.
        """
        shares = variance_shares(self.fit)
        rows = [
            {"what": f"{name}", "estimate": value, "unit": "share", "method": "Nakagawa & Schielzeth 2013"}
            for name, value in shares.table().itertuples(index=False)
        ]
        standardised = residual_rows(self.fit)["standardised"]
        for name, value in (("skewness", standardised.skew()), ("excess kurtosis", standardised.kurt())):
            rows.append({"what": f"{name} of the residuals", "estimate": value, "method": "standardised residuals"})
        decides = {group: influence(self.fit, by=group) for group in self.fit.levels}
        for group, found in decides.items():
            top = found.table().iloc[0]
            rows.append({"what": f"largest Cook's distance, {group}", "estimate": top["cooks_distance"]})
            rows[-1] |= {"method": f"without {top['level']}", "unit": ""}
        says = f"{shares.sentence()} {' '.join(found.sentence() for found in decides.values())}"
        return Result.of(
            [row | {"n_rows": self.fit.n} for row in rows],
            says=says,
            title="Diagnostics",
            notes=self.fit.notes,
            detail=decides,
            draw=self._residuals_drawn,
        )

    def _residuals_drawn(self) -> Figure:
        from matplotlib.figure import Figure
        from scipy import special

        found = residual_rows(self.fit)
        figure = Figure(figsize=(8.0, 3.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        left.scatter(found["fitted"], found["standardised"], s=8, color="#1f4e79", alpha=0.5)
        left.set_xlabel(f"Fitted ({self.fit.unit})" if self.fit.unit else "Fitted")
        n = len(found)
        right.scatter(special.ndtri((np.arange(n) + 0.5) / n), np.sort(found["standardised"]), s=8, color="#1f4e79")
        right.axline((0, 0), slope=1, color="0.4", lw=0.9, ls="--")
        right.set_xlabel("Normal quantiles")
        left.axhline(0, color="0.4", lw=0.9, ls="--")
        for axes in (left, right):
            axes.set_ylabel("Standardised residual")
            axes.spines[["top", "right"]].set_visible(False)
        return figure

    def compare(self, larger: MixedModel) -> Result:
        """Likelihood-ratio test of a larger model, fitted to the same rows, against this one.

        Raises
        ------
        FitError
            The rows differ, one is by REML and the other by ML, or this model is not part of the larger one.
        """
        found = likelihood_ratio(self.fit, larger.fit)
        row = {"what": "likelihood ratio", "statistic": found.statistic, "df": found.df, "p": found.p}
        return Result.of([row | {"method": found.method, **self._counted()}], says=found.sentence(), detail=found)

    def __repr__(self) -> str:
        return str(self)

    def __str__(self) -> str:
        return str(self.summary())

    def _repr_html_(self) -> str:
        return self.summary()._repr_html_()


def _holm(frame: pd.DataFrame) -> pd.DataFrame:
    from toolkit.multiplicity import holm_p

    return frame.assign(p_adjusted=holm_p(frame["p"])) if frame["p"].notna().sum() > 1 else frame


def mixed_model(
    formula: str,
    data: Any,
    groups: str | Sequence[str] = GROUPS,
    *,
    measure: str | None = None,
    first: str = "before",
    second: str = "after",
    slope: str | None = None,
    correlated: bool = True,
    weights: str | None = None,
    reml: bool = True,
    ddf: DfMethod | None = None,
    level: float = 0.95,
    better: str = "higher",
    unit: str | None = None,
) -> MixedModel:
    """Fit a linear mixed model by formula: fixed effects, random intercepts of clients and practitioners.

    Parameters
    ----------
    formula
        Outcome, ``~`` and terms: columns joined by ``+ : *``, with log, sqrt, center, scale, C. The outcome `change` is
        made from `first` and `second` where the data have no such column, better is positive.
    data
        A frame, or `Records` (its `readings`).
    groups
        A column, or several, with a random intercept each. Of the two by default, `practitioner` is left out where
        there is no such column, or only one practitioner.
    measure
        Which measure, where the data hold several.
    first, second
        The readings `change` is made from.
    slope
        A column whose effect varies between the levels of the first group.
    correlated
        Whether that slope correlates with the intercept.
    weights
        A column of precision weights.
    reml
        Restricted likelihood; False for maximum likelihood, to compare models with different fixed effects.
    ddf
        "kenward_roger" (the default by REML), "satterthwaite" (the default by ML) or "normal".
    level
        Confidence level of every interval.
    better
        "higher" or "lower", for `change`; a column `better` in the data decides where there is one.
    unit
        Unit of the outcome, where the data have no column of it.

    Returns
    -------
    MixedModel
        With `summary()`, `adjusted_means(by)`, `contrasts(by)`, `term_tests()`, `variance_components()`,
        `diagnostics()`, `residuals()`, `random_effects()`, `compare(larger)`.

    Raises
    ------
    FitError
        A column is missing, the formula cannot be read, the data hold several measures, or the rows are too few.

    References
    ----------
    Kenward & Roger (1997) Biometrics 53:983-997; Satterthwaite (1946) Biometrics Bulletin 2:110-114; Bates et al.
    (2015) Journal of Statistical Software 67(1).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> data = pd.DataFrame({"client": np.repeat(np.arange(20), 4), "treated": np.tile([0, 1], 40), "before": 30.0})
    >>> data["after"] = 30 + 2.0 * data["treated"] + rng.normal(size=20)[data["client"]] + rng.normal(size=80)
    >>> row = mixed_model("change ~ treated", data, unit="deg").summary().row("treated")
    >>> bool(row["ci_low"] < 2.0 < row["ci_high"]), round(float(row["df"]), 1)
    (True, 59.0)
    """
    frame = _one_measure(data, measure)
    unit = _only_word(frame, "unit") if unit is None else unit
    frame = _with_change(frame, formula, first, second, better)
    used = (groups,) if isinstance(groups, str) else tuple(groups)
    if used == GROUPS and ("practitioner" not in frame.columns or frame["practitioner"].nunique() < 2):
        used = ("client",)
    fit = fit_mixed(
        frame, formula=formula, groups=used, slope=slope, correlated=correlated, weights=weights, reml=reml, unit=unit
    )
    return MixedModel(formula=formula, ddf=ddf or ("kenward_roger" if reml else "satterthwaite"), level=level, fit=fit)


def _one_measure(data: Any, measure: str | None) -> pd.DataFrame:
    """The frame, of one measure, its words plain."""
    frame = data.readings if not isinstance(data, pd.DataFrame) and hasattr(data, "readings") else data
    if not isinstance(frame, pd.DataFrame):
        raise FitError(f"The data are a {type(data).__name__}: give a frame, or the records of load_records.")
    if "measure" in frame.columns:
        names = [str(name) for name in frame["measure"].dropna().unique()]
        if measure is not None and measure not in names:
            raise FitError(f"No row holds the measure {measure}. There are: {', '.join(names)}.")
        if measure is None and len(names) > 1:
            raise FitError(f"The data hold {len(names)} measures: say measure= one of {', '.join(names)}.")
        frame = frame[frame["measure"] == measure] if measure is not None else frame
    return frame.astype(dict.fromkeys(frame.select_dtypes("category").columns, object))


def _only_word(frame: pd.DataFrame, column: str) -> str:
    """The one word of a column; empty where there is none or more than one."""
    words: list[Any] = list(frame[column].dropna().unique()) if column in frame.columns else []
    return str(words[0]) if len(words) == 1 else ""


def _with_change(frame: pd.DataFrame, formula: str, first: str, second: str, better: str) -> pd.DataFrame:
    """The frame with `change`, where the formula asks for it and the data do not have it."""
    if formula.partition("~")[0].strip() != "change" or "change" in frame.columns:
        return frame
    absent = [name for name in (first, second) if name not in frame.columns]
    if absent:
        raise FitError(f"There is no column change, and none {absent[0]} to make it from.")
    said = _only_word(frame, "better") or better
    if said not in ("higher", "lower"):
        raise FitError(f"'better' is {said!r}: write 'higher' or 'lower', whichever means improvement.")
    turned = 1.0 if said == "higher" else -1.0
    return frame.assign(change=turned * (frame[second].astype(float) - frame[first].astype(float)))
