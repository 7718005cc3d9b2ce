"""Named methods for how good a reading is: ICCs, SEM, agreement of two instruments, repeatability."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import SheetError
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
    limits = {
        "1986": (found.lower_approximate, found.upper_approximate),
        "1999": (found.lower_1999, found.upper_1999),
        "exact": (found.lower, found.upper),
    }[settings["interval"]]
    for name, limit in zip(("lower", "upper"), limits, strict=True):
        if limit is not None:
            numbers |= {f"{name}_low": limit.ci_low, f"{name}_high": limit.ci_high}
    if found.slope is not None:
        numbers |= {"slope": found.slope.value, "slope_p": float(found.slope.p or 0.0)}
    if max(map(abs, (numbers["bias"], numbers["lower"], numbers["upper"]))) < 20:
        pairs = (("ratio", "bias"), ("ratio_lower", "lower"), ("ratio_upper", "upper"))
        numbers |= {name: float(np.exp(numbers[of])) for name, of in pairs}
    numbers["percent"] = 100 * numbers["sd"] * multiplier / float(np.mean((first + second) / 2))
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


def _repeated_limits(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.agreement import limits_of_agreement_repeated

    rows = frame.dropna(subset=[settings[key] for key in ("first", "second", "subject")])
    first, second = numbers_of(rows, settings["first"], settings["second"], least=3)
    found = limits_of_agreement_repeated(
        second, first, rows[settings["subject"]].to_numpy(), unit="", multiplier=float(settings["multiplier"])
    )  # papers print first minus second
    return {
        "bias": found.bias.value, "bias_low": found.bias.ci_low, "bias_high": found.bias.ci_high,
        "sd": found.sd.value, "lower": found.lower.value, "upper": found.upper.value,
    }  # fmt: skip


def _concordance(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.intraclass import concordance

    first, second = _two(frame, settings)
    found = concordance(first, second, confidence_level=settings["confidence_level"])
    r = float(np.corrcoef(first, second)[0, 1])
    return {"ccc": found.value, "ci_low": found.ci_low, "ci_high": found.ci_high, "r": r, "accuracy": found.value / r}


def _within_cv(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.sem import within_person
    from toolkit.stats.spread import within_person_cv

    names = {"subject": settings["subject"], "value": settings["value"]}
    found = within_person_cv(frame, level=settings["confidence_level"], **names)
    plain = within_person(frame, unit="", **names)
    values = frame[[*names.values()]].dropna()
    groups = values.groupby(names["subject"])[names["value"]]
    root = float(np.sqrt(((groups.std() / groups.mean()) ** 2).mean()))
    return {
        "cv": found.value, "cv_low": found.ci_low, "cv_high": found.ci_high, "cv_rms": 100 * root,
        "cv_mean": 100 * plain.sd.value / float(values[names["value"]].mean()),
        "sd_log": float(np.log1p(found.value / 100)), "sd_within": plain.sd.value,
        "repeatability": plain.repeatability.value, "n": found.n,
        "ratio_limit": float(np.exp(1.96 * np.sqrt(2) * np.log1p(found.value / 100))),
    }  # fmt: skip


def _alpha(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    import pingouin

    items = frame[list(settings["items"])].dropna()
    numbers_of(items, *settings["items"], least=3)
    alpha, limits = pingouin.cronbach_alpha(data=items.astype(float), ci=settings["confidence_level"])
    k = items.shape[1]
    r = items.astype(float).corr().to_numpy()
    mean_r = float((r.sum() - k) / (k * (k - 1)))
    return {"alpha": float(alpha), "ci_low": float(limits[0]), "ci_high": float(limits[1]), "n": len(items),
            "alpha_standardised": k * mean_r / (1 + (k - 1) * mean_r), "mean_r": mean_r}  # fmt: skip


def _sem_of_summary(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    figures = settings["reliability"]
    if "sd_difference" in figures:
        sem = float(figures["sd_difference"]) / float(np.sqrt(2))
    elif {"sd", "icc"} <= figures.keys():
        if not 0 <= float(figures["icc"]) <= 1 or float(figures["sd"]) <= 0:
            raise SheetError("an ICC lies between 0 and 1, an SD above 0: correct the figures")
        sem = float(figures["sd"]) * float(np.sqrt(1 - float(figures["icc"])))
    elif "sem" in figures:
        sem = float(figures["sem"])
    else:
        raise SheetError("the figures need sd and icc, or sd_difference, or sem")
    root = float(np.sqrt(2)) * sem
    numbers = {"sem": sem, "sem_half": 1.96 * sem, "mdc95": 1.96 * root, "mdc90": 1.645 * root}
    if "mean" in figures:
        numbers |= {"sem_percent": 100 * sem / float(figures["mean"]),
                    "mdc95_percent": 100 * 1.96 * root / float(figures["mean"])}  # fmt: skip
    return numbers


def _icc_of_squares(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """The six ICCs from printed mean squares (Shrout & Fleiss 1979)."""
    part = settings["squares"]
    b, e = float(part["ms_subjects"]), float(part["ms_error"])
    n, k = float(part["n"]), float(part["k"])
    numbers = {"icc_3_1": (b - e) / (b + (k - 1) * e), "icc_3_k": (b - e) / b, "sem_consistency": float(np.sqrt(e))}
    if "ms_readers" in part:
        j = float(part["ms_readers"])
        w = float(part.get("ms_within", (j * (k - 1) + e * (n - 1) * (k - 1)) / (n * (k - 1))))
        numbers |= {
            "icc_2_1": (b - e) / (b + (k - 1) * e + k * (j - e) / n), "icc_2_k": (b - e) / (b + (j - e) / n),
            "icc_1_1": (b - w) / (b + (k - 1) * w), "icc_1_k": (b - w) / b,
            "sem_agreement": float(np.sqrt(e + max(0.0, (j - e) / n))),
        }  # fmt: skip
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
        meaning={
            "subject": "who was read", "reader": "who read (or which reading)", "value": "the number read",
            "sem_consistency": "sqrt of the error mean square", "sem_agreement": "with the readers' variance",
            "sem_one_way": "sqrt of the mean square within people",
        },
        r="psych::ICC(ratings, lmer = FALSE)",
        turned={},
    ),
    Method(
        name="instruments",
        r="irr::relInterIntra(x, nrater = 2)  # Eliasziw et al. (1994)",
        meaning={"of": "the instrument whose own SEM and ICC are wanted"},
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
            "upper_high", "r", "slope", "slope_p", "percent",
            "ratio", "ratio_lower", "ratio_upper",
        ),
        meaning={
            "first": "readings of one instrument (or reader)", "second": "of the other", "bias": "mean of first "
            "- second",
            "lower": "lower limit of agreement", "lower_low": "lower end of the interval of the lower limit",
            "lower_high": "its upper end", "upper_low": "lower end of the interval of the upper limit",
            "upper_high": "its upper end", "multiplier": "1.96, or 2 as in 1986",
            "interval": '"1986": limit ± t sqrt((1 + m²/2)/n) s (√(3/n) with m = 2); "1999": t sqrt(1/n + '
            'm²/(2(n - 1))) s; '
            '"exact": noncentral t', "steps": "carry on from figures rounded to so many decimals",
            "slope": "of the difference on the mean of both (proportional bias)", "r": "correlation of the two",
            "ratio": "exp of the bias, for readings that were logged first", "ratio_lower": "exp of the lower limit",
            "ratio_upper": "exp of the upper limit",
            "percent": "half the width of the limits in percent of the mean reading",
        },
        r="blandr::blandr.statistics(d${first}, d${second}); SimplyAgree::agree_test(d${first}, d${second})",
        uses="toolkit.stats.agreement.limits_of_agreement",
        recompute=_limits,
        columns=("first", "second"),
        settings={"multiplier": 1.96, "steps": "exact", "interval": "1986"},
        choices={"steps": _STEPS, "interval": ("1986", "1999", "exact")},
        alternatives=(
            ("the limits' interval of 1999", {"interval": "1999"}),
            ("the limits' exact interval", {"interval": "exact"}),
            ("the limits' interval of 1986", {"interval": "1986"}),
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
        meaning={
            "first": "first reading", "second": "second reading of the same person", "about": "SD about zero, or about "
            "the mean difference", "repeatability": "multiplier x SD of a difference", "steps": "carry on from "
            "rounded figures",
            "multiplier": "1.96, or 2 as in 1986",
        },
        r="1.96 * sqrt(2) * sqrt(mean((d${first} - d${second})^2) / 2)",
    ),
    Method(
        name="limits_of_agreement_repeated",
        what="limits of agreement where people were read several times by both (pairs within people), first "
        "minus second",
        gives=("bias", "bias_low", "bias_high", "sd", "lower", "upper"),
        uses="toolkit.stats.agreement.limits_of_agreement_repeated",
        recompute=_repeated_limits,
        columns=("first", "second", "subject"),
        settings={"multiplier": 1.96},
        meaning={"first": "one instrument", "second": "the other", "subject": "who was read", "sd": "of a difference, "
                 "between and within people", "multiplier": "1.96, or 2"},
        r="SimplyAgree::agree_reps(x = '{first}', y = '{second}', id = '{subject}', data = d)",
        alternatives=(("2 SD instead of 1.96 SD", {"multiplier": 2.0}),),
    ),
    Method(
        name="concordance",
        what="Lin's concordance correlation of two instruments",
        gives=("ccc", "ci_low", "ci_high", "r", "accuracy"),
        uses="toolkit.stats.intraclass.concordance",
        recompute=_concordance,
        columns=("first", "second"),
        settings={"confidence_level": 0.95},
        meaning={"first": "one instrument", "second": "the other", "r": "Pearson's correlation", "accuracy": "CCC / r"},
        r="DescTools::CCC(d${first}, d${second})",
    ),
    Method(
        name="within_person_error",
        what="error within a person from repeated readings: CV from logs, CV of the mean, SD, repeatability",
        gives=("cv", "cv_low", "cv_high", "cv_rms", "cv_mean", "sd_log", "sd_within", "repeatability", "ratio_limit",
        "n"),
        uses="toolkit.stats.spread.within_person_cv, "
        ""
        "toolkit.stats.sem.within_person",
        recompute=_within_cv,
        columns=("subject",
        "value"),
        settings={"confidence_level": 0.95},
        meaning={
            "subject": "who was read", "value": "the number read, one row a reading", "cv": "100 (exp(s) - 1), "
            "s from logs",
            "cv_rms": "root mean square of the people's own CVs", "cv_mean": "100 SD within / overall mean",
            "ratio_limit": "two readings of a person lie within this ratio in 95 %",
        },
        r="m <- anova(lm(log({value}) ~ factor({subject}), d)); 100 * (exp(sqrt(m[2, 3])) - "
        "1)",
    ),
    Method(
        name="cronbach_alpha",
        what="Cronbach's alpha of a scale's items, with Feldt's interval",
        gives=("alpha", "ci_low", "ci_high", "alpha_standardised", "mean_r", "n"),
        uses="pingouin.cronbach_alpha",
        recompute=_alpha,
        columns=("items",),
        settings={"confidence_level": 0.95},
        meaning={"items": "the columns of the items, a list", "alpha": "alpha", "mean_r": "mean correlation of items"},
        r="psych::alpha(d[c({items})])",
    ),
    Method(
        name="sem_of_summary",
        what="SEM and smallest detectable change from a printed SD and ICC (or SD of differences, or SEM)",
        gives=("sem", "sem_half", "mdc95", "mdc90", "sem_percent", "mdc95_percent"),
        uses="numpy",
        recompute=_sem_of_summary,
        groups={"reliability": ()},
        meaning={"reliability": "sd and icc, or sd_difference, or sem; mean for percent", "sem_half": "1.96 SEM"},
        r="sd * sqrt(1 - icc); 1.96 * sqrt(2) * sem",
    ),
    Method(
        name="icc_of_squares",
        what="the six ICCs from printed mean squares",
        gives=("icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k", "sem_consistency", "sem_agreement"),
        uses="numpy",
        recompute=_icc_of_squares,
        groups={"squares": ("ms_subjects", "ms_error", "n", "k")},
        meaning={"squares": "ms_subjects, ms_error, n, k (readings a person); ms_readers for ICC(2,·) and ICC(1,·)"},
        r="psych::ICC(ratings)",
    ),
)  # fmt: skip
