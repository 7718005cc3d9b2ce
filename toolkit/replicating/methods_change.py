"""Named methods for a before/after comparison of the same people: paired tests and standardised changes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of

Array = npt.NDArray[np.float64]
_TWO_COLUMNS = ("before", "after")
_STANDARDISED = ("d_z", "g_z", "d_av", "g_av", "d_rm", "over_baseline_sd")
_ALTERNATIVE = {"alternative": "two-sided"}
_SIDES = {"alternative": ("two-sided", "greater", "less")}
_VARIANCES = {"variance": ("n-1", "n")}


def _pairs(frame: pd.DataFrame, settings: Mapping[str, Any]) -> tuple[Array, Array]:
    """The complete pairs, before and after."""
    before, after = numbers_of(frame, settings["before"], settings["after"])
    return before, after


def _paired_t(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    from toolkit.stats.centre import mean_change
    from toolkit.stats.paired_tests import paired_t

    before, after = _pairs(frame, settings)
    differences = after - before
    n = len(differences)
    mean = mean_change(differences, unit="", confidence_level=settings["confidence_level"])
    test = paired_t(differences, alternative=settings["alternative"])
    shrink = math.sqrt((n - 1) / n) if settings["variance"] == "n" else 1.0
    t, df = test.statistic / shrink, n - 1 if settings["variance"] == "n-1" else n
    half = (mean.ci_high - mean.value) * shrink
    if settings["quantile"] == "normal":
        half *= float(stats.norm.ppf(0.975) / stats.t.ppf(0.975, n - 1))
    return {
        "n": n,
        "mean": mean.value,
        "sd": float(np.std(differences, ddof=1)) * shrink,
        "se": float(mean.se or 0.0) * shrink,
        "t": t,
        "df": df,
        "p": test.p if settings["variance"] == "n-1" else float(2 * stats.t.sf(abs(t), df)),
        "ci_low": mean.value - half,
        "ci_high": mean.value + half,
    }


def _wilcoxon(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.paired_tests import wilcoxon_exact, wilcoxon_normal

    before, after = _pairs(frame, settings)
    if settings["p_from"] == "exact":
        test = wilcoxon_exact(after - before, alternative=settings["alternative"])
    else:
        continuity = 0.5 if settings["continuity"] == "corrected" else 0.0
        test = wilcoxon_normal(after - before, alternative=settings["alternative"], continuity=continuity)
    change = np.round(after - before, 10)
    ranks = pd.Series(np.abs(change[change != 0])).rank().to_numpy()
    m, total = len(ranks), float(ranks.sum())
    ties = np.unique(ranks, return_counts=True)[1]
    spread = math.sqrt(m * (m + 1) * (2 * m + 1) / 24 - float((ties**3 - ties).sum()) / 48)
    half = 0.5 * np.sign(test.statistic - total / 2) if settings["continuity"] == "corrected" else 0.0
    z = float((test.statistic - total / 2 - half) / spread)
    return {
        "V": test.statistic, "V_other": total - test.statistic, "T": min(test.statistic, total - test.statistic),
        "z": z, "p": test.p, "n": len(change), "n_used": m, "r": abs(z) / math.sqrt(len(change)),
    }  # fmt: skip


def _sign_flip(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.paired_tests import sign_flip_test

    before, after = _pairs(frame, settings)
    test = sign_flip_test(after - before, rng=20250101)
    return {"p": test.p if settings["alternative"] == "two-sided" else test.p / 2, "n": test.n}


def _standardised(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats import standardised as change
    from toolkit.stats.response_mean import dz_change, gz_change

    before, after = _pairs(frame, settings)
    readings, level = change.two_readings(before, after), {"confidence_level": settings["confidence_level"]}
    d_av = {"mean": change.dav_change, "root mean square": change.dav_rms_change}[settings["sd"]]
    found = {
        "d_z": dz_change(after - before, **level),
        "g_z": gz_change(after - before, **level),
        "d_av": d_av(readings, **level),
        "g_av": change.gav_change(readings, **level),
        "d_rm": change.drm_change(readings, **level),
        "over_baseline_sd": change.baseline_sd_change(readings, **level),
    }
    numbers: Numbers = {}
    for name, one in found.items():
        numbers |= {name: one.value, f"{name}_low": one.ci_low, f"{name}_high": one.ci_high}
    return numbers


def _sign(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.paired_tests import sign_test

    before, after = _pairs(frame, settings)
    change = after - before
    test = sign_test(change, alternative=settings["alternative"])
    return {
        "p": test.p, "n": test.n, "n_up": int((change > 0).sum()), "n_down": int((change < 0).sum()),
        "n_same": int((change == 0).sum()),
    }  # fmt: skip


def _centre(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats import centre
    from toolkit.stats.beyond_error import matched_rank_biserial, probability_of_improvement

    before, after = _pairs(frame, settings)
    level, change = settings["confidence_level"], after - before
    numbers: Numbers = {"n": len(change)}
    makers: dict[str, Any] = {
        "median": lambda: centre.median_change(change, unit="", confidence_level=level),
        "trimmed": lambda: centre.trimmed_mean_change(
            change, unit="", trim=float(settings["trim"]), confidence_level=level
        ),
        "shift": lambda: centre.hodges_lehmann_change(change, unit="", confidence_level=level),
        "probability": lambda: probability_of_improvement(change, confidence_level=level),
        "rank_biserial": lambda: matched_rank_biserial(change, confidence_level=level),
    }
    for name, make in makers.items():
        try:
            found = make()
        except NotEnoughError:
            continue
        numbers |= {name: found.value, f"{name}_low": found.ci_low, f"{name}_high": found.ci_high}
    return numbers


def _shape(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.spread import shapiro_wilk

    if settings["value"]:
        (values,) = numbers_of(frame, settings["value"], least=3)
    elif settings["before"] and settings["after"]:
        before, after = _pairs(frame, settings)
        values = after - before
    else:
        raise SheetError("shapiro_wilk needs the column value, or before and after for their difference")
    test = shapiro_wilk(values)
    return {"W": test.statistic, "p": test.p, "n": test.n}


def _spread(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.spread import pitman_morgan, sd_of_change

    before, after = _pairs(frame, settings)
    test = pitman_morgan(before, after)
    change = sd_of_change(after - before, level=settings["confidence_level"])
    return {
        "t": test.statistic, "df": float(test.df or 0), "p": test.p, "n": test.n,
        "F": float(after.var(ddof=1) / before.var(ddof=1)), "ratio_sd": float(after.std(ddof=1) / before.std(ddof=1)),
        "sd_change": change.value, "sd_change_low": change.ci_low, "sd_change_high": change.ci_high,
        "r_sum_difference": float(np.corrcoef(before + after, after - before)[0, 1]),
    }  # fmt: skip


def _summaries(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    before, after = _pairs(frame, settings)
    ddof = 0 if settings["variance"] == "n" else 1
    change, share = after - before, 1.96
    return {
        "sd_change": float(change.std(ddof=ddof)),
        "median_before": float(np.median(before)),
        "median_after": float(np.median(after)),
        "mean_change": float(change.mean()),
        "se_change": float(change.std(ddof=1) / np.sqrt(len(change))),
        "percent_change": 100 * float(change.mean() / before.mean()) if before.mean() else math.nan,
        "normal_range_low": float(change.mean() - share * change.std(ddof=1)),
        "normal_range_high": float(change.mean() + share * change.std(ddof=1)),
        "n": len(before),
        "mean_before": float(before.mean()),
        "mean_after": float(after.mean()),
        "sd_before": float(before.std(ddof=ddof)),
        "sd_after": float(after.std(ddof=ddof)),
        "r": float(np.corrcoef(before, after)[0, 1]),
    }


_OTHER_VARIANCE = ("variance with n in the denominator, not n - 1", {"variance": "n"})
_ONE_SIDED = (
    ("one-sided test, after above before", {"alternative": "greater"}),
    ("one-sided test, after below before", {"alternative": "less"}),
)

CHANGE_METHODS = (
    Method(
        name="paired_t",
        r="t.test(d${after}, d${before}, paired = TRUE)",
        what="mean of the paired differences (after minus before), its t interval and paired t test",
        gives=("n", "mean", "sd", "se", "t", "df", "p", "ci_low", "ci_high"),
        uses="toolkit.stats.centre.mean_change, toolkit.stats.paired_tests.paired_t",
        recompute=_paired_t,
        columns=_TWO_COLUMNS,
        settings={**_ALTERNATIVE, "confidence_level": 0.95, "variance": "n-1", "quantile": "t"},
        choices={**_SIDES, **_VARIANCES, "quantile": ("t", "normal")},
        alternatives=(
            _OTHER_VARIANCE,
            ("normal quantile instead of t", {"quantile": "normal"}),
            ("a 90 % interval", {"confidence_level": 0.9}),
            ("a 99 % interval", {"confidence_level": 0.99}),
            *_ONE_SIDED,
        ),
    ),
    Method(
        name="wilcoxon",
        r="wilcox.test(d${after}, d${before}, paired = TRUE)",
        what="Wilcoxon signed-rank test of the paired differences (after minus before); V sums the positive ranks",
        gives=("V", "V_other", "T", "z", "p", "n", "n_used", "r"),
        turned={"V": "V_other", "V_other": "V"},
        meaning={
            "V": "sum of the ranks of the rises (R's V when after is written first)", "V_other": "of the falls",
            "T": "the smaller of the two", "n_used": "differences that are not 0", "r": "|z| / sqrt(n)",
            "p_from": "the exact p, or the normal approximation",
        },
        uses="toolkit.stats.paired_tests.wilcoxon_exact, toolkit.stats.paired_tests.wilcoxon_normal",
        recompute=_wilcoxon,
        columns=_TWO_COLUMNS,
        settings={**_ALTERNATIVE, "p_from": "exact", "continuity": "corrected"},
        choices={**_SIDES, "p_from": ("exact", "normal"), "continuity": ("corrected", "none")},
        alternatives=(
            ("exact p", {"p_from": "exact"}),
            ("normal approximation with continuity correction", {"p_from": "normal", "continuity": "corrected"}),
            ("normal approximation without continuity correction", {"p_from": "normal", "continuity": "none"}),
            *_ONE_SIDED,
        ),
    ),
    Method(
        name="sign_flip",
        r="coin::oneway_test / all sign flips of d${after} - d${before}",
        what="permutation test: every pattern of signs of the paired differences",
        gives=("p", "n"),
        uses="toolkit.stats.paired_tests.sign_flip_test",
        recompute=_sign_flip,
        columns=_TWO_COLUMNS,
        settings=_ALTERNATIVE,
        choices=_SIDES,
        alternatives=(("one-sided", {"alternative": "greater"}),),
    ),
    Method(
        name="standardised_change",
        r="effectsize::repeated_measures_d / hedges_g(d${after}, d${before}, paired = TRUE)",
        what="the change in units of a standard deviation (after minus before): d_z, d_av, d_rm, g_av, g_z",
        gives=tuple(f"{name}{end}" for name in _STANDARDISED for end in ("", "_low", "_high")),
        uses="toolkit.stats.response_mean.dz_change, toolkit.stats.standardised.dav_change, "
        "toolkit.stats.standardised.gav_change, toolkit.stats.standardised.drm_change",
        recompute=_standardised,
        columns=_TWO_COLUMNS,
        settings={"sd": "mean", "confidence_level": 0.95},
        meaning={"sd": "d_av over the mean of the two SDs, or their root mean square"},
        choices={"sd": ("mean", "root mean square")},
        alternatives=(("root mean square of the two SDs", {"sd": "root mean square"}),),
    ),
    Method(
        name="two_columns",
        r="sapply(d[c('{before}', '{after}')], sd); cor(d${before}, d${after})",
        what="means, SDs and the correlation of two columns of readings of the same people",
        gives=(
            "n", "mean_before", "mean_after", "sd_before", "sd_after", "r", "mean_change", "sd_change", "se_change",
            "median_before", "median_after", "percent_change", "normal_range_low", "normal_range_high",
        ),
        meaning={
            "r": "correlation of the two readings", "percent_change": "mean change in percent of the mean before",
            "normal_range_low": "mean change - 1.96 SD of the changes", "normal_range_high": "mean change + 1.96 SD",
        },
        uses="numpy",
        recompute=_summaries,
        columns=_TWO_COLUMNS,
        settings={"variance": "n-1"},
        choices=_VARIANCES,
        alternatives=(_OTHER_VARIANCE,),
    ),
    Method(
        name="sign_test",
        what="sign test of the paired differences (after minus before); ties left out",
        gives=("p", "n", "n_up", "n_down", "n_same"),
        uses="toolkit.stats.paired_tests.sign_test",
        recompute=_sign,
        columns=_TWO_COLUMNS,
        settings=_ALTERNATIVE,
        choices=_SIDES,
        turned={"n_up": "n_down", "n_down": "n_up"},
        meaning={"n_up": "people who rose", "n_down": "people who fell", "n_same": "people who stayed the same"},
        r="binom.test(sum(d${after} > d${before}), sum(d${after} != d${before}))",
        alternatives=_ONE_SIDED,
    ),
    Method(
        name="typical_change",
        what="typical change without the mean: median, trimmed mean, Hodges-Lehmann shift, chance of improvement",
        gives=(
            "n", *(f"{name}{end}" for name in ("median", "trimmed", "shift", "probability", "rank_biserial")
                   for end in ("", "_low", "_high")),
        ),
        uses="toolkit.stats.centre.median_change, toolkit.stats.centre.trimmed_mean_change, "
        "toolkit.stats.centre.hodges_lehmann_change, toolkit.stats.beyond_error.probability_of_improvement, "
        "toolkit.stats.beyond_error.matched_rank_biserial",
        recompute=_centre,
        columns=_TWO_COLUMNS,
        settings={"trim": 0.2, "confidence_level": 0.95},
        meaning={
            "shift": "pseudomedian of the changes (Hodges-Lehmann)", "trim": "share cut off at each end",
            "probability": "chance that a person rises, ties half", "rank_biserial": "matched-pairs "
            "rank-biserial correlation",
        },
        r="wilcox.test(d${after}, d${before}, paired = TRUE, conf.int = TRUE); effectsize::rank_biserial(...)",
        alternatives=(("a tenth trimmed", {"trim": 0.1}),),
    ),
    Method(
        name="shapiro_wilk",
        what="Shapiro-Wilk test of normality of one column, or of the differences of two",
        gives=("W", "p", "n"),
        uses="toolkit.stats.spread.shapiro_wilk",
        recompute=_shape,
        columns=("value", *_TWO_COLUMNS),
        optional=("value", *_TWO_COLUMNS),
        meaning={
            "value": "one column; leave it out to test after minus before", "W": "W of the test, 1 = as normal "
            "as can be",
        },
        r="shapiro.test(d${value}); shapiro.test(d${after} - d${before})",
    ),
    Method(
        name="pitman_morgan",
        what="do two readings of the same people spread alike (Pitman-Morgan); SD of the changes with its interval",
        gives=(
            "t", "df", "p", "n", "F", "ratio_sd", "sd_change", "sd_change_low", "sd_change_high", "r_sum_difference",
        ),
        uses="toolkit.stats.spread.pitman_morgan, toolkit.stats.spread.sd_of_change",
        recompute=_spread,
        columns=_TWO_COLUMNS,
        settings={"confidence_level": 0.95},
        meaning={"F": "variance after over variance before", "ratio_sd": "SD after over SD before",
                 "r_sum_difference": "correlation of sum and difference"},
        r="cor.test(d${after} + d${before}, d${after} - d${before})",
    ),
)  # fmt: skip
