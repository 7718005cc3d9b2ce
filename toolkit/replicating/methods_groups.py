"""Named methods for different people in two or more groups: t tests, ranks, analysis of variance and covariance."""

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
_SIDES = {"alternative": ("two-sided", "greater", "less")}
_ONE_SIDED = (
    ("one-sided test, second group higher", {"alternative": "greater"}),
    ("one-sided test, second group lower", {"alternative": "less"}),
)
_GROUP_MEANING = {
    "value": "the number that is compared, one row a person",
    "group": "the column that says which group",
    "first_group": "the group that is subtracted; the first in alphabetical order if left out",
    "second_group": "the other group; needed where there are more than two",
}


def split_by(frame: pd.DataFrame, value: str, group: str, *, least: int = 1) -> dict[str, Array]:
    """The values of each group by its name, in alphabetical (or numerical) order."""
    complete = frame[[value, group]].dropna()
    (values,) = numbers_of(complete, value, least=least)
    parts = {
        str(name): values[places]
        for name, places in complete.reset_index(drop=True).groupby(group, sort=True).indices.items()
    }
    if len(parts) < 2:
        raise NotEnoughError(f'the column "{group}" holds {len(parts)} group(s): at least two are needed')
    return parts


def two_of(frame: pd.DataFrame, settings: Mapping[str, Any]) -> tuple[Array, Array]:
    """First and second group."""
    parts = split_by(frame, settings["value"], settings["group"])
    wanted = [settings["first_group"], settings["second_group"]]
    names = list(parts)
    for name in wanted:
        if name and name not in parts:
            raise SheetError(f'there is no group "{name}": the column {settings["group"]} holds {", ".join(names)}')
    if not all(wanted) and len(names) != 2:
        raise SheetError(
            f"the column {settings['group']} holds {len(names)} groups ({', '.join(names)}): "
            "name first_group and second_group"
        )
    first = wanted[0] or next(name for name in names if name != wanted[1])
    second = wanted[1] or next(name for name in names if name != first)
    return parts[first], parts[second]


