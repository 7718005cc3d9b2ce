"""Named methods for models by formula: linear models, analysis of covariance, mixed models nested or crossed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers

if TYPE_CHECKING:
    from toolkit.mixed.mixed_fit import MixedFit

_EFFECT = ("estimate", "se", "t", "df", "p", "ci_low", "ci_high")
_WHOLE = ("n", "log_likelihood", "criterion", "aic", "sd_residual", "variance_residual")
_SPREAD = ("sd", "variance", "icc", "sd_slope", "variance_slope", "corr")
_TOGETHER = ("F", "F_df", "F_p", "F_df1", "r2", "r2_adjusted", "df_residual", "F_model", "F_model_p")


def _fit(frame: pd.DataFrame, settings: Mapping[str, Any]) -> MixedFit:
    """The model of one figure; a group "worker:machine" is every worker-machine pair."""
    from toolkit.mixed.mixed import fit_mixed

    if len(frame) < 3:
        raise NotEnoughError(f"{len(frame)} row(s): a model needs at least 3")
    groups = list(settings["groups"])
    rows = frame.copy()
    for name in groups:
        if ":" in name:
            parts = rows[name.split(":")]
            rows[name] = parts.astype(str).apply(":".join, axis=1).where(parts.notna().all(axis=1)) if len(rows) else ""
    return fit_mixed(
        rows,
        formula=settings["formula"],
        groups=groups,
        slope=settings["slope"] or None,
        correlated=settings["correlated"] == "yes",
        reml=settings["likelihood"] == "REML",
    )


def _model(fit: MixedFit, settings: Mapping[str, Any]) -> Numbers:
    free = len(fit.names) + len(fit.components)
    numbers: Numbers = {
        "n": fit.n,
        "log_likelihood": fit.log_likelihood,
        "criterion": -2 * fit.log_likelihood,
        "aic": 2 * free - 2 * fit.log_likelihood,
        "sd_residual": math.sqrt(fit.residual_variance),
        "variance_residual": fit.residual_variance,
    }
    numbers |= _spread(fit, settings["of"])
    total = fit.residual_variance + sum(one.variance for one in fit.components if one.effect == "intercept")
    if "variance" in numbers and total > 0:
        numbers["icc"] = numbers["variance"] / total
    if settings["term"]:
        effect = fit.contrast(_name(fit, settings["term"]), ddf=settings["df"])
        values = (effect.value, effect.se, effect.t, effect.df, effect.p, effect.ci_low, effect.ci_high)
        numbers |= {key: float(value or 0.0) for key, value in zip(_EFFECT, values, strict=True)}
    if settings["together"]:
        test = fit.f_test([name for name in fit.names if settings["together"] in name], ddf=settings["df"])
        numbers |= {"F": test.f, "F_df": test.df_denominator, "F_df1": float(test.df_numerator), "F_p": test.p}
    if all(one.group == "residual" for one in fit.components):
        y = np.asarray(fit.rows.y, dtype=float)
        free, total = fit.n - len(fit.names), float(((y - y.mean()) ** 2).sum())
        r2 = 1 - fit.residual_variance * free / total
        numbers |= {"r2": r2, "r2_adjusted": 1 - (1 - r2) * (fit.n - 1) / free, "df_residual": float(free)}
        explaining = len(fit.names) - 1
        if explaining and r2 < 1:
            overall = r2 / explaining / ((1 - r2) / free)
            numbers |= {"F_model": overall, "F_model_p": float(special.fdtrc(explaining, free, overall))}
    return numbers


def _name(fit: MixedFit, wanted: str) -> str:
    """The fixed effect whose name is, or alone contains, the wanted words."""
    found = [name for name in fit.names if name == wanted] or [name for name in fit.names if wanted in name]
    if len(found) != 1:
        raise SheetError(f'"{wanted}" names {len(found)} effects of this model, which has {", ".join(fit.names)}')
    return found[0]


def _spread(fit: MixedFit, group: str) -> Numbers:
    """Variance and SD of a group's intercepts and slopes, and their correlation."""
    found: Numbers = {}
    for component in fit.components:
        if component.group == "residual" or (group and component.group != group):
            continue
        if component.effect == "covariance":
            found["corr"] = component.sd
        elif component.effect == "intercept":
            found |= {"sd": component.sd, "variance": component.variance}
        else:
            found |= {"sd_slope": component.sd, "variance_slope": component.variance}
    return found


