"""Named methods for signs (yes or no) read again in the same people, and for shares."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.replicating.method import Method, Numbers, numbers_of

_CELLS = ("yes_yes", "yes_no", "no_yes", "no_no")


def _mcnemar(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import PairedCounts, newcombe_paired_difference, wald_paired_difference
    from toolkit.stats.sign_tests import mcnemar_chi2, mcnemar_chi2_corrected, mcnemar_exact

    counts = PairedCounts(**{cell: int(settings["table"][cell]) for cell in _CELLS})
    tests = {"none": mcnemar_chi2, "corrected": mcnemar_chi2_corrected, "exact": mcnemar_exact}
    test = tests[settings["continuity"]](counts)
    intervals = {"wald": wald_paired_difference, "newcombe": newcombe_paired_difference}
    difference = intervals[settings["interval"]](counts)
    return {
        "n": counts.n,
        "chi2": test.statistic,
        "p": test.p,
        "first_share": counts.first_share,
        "second_share": counts.second_share,
        "difference": difference.value,
        "ci_low": difference.ci_low,
        "ci_high": difference.ci_high,
    }


def _cochran(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.sign_tests import cochran_q

    answers = frame[list(settings["readings"])]
    test = cochran_q((answers == settings["yes"]).astype(int).to_numpy())
    return {"q": test.statistic, "df": float(test.df or 0), "p": test.p, "n": len(answers)}


def _clustered(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import PairedCounts
    from toolkit.stats.sign_tests import durkalski_test, eliasziw_donner_test, mcnemar_chi2, obuchowski_test, yang_test

    read = numbers_of(frame, *(settings[cell] for cell in _CELLS))
    counts = pd.DataFrame(dict(zip(_CELLS, read, strict=True)))
    pooled = PairedCounts(**{cell: int(counts[cell].sum()) for cell in _CELLS})
    return {
        "naive": mcnemar_chi2(pooled).statistic,
        "obuchowski": obuchowski_test(counts).statistic,
        "durkalski": durkalski_test(counts).statistic,
        "yang": yang_test(counts).statistic,
        "eliasziw_donner": eliasziw_donner_test(counts).statistic,
    }


def _kappa(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.rating_agreement import fleiss_kappa

    found = fleiss_kappa(frame, subject=settings["subject"], value=settings["value"])
    return {"kappa": found.estimate.value, "observed": found.observed, "by_chance": found.by_chance}


def _share(_: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.proportions import wilson_limits

    yes, n = float(settings["count"]["yes"]), int(settings["count"]["n"])
    if not 0 <= yes <= n:
        raise ToolkitError(f"{yes:g} of {n} is not a count of people: correct the summary figures")
    low, high = wilson_limits(yes / n, n)
    return {"share": yes / n, "ci_low": low, "ci_high": high}


SIGN_METHODS = (
    Method(
        name="mcnemar",
        what="one sign read twice in the same people, from a 2 x 2 table of counts; difference second minus first",
        gives=("n", "chi2", "p", "first_share", "second_share", "difference", "ci_low", "ci_high"),
        uses="toolkit.stats.sign_tests.mcnemar_chi2, toolkit.stats.sign_tests.mcnemar_chi2_corrected, "
        "toolkit.stats.sign_tests.mcnemar_exact, toolkit.stats.proportions.wald_paired_difference",
        recompute=_mcnemar,
        settings={"continuity": "none", "interval": "wald"},
        choices={"continuity": ("none", "corrected", "exact"), "interval": ("wald", "newcombe")},
        groups={"table": _CELLS},
        alternatives=(
            ("with continuity correction", {"continuity": "corrected"}),
            ("without continuity correction", {"continuity": "none"}),
            ("exact test", {"continuity": "exact"}),
            ("score interval for pairs", {"interval": "newcombe"}),
            ("Wald interval", {"interval": "wald"}),
        ),
    ),
    Method(
        name="cochran_q",
        what="one sign read several times (or under several treatments) in the same people",
        gives=("q", "df", "p", "n"),
        uses="toolkit.stats.sign_tests.cochran_q",
        recompute=_cochran,
        columns=("readings",),
        settings={"yes": "yes"},
    ),
    Method(
        name="clustered_signs",
        what="one sign read twice, pairs within clusters; one row of counts a cluster",
        gives=("naive", "obuchowski", "durkalski", "yang", "eliasziw_donner"),
        uses="toolkit.stats.sign_tests.obuchowski_test, toolkit.stats.sign_tests.durkalski_test, "
        "toolkit.stats.sign_tests.yang_test, toolkit.stats.sign_tests.eliasziw_donner_test",
        recompute=_clustered,
        columns=_CELLS,
    ),
    Method(
        name="fleiss_kappa",
        what="agreement of several readers on categories; one row an answer",
        gives=("kappa", "observed", "by_chance"),
        uses="toolkit.stats.rating_agreement.fleiss_kappa",
        recompute=_kappa,
        columns=("subject", "value"),
    ),
    Method(
        name="share",
        what="a share of people with its Wilson score interval",
        gives=("share", "ci_low", "ci_high"),
        uses="toolkit.stats.proportions.wilson_limits",
        recompute=_share,
        groups={"count": ("yes", "n")},
    ),
)
