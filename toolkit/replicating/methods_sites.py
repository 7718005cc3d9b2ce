"""Named methods for several sites or trials pooled into one answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

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
    from toolkit.stats.pooling import pool_sites

    found = pool_sites(
        _sites(frame, settings), unit="log risk ratio", method=settings["between"], interval=settings["interval"]
    )
    pooled = found.pooled
    numbers = {
        "estimate": pooled.value,
        "se": float(pooled.se or 0.0),
        "z": pooled.value / float(pooled.se or math.inf),
        "ci_low": pooled.ci_low,
        "ci_high": pooled.ci_high,
        "tau2": found.tau2,
        "i2": found.i2,
        "h2": found.h2,
        "q": found.q,
        "q_df": found.q_df,
        "ratio": math.exp(pooled.value),
        "ratio_low": math.exp(pooled.ci_low),
        "ratio_high": math.exp(pooled.ci_high),
    }
    if found.prediction is not None:
        numbers |= {"prediction_low": found.prediction[0], "prediction_high": found.prediction[1]}
    return numbers


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

SITE_METHODS = (
    Method(
        name="pooled_risk_ratio",
        what="log risk ratios of several sites pooled; one row of counts a site",
        gives=(
            "estimate", "se", "z", "ci_low", "ci_high", "tau2", "i2", "h2", "q", "q_df", "ratio", "ratio_low",
            "ratio_high", "prediction_low", "prediction_high",
        ),
        uses="toolkit.stats.pooling.log_risk_ratio, toolkit.stats.pooling.pool_sites",
        recompute=_pool,
        columns=_COUNTS,
        settings={"between": "REML", "interval": "normal"},
        choices={"between": ("REML", "DL", "PM", "FE"), "interval": ("normal", "hartung_knapp")},
        alternatives=(
            *((name, {"between": short}) for name, short in _BETWEEN.items()),
            ("Hartung-Knapp interval", {"interval": "hartung_knapp"}),
            ("normal interval", {"interval": "normal"}),
        ),
    ),
    Method(
        name="moderator_of_sites",
        what="log risk ratio of sites regressed on something that differs between them",
        gives=("slope", "slope_se", "intercept", "tau2"),
        uses="toolkit.stats.pooling.log_risk_ratio, toolkit.stats.site_patterns.site_regression",
        recompute=_moderator,
        columns=(*_COUNTS, "moderator"),
    ),
)  # fmt: skip
