"""Named methods for several sites or trials pooled into one answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of

_COUNTS = ("treated_events", "treated_others", "control_events", "control_others", "site")


def _sites(frame: pd.DataFrame, settings: Mapping[str, Any]) -> pd.DataFrame:
    from toolkit.stats.pooling import log_risk_ratio

    counts = [settings[name] for name in _COUNTS[:4]]
    numbers_of(frame, *counts)
    return log_risk_ratio(
        frame.dropna(subset=counts),
        treated=(settings["treated_events"], settings["treated_others"]),
        control=(settings["control_events"], settings["control_others"]),
        site=settings["site"],
    )


def _pool(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    return _pooled(_sites(frame, settings), settings, log=True)


def _pooled(sites: pd.DataFrame, settings: Mapping[str, Any], *, log: bool) -> Numbers:
    from scipy import stats

    from toolkit.stats.pooling import pool_sites

    found = pool_sites(sites, unit="", method=settings["between"], interval=settings["interval"])
    pooled = found.pooled
    se = float(pooled.se or 0.0)
    numbers = {
        "estimate": pooled.value,
        "se": se,
        "z": pooled.value / (se or math.inf),
        "p": float(pooled.p)
        if pooled.p is not None
        else float(2 * stats.norm.sf(abs(pooled.value / (se or math.inf)))),
        "ci_low": pooled.ci_low,
        "ci_high": pooled.ci_high,
        "tau2": found.tau2,
        "tau": math.sqrt(found.tau2),
        "i2": found.i2,
        "h2": found.h2,
        "q": found.q,
        "q_df": found.q_df,
        "q_p": found.q_p,
        "k": float(len(sites)),
    }
    if log:
        numbers |= {
            "ratio": math.exp(pooled.value),
            "ratio_low": math.exp(pooled.ci_low),
            "ratio_high": math.exp(pooled.ci_high),
        }
    if found.prediction is not None:
        numbers |= {"prediction_low": found.prediction[0], "prediction_high": found.prediction[1]}
    return numbers


def _estimates(frame: pd.DataFrame, settings: Mapping[str, Any]) -> pd.DataFrame:
    """One row a study: its estimate and standard error, from what the data hold."""
    measure = settings["measure"]
    if measure == "estimate":
        if settings.get("estimate") and settings.get("se"):
            y, se = numbers_of(frame, settings["estimate"], settings["se"])
        elif settings.get("estimate") and settings.get("variance"):
            y, se = numbers_of(frame, settings["estimate"], settings["variance"])
            se = np.sqrt(se)
        else:
            raise SheetError('measure = "estimate" needs the columns estimate and se (or variance)')
        return pd.DataFrame({"site": [str(i + 1) for i in range(len(y))], "effect": y, "variance": se**2})
    if measure in ("mean_difference", "standardised"):
        return _of_means(frame, settings, standardised=measure == "standardised")
    return _of_counts(frame, settings)


def _of_means(frame: pd.DataFrame, settings: Mapping[str, Any], *, standardised: bool) -> pd.DataFrame:
    """Mean differences, or Hedges' g with its large-sample variance, treated minus control."""
    names = [f"{arm}_{part}" for arm in ("treated", "control") for part in ("n", "mean", "sd")]
    absent = [name for name in names if not settings.get(name)]
    if absent:
        raise SheetError(f"means need the columns {', '.join(names)}: {absent[0]} is not named")
    n_1, m_1, s_1, n_2, m_2, s_2 = numbers_of(frame, *(settings[name] for name in names))
    if not standardised:
        y, variance = m_1 - m_2, s_1**2 / n_1 + s_2**2 / n_2
    else:
        from toolkit.stats.response_mean import hedges_correction

        df = n_1 + n_2 - 2
        pooled = np.sqrt(((n_1 - 1) * s_1**2 + (n_2 - 1) * s_2**2) / df)
        y = (m_1 - m_2) / pooled * np.array([hedges_correction(one) for one in df])
        variance = 1 / n_1 + 1 / n_2 + y**2 / (2 * (n_1 + n_2))
    return pd.DataFrame({"site": [str(i + 1) for i in range(len(y))], "effect": y, "variance": variance})


