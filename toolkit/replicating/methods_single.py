"""Named methods for one client read many times, and for one client's change."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of


def _phases(frame: pd.DataFrame, settings: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """The readings of the two phases in the order of the file."""
    from toolkit.replicating.step_functions import same_value

    complete = frame[[settings["value"], settings["phase"]]].dropna()
    names = [str(name) for name in dict.fromkeys(complete[settings["phase"]])]
    first = settings["first_phase"] or names[0]
    second = settings["second_phase"] or next((name for name in names if name != first), "")
    parts = []
    for name in (first, second):
        part = complete[same_value(complete[settings["phase"]], name)]
        if part.empty:
            raise SheetError(f'there is no phase "{name}": the phases are {", ".join(names)}')
        parts.append(numbers_of(part, settings["value"], least=1)[0])
    return parts[0], parts[1]


def _single(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    from toolkit.stats.one_client import nonoverlap

    a, b = _phases(frame, settings)
    sign = 1.0 if settings["better"] == "higher" else -1.0
    found = nonoverlap(a, b, better=settings["better"], confidence_level=settings["confidence_level"])
    x, y = sign * a, sign * b
    pairs = np.sign(np.round(y[:, None] - x[None, :], 10))
    within = np.sign(np.round(x[None, :] - x[:, None], 10))[np.triu_indices(len(x), 1)]
    s_ab, s_a = float(pairs.sum()), float(within.sum())
    sd = float(a.std(ddof=1)) if len(a) > 1 else math.nan
    numbers: Numbers = {
        "nap": found.value, "nap_low": found.ci_low, "nap_high": found.ci_high, "nap_percent": 100 * found.value,
        "tau": 2 * found.value - 1, "tau_s": s_ab, "tau_p": float(stats.mannwhitneyu(y, x, method="asymptotic").pvalue),
        "tau_corrected": (s_ab - s_a) / (len(a) * len(b)), "pnd": 100 * float((y > x.max()).mean()),
        "pem": 100 * float(((y > np.median(x)) + 0.5 * (y == np.median(x))).mean()),
        "mean_first": float(a.mean()), "mean_second": float(b.mean()), "difference": float(b.mean() - a.mean()),
        "median_first": float(np.median(a)), "median_second": float(np.median(b)), "n_first": len(a),
        "n_second": len(b),
        "smd": float((b.mean() - a.mean()) / sd) if sd else math.nan,
        "percent_change": 100 * float((b.mean() - a.mean()) / a.mean()) if a.mean() else math.nan,
    }  # fmt: skip
    if (a > 0).all() and (b > 0).all():
        numbers["log_response_ratio"] = math.log(b.mean() / a.mean())
    return numbers


def _course(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.single_case_course import run_chart

    (values,) = numbers_of(frame, settings["value"], least=5)
    chart = run_chart(values, unit="", n_baseline=int(settings["n_baseline"]) or None)
    base = chart.n_baseline
    median = float(np.median(values[:base]))
    off = np.sign(values - median)[values != median]
    changes = int((np.diff(off) != 0).sum())
    lengths = np.diff(np.concatenate([[0], np.flatnonzero(np.diff(off)) + 1, [len(off)]]))
    apart = values - values.mean()
    return {
        "centre": chart.centre, "lower_limit": chart.lower_limit, "upper_limit": chart.upper_limit, "median": median,
        "mean_moving_range": float(np.abs(np.diff(values[:base])).mean()), "n": len(values),
        "outside": float(chart.points["outside"].sum()), "runs": changes + 1, "longest_run": int(lengths.max()),
        "lag1": float(apart[1:] @ apart[:-1] / (apart @ apart)),
    }  # fmt: skip


def _alternating(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.replicating.step_functions import same_value
    from toolkit.stats.single_case_course import alternating_schedule_test

    complete = frame[[settings["value"], settings["phase"]]].dropna()
    (values,) = numbers_of(complete, settings["value"])
    treated = same_value(complete[settings["phase"]], settings["treated"]).to_numpy()
    longest = int(settings["longest_run"]) or None
    test = alternating_schedule_test(values, treated.astype(int), longest_run=longest, rng=20250101)
    return {"difference": float(values[treated].mean() - values[~treated].mean()), "p": test.p, "n": test.n}


def _reliable_change(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.one_client import clinical_cutoffs, reliable_change

    figures = settings["person"]
    if "sem" in figures:
        sem = float(figures["sem"])
    elif {"sd", "reliability"} <= figures.keys():
        sd, reliability = float(figures["sd"]), float(figures["reliability"])
        if sd <= 0 or not 0 <= reliability < 1:
            raise SheetError("an SD lies above 0, a reliability from 0 to below 1: correct the figures")
        sem = sd * math.sqrt(1 - reliability)
    else:
        raise SheetError("the person's figures need sem, or sd and reliability")
    numbers: Numbers = {"sem": sem, "s_diff": math.sqrt(2) * sem, "smallest_reliable_change": 1.96 * math.sqrt(2) * sem}
    if {"first", "second"} <= figures.keys():
        found = reliable_change(float(figures["first"]), float(figures["second"]), sem=sem, unit="")
        numbers |= {"rci": found.index, "change": found.change}
    names = ("mean_clinical", "sd_clinical", "mean_functional", "sd_functional")
    if set(names) <= figures.keys():
        cut = clinical_cutoffs(**{name: float(figures[name]) for name in names})
        numbers |= {"cutoff_a": cut.a, "cutoff_b": cut.b, "cutoff_c": cut.c}
    return numbers


def _responders(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import wilson_limits

    before, after = numbers_of(frame, settings["before"], settings["after"])
    change = (after - before) * (1 if settings["better"] == "higher" else -1)
    if settings["as"] == "percent":
        if (before == 0).any():
            raise NotEnoughError("a reading before of 0 has no change in percent")
        change = 100 * change / np.abs(before)
    reached = np.round(change - settings["threshold"], 9) >= 0
    yes, n = int(reached.sum()), len(change)
    low, high = wilson_limits(yes / n, n, confidence_level=settings["confidence_level"])
    worse = int((np.round(-change - settings["threshold"], 9) >= 0).sum())
    return {"yes": yes, "n": n, "share": yes / n, "percent": 100 * yes / n, "ci_low": low, "ci_high": high,
            "n_worse": worse}  # fmt: skip


_LEVEL = {"confidence_level": 0.95}
_BETTER = {"better": ("higher", "lower")}

SINGLE_METHODS = (
    Method(
        name="single_case",
        topic="one client",
        what="two phases of one client: non-overlap (NAP), Tau, PND, PEM, means, standardised difference",
        gives=(
            "nap", "nap_low", "nap_high", "nap_percent", "tau", "tau_s", "tau_p", "tau_corrected", "pnd", "pem",
            "mean_first", "mean_second", "difference", "median_first", "median_second", "n_first", "n_second", "smd",
            "percent_change", "log_response_ratio",
        ),
        uses="toolkit.stats.one_client.nonoverlap",
        recompute=_single,
        columns=("value", "phase"),
        settings={"better": "higher", "first_phase": "", "second_phase": "", **_LEVEL},
        choices=_BETTER,
        meaning={
            "value": "the reading, one row a session in the order of time", "phase": "the phase of the session",
            "first_phase": "the phase that comes first (baseline)", "second_phase": "the phase compared with it",
            "nap": "share of all pairs of sessions in which the second phase is better, ties half",
            "tau": "2 NAP - 1", "tau_s": "pairs better minus pairs worse", "tau_corrected": "Tau-U: the trend of the "
            "first phase subtracted", "pnd": "percent of the second phase beyond the best of the first",
            "pem": "percent of the second phase beyond the median of the first",
            "smd": "difference in SDs of the first phase", "log_response_ratio": "log of the ratio of the means",
        },
        r="SingleCaseES::NAP(A, B); SingleCaseES::Tau(A, B); SingleCaseES::PND(A, B)",
        alternatives=(("the other direction is better", {"better": "lower"}), ("higher is better",
        {"better": "higher"})),
    ),
    Method(
        name="run_chart",
        topic="one client",
        what="one client's readings in order: centre and limits from the moving range, runs about the median",
        gives=(
            "centre", "lower_limit", "upper_limit", "median", "mean_moving_range", "n", "outside", "runs",
            "longest_run", "lag1",
        ),
        uses="toolkit.stats.single_case_course.run_chart",
        recompute=_course,
        columns=("value",),
        settings={"n_baseline": 0},
        meaning={
            "value": "the reading, one row a session in the order of time",
            "n_baseline": "how many of the first readings set the limits, 0 for all",
            "outside": "readings beyond a limit", "runs": "runs about the median (readings on it left out)",
        },
        r="qcc::qcc(d${value}, type = 'xbar.one')",
    ),
    Method(
        name="alternating_schedule",
        topic="one client",
        what="one client, sessions drawn to be treated or not: permutation test of the schedule",
        gives=("difference", "p", "n"),
        uses="toolkit.stats.single_case_course.alternating_schedule_test",
        recompute=_alternating,
        columns=("value", "phase"),
        settings={"treated": "treated", "longest_run": 0},
        meaning={
            "value": "the reading", "phase": "what was done in the session", "treated": "the word for treated",
            "longest_run": "most sessions of a kind in a row that the draw allowed, 0 for no limit",
        },
        r="SCRT::pvalue.systematic(...)",
    ),
    Method(
        name="reliable_change",
        topic="one client",
        what="one client's reliable change index and the cut-offs for clinical change, from printed figures",
        gives=("sem", "s_diff", "smallest_reliable_change", "rci", "change", "cutoff_a", "cutoff_b", "cutoff_c"),
        uses="toolkit.stats.one_client.reliable_change, toolkit.stats.one_client.clinical_cutoffs",
        recompute=_reliable_change,
        groups={"person": ()},
        meaning={
            "person": "sem (or sd and reliability), first and second reading; for cut-offs mean_clinical, sd_clinical, "
            "mean_functional, sd_functional", "s_diff": "standard error of a difference, sqrt(2) SEM",
        },
        r="(second - first) / (sqrt(2) * sd * sqrt(1 - reliability))",
    ),
    Method(
        name="responders",
        topic="before and after",
        what="how many people changed by at least a threshold for the better",
        gives=("yes", "n", "share", "percent", "ci_low", "ci_high", "n_worse"),
        uses="toolkit.stats.proportions.wilson_limits",
        recompute=_responders,
        columns=("before", "after"),
        settings={"threshold": 1.0, "better": "higher", "as": "units", **_LEVEL},
        choices={**_BETTER, "as": ("units", "percent")},
        meaning={
            "threshold": "the smallest change that counts, in the readings' unit or percent of the reading before",
            "as": '"percent": the change in percent of the reading before', "n_worse": "worse by as much",
        },
        r="sum(d${after} - d${before} >= {threshold})",
        alternatives=(("in percent of the reading before", {"as": "percent"}),),
    ),
)  # fmt: skip
