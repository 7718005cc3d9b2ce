"""Named methods for models by formula: linear models, analysis of covariance, mixed models nested or crossed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of

if TYPE_CHECKING:
    from toolkit.mixed.mixed_fit import MixedFit

_EFFECT = ("estimate", "se", "t", "df", "p", "ci_low", "ci_high")
_WHOLE = ("n", "log_likelihood", "criterion", "aic", "sd_residual", "variance_residual")
_SPREAD = ("sd", "variance", "sd_slope", "variance_slope", "corr")
_TOGETHER = ("F", "F_df", "F_p")


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
    if settings["term"]:
        effect = fit.contrast(_name(fit, settings["term"]), ddf=settings["df"])
        values = (effect.value, effect.se, effect.t, effect.df, effect.p, effect.ci_low, effect.ci_high)
        numbers |= {key: float(value or 0.0) for key, value in zip(_EFFECT, values, strict=True)}
    if settings["together"]:
        test = fit.f_test([name for name in fit.names if settings["together"] in name], ddf=settings["df"])
        numbers |= {"F": test.f, "F_df": test.df_denominator, "F_p": test.p}
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
        if group and component.group != group:
            continue
        if component.effect == "covariance":
            found["corr"] = component.sd
        elif component.effect == "intercept":
            found |= {"sd": component.sd, "variance": component.variance}
        else:
            found |= {"sd_slope": component.sd, "variance_slope": component.variance}
    return found


def _one_way(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    complete = frame[[settings["outcome"], settings["group"]]].dropna()
    (values,) = numbers_of(complete, settings["outcome"])
    moved = values - values.mean()  # large constant offsets would otherwise eat the digits
    groups = [part.to_numpy(float) for _, part in pd.Series(moved).groupby(complete[settings["group"]].to_numpy())]
    if len(groups) < 2 or len(values) <= len(groups):
        raise NotEnoughError(f"{len(values)} readings in {len(groups)} group(s): two groups of several are needed")
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    total = float(((moved - moved.mean()) ** 2).sum())
    test = stats.f_oneway(*groups)
    return {
        "F": float(test.statistic),
        "p": float(test.pvalue),
        "sd_residual": math.sqrt(within / (len(values) - len(groups))),
        "r2": 1 - within / total,
    }


def _one_column(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    (values,) = numbers_of(frame, settings["value"])
    apart = values - values.mean()
    return {
        "n": len(values),
        "mean": float(values.mean()),
        "sd": float(values.std(ddof=0 if settings["variance"] == "n" else 1)),
        "lag1": float(apart[1:] @ apart[:-1] / (apart @ apart)),
    }


MODEL_METHODS = (
    Method(
        name="model",
        what="a linear model by formula, with random intercepts for groups and one random slope if asked",
        gives=(*_EFFECT, *_WHOLE, *_SPREAD, *_TOGETHER),
        uses="toolkit.mixed.mixed.fit_mixed",
        recompute=_model,
        prepare=_fit,
        after_preparing=("term", "of", "together", "df"),
        settings={
            "formula": "", "groups": (), "slope": "", "correlated": "yes", "likelihood": "REML", "df": "satterthwaite",
            "term": "", "of": "", "together": "",
        },
        choices={
            "correlated": ("yes", "no"), "likelihood": ("REML", "ML"),
            "df": ("satterthwaite", "kenward_roger", "normal"),
        },
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
        name="one_way",
        what="one-way analysis of variance",
        gives=("F", "p", "sd_residual", "r2"),
        uses="scipy.stats.f_oneway",
        recompute=_one_way,
        columns=("outcome", "group"),
    ),
    Method(
        name="one_column",
        what="mean, SD and lag-1 autocorrelation of one column in the order of the file",
        gives=("n", "mean", "sd", "lag1"),
        uses="numpy",
        recompute=_one_column,
        columns=("value",),
        settings={"variance": "n-1"},
        choices={"variance": ("n-1", "n")},
        alternatives=(("variance with n in the denominator, not n - 1", {"variance": "n"}),),
    ),
)  # fmt: skip