def _means(fit: MixedFit, settings: Mapping[str, Any]) -> Numbers:
    """One adjusted mean, or one difference of two."""
    from toolkit.mixed.adjusted_means import adjusted_means, pairwise

    factor, level, versus = settings["factor"], settings["level"], settings["versus"]
    confidence = settings["confidence_level"]
    means = adjusted_means(fit, factor, weights=settings["weights"], ddf=settings["df"], confidence_level=confidence)
    if not versus:
        rows = means.rows[means.rows[factor].astype(str) == level]
        if rows.empty:
            raise SheetError(f'{factor} has no level "{level}", only {", ".join(means.rows[factor].astype(str))}')
        row = rows.iloc[0]
        return {"estimate": row["mean"], "se": row["se"], "df": row["df"], "ci_low": row["ci_low"],
                "ci_high": row["ci_high"]}  # fmt: skip
    rows = pairwise(means, adjustment=settings["adjustment"]).rows
    for name, sign in ((f"{level} - {versus}", 1), (f"{versus} - {level}", -1)):
        here = rows[rows["contrast"] == name]
        if len(here):
            row = here.iloc[0]
            low, high = sorted((sign * row["ci_low"], sign * row["ci_high"]))
            wide = sorted((sign * row["simultaneous_low"], sign * row["simultaneous_high"]))
            return {
                "estimate": sign * row["estimate"], "se": row["se"], "df": row["df"], "t": sign * row["t"],
                "p": row["p"], "p_adjusted": row["p_adjusted"], "ci_low": low, "ci_high": high,
                "simultaneous_low": wide[0], "simultaneous_high": wide[1],
            }  # fmt: skip
    raise SheetError(f'no difference of "{level}" and "{versus}": there are {", ".join(rows["contrast"])}')


def _deviation(fit: MixedFit, settings: Mapping[str, Any]) -> Numbers:
    """A person's (group's) predicted deviation, and the person's own intercept or slope."""
    from toolkit.mixed.diagnostics import random_effects

    rows = random_effects(fit)
    here = rows[(rows["level"].astype(str) == str(settings["level"])) & (rows["effect"] == settings["effect"])]
    if settings["of"]:
        here = here[here["group"] == settings["of"]]
    if len(here) != 1:
        groups = ", ".join(dict.fromkeys(rows["group"]))
        raise SheetError(
            f'"{settings["level"]}" with effect "{settings["effect"]}" names {len(here)} deviations: the groups are '
            f"{groups}, the effects {', '.join(dict.fromkeys(rows['effect']))}"
        )
    deviation = float(here["deviation"].iloc[0])
    fixed = dict(zip(fit.names, fit.estimates, strict=True))
    base = fixed.get("Intercept" if settings["effect"] == "intercept" else settings["effect"], 0.0)
    return {"deviation": deviation, "own": float(base) + deviation}


