"""Named methods for papers without data: what follows from the printed means, SDs, n, r and tests."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of
from toolkit.replicating.summary_effects import effect_from_t, group_effect_from_summary, paired_effects_from_summary
from toolkit.replicating.summary_spread import sd_from_interval, sd_from_se
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
    from toolkit.stats.group_means import BeforeAfter, controlled_change, controlled_change_own_sd

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
    """p, and what else follows from the statistic: eta squared, r, d where n is given."""
    figures = dict(settings["test"])
    if isinstance(figures.get("df"), list):
        figures["df"], figures["df2"] = (*figures["df"], None)[:2]
    kinds = [key for key in ("t", "F", "chi2", "z", "r") if key in figures]
    kind = kinds[0] if kinds else ""
    value = float(figures.get(kind, 0.0))
    df, df2 = (None if figures.get(key) is None else float(figures[key]) for key in ("df", "df2"))
    p = p_from_statistic(kind, value, df=df, df2=df2)
    numbers = {"p": p, "p_one_sided": p / 2}
    if kind == "F" and df and df2:
        numbers["eta2_partial"] = value * df / (value * df + df2)
        numbers["omega2_partial"] = df * (value - 1) / (df * (value - 1) + df + df2 + 1)
    if kind == "t" and df:
        numbers |= {"r": value / math.sqrt(value**2 + df), "eta2_partial": value**2 / (value**2 + df)}
        if {"n_first", "n_second"} <= figures.keys():
            numbers["d"] = value * math.sqrt(1 / float(figures["n_first"]) + 1 / float(figures["n_second"]))
        if "n" in figures:
            numbers["d_z"] = value / math.sqrt(float(figures["n"]))
    if kind == "chi2" and "n" in figures:
        numbers["phi"] = math.sqrt(value / float(figures["n"]))
    if kind == "z" and "n" in figures:
        numbers["r"] = value / math.sqrt(float(figures["n"]))
    return numbers


def _groups_t(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Two groups from n, mean and SD (or SE): second minus first."""
    from scipy import stats

    (n_1, m_1, s_1), (n_2, m_2, s_2) = (_group_of(settings[key], key) for key in ("first", "second"))
    equal = settings["variances"] == "equal"
    found = stats.ttest_ind_from_stats(m_2, s_2, n_2, m_1, s_1, n_1, equal_var=equal)
    df = float(getattr(found, "df", 0)) or n_1 + n_2 - 2.0
    if equal:
        df = n_1 + n_2 - 2.0
        se = math.sqrt(((n_1 - 1) * s_1**2 + (n_2 - 1) * s_2**2) / df * (1 / n_1 + 1 / n_2))
    else:
        v_1, v_2 = s_1**2 / n_1, s_2**2 / n_2
        df, se = (v_1 + v_2) ** 2 / (v_1**2 / (n_1 - 1) + v_2**2 / (n_2 - 1)), math.sqrt(v_1 + v_2)
    quantile = stats.norm.ppf if settings["quantile"] == "normal" else lambda q: stats.t.ppf(q, df)
    reach = float(quantile(0.5 + settings["confidence_level"] / 2)) * se
    difference = m_2 - m_1
    pooled = math.sqrt(((n_1 - 1) * s_1**2 + (n_2 - 1) * s_2**2) / (n_1 + n_2 - 2))
    d = difference / pooled
    return {
        "difference": difference, "se": se, "t": difference / se, "df": df,
        "p": float(2 * stats.t.sf(abs(difference / se), df)), "ci_low": difference - reach,
        "ci_high": difference + reach,
        "d": d, "g": d * (1 - 3 / (4 * (n_1 + n_2) - 9)), "sd_pooled": pooled,
        "F_variances": max(s_1, s_2) ** 2 / min(s_1, s_2) ** 2,
    }  # fmt: skip


def _group_of(figures: Mapping[str, Any], key: str) -> tuple[float, float, float]:
    """n, mean and SD of a group; the SD from a standard error or an interval where that is what is printed."""
    n, mean = float(figures["n"]), float(figures["mean"])
    if "sd" in figures:
        sd = float(figures["sd"])
    elif "se" in figures:
        sd = sd_from_se(float(figures["se"]), n=int(n))
    elif {"ci_low", "ci_high"} <= figures.keys():
        sd = sd_from_interval(float(figures["ci_low"]), float(figures["ci_high"]), n=int(n))
    else:
        raise SheetError(f"{key} needs sd (or se, or ci_low and ci_high)")
    if n < 2 or sd <= 0:
        raise NotEnoughError(f"{key}: n = {n:g}, SD = {sd:g}: at least 2 people and an SD above 0 are needed")
    return n, mean, sd


