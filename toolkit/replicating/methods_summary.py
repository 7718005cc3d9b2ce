"""Named methods for papers without data: what follows from the printed means, SDs, n, r and tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of
from toolkit.replicating.summary_effects import effect_from_t, group_effect_from_summary, paired_effects_from_summary
from toolkit.replicating.summary_tests import p_from_statistic

_PARTS = ("value", "ci_low", "ci_high", "se", "p")
_GROUP = ("n", "mean_before", "sd_before", "mean_after", "sd_after", "mean_change", "sd_change")


def _three_comparisons(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats import group_difference as change

    first, second = (
        change.GroupSummary(n=int(figures["n"]), **{key: float(figures[key]) for key in _GROUP[1:]})
        for figures in (settings["first"], settings["second"])
    )
    adjusted = change.baseline_adjusted_from_summary(first, second, unit="")
    estimates = {
        "follow_up": change.followup_difference(first, second, unit=""),
        "change": change.change_difference(first, second, unit=""),
        "adjusted": adjusted.difference,
    }
    parts = {f"{name}_{part}": float(getattr(one, part)) for name, one in estimates.items() for part in _PARTS}
    return {"slope": adjusted.slope, **parts}


def _pre_post_control(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """One row of the data is one study."""
    from toolkit.stats.controlled import BeforeAfter, controlled_change, controlled_change_own_sd

    place = int(settings["row"]) - 1
    if place >= len(frame):
        raise NotEnoughError(f"the data have {len(frame)} row(s), no row {place + 1}")
    study = frame.iloc[[place]]
    (r,) = numbers_of(study, settings["r"], least=1)

    def group(prefix: str) -> BeforeAfter:
        names = [f"{prefix}_{part}" for part in ("n", "mean_pre", "mean_post", "sd_pre")]
        n, before, after, sd = (float(value[0]) for value in numbers_of(study, *names, least=1))
        if n < 2 or sd <= 0:
            raise SheetError(f"{names[0]} = {n:g}, {names[3]} = {sd:g}: at least 2 people and an SD above 0 are needed")
        return BeforeAfter(n=int(n), mean_before=before, mean_after=after, sd_before=sd)

    treated, control = group(settings["treated"]), group(settings["control"])
    pooled = controlled_change(treated, control, r=float(r[0]))
    return {
        "d_ppc1": controlled_change_own_sd(treated, control),
        "d_ppc2": pooled.value,
        "variance_ppc2": float(pooled.se or 0.0) ** 2,
    }


def _p_of(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    figures = settings["test"]
    kinds = [key for key in ("t", "F", "chi2", "z", "r") if key in figures]
    kind = kinds[0] if kinds else ""
    p = p_from_statistic(kind, float(figures.get(kind, 0.0)), df=figures.get("df"), df2=figures.get("df2"))
    return {"p": p}


def _paired_effects(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    pair = settings["pair"]
    found = paired_effects_from_summary(
        mean_before=float(pair["mean_before"]),
        mean_after=float(pair["mean_after"]),
        sd_before=float(pair["sd_before"]),
        sd_after=float(pair["sd_after"]),
        r=float(pair["r"]),
        n=int(pair["n"]),
    )
    return {name: estimate.value for name, estimate in found.items()}


def _d_z_of_t(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    found = effect_from_t(float(settings["test"]["t"]), n=int(settings["test"]["n"]))
    return {"d_z": found.value, "ci_low": found.ci_low, "ci_high": found.ci_high}


def _group_effect(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    first, second = settings["first"], settings["second"]
    figures = {
        "mean_1": float(first["mean"]),
        "mean_2": float(second["mean"]),
        "sd_1": float(first["sd"]),
        "sd_2": float(second["sd"]),
    }
    n_1, n_2 = int(first["n"]), int(second["n"])
    return {
        "g_s": group_effect_from_summary(**figures, n_1=n_1, n_2=n_2, correction="hedges").value,
        "d_s": group_effect_from_summary(**figures, n_1=n_1, n_2=n_2, correction="none").value,
    }


_MODULE = "toolkit.replicating"

SUMMARY_METHODS = (
    Method(
        name="three_comparisons",
        what="two groups from printed summaries: at follow-up, by change, adjusted for baseline (first minus second)",
        gives=("slope", *(f"{name}_{part}" for name in ("follow_up", "change", "adjusted") for part in _PARTS)),
        uses="toolkit.stats.group_difference.baseline_adjusted_from_summary, "
        "toolkit.stats.group_difference.followup_difference, toolkit.stats.group_difference.change_difference",
        recompute=_three_comparisons,
        groups={"first": _GROUP, "second": _GROUP},
    ),
    Method(
        name="pre_post_control",
        what="standardised difference of two groups' changes, one study a row of the data",
        gives=("d_ppc1", "d_ppc2", "variance_ppc2"),
        uses="toolkit.stats.controlled.controlled_change, toolkit.stats.controlled.controlled_change_own_sd",
        recompute=_pre_post_control,
        columns=("r",),
        settings={"row": 1, "treated": "t", "control": "c"},
    ),
    Method(
        name="p_of_statistic",
        what="the p of a printed t, F, chi2, z or r with its degrees of freedom",
        gives=("p",),
        uses=f"{_MODULE}.summary_tests.p_from_statistic",
        recompute=_p_of,
        groups={"test": ()},
    ),
    Method(
        name="paired_effects_of_summary",
        what="d_z, d_av and d_rm from printed means, SDs, correlation and n",
        gives=("d_z", "d_av", "d_rm"),
        uses=f"{_MODULE}.summary_effects.paired_effects_from_summary",
        recompute=_paired_effects,
        groups={"pair": ("n", "mean_before", "mean_after", "sd_before", "sd_after", "r")},
    ),
    Method(
        name="d_z_of_t",
        what="d_z and its interval from a printed paired t and n",
        gives=("d_z", "ci_low", "ci_high"),
        uses=f"{_MODULE}.summary_effects.effect_from_t",
        recompute=_d_z_of_t,
        groups={"test": ("t", "n")},
    ),
    Method(
        name="group_effect_of_summary",
        what="Hedges' g_s and d_s of two groups from printed means, SDs and n",
        gives=("g_s", "d_s"),
        uses=f"{_MODULE}.summary_effects.group_effect_from_summary",
        recompute=_group_effect,
        groups={"first": ("n", "mean", "sd"), "second": ("n", "mean", "sd")},
    ),
)