def _compared(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Likelihood ratio of two models of the same rows."""
    from toolkit.mixed.variance_intervals import likelihood_ratio

    larger = _fit(frame, settings)
    smaller_settings = {**settings}
    if settings["without_formula"]:
        smaller_settings["formula"] = settings["without_formula"]
    if settings["without_slope"] == "yes":
        smaller_settings["slope"] = ""
    if settings["without_group"]:
        smaller_settings["groups"] = [name for name in settings["groups"] if name != settings["without_group"]]
    found = likelihood_ratio(_fit(frame, smaller_settings), larger)
    return {"chi2": found.statistic, "df": float(found.df), "p": found.p}


_MODEL_SETTINGS: dict[str, Any] = {
    "formula": "", "groups": (), "slope": "", "correlated": "yes", "likelihood": "REML",
}  # fmt: skip
_MODEL_CHOICES = {
    "correlated": ("yes", "no"), "likelihood": ("REML", "ML"), "df": ("satterthwaite", "kenward_roger", "normal"),
}  # fmt: skip
_MODEL_MEANING = {
    "formula": "outcome ~ effects, for example reading ~ week + group", "groups": 'columns with a random intercept, a '
    'list; "a:b" = every combination', "slope": "column with a random slope over the first group",
    "correlated": "are slope and intercept correlated", "likelihood": "REML or ML", "df": "degrees of freedom",
}  # fmt: skip

MODEL_METHODS = (
    Method(
        name="model",
        what="a linear model by formula, with random intercepts for groups and one random slope if asked",
        gives=(*_EFFECT, *_WHOLE, *_SPREAD, *_TOGETHER),
        uses="toolkit.mixed.mixed.fit_mixed",
        recompute=_model,
        prepare=_fit,
        after_preparing=("term", "of", "together", "df"),
        settings={**_MODEL_SETTINGS, "df": "satterthwaite", "term": "", "of": "", "together": ""},
        choices=_MODEL_CHOICES,
        meaning={
            **_MODEL_MEANING, "term": "the effect that is wanted, as the model names it (or words that name it alone)",
            "of": "the grouping column whose SD is wanted",
            "icc": "its share of the variance of intercepts and residual",
            "together": "test all effects whose name holds this word",
            "F": "of the effects under together", "F_model": "overall F of a model without groups",
            "F_model_p": "its p",
        },
        r="summary(lmerTest::lmer({formula} + ({slope} | {groups}), d)); without groups summary(lm({formula}, d))",
        alternatives=(
            ("maximum likelihood instead of REML", {"likelihood": "ML"}),
            ("REML instead of maximum likelihood", {"likelihood": "REML"}),
            ("Kenward-Roger df", {"df": "kenward_roger"}),
            ("normal quantile (no df)", {"df": "normal"}),
            ("slope and intercept uncorrelated", {"correlated": "no"}),
            ("no random effects", {"groups": (), "slope": ""}),
        ),
    ),
    Method(
        name="model_means",
        what="adjusted means of a model's factor, or one difference of two of them (Tukey, Holm, multivariate t, none)",
        gives=(
            "estimate", "se", "df", "t", "p", "p_adjusted", "ci_low", "ci_high", "simultaneous_low",
            "simultaneous_high",
        ),
        uses="toolkit.mixed.adjusted_means.adjusted_means, toolkit.mixed.adjusted_means.pairwise",
        recompute=_means,
        prepare=_fit,
        after_preparing=("factor", "level", "versus", "adjustment", "weights", "df", "confidence_level"),
        settings={
            **_MODEL_SETTINGS, "df": "kenward_roger", "factor": "", "level": "", "versus": "", "adjustment": "tukey",
            "weights": "balanced", "confidence_level": 0.95,
        },
        choices={
            **_MODEL_CHOICES, "adjustment": ("tukey", "holm", "multivariate_t", "none"),
            "weights": ("balanced", "observed"),
        },
        meaning={
            **_MODEL_MEANING, "factor": "the column of levels", "level": "the level whose mean is wanted",
            "versus": "the level that is subtracted; the mean itself if left out", "p": "of the difference, "
            "uncorrected",
            "simultaneous_low": "limit that holds together with all other differences (by the adjustment)",
        },
        r="emmeans::emmeans(lmerTest::lmer({formula} + (1 | {groups}), d), pairwise ~ {factor}, adjust = "
        "'{adjustment}')",
        alternatives=(
            ("Holm", {"adjustment": "holm"}), ("Tukey", {"adjustment": "tukey"}),
            ("no correction", {"adjustment": "none"}), ("Satterthwaite df", {"df": "satterthwaite"}),
            ("normal quantile (no df)", {"df": "normal"}),
        ),
    ),
    Method(
        name="model_person",
        what="one person's (or group's) predicted deviation from a mixed model (BLUP), and own intercept or slope",
        gives=("deviation", "own"),
        uses="toolkit.mixed.diagnostics.random_effects",
        recompute=_deviation,
        prepare=_fit,
        after_preparing=("level", "effect", "of"),
        settings={**_MODEL_SETTINGS, "level": "", "effect": "intercept", "of": ""},
        choices=_MODEL_CHOICES,
        meaning={
            **_MODEL_MEANING, "level": "the person, as written in the data", "effect": '"intercept" or the '
            'slope\'s column',
            "of": "the grouping column, where there are several", "deviation": "BLUP: from the average",
            "own": "average + deviation",
        },
        r="ranef(lme4::lmer({formula} + (1 | {groups}), d)); coef(...)",
        alternatives=(("maximum likelihood instead of REML", {"likelihood": "ML"}),),
    ),
    Method(
        name="models_compared",
        what="likelihood-ratio test of a model against a smaller one of the same rows",
        gives=("chi2", "df", "p"),
        uses="toolkit.mixed.variance_intervals.likelihood_ratio",
        recompute=_compared,
        settings={**_MODEL_SETTINGS, "without_formula": "", "without_slope": "no", "without_group": ""},
        choices={**_MODEL_CHOICES, "without_slope": ("no", "yes")},
        meaning={
            **_MODEL_MEANING, "without_formula": "the smaller formula (fit both by ML)",
            "without_slope": '"yes": the smaller model has no random slope', "without_group": "the smaller "
            "model lacks it",
        },
        r="anova(smaller, larger)",
        alternatives=(("maximum likelihood instead of REML", {"likelihood": "ML"}),),
    ),
)  # fmt: skip
