"""Named methods for how good a reading is: ICCs, SEM, agreement of two instruments, repeatability."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.replicating.method import Method, Numbers, numbers_of

if TYPE_CHECKING:
    from toolkit.stats.generalisability import VarianceShares

Array = npt.NDArray[np.float64]

_STEPS = ("exact", 0, 1, 2, 3)
_ICCS = ("icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k")
_SQUARES = ("ms_subjects", "ms_readers", "ms_error", "ms_within")


def _icc(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.intraclass import icc
    from toolkit.stats.sem import mdc, sem_agreement, sem_consistency

    study = icc(frame, subject=settings["subject"], reader=settings["reader"], value=settings["value"])
    consistency, agreement = sem_consistency(study, unit=""), sem_agreement(study, unit="")
    numbers: Numbers = {name: getattr(study, name).value for name in _ICCS}
    numbers |= {name: getattr(study, name) for name in _SQUARES}
    for name in _ICCS:
        numbers |= {f"{name}_low": getattr(study, name).ci_low, f"{name}_high": getattr(study, name).ci_high}
    within = float(np.sqrt(study.ms_within))
    return numbers | {
        "sem_consistency": consistency.value,
        "sem_agreement": agreement.value,
        "sem_one_way": within,
        "mdc95": mdc(consistency).value,
        "mdc95_agreement": mdc(agreement).value,
    }


def _two(frame: pd.DataFrame, settings: Mapping[str, Any]) -> tuple[Array, Array]:
    first, second = numbers_of(frame, settings["first"], settings["second"], least=3)
    return first, second


def _limits(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.agreement import limits_of_agreement

    first, second = _two(frame, settings)
    multiplier = float(settings["multiplier"])
    found = limits_of_agreement(second, first, unit="", multiplier=multiplier)  # papers print first minus second
    numbers: Numbers = {
        "bias": found.bias.value,
        "bias_low": found.bias.ci_low,
        "bias_high": found.bias.ci_high,
        "sd": found.sd.value,
        "lower": found.lower.value,
        "upper": found.upper.value,
        "r": float(np.corrcoef(first, second)[0, 1]),
    }
    for name, limit in (("lower", found.lower_approximate), ("upper", found.upper_approximate)):
        if limit is not None:
            numbers |= {f"{name}_low": limit.ci_low, f"{name}_high": limit.ci_high}
    if settings["steps"] == "exact":
        return numbers
    return _from_rounded(numbers, multiplier, int(settings["steps"]), len(first))


def _from_rounded(numbers: Numbers, multiplier: float, decimals: int, n: int) -> Numbers:
    """The limits as a paper gets them that goes on with its rounded mean, SD, standard error and t."""
    from scipy import stats

    bias, sd = round(numbers["bias"], decimals), round(numbers["sd"], decimals)
    se = round(sd * float(np.sqrt((1 + multiplier**2 / 2) / n)), decimals)
    half = round(float(stats.t.ppf(0.975, n - 1)), 2) * se
    lower, upper = bias - multiplier * sd, bias + multiplier * sd
    return numbers | {
        "lower": lower,
        "upper": upper,
        "lower_low": lower - half,
        "lower_high": lower + half,
        "upper_low": upper - half,
        "upper_high": upper + half,
    }


def _repeatability(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.sem import within_person

    first, second = _two(frame, settings)
    people = np.arange(len(first))
    rows = pd.DataFrame({"subject": np.tile(people, 2), "value": np.concatenate([first, second])})
    found = within_person(rows, unit="", multiplier=float(settings["multiplier"]))
    numbers = {"sd_within": found.sd.value, "repeatability": found.repeatability.value}
    sd = found.sd.value * float(np.sqrt(2))
    if settings["about"] == "mean":
        sd = float((first - second).std(ddof=1))
        numbers = {"sd_within": sd / float(np.sqrt(2)), "repeatability": float(settings["multiplier"]) * sd}
    if settings["steps"] != "exact":
        numbers["repeatability"] = float(settings["multiplier"]) * round(sd, int(settings["steps"]))
    return numbers


def _shares(frame: pd.DataFrame, settings: Mapping[str, Any]) -> tuple[pd.DataFrame, VarianceShares]:
    from toolkit.stats.generalisability import variance_shares

    facet = settings["instrument"]
    shares = variance_shares(frame, unit="", subject=settings["subject"], facets=[facet], value=settings["value"])
    return frame, shares


def _instruments(made: tuple[pd.DataFrame, VarianceShares], settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.generalisability import icc_of_design, sem_of_design
    from toolkit.stats.sem import within_person

    frame, shares = made
    facet, subject = settings["instrument"], settings["subject"]
    numbers: Numbers = {}
    for name, same, forgiving in (
        ("between", (), ()),
        ("between_consistent", (), (facet,)),
        ("within", (facet,), ()),
    ):
        numbers[f"icc_{name}"] = icc_of_design(shares, same=same, forgiving=forgiving).value
        numbers[f"sem_{name}"] = sem_of_design(shares, same=same, forgiving=forgiving).value
    if settings["of"]:
        rows = frame[frame[facet] == settings["of"]]
        own = within_person(rows, unit="", subject=subject, value=settings["value"]).sd.value
        true = shares.variance(subject) + shares.variance(f"{subject} × {facet}")
        numbers |= {"sem_own": own, "icc_own": true / (true + own**2)}
    return numbers


MEASUREMENT_METHODS = (
    Method(
        name="icc",
        what="the six intraclass correlations with their mean squares, SEM and MDC95; one row a reading",
        gives=(
            *_ICCS, *(f"{name}_{end}" for name in _ICCS for end in ("low", "high")), *_SQUARES,
            "sem_consistency", "sem_agreement", "sem_one_way", "mdc95", "mdc95_agreement",
        ),
        uses="toolkit.stats.intraclass.icc, toolkit.stats.sem.sem_consistency, "
        "toolkit.stats.sem.sem_agreement, toolkit.stats.sem.mdc",
        recompute=_icc,
        columns=("subject", "reader", "value"),
    ),
    Method(
        name="instruments",
        what="readings of the same people repeated with several instruments: ICC and SEM within and between them",
        gives=(
            "icc_between", "sem_between", "icc_between_consistent", "sem_between_consistent",
            "icc_within", "sem_within", "icc_own", "sem_own",
        ),
        uses="toolkit.stats.generalisability.variance_shares, "
        "toolkit.stats.generalisability.icc_of_design, toolkit.stats.generalisability.sem_of_design, "
        "toolkit.stats.sem.within_person",
        recompute=_instruments,
        prepare=_shares,
        after_preparing=("of",),
        columns=("subject", "instrument", "value"),
        settings={"of": ""},
    ),
    Method(
        name="limits_of_agreement",
        what="bias and limits of agreement of two instruments, first minus second, with approximate intervals",
        gives=(
            "bias", "bias_low", "bias_high", "sd", "lower", "upper", "lower_low", "lower_high", "upper_low",
            "upper_high", "r",
        ),
        uses="toolkit.stats.agreement.limits_of_agreement",
        recompute=_limits,
        columns=("first", "second"),
        settings={"multiplier": 1.96, "steps": "exact"},
        choices={"steps": _STEPS},
        alternatives=(
            ("2 SD instead of 1.96 SD", {"multiplier": 2.0}),
            ("1.96 SD instead of 2 SD", {"multiplier": 1.96}),
            ("computed on from the mean and SD rounded to one decimal", {"steps": 1}),
            ("computed on from the mean and SD rounded to whole numbers", {"steps": 0}),
        ),
    ),
    Method(
        name="repeatability",
        what="SD within a person and repeatability coefficient from two readings of each",
        gives=("sd_within", "repeatability"),
        uses="toolkit.stats.sem.within_person",
        recompute=_repeatability,
        columns=("first", "second"),
        settings={"multiplier": 1.96, "about": "zero", "steps": "exact"},
        choices={"steps": _STEPS, "about": ("zero", "mean")},
        alternatives=(
            ("2 SD instead of 1.96 SD", {"multiplier": 2.0}),
            ("1.96 SD instead of 2 SD", {"multiplier": 1.96}),
            ("computed on from the SD of the differences rounded to one decimal", {"steps": 1}),
            ("SD about the mean difference, not about zero", {"about": "mean"}),
            ("SD about the mean difference, 1.96 SD", {"about": "mean", "multiplier": 1.96}),
        ),
    ),
)  # fmt: skip
