"""Named methods for planning and for what selection and looking again do: sizes, looks, regression to the mean."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating.method import Method, Numbers


def _planned(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """People needed, or power, of a t test."""
    from statsmodels.stats.power import TTestIndPower, TTestPower

    design, d = settings["design"], abs(float(settings["d"]))
    make = TTestPower() if design == "paired" else TTestIndPower()
    sides = "two-sided" if settings["alternative"] == "two-sided" else "larger"
    size = {"effect_size": d, "alpha": settings["alpha"], "alternative": sides}
    exact = float(np.ravel(make.solve_power(power=settings["power"], **size))[0])
    numbers: Numbers = {"n": math.ceil(exact - 1e-9), "n_exact": exact}
    if settings["n"]:
        key = "nobs" if design == "paired" else "nobs1"
        numbers["power"] = float(make.power(**{key: float(settings["n"]), **size}))
    return numbers


def _looks(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """The boundary at one of several equally spaced looks."""
    from scipy import stats

    from toolkit.explanations.chance import fixed_shape_bounds, obrien_fleming_spending, spending_bounds

    planned, look, alpha = int(settings["planned"]), int(settings["look"]), float(settings["alpha"])
    if not 1 <= look <= planned <= 30:
        raise SheetError(f"look {look} of {planned}: looks are counted from 1 to at most 30")
    if settings["shape"] == "spending":
        bounds = spending_bounds([(k + 1) / planned for k in range(planned)], alpha=alpha / 2)
    else:
        power = {"pocock": 0.5, "obrien_fleming": 0.0}[settings["shape"]]
        bounds = fixed_shape_bounds(planned, alpha=alpha / 2, power=power)
    z = bounds[look - 1]
    return {
        "z": z, "p": float(2 * stats.norm.sf(z)), "last_z": bounds[-1],
        "spent": obrien_fleming_spending(look / planned, alpha=alpha),
    }  # fmt: skip


def _regression(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """How far people selected beyond a cut-off drift towards the mean when read again."""
    from toolkit.explanations.regression_to_the_mean import expected_regression

    part = settings["selection"]
    sd, r = float(part["sd"]), float(part["r"])
    if sd <= 0 or not 0 <= r <= 1:
        raise SheetError("an SD lies above 0, a correlation of two readings from 0 to 1: correct the figures")
    drift = expected_regression(
        float(part["cutoff"]), mean=float(part["mean"]), between_variance=r * sd**2, within_variance=(1 - r) * sd**2,
        n_baselines=int(settings["n_baselines"]),
    )  # fmt: skip
    return {"drift": drift}


def _design(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """What clustering costs."""
    from toolkit.stats.clients import design_effect

    part = settings["clusters"]
    effect = design_effect(rows_per_client=float(part["size"]), icc=float(part["icc"]))
    numbers: Numbers = {"design_effect": effect}
    if "n" in part:
        numbers |= {"n_effective": float(part["n"]) / effect, "n_needed": math.ceil(float(part["n"]) * effect - 1e-9)}
    return numbers


PLANNING_METHODS = (
    Method(
        name="sample_size",
        what="people needed (a group) for a t test, or its power with n",
        gives=("n", "n_exact", "power"),
        uses="statsmodels.stats.power.TTestPower, statsmodels.stats.power.TTestIndPower",
        recompute=_planned,
        groups={"plan": ()},
        optional=("plan",),
        settings={"design": "paired", "d": 0.5, "power": 0.8, "alpha": 0.05, "alternative": "two-sided", "n": 0},
        choices={"design": ("paired", "groups"), "alternative": ("two-sided", "one-sided")},
        meaning={
            "d": "d_z of a change, or d of two groups",
            "n": "as a setting: people (a group) for whom the power is wanted; as an output: people needed",
            "plan": "not needed",
            "n_exact": "before rounding up",
        },
        r="power.t.test(delta = {d}, sd = 1, power = {power}, type = 'paired')",
        alternatives=(("one-sided test", {"alternative": "one-sided"}),),
    ),
    Method(
        name="interim_looks",
        what="the boundary at one of several equally spaced looks: Pocock, O'Brien-Fleming, or its spending function",
        gives=("z", "p", "last_z", "spent"),
        uses="toolkit.explanations.chance.spending_bounds, toolkit.explanations.chance.fixed_shape_bounds, "
        "toolkit.explanations.chance.obrien_fleming_spending",
        recompute=_looks,
        groups={"plan": ()},
        optional=("plan",),
        settings={"shape": "spending", "planned": 2, "look": 1, "alpha": 0.05},
        choices={"shape": ("spending", "pocock", "obrien_fleming")},
        meaning={
            "shape": '"spending" = Lan-DeMets, O\'Brien-Fleming type (alpha/2 a side)', "planned": "looks planned",
            "look": "which look", "alpha": "of both sides together", "z": "boundary at this look",
            "last_z": "at the last look",
            "p": "two-sided p at the boundary", "spent": "error spent by then, two-sided form of the spending function",
            "plan": "not needed",
        },
        r="rpact::getDesignGroupSequential(kMax = {planned}, alpha = {alpha} / 2, typeOfDesign = 'asOF' / 'P' / 'OF')",
        alternatives=(
            ("Pocock", {"shape": "pocock"}), ("O'Brien-Fleming", {"shape": "obrien_fleming"}),
            ("spending function", {"shape": "spending"}),
        ),
    ),
    Method(
        name="regression_to_the_mean",
        what="expected drift of people selected beyond a cut-off, from mean, SD and correlation of two readings",
        gives=("drift",),
        uses="toolkit.explanations.regression_to_the_mean.expected_regression",
        recompute=_regression,
        groups={"selection": ("mean", "sd", "r", "cutoff")},
        settings={"n_baselines": 1},
        meaning={
            "selection": "mean and sd of everybody, r of two readings of a person, cutoff beyond which they were taken",
            "n_baselines": "readings averaged before selecting", "drift": "towards the mean, in the readings' unit",
        },
        r="(1 - r) * sd * dnorm(z) / pnorm(-z), z = (cutoff - mean) / sd (Barnett et al. 2005)",
    ),
    Method(
        name="design_effect",
        what="what it costs that readings come in clusters (several of a client)",
        gives=("design_effect", "n_effective", "n_needed"),
        uses="toolkit.stats.clients.design_effect",
        recompute=_design,
        groups={"clusters": ("size", "icc")},
        meaning={
            "clusters": "size (readings a client), icc; n for effective and needed numbers",
            "design_effect": "1 + (size - 1) icc", "n_effective": "n / design effect", "n_needed": "n x design effect",
        },
        r="1 + (size - 1) * icc",
    ),
)  # fmt: skip
