"""Named methods for a before/after comparison of the same people: paired tests and standardised changes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.replicating.method import Method, Numbers, numbers_of

Array = npt.NDArray[np.float64]
_TWO_COLUMNS = ("before", "after")
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
    return {"V": test.statistic, "p": test.p, "n": test.n}


def _sign_flip(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.paired_tests import sign_flip_test

    before, after = _pairs(frame, settings)
    test = sign_flip_test(after - before, rng=20250101)
    return {"p": test.p if settings["alternative"] == "two-sided" else test.p / 2, "n": test.n}


def _standardised(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats import standardised as change
    from toolkit.stats.response_mean import dz_change, gz_change

    before, after = _pairs(frame, settings)
    readings = change.two_readings(before, after)
    d_av = {"mean": change.dav_change, "root mean square": change.dav_rms_change}[settings["sd"]](readings)
    return {
        "d_z": dz_change(after - before).value,
        "g_z": gz_change(after - before).value,
        "d_av": d_av.value,
        "g_av": change.gav_change(readings).value,
        "d_rm": change.drm_change(readings).value,
        "over_baseline_sd": change.baseline_sd_change(readings).value,
    }


def _summaries(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    before, after = _pairs(frame, settings)
    ddof = 0 if settings["variance"] == "n" else 1
    return {
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
            *_ONE_SIDED,
        ),
    ),
    Method(
        name="wilcoxon",
        what="Wilcoxon signed-rank test of the paired differences (after minus before); V sums the positive ranks",
        gives=("V", "p", "n"),
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
        what="the change in units of a standard deviation (after minus before): d_z, d_av, d_rm, g_av, g_z",
        gives=("d_z", "g_z", "d_av", "g_av", "d_rm", "over_baseline_sd"),
        uses="toolkit.stats.response_mean.dz_change, toolkit.stats.standardised.dav_change, "
        "toolkit.stats.standardised.gav_change, toolkit.stats.standardised.drm_change",
        recompute=_standardised,
        columns=_TWO_COLUMNS,
        settings={"sd": "mean"},
        choices={"sd": ("mean", "root mean square")},
        alternatives=(("root mean square of the two SDs", {"sd": "root mean square"}),),
    ),
    Method(
        name="two_columns",
        what="means, SDs and the correlation of two columns of readings of the same people",
        gives=("n", "mean_before", "mean_after", "sd_before", "sd_after", "r"),
        uses="numpy",
        recompute=_summaries,
        columns=_TWO_COLUMNS,
        settings={"variance": "n-1"},
        choices=_VARIANCES,
        alternatives=(_OTHER_VARIANCE,),
    ),
)