def _of_counts(frame: pd.DataFrame, settings: Mapping[str, Any]) -> pd.DataFrame:
    """Log odds ratios, log risk ratios or risk differences; half a person added to every cell of a table with a 0."""
    names = ("treated_events", "treated_n", "control_events", "control_n")
    absent = [name for name in names if not settings.get(name)]
    if absent:
        raise SheetError(f"counts need the columns {', '.join(names)}: {absent[0]} is not named")
    a, n_1, c, n_2 = numbers_of(frame, *(settings[name] for name in names))
    b, d = n_1 - a, n_2 - c
    if min(a.min(), b.min(), c.min(), d.min()) < 0:
        raise SheetError("a study has more events than people: correct the counts")
    measure = settings["measure"]
    if measure == "risk_difference":
        y, variance = a / n_1 - c / n_2, a * b / n_1**3 + c * d / n_2**3
    else:
        half = 0.5 * ((a * b * c * d) == 0)
        a, b, c, d = a + half, b + half, c + half, d + half
        if measure == "odds_ratio":
            y, variance = np.log(a * d / b / c), 1 / a + 1 / b + 1 / c + 1 / d
        else:
            y = np.log(a / (a + b) / (c / (c + d)))
            variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    return pd.DataFrame({"site": [str(i + 1) for i in range(len(y))], "effect": y, "variance": variance})


