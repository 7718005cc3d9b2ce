"""Named methods for signs (yes or no) read again in the same people, and for shares."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.replicating.method import Method, Numbers, numbers_of

if TYPE_CHECKING:
    from toolkit.stats.proportions import PairedCounts

_CELLS = ("yes_yes", "yes_no", "no_yes", "no_no")


def _pair_counts(frame: pd.DataFrame, settings: Mapping[str, Any]) -> PairedCounts:
    """The 2 x 2 table: as printed, or counted from two columns of words."""
    from toolkit.replicating.steps import run_steps
    from toolkit.stats.proportions import PairedCounts

    if settings["table"]:
        return PairedCounts(**{cell: int(settings["table"][cell]) for cell in _CELLS})
    if not settings.get("first") or not settings.get("second"):
        raise ToolkitError("mcnemar needs the columns first and second, or the counts: table = {yes_yes = 794, …}")
    step = {"do": "count_pairs", "first": settings["first"], "second": settings["second"], "yes": settings["yes"]}
    return PairedCounts(**{cell: int(run_steps(frame, [step])[cell].iloc[0]) for cell in _CELLS})


def _mcnemar(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats import sign_tests
    from toolkit.stats.proportions import (
        newcombe_paired_difference,
        newcombe_paired_difference_8,
        wald_paired_difference,
    )

    counts = _pair_counts(frame, settings)
    tests = {"none": sign_tests.mcnemar_chi2, "corrected": sign_tests.mcnemar_chi2_corrected,
             "exact": sign_tests.mcnemar_exact, "midp": sign_tests.mcnemar_midp}  # fmt: skip
    test = tests[settings["continuity"]](counts)
    intervals = {"wald": wald_paired_difference, "newcombe": newcombe_paired_difference,
                 "newcombe_8": newcombe_paired_difference_8}  # fmt: skip
    difference = intervals[settings["interval"]](counts, confidence_level=settings["confidence_level"])
    numbers = {
        "n": counts.n, "discordant": counts.discordant, "chi2": test.statistic, "p": test.p,
        "first_share": counts.first_share, "second_share": counts.second_share, "difference": difference.value,
        "ci_low": difference.ci_low, "ci_high": difference.ci_high,
    }  # fmt: skip
    if counts.yes_no and counts.no_yes:
        low, high = _odds_limits(counts, settings["odds_interval"], settings["confidence_level"])
        numbers |= {"odds_ratio": counts.no_yes / counts.yes_no, "odds_ratio_low": low, "odds_ratio_high": high}
    return numbers


def _odds_limits(counts: PairedCounts, interval: str, level: float) -> tuple[float, float]:
    """Limits of no-then-yes over yes-then-no: Wilson's or the exact limits turned into odds, or Wald's on the log."""
    import math

    from scipy import stats

    from toolkit.stats.sign_tests import conditional_odds_ratio

    if interval == "wilson":
        odds = conditional_odds_ratio(counts.no_yes, counts.yes_no, confidence_level=level)
        return odds.ci_low, odds.ci_high
    if interval == "exact":
        found = stats.binomtest(counts.no_yes, counts.discordant).proportion_ci(level, method="exact")
        return float(found.low / (1 - found.low)), float(found.high / (1 - found.high))
    reach = float(stats.norm.ppf(0.5 + level / 2)) * math.sqrt(1 / counts.no_yes + 1 / counts.yes_no)
    ratio = counts.no_yes / counts.yes_no
    return ratio * math.exp(-reach), ratio * math.exp(reach)


def _cochran(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.replicating.step_functions import same_value, word_there
    from toolkit.stats.sign_tests import cochran_q

    answers = frame[list(settings["readings"])].dropna()
    word_there(answers, list(settings["readings"]), settings["yes"])
    test = cochran_q(answers.apply(same_value, wanted=settings["yes"]).astype(int).to_numpy())
    return {"q": test.statistic, "df": float(test.df or 0), "p": test.p, "n": len(answers)}


def _clustered(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import PairedCounts
    from toolkit.stats.sign_tests import durkalski_test, eliasziw_donner_test, mcnemar_chi2, obuchowski_test, yang_test

    read = numbers_of(frame, *(settings[cell] for cell in _CELLS))
    counts = pd.DataFrame(dict(zip(_CELLS, read, strict=True)))
    pooled = PairedCounts(**{cell: int(counts[cell].sum()) for cell in _CELLS})
    tests = {
        "naive": mcnemar_chi2(pooled), "obuchowski": obuchowski_test(counts), "durkalski": durkalski_test(counts),
        "yang": yang_test(counts), "eliasziw_donner": eliasziw_donner_test(counts),
    }  # fmt: skip
    chi2 = {name: test.statistic for name, test in tests.items()}
    return chi2 | {f"{name}_p": test.p for name, test in tests.items()} | {"n": pooled.n}


def _kappa(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.rating_agreement import fleiss_kappa

    found = fleiss_kappa(frame, subject=settings["subject"], value=settings["value"])
    return {"kappa": found.estimate.value, "observed": found.observed, "by_chance": found.by_chance}


def _share(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import wilson_limits

    yes, n = float(settings["count"]["yes"]), int(settings["count"]["n"])
    if not 0 <= yes <= n:
        raise ToolkitError(f"{yes:g} of {n} is not a count of people: correct the summary figures")
    low, high = wilson_limits(yes / n, n, confidence_level=settings["confidence_level"])
    from scipy import stats

    exact = stats.binomtest(int(yes), n).proportion_ci(settings["confidence_level"], method="exact")
    half = float(stats.norm.ppf(0.5 + settings["confidence_level"] / 2)) * (yes / n * (1 - yes / n) / n) ** 0.5
    return {"share": yes / n, "percent": 100 * yes / n, "ci_low": low, "ci_high": high, "exact_low": float(exact.low),
            "p": float(stats.binomtest(int(yes), n, settings["against"]).pvalue),
            "exact_high": float(exact.high), "wald_low": yes / n - half, "wald_high": yes / n + half}  # fmt: skip


_CLUSTERED = ("naive", "obuchowski", "durkalski", "yang", "eliasziw_donner")

SIGN_METHODS = (
    Method(
        name="mcnemar",
        what="one sign read twice in the same people (McNemar), from rows or a 2 x 2 table; second minus first",
        gives=(
            "n",
            "discordant",
            "chi2",
            "p",
            "first_share",
            "second_share",
            "difference",
            "ci_low",
            "ci_high",
            "odds_ratio",
            "odds_ratio_low",
            "odds_ratio_high",
        ),
        uses="toolkit.stats.sign_tests.mcnemar_chi2, toolkit.stats.sign_tests.mcnemar_chi2_corrected, "
        "toolkit.stats.sign_tests.mcnemar_exact, toolkit.stats.proportions.wald_paired_difference",
        recompute=_mcnemar,
        columns=("first", "second"),
        optional=("first", "second", "table"),
        settings={
            "yes": "yes",
            "continuity": "none",
            "interval": "wald",
            "odds_interval": "wilson",
            "confidence_level": 0.95,
        },
        choices={
            "continuity": ("none", "corrected", "exact", "midp"),
            "interval": ("wald", "newcombe", "newcombe_8"),
            "odds_interval": ("wilson", "exact", "wald"),
        },
        groups={"table": _CELLS},
        meaning={
            "first": "the sign at the first reading; or leave the data out and print the table",
            "second": "the sign at the second",
            "yes": "the word that counts as yes",
            "table": "counts: yes then yes, yes then no, no then yes, no then no",
            "interval": '"newcombe" = method 10, "newcombe_8" = method 8 of Newcombe (1998)',
            "odds_ratio": "no then yes over yes then no",
            "odds_interval": "of the odds ratio",
            "discordant": "pairs whose sign changed",
        },
        r="mcnemar.test(table(d${first}, d${second}), correct = FALSE); exact2x2::mcnemar.exact(table)",
        alternatives=(
            ("with continuity correction", {"continuity": "corrected"}),
            ("without continuity correction", {"continuity": "none"}),
            ("exact test", {"continuity": "exact"}),
            ("mid-p test", {"continuity": "midp"}),
            ("exact limits of the odds ratio", {"odds_interval": "exact"}),
            ("Wald limits of the odds ratio", {"odds_interval": "wald"}),
            ("score interval for pairs, method 10", {"interval": "newcombe"}),
            ("score interval for pairs, method 8", {"interval": "newcombe_8"}),
            ("Wald interval", {"interval": "wald"}),
        ),
    ),
    Method(
        name="cochran_q",
        r="DescTools::CochranQTest(as.matrix(d[c({readings})]))",
        what="one sign read several times (or under several treatments) in the same people",
        gives=("q", "df", "p", "n"),
        uses="toolkit.stats.sign_tests.cochran_q",
        recompute=_cochran,
        columns=("readings",),
        settings={"yes": "yes"},
    ),
    Method(
        name="clustered_signs",
        r="clust.bin.pair::clust.bin.pair(...)",
        what="one sign read twice, pairs within clusters; one row of counts a cluster",
        gives=(*_CLUSTERED, *(f"{name}_p" for name in _CLUSTERED), "n"),
        meaning={f"{name}_p": f"p of {name.replace('_', ' ')}" for name in _CLUSTERED},
        uses="toolkit.stats.sign_tests.obuchowski_test, toolkit.stats.sign_tests.durkalski_test, "
        "toolkit.stats.sign_tests.yang_test, toolkit.stats.sign_tests.eliasziw_donner_test",
        recompute=_clustered,
        columns=_CELLS,
    ),
    Method(
        name="fleiss_kappa",
        r="irr::kappam.fleiss(ratings)",
        what="agreement of several readers on categories; one row an answer",
        gives=("kappa", "observed", "by_chance"),
        uses="toolkit.stats.rating_agreement.fleiss_kappa",
        recompute=_kappa,
        columns=("subject", "value"),
    ),
    Method(
        name="share",
        what="a share of people with its Wilson score interval",
        gives=("share", "percent", "ci_low", "ci_high", "exact_low", "exact_high", "wald_low", "wald_high", "p"),
        uses="toolkit.stats.proportions.wilson_limits, scipy.stats.binomtest",
        settings={"confidence_level": 0.95, "against": 0.5},
        meaning={
            "against": "share that is tested against",
            "p": "exact binomial, two-sided",
            "ci_low": "Wilson's score interval",
            "exact_low": "Clopper-Pearson",
            "count": "yes, and n in all",
        },
        r="prop.test({count_yes}, {count_n}, correct = FALSE); binom.test({count_yes}, {count_n})",
        recompute=_share,
        groups={"count": ("yes", "n")},
    ),
)