def _two_groups(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    from toolkit.stats.response_mean import hedges_correction, noncentral_t_limits
    from toolkit.stats.two_group_tests import student_t, welch_t

    one, two = two_of(frame, settings)
    make = welch_t if settings["variances"] == "unequal" else student_t
    found = make(one, two, level=settings["confidence_level"], alternative=settings["alternative"])
    n_1, n_2 = len(one), len(two)
    df = n_1 + n_2 - 2
    pooled = math.sqrt(((n_1 - 1) * one.var(ddof=1) + (n_2 - 1) * two.var(ddof=1)) / df)
    d = float((two.mean() - one.mean()) / pooled)
    root = math.sqrt(1 / n_1 + 1 / n_2)
    low, high = noncentral_t_limits(d / root, df=df, confidence_level=settings["confidence_level"])
    return {
        "n": n_1 + n_2, "n_first": n_1, "n_second": n_2,
        "mean_first": float(one.mean()), "mean_second": float(two.mean()),
        "sd_first": float(one.std(ddof=1)), "sd_second": float(two.std(ddof=1)),
        "difference": found.difference.value, "se": float(found.difference.se or 0.0),
        "ci_low": found.difference.ci_low, "ci_high": found.difference.ci_high,
        "t": found.test.statistic, "df": float(found.test.df or 0), "p": found.test.p,
        "d": d, "g": d * hedges_correction(df), "d_low": low * root, "d_high": high * root,
        "F_variances": float(one.var(ddof=1) / two.var(ddof=1)),
        "p_variances": float(2 * min(stats.f.cdf(one.var(ddof=1) / two.var(ddof=1), n_1 - 1, n_2 - 1),
                                     stats.f.sf(one.var(ddof=1) / two.var(ddof=1), n_1 - 1, n_2 - 1))),
    }  # fmt: skip


def _ranks(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.two_group_tests import mann_whitney

    one, two = two_of(frame, settings)
    found = mann_whitney(
        one, two, level=settings["confidence_level"], alternative=settings["alternative"], p_from=settings["p_from"],
        continuity=settings["continuity"] == "corrected",
    )  # fmt: skip
    pairs, u = len(one) * len(two), found.test.statistic
    ranks = pd.Series(np.concatenate([one, two])).rank().to_numpy()
    ties = np.unique(ranks, return_counts=True)[1]
    n = len(ranks)
    spread = math.sqrt(pairs / 12 * (n + 1 - float((ties**3 - ties).sum()) / (n * (n - 1))))
    half = 0.5 * np.sign(u - pairs / 2) if settings["continuity"] == "corrected" else 0.0
    return {
        "U": u, "U_other": pairs - u, "p": found.test.p, "n_first": len(one), "n_second": len(two),
        "z": float((u - pairs / 2 - half) / spread), "probability": u / pairs, "rank_biserial": 2 * u / pairs - 1,
        "rank_sum_first": float(ranks[: len(one)].sum()), "rank_sum_second": float(ranks[len(one) :].sum()),
        "median_first": float(np.median(one)), "median_second": float(np.median(two)),
        "shift": found.difference.value, "shift_low": found.difference.ci_low, "shift_high": found.difference.ci_high,
    }  # fmt: skip


def _kruskal(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    parts = list(split_by(frame, settings["value"], settings["group"]).values())
    found, n = stats.kruskal(*parts), sum(map(len, parts))
    h, k = float(found.statistic), len(parts)
    return {"chi2": h, "df": k - 1, "p": float(found.pvalue), "n": n, "epsilon2": h / (n - 1),
            "eta2": (h - k + 1) / (n - k)}  # fmt: skip


def _contrasts(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.group_means import group_contrasts

    first, second = settings["first_group"], settings["second_group"]
    rows = group_contrasts(
        frame, value=settings["value"], group=settings["group"], adjustment=settings["adjustment"],
        against=settings["against"] or None, level=settings["confidence_level"],
    )  # fmt: skip
    for one, other, sign in ((first, second, 1), (second, first, -1)):
        here = rows[(rows["first"] == one) & (rows["second"] == other)]
        if len(here):
            row = here.iloc[0]
            low, high = sorted((sign * row["ci_low"], sign * row["ci_high"]))
            return {
                "difference": sign * row["estimate"], "se": row["se"], "t": sign * row["statistic"], "df": row["df"],
                "p": row["p"], "p_adjusted": row["p_adjusted"], "ci_low": low, "ci_high": high,
            }  # fmt: skip
    names = ", ".join(dict.fromkeys([*rows["first"], *rows["second"]]))
    raise SheetError(f'no difference of "{first}" and "{second}": the groups are {names}')


def _variances(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    parts = list(split_by(frame, settings["value"], settings["group"]).values())
    levene = stats.levene(*parts, center=settings["centre"])
    bartlett, fligner = stats.bartlett(*parts), stats.fligner(*parts, center="median")
    return {
        "F": float(levene.statistic), "p": float(levene.pvalue), "df": len(parts) - 1,
        "df2": sum(map(len, parts)) - len(parts), "bartlett_chi2": float(bartlett.statistic),
        "bartlett_p": float(bartlett.pvalue), "fligner_chi2": float(fligner.statistic),
        "fligner_p": float(fligner.pvalue),
    }  # fmt: skip


def _one_way(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    complete = frame[[settings["outcome"], settings["group"]]].dropna()
    (values,) = numbers_of(complete, settings["outcome"])
    moved = values - values.mean()  # large constant offsets would otherwise eat the digits
    groups = [part.to_numpy(float) for _, part in pd.Series(moved).groupby(complete[settings["group"]].to_numpy())]
    if len(groups) < 2 or len(values) <= len(groups):
        raise NotEnoughError(f"{len(values)} readings in {len(groups)} group(s): two groups of several are needed")
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups)
    total = float(((moved - moved.mean()) ** 2).sum())
    test = stats.f_oneway(*groups)
    k, n = len(groups), len(values)
    return {
        "F": float(test.statistic), "p": float(test.pvalue), "sd_residual": math.sqrt(within / (n - k)),
        "r2": 1 - within / total, "df": k - 1, "df2": n - k, "n": n, "ss_between": total - within,
        "ss_within": within, "ms_between": (total - within) / (k - 1), "ms_within": within / (n - k),
        "eta2": 1 - within / total,
        "omega2": (total - within - (k - 1) * within / (n - k)) / (total + within / (n - k)),
    } | _welch_anova(groups)  # fmt: skip


def _welch_anova(groups: list[Array]) -> Numbers:
    """Welch's analysis of variance, no equal variances supposed; left out where a group does not vary."""
    from statsmodels.stats.oneway import anova_oneway

    if any(len(group) < 2 or np.ptp(group) == 0 for group in groups):
        return {}
    found = anova_oneway(groups, use_var="unequal", welch_correction=True)
    return {"welch_F": float(found.statistic), "welch_df2": float(found.df_denom), "welch_p": float(found.pvalue)}


def _factorial(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    import pingouin

    factors, outcome = list(settings["factors"]), settings["outcome"]
    rows = frame[[outcome, *factors]].dropna()
    rows[outcome] = numbers_of(rows, outcome)[0]
    rows[factors] = rows[factors].astype(str)
    table = pingouin.anova(data=rows, dv=outcome, between=factors, ss_type=int(settings["squares"]), detailed=True)
    table = table.set_index("Source")
    term = settings["term"].replace(" x ", " * ").replace(":", " * ")
    if term not in table.index or term == "Residual":
        raise SheetError(
            f'no term "{settings["term"]}": the terms are {", ".join(t for t in table.index if t != "Residual")}'
        )
    row = table.loc[term]
    p = next(name for name in table.columns if name.lower().startswith("p") and "un" in name.lower())
    return {
        "F": float(row["F"]), "df": float(row["DF"]), "df2": float(table.loc["Residual", "DF"]), "p": float(row[p]),
        "ss": float(row["SS"]), "ms": float(row["MS"]), "ms_residual": float(table.loc["Residual", "MS"]),
        "eta2_partial": float(row["np2"]), "n": len(rows),
    }  # fmt: skip


def _covariance(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.group_difference import baseline_adjusted

    rows = frame.dropna(subset=[settings[key] for key in ("before", "after", "group")])
    rows = rows.assign(**{settings["group"]: rows[settings["group"]].astype(str)})
    names = sorted(rows[settings["group"]].unique())
    reference = settings["first_group"] or names[0]
    found = baseline_adjusted(
        rows, outcome=settings["after"], baseline=settings["before"], group=settings["group"], reference=reference,
        unit="", confidence_level=settings["confidence_level"],
    )  # fmt: skip
    one = found.difference
    return {
        "n": len(rows), "difference": one.value, "se": float(one.se or 0.0), "df": float(one.df or 0),
        "t": one.value / float(one.se or math.inf), "p": float(one.p or 0.0), "ci_low": one.ci_low,
        "ci_high": one.ci_high, "slope": found.slope,
    }  # fmt: skip


def _equivalence(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.equivalence_tests import paired_equivalence, welch_equivalence

    bounds: dict[str, Any] = {"lower_bound": float(settings["low"]), "upper_bound": float(settings["high"])}
    if settings["group"]:
        one, two = two_of(frame, settings)
        found = welch_equivalence(two, one, unit="", alpha=settings["alpha"], **bounds)
    else:
        first, second = numbers_of(frame, settings["first"], settings["second"])
        found = paired_equivalence(second - first, unit="", alpha=settings["alpha"], **bounds)
    return {
        "difference": found.difference.value, "ci_low": found.difference.ci_low, "ci_high": found.difference.ci_high,
        "t_lower": found.t_lower, "t_upper": found.t_upper, "p_lower": found.p_lower, "p_upper": found.p_upper,
        "p": found.p, "df": float(found.df),
    }  # fmt: skip


_TWO = {"first_group": "", "second_group": ""}
_LEVEL = {"confidence_level": 0.95}

GROUP_METHODS = (
    Method(
        name="two_groups_t",
        topic="different people in groups",
        what="means of two groups, their difference (second minus first), Welch's or Student's t, d and g",
        gives=(
            "n", "n_first", "n_second", "mean_first", "mean_second", "sd_first", "sd_second", "difference", "se",
            "ci_low", "ci_high", "t", "df", "p", "d", "g", "d_low", "d_high", "F_variances", "p_variances",
        ),
        uses="toolkit.stats.two_group_tests.welch_t, toolkit.stats.two_group_tests.student_t",
        recompute=_two_groups,
        columns=("value", "group"),
        settings={"variances": "unequal", "alternative": "two-sided", **_TWO, **_LEVEL},
        choices={**_SIDES, "variances": ("unequal", "equal")},
        meaning={
            **_GROUP_MEANING,
            "variances": '"unequal" = Welch, "equal" = Student',
            "F_variances": "variance of the first group over that of the second", "p_variances": "its two-sided p",
        },
        r="t.test({value} ~ {group}, data = d)  # Student: var.equal = TRUE; R subtracts the second group",
        alternatives=(
            ("Student's t, equal variances", {"variances": "equal"}),
            ("Welch's t, unequal variances", {"variances": "unequal"}),
            *_ONE_SIDED,
        ),
    ),
    Method(
        name="mann_whitney",
        topic="different people in groups",
        what="Mann-Whitney (Wilcoxon rank-sum) test of two groups; U counts pairs in which the second group is higher",
        gives=(
            "U", "U_other", "p", "z", "n_first", "n_second", "probability", "rank_biserial", "rank_sum_first",
            "rank_sum_second", "median_first", "median_second", "shift", "shift_low", "shift_high",
        ),
        uses="toolkit.stats.two_group_tests.mann_whitney",
        recompute=_ranks,
        columns=("value", "group"),
        settings={"alternative": "two-sided", "p_from": "auto", "continuity": "corrected", **_TWO, **_LEVEL},
        choices={**_SIDES, "p_from": ("auto", "exact", "normal"), "continuity": ("corrected", "none")},
        turned={"U": "U_other", "U_other": "U", "rank_sum_first": "rank_sum_second"},
        meaning={
            **_GROUP_MEANING,
            "U_other": "U counted for the first group (R's W when the first group is written first)",
            "probability": "share of pairs in which the second group's person is higher, ties half",
            "shift": "median of all differences (Hodges-Lehmann)",
            "p_from": '"auto" = exact below 50 a group without ties', "z": "normal deviate of U, tie-corrected",
        },
        r="wilcox.test({value} ~ {group}, data = d, conf.int = TRUE)",
        alternatives=(
            ("exact p", {"p_from": "exact"}),
            ("normal approximation with continuity correction", {"p_from": "normal", "continuity": "corrected"}),
            ("normal approximation without continuity correction", {"p_from": "normal", "continuity": "none"}),
            *_ONE_SIDED,
        ),
    ),
    Method(
        name="kruskal_wallis",
        topic="different people in groups",
        what="Kruskal-Wallis rank test of two or more groups",
        gives=("chi2", "df", "p", "n", "epsilon2", "eta2"),
        uses="scipy.stats.kruskal",
        recompute=_kruskal,
        columns=("value", "group"),
        meaning={**_GROUP_MEANING, "epsilon2": "H / (n - 1)", "eta2": "(H - k + 1) / (n - k)"},
        r="kruskal.test({value} ~ {group}, data = d)",
    ),
    Method(
        name="one_way",
        topic="different people in groups",
        what="one-way analysis of variance, plain and Welch's",
        gives=(
            "F", "p", "df", "df2", "n", "sd_residual", "r2", "ss_between", "ss_within", "ms_between", "ms_within",
            "eta2", "omega2", "welch_F", "welch_df2", "welch_p",
        ),
        uses="scipy.stats.f_oneway, statsmodels.stats.oneway.anova_oneway",
        recompute=_one_way,
        columns=("outcome", "group"),
        meaning={"outcome": "the number that is compared", "group": "the column that says which group"},
        r="summary(aov({outcome} ~ factor({group}), data = d)); oneway.test({outcome} ~ {group}, data = d)",
    ),
    Method(
        name="group_contrasts",
        topic="different people in groups",
        what="one difference of two groups' means out of several groups, p by Tukey, Holm, Bonferroni, Dunnett "
        "or plain",
        gives=("difference", "se", "t", "df", "p", "p_adjusted", "ci_low", "ci_high"),
        uses="toolkit.stats.group_means.group_contrasts",
        recompute=_contrasts,
        columns=("value", "group"),
        settings={"adjustment": "tukey", "against": "", **_TWO, **_LEVEL},
        choices={"adjustment": ("tukey", "holm", "bonferroni", "none", "dunnett")},
        meaning={
            **_GROUP_MEANING, "against": "only differences from this group are counted (needed for dunnett)",
            "p": "plain, uncorrected", "ci_low": "simultaneous, by the adjustment",
        },
        r="TukeyHSD(aov({value} ~ {group}, data = d)); pairwise.t.test(d${value}, d${group}, p.adjust.method = "
        "'{adjustment}')",
        alternatives=(
            ("Tukey", {"adjustment": "tukey"}),
            ("Holm", {"adjustment": "holm"}),
            ("Bonferroni", {"adjustment": "bonferroni"}),
            ("no correction", {"adjustment": "none"}),
        ),
    ),
    Method(
        name="equal_variances",
        topic="different people in groups",
        what="do groups spread alike: Levene (or Brown-Forsythe), Bartlett, Fligner-Killeen",
        gives=("F", "df", "df2", "p", "bartlett_chi2", "bartlett_p", "fligner_chi2", "fligner_p"),
        uses="scipy.stats.levene, scipy.stats.bartlett, scipy.stats.fligner",
        recompute=_variances,
        columns=("value", "group"),
        settings={"centre": "median"},
        choices={"centre": ("median", "mean", "trimmed")},
        meaning={**_GROUP_MEANING, "centre": '"median" = Brown-Forsythe, "mean" = Levene as first published'},
        r="car::leveneTest({value} ~ factor({group}), data = d); bartlett.test({value} ~ {group}, data = d)",
        alternatives=(("about the mean", {"centre": "mean"}), ("about the median", {"centre": "median"})),
    ),
    Method(
        name="factorial_anova",
        topic="different people in groups",
        what="analysis of variance with two or more factors between people; one term at a time",
        gives=("F", "df", "df2", "p", "ss", "ms", "ms_residual", "eta2_partial", "n"),
        uses="pingouin.anova",
        recompute=_factorial,
        columns=("outcome", "factors"),
        settings={"term": "", "squares": 2},
        choices={"squares": (1, 2, 3)},
        meaning={
            "outcome": "the number that is compared", "factors": "two or more columns of groups, as a list",
            "term": 'the factor, or "a:b" for an interaction', "squares": "type of the sums of squares",
        },
        r="car::Anova(lm({outcome} ~ {factors} (all crossed), data = d), type = {squares})",
        alternatives=(
            ("sums of squares of type 1", {"squares": 1}),
            ("sums of squares of type 2", {"squares": 2}),
            ("sums of squares of type 3", {"squares": 3}),
        ),
    ),
    Method(
        name="adjusted_for_baseline",
        topic="different people in groups",
        what="two groups compared at the second reading, adjusted for the first (analysis of covariance)",
        gives=("n", "difference", "se", "df", "t", "p", "ci_low", "ci_high", "slope"),
        uses="toolkit.stats.group_difference.baseline_adjusted",
        recompute=_covariance,
        columns=("before", "after", "group"),
        settings={"first_group": "", **_LEVEL},
        meaning={**_GROUP_MEANING, "slope": "of the second reading on the first, within groups"},
        r="summary(lm({after} ~ {before} + {group}, data = d))",
    ),
    Method(
        name="equivalence",
        topic="equivalence",
        what="two one-sided tests (TOST) of a paired change or of two groups (Welch), second minus first",
        gives=(
            "difference", "ci_low", "ci_high", "t_lower", "t_upper", "p_lower", "p_upper", "p", "df",
        ),
        uses="toolkit.stats.equivalence_tests.paired_equivalence, toolkit.stats.equivalence_tests.welch_equivalence",
        recompute=_equivalence,
        columns=("first", "second", "value", "group"),
        optional=("first", "second", "value", "group"),
        settings={"low": -1.0, "high": 1.0, "alpha": 0.05, **_TWO},
        meaning={
            **_GROUP_MEANING,
            "first": "paired: the reading that is subtracted", "second": "paired: the other reading",
            "low": "lower bound of what does not matter (below 0)", "high": "upper bound",
            "ci_low": "of level 1 - 2 alpha", "p": "the larger of the two one-sided p",
        },
        r="TOSTER::tsum_TOST / two t.test(..., mu = bound, alternative = ...)",
    ),
)  # fmt: skip