def _one_group(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """SE, SD, interval and t of one printed mean (of a change, say)."""
    from scipy import stats

    n, mean, sd = _group_of(settings["group"], "group")
    se = sd / math.sqrt(n)
    quantile = stats.norm.ppf if settings["quantile"] == "normal" else lambda q: stats.t.ppf(q, n - 1)
    reach = float(quantile(0.5 + settings["confidence_level"] / 2)) * se
    return {
        "sd": sd, "se": se, "ci_low": mean - reach, "ci_high": mean + reach, "t": mean / se, "df": n - 1,
        "p": float(2 * stats.t.sf(abs(mean / se), n - 1)), "d_z": mean / sd,
        "cv": 100 * sd / mean if mean else math.nan,
    }  # fmt: skip


def _anova_of(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """One-way analysis of variance from lists of n, mean and SD."""
    from scipy import stats

    part = settings["groups"]
    lists = [part[key] if isinstance(part[key], list) else [part[key]] for key in ("n", "mean", "sd")]
    n, mean, sd = (np.array(values, dtype=float) for values in lists)
    if not len(n) == len(mean) == len(sd) >= 2 or n.min() < 2 or sd.min() < 0:
        raise SheetError('groups needs lists of one length: n = [12, 12, 11], mean = ["5.1", …], sd = ["1.2", …]')
    grand, k, total = float((n * mean).sum() / n.sum()), len(n), float(n.sum())
    between, within = float((n * (mean - grand) ** 2).sum()), float(((n - 1) * sd**2).sum())
    f = between / (k - 1) / (within / (total - k))
    return {
        "F": f, "df": k - 1, "df2": total - k, "p": float(stats.f.sf(f, k - 1, total - k)),
        "ms_within": within / (total - k),
        "sd_residual": math.sqrt(within / (total - k)), "eta2": between / (between + within), "mean": grand,
    }  # fmt: skip


def _change_of(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """What three SDs, or two and a correlation, say of a change."""
    from scipy import stats

    part = settings["pair"]
    n, s_1, s_2 = (float(part[key]) for key in ("n", "sd_before", "sd_after"))
    if min(s_1, s_2) <= 0 or n < 2:
        raise SheetError("a change needs n of at least 2 and SDs above 0")
    if "sd_change" in part:
        sd, r = float(part["sd_change"]), (s_1**2 + s_2**2 - float(part["sd_change"]) ** 2) / (2 * s_1 * s_2)
    elif "r" in part and -1 < float(part["r"]) < 1:
        r = float(part["r"])
        sd = math.sqrt(s_1**2 + s_2**2 - 2 * r * s_1 * s_2)
    else:
        raise SheetError("a change needs sd_change, or r between -1 and 1")
    numbers = {"r": r, "sd_change": sd, "se": sd / math.sqrt(n)}
    if "mean_change" in part or {"mean_before", "mean_after"} <= part.keys():
        mean = float(part.get("mean_change", float(part.get("mean_after", 0)) - float(part.get("mean_before", 0))))
        reach = float(stats.t.ppf(0.975, n - 1)) * sd / math.sqrt(n)
        t = mean / (sd / math.sqrt(n))
        numbers |= {
            "mean_change": mean, "t": t, "df": n - 1, "p": float(2 * stats.t.sf(abs(t), n - 1)), "ci_low": mean - reach,
            "ci_high": mean + reach, "d_z": mean / sd, "d_av": mean / ((s_1 + s_2) / 2), "over_baseline_sd": mean / s_1,
            "d_rm": mean / sd * math.sqrt(2 * (1 - r)),
        }  # fmt: skip
    return numbers


def _adjusted_p(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """One of several p values after correction, by its place."""
    from toolkit.multiplicity import adjusted_p

    if settings["tests"]:
        listed = settings["tests"].get("p", [])
        values = [float(one) for one in (listed if isinstance(listed, list) else [listed])]
    elif settings.get("p"):
        values = [float(one) for one in numbers_of(frame, settings["p"], least=1)[0]]
    else:
        raise SheetError('adjusted_p needs the column p, or the list: tests = {p = ["0.01", "0.04"]}')
    place = int(settings["nth"])
    if not 1 <= place <= len(values):
        raise SheetError(f"nth = {place}: there are {len(values)} p values")
    rows = adjusted_p(values, method=settings["adjustment"], alpha=settings["alpha"])
    column = next(name for name in rows.columns if name.startswith(("adjusted", "p_adjusted")))
    return {
        "p_adjusted": float(rows[column].iloc[place - 1]),
        "rejected": float(rows["rejected"].sum()),
        "n": len(values),
    }


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
        r="lm(after ~ before + group)",
        meaning={
            "first": "n, mean_before, sd_before, mean_after, sd_after, mean_change, sd_change",
            "second": "the same of the group that is subtracted", "slope": "of after on before",
        },
        what="two groups from printed summaries: at follow-up, by change, adjusted for baseline (first minus second)",
        gives=("slope", *(f"{name}_{part}" for name in ("follow_up", "change", "adjusted") for part in _PARTS)),
        uses="toolkit.stats.group_difference.baseline_adjusted_from_summary, "
        "toolkit.stats.group_difference.followup_difference, toolkit.stats.group_difference.change_difference",
        recompute=_three_comparisons,
        groups={"first": _GROUP, "second": _GROUP},
    ),
    Method(
        name="pre_post_control",
        r="metafor::escalc(measure = 'SMCR', ...) per group",
        meaning={
            "r": "column of the before/after correlation", "row": "which study", "treated": "how the treated "
            "columns begin",
            "control": "how the control columns begin (c_n, c_mean_pre, c_mean_post, c_sd_pre)",
        },
        what="standardised difference of two groups' changes, one study a row of the data",
        gives=("d_ppc1", "d_ppc2", "variance_ppc2"),
        uses="toolkit.stats.group_means.controlled_change, toolkit.stats.group_means.controlled_change_own_sd",
        recompute=_pre_post_control,
        columns=("r",),
        settings={"row": 1, "treated": "t", "control": "c"},
    ),
    Method(
        name="p_of_statistic",
        what="the p of a printed t, F, chi2, z or r with its df, and the effect sizes that follow from it",
        gives=("p", "p_one_sided", "eta2_partial", "omega2_partial", "r", "d", "d_z", "phi"),
        meaning={
            "test": "one of t, F, chi2, z, r; df (and df2 for F, or df = [2, 40]); n, n_first, n_second for d",
            "r": "t / sqrt(t² + df), or z / sqrt(n)", "d": "t sqrt(1/n_first + 1/n_second)", "d_z": "t / sqrt(n)",
        },
        r="2 * pt(-abs(t), df); pf(F, df, df2, lower.tail = FALSE); pchisq(chi2, df, lower.tail = FALSE)",
        uses=f"{_MODULE}.summary_tests.p_from_statistic",
        recompute=_p_of,
        groups={"test": ()},
    ),
    Method(
        name="paired_effects_of_summary",
        r="effectsize / Lakens (2013)",
        meaning={"pair": "n, means, SDs, r"},
        what="d_z, d_av and d_rm from printed means, SDs, correlation and n",
        gives=("d_z", "d_av", "d_rm"),
        uses=f"{_MODULE}.summary_effects.paired_effects_from_summary",
        recompute=_paired_effects,
        groups={"pair": ("n", "mean_before", "mean_after", "sd_before", "sd_after", "r")},
    ),
    Method(
        name="d_z_of_t",
        r="t / sqrt(n); effectsize::t_to_d(t, n - 1, paired = TRUE)",
        meaning={"test": "t and n"},
        what="d_z and its interval from a printed paired t and n",
        gives=("d_z", "ci_low", "ci_high"),
        uses=f"{_MODULE}.summary_effects.effect_from_t",
        recompute=_d_z_of_t,
        groups={"test": ("t", "n")},
    ),
    Method(
        name="group_effect_of_summary",
        r="esc::esc_mean_sd(...)",
        meaning={"first": "n, mean, sd of one group", "second": "of the other, which is subtracted"},
        what="Hedges' g_s and d_s of two groups from printed means, SDs and n",
        gives=("g_s", "d_s"),
        uses=f"{_MODULE}.summary_effects.group_effect_from_summary",
        recompute=_group_effect,
        groups={"first": ("n", "mean", "sd"), "second": ("n", "mean", "sd")},
    ),
    Method(
        name="two_groups_of_summary",
        what="two groups from printed n, mean and SD (or SE, or interval), second minus first: t, p, interval, d, g",
        gives=(
            "difference", "se", "t", "df", "p", "ci_low", "ci_high", "d", "g", "sd_pooled", "F_variances",
        ),
        uses="scipy.stats.ttest_ind_from_stats",
        recompute=_groups_t,
        settings={"variances": "equal", "quantile": "t", "confidence_level": 0.95},
        choices={"variances": ("equal", "unequal"), "quantile": ("t", "normal")},
        groups={"first": ("n", "mean"), "second": ("n", "mean")},
        meaning={
            "first": "n, mean, and sd (or se, or ci_low and ci_high) of the group that is subtracted",
            "second": "of the other group", "variances": '"equal" = Student, "unequal" = Welch',
            "F_variances": "larger over smaller variance",
        },
        r="BSDA::tsum.test({second_mean}, {second_sd}, {second_n}, {first_mean}, {first_sd}, {first_n}, "
        "var.equal = TRUE)",
        alternatives=(
            ("Welch's t, unequal variances", {"variances": "unequal"}),
            ("Student's t, equal variances", {"variances": "equal"}),
            ("normal quantile instead of t", {"quantile": "normal"}),
        ),
    ),
    Method(
        name="one_group_of_summary",
        what="one printed mean (of readings or of changes): SD, SE, interval, t against 0",
        gives=("sd", "se", "ci_low", "ci_high", "t", "df", "p", "d_z", "cv"),
        uses="toolkit.replicating.summary_spread.sd_from_se, toolkit.replicating.summary_spread.sd_from_interval",
        recompute=_one_group,
        settings={"quantile": "t", "confidence_level": 0.95},
        choices={"quantile": ("t", "normal")},
        groups={"group": ("n", "mean")},
        meaning={"group": "n, mean, and sd (or se, or ci_low and ci_high)"},
        r="mean + c(-1, 1) * qt(.975, n - 1) * sd / sqrt(n)",
        alternatives=(("normal quantile instead of t", {"quantile": "normal"}),),
    ),
    Method(
        name="one_way_of_summary",
        what="one-way analysis of variance from printed n, means and SDs of the groups",
        gives=("F", "df", "df2", "p", "ms_within", "sd_residual", "eta2", "mean"),
        uses="scipy.stats.f",
        recompute=_anova_of,
        groups={"groups": ("n", "mean", "sd")},
        meaning={"groups": "n, mean and sd as lists of one length", "mean": "of everybody"},
        r="rpsychi::ind.oneway.second(m = mean, sd = sd, n = n)",
    ),
    Method(
        name="change_of_summary",
        what="a before/after change from printed SDs and the SD of the change (or the correlation), and means",
        gives=(
            "r", "sd_change", "se", "mean_change", "t", "df", "p", "ci_low", "ci_high", "d_z", "d_av", "d_rm",
            "over_baseline_sd",
        ),
        uses="scipy.stats.t",
        recompute=_change_of,
        groups={"pair": ("n", "sd_before", "sd_after")},
        meaning={
            "pair": "n, sd_before, sd_after, and sd_change or r; mean_change, or mean_before and mean_after",
            "r": "before/after correlation that the SDs imply",
        },
        r="sd_change <- sqrt(s1^2 + s2^2 - 2 * r * s1 * s2)",
    ),
    Method(
        name="adjusted_p",
        what="p values corrected for several tests: Holm, Hochberg, Bonferroni, Benjamini-Hochberg or -Yekutieli",
        gives=("p_adjusted", "rejected", "n"),
        uses="toolkit.multiplicity.adjusted_p",
        recompute=_adjusted_p,
        columns=("p",),
        optional=("p", "tests"),
        settings={"adjustment": "holm", "nth": 1, "alpha": 0.05},
        choices={"adjustment": ("holm", "hochberg", "bonferroni", "bh", "by")},
        groups={"tests": ("p",)},
        meaning={
            "p": "the column of p values", "tests": "or p as a list", "nth": "which of them, counted from 1",
            "rejected": "how many are at most alpha after correction",
        },
        r="p.adjust(p, '{adjustment}')",
        alternatives=(
            ("Holm", {"adjustment": "holm"}), ("Bonferroni", {"adjustment": "bonferroni"}),
            ("Benjamini-Hochberg", {"adjustment": "bh"}),
        ),
    ),
)  # fmt: skip