def _pool_studies(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    log = settings["measure"] in ("odds_ratio", "risk_ratio") or settings["scale"] == "log"
    return _pooled(_estimates(frame, settings), settings, log=log)


def _asymmetry(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.site_patterns import funnel_asymmetry

    found = funnel_asymmetry(_estimates(frame, settings), unit="")
    se = float(found.se or math.inf)
    return {"intercept": found.value, "se": se, "t": found.value / se, "p": float(found.p or 0.0),
            "df": float(found.df or 0)}  # fmt: skip


def _moderator(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.site_patterns import site_regression

    sites = _sites(frame, settings).assign(moderator=numbers_of(frame, settings["moderator"])[0])
    found = site_regression(sites, on="moderator", unit="log risk ratio", per="unit")
    return {
        "slope": found.slope.value,
        "slope_se": float(found.slope.se or 0.0),
        "intercept": found.intercept.value,
        "tau2": found.tau2,
    }


_BETWEEN = {
    "restricted maximum likelihood": "REML",
    "DerSimonian-Laird": "DL",
    "Paule-Mandel": "PM",
    "one common effect": "FE",
}

_POOL_ALTERNATIVES = (
    *((name, {"between": short}) for name, short in _BETWEEN.items()),
    ("Hartung-Knapp interval", {"interval": "hartung_knapp"}),
    ("normal interval", {"interval": "normal"}),
)
_STUDY_COLUMNS = (
    "estimate", "se", "variance", "treated_n", "treated_mean", "treated_sd", "control_n", "control_mean", "control_sd",
    "treated_events", "control_events",
)  # fmt: skip
_STUDY_MEANING = {
    "estimate": "as a column: each study's estimate; as an output: the pooled one",
    "se": "as a column: each study's standard error; as an output: that of the pooled estimate",
    "variance": "each study's squared standard error, in place of se", "treated_n": "people treated",
    "treated_mean": "their mean", "treated_sd": "their SD", "control_n": "people not treated",
    "control_mean": "their mean",
    "control_sd": "their SD", "treated_events": "treated with the event", "control_events": "controls with the event",
    "treated_others": "treated without the event", "control_others": "controls without it", "site": "name of the site",
    "measure": '"estimate" (with se), "mean_difference", "standardised" (g), "odds_ratio", "risk_ratio", '
    '"risk_difference"',
    "scale": '"log": the estimates are logs, ratio gives them back', "ratio": "exp of the pooled estimate",
    "between": "variance between studies: REML, DL (DerSimonian-Laird), PM (Paule-Mandel), FE (none)",
    "interval": "of the pooled estimate", "k": "number of studies", "q": "Cochran's Q", "i2": "in percent",
}  # fmt: skip

SITE_METHODS = (
    Method(
        name="pooled_risk_ratio",
        what="log risk ratios of several sites pooled; one row of counts a site",
        gives=(
            "estimate", "se", "z", "p", "ci_low", "ci_high", "tau2", "tau", "i2", "h2", "q", "q_df", "q_p", "k",
            "ratio",
            "ratio_low", "ratio_high", "prediction_low", "prediction_high",
        ),
        uses="toolkit.stats.pooling.log_risk_ratio, toolkit.stats.pooling.pool_sites",
        recompute=_pool,
        columns=_COUNTS,
        settings={"between": "REML", "interval": "normal"},
        choices={"between": ("REML", "DL", "PM", "FE"), "interval": ("normal", "hartung_knapp")},
        alternatives=_POOL_ALTERNATIVES,
        meaning=_STUDY_MEANING,
        r="metafor::rma(measure = 'RR', ai = {treated_events}, bi = {treated_others}, ci = {control_events}, "
        "di = {control_others}, data = d, method = '{between}')",
    ),
    Method(
        name="moderator_of_sites",
        what="log risk ratio of sites regressed on something that differs between them",
        gives=("slope", "slope_se", "intercept", "tau2"),
        uses="toolkit.stats.pooling.log_risk_ratio, toolkit.stats.site_patterns.site_regression",
        recompute=_moderator,
        columns=(*_COUNTS, "moderator"),
        meaning={**_STUDY_MEANING, "moderator": "what differs between sites, a column of numbers"},
        r="metafor::rma(measure = 'RR', ..., mods = ~ {moderator}, data = d)",
    ),
    Method(
        name="pooled_studies",
        what="studies pooled: estimates with SE, means and SDs, or counts; fixed or random effects",
        gives=(
            "estimate", "se", "z", "p", "ci_low", "ci_high", "tau2", "tau", "i2", "h2", "q", "q_df", "q_p", "k",
            "ratio",
            "ratio_low", "ratio_high", "prediction_low", "prediction_high",
        ),
        uses="toolkit.stats.pooling.pool_sites",
        recompute=_pool_studies,
        columns=_STUDY_COLUMNS,
        optional=_STUDY_COLUMNS,
        settings={"measure": "estimate", "scale": "plain", "between": "REML", "interval": "normal"},
        choices={
            "measure": ("estimate", "mean_difference", "standardised", "odds_ratio", "risk_ratio", "risk_difference"),
            "scale": ("plain", "log"), "between": ("REML", "DL", "PM", "FE"), "interval": ("normal", "hartung_knapp"),
        },
        meaning=_STUDY_MEANING,
        r="metafor::rma(measure = 'GEN' / 'MD' / 'SMD' / 'OR' / 'RR' / 'RD', ..., method = '{between}')",
        alternatives=_POOL_ALTERNATIVES,
    ),
    Method(
        name="funnel_asymmetry",
        what="Egger's regression: do small studies find more?",
        gives=("intercept", "se", "t", "p", "df"),
        uses="toolkit.stats.site_patterns.funnel_asymmetry",
        recompute=_asymmetry,
        columns=_STUDY_COLUMNS,
        optional=_STUDY_COLUMNS,
        settings={"measure": "estimate"},
        choices={
            "measure": ("estimate", "mean_difference", "standardised", "odds_ratio", "risk_ratio", "risk_difference")
        },
        meaning={**_STUDY_MEANING, "intercept": "of the standardised estimate on the precision"},
        r="metafor::regtest(rma(...), model = 'lm')",
    ),
)  # fmt: skip
