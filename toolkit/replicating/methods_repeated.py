"""Named methods for several readings of the same people: Friedman, repeated measures, mixed designs, correlations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of

_LONG = ("person", "reading", "value")
_MEANING = {
    "person": "who was read", "reading": "which reading (occasion, treatment, condition)",
    "value": "the number read, one row a reading",
}  # fmt: skip


def _names(settings: Mapping[str, Any]) -> dict[str, str]:
    return {key: settings[key] for key in _LONG}


def _friedman(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.repeated_readings import friedman, kendall_w

    test = friedman(frame, **_names(settings))
    w, k = kendall_w(frame, **_names(settings)), int(test.df or 0) + 1
    f = (test.n - 1) * w / (1 - w) if w < 1 else float("inf")
    return {"chi2": test.statistic, "df": float(k - 1), "p": test.p, "n": test.n, "W": w, "F": f}


def _repeated(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    from toolkit.stats.repeated_readings import (
        greenhouse_geisser,
        person_by_reading,
        repeated_anova,
        repeated_anova_plain,
    )

    plain, corrected = (make(frame, **_names(settings)) for make in (repeated_anova_plain, repeated_anova))
    epsilon, n = greenhouse_geisser(frame, **_names(settings)), plain.n
    values = person_by_reading(frame, **_names(settings)).to_numpy(float)
    k, means = values.shape[1], values.mean(axis=0)
    ss = n * float(((means - values.mean()) ** 2).sum())
    people = k * float(((values.mean(axis=1) - values.mean()) ** 2).sum())
    error = ss / (k - 1) / plain.statistic * (n - 1) * (k - 1)
    bound = (n * (k - 1) * epsilon - 2) / ((k - 1) * (n - 1 - (k - 1) * epsilon))
    huynh = float(min(bound, 1.0)) if bound > 0 else 1.0
    return {
        "F": plain.statistic, "df": k - 1, "df2": (n - 1) * (k - 1), "p": plain.p, "n": n, "epsilon": epsilon,
        "p_gg": corrected.p, "df_gg": epsilon * (k - 1), "df2_gg": epsilon * (n - 1) * (k - 1), "epsilon_hf": huynh,
        "p_hf": float(stats.f.sf(plain.statistic, huynh * (k - 1), huynh * (n - 1) * (k - 1))),
        "eta2_partial": ss / (ss + error), "eta2_generalised": ss / (ss + error + people), "ss": ss, "ss_error": error,
        "ms_error": error / ((n - 1) * (k - 1)),
    } | _mauchly(values)  # fmt: skip


def _mauchly(values: np.ndarray) -> Numbers:
    """Mauchly's W of sphericity and its p; nothing where the covariance cannot be inverted."""
    import pingouin

    n, k = values.shape
    if k < 3 or n <= k:
        return {}
    found = pingouin.sphericity(pd.DataFrame(values))
    return {"mauchly_W": float(found.W), "mauchly_p": float(found.pval)}


def _mixed(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    import pingouin

    rows = frame[[settings[key] for key in (*_LONG, "group")]].dropna()
    rows = rows.assign(**{settings["value"]: numbers_of(rows, settings["value"])[0]})
    table = pingouin.mixed_anova(
        data=rows, dv=settings["value"], within=settings["reading"], subject=settings["person"],
        between=settings["group"], correction=False,
    ).set_index("Source")  # fmt: skip
    sources = {"group": settings["group"], "reading": settings["reading"], "interaction": "Interaction"}
    row = table.loc[sources[settings["term"]]]
    p = next(name for name in table.columns if name.lower().startswith("p") and "un" in name.lower())
    return {"F": float(row["F"]), "df": float(row["DF1"]), "df2": float(row["DF2"]), "p": float(row[p]),
            "ss": float(row["SS"]), "ms": float(row["MS"]), "eta2_partial": float(row["np2"])}  # fmt: skip


def _pairwise(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Paired t tests (or signed ranks) of every two readings, p corrected over all of them."""
    from itertools import combinations

    from scipy import stats
    from statsmodels.stats.multitest import multipletests

    from toolkit.stats.repeated_readings import person_by_reading

    wide = person_by_reading(frame, **_names(settings))
    wide.columns = pd.Index([str(name) for name in wide.columns])
    first, second = str(settings["first_reading"]), str(settings["second_reading"])
    for name in (first, second):
        if name not in wide.columns:
            raise SheetError(f'there is no reading "{name}": the readings are {", ".join(wide.columns)}')
    pairs = list(combinations(wide.columns, 2))
    tests = [
        stats.ttest_rel(wide[b], wide[a])
        if settings["test"] == "t"
        else stats.wilcoxon(wide[b], wide[a], correction=True, method="approx")
        for a, b in pairs
    ]
    p = np.array([float(test.pvalue) for test in tests])
    adjusted = p if settings["adjustment"] == "none" else multipletests(p, method=settings["adjustment"])[1]
    place = next(i for i, pair in enumerate(pairs) if set(pair) == {first, second})
    change = (wide[second] - wide[first]).to_numpy(float)
    numbers = {"difference": float(change.mean()), "sd": float(change.std(ddof=1)), "p": float(p[place]),
               "p_adjusted": float(adjusted[place]), "df": len(wide) - 1, "n": len(wide)}  # fmt: skip
    if settings["test"] == "t":
        numbers["t"] = float(change.mean() / (change.std(ddof=1) / np.sqrt(len(change))))
    return numbers


def _correlation(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    x, y = numbers_of(frame, settings["x"], settings["y"], least=4)
    line = stats.linregress(x, y)
    level = settings["confidence_level"]
    pearson = stats.pearsonr(x, y)
    rank, tau = stats.spearmanr(x, y), stats.kendalltau(x, y)
    chosen = {"pearson": pearson, "spearman": rank, "kendall": tau}[settings["kind"]]
    numbers = {"r": float(chosen.statistic), "p": float(chosen.pvalue), "n": len(x), "df": len(x) - 2}
    if settings["kind"] == "pearson":
        interval = pearson.confidence_interval(level)
        r = float(pearson.statistic)
        numbers |= {"ci_low": float(interval.low), "ci_high": float(interval.high), "r2": r * r,
                    "t": float(r * np.sqrt((len(x) - 2) / (1 - r * r))), "slope": float(line.slope),
                    "intercept": float(line.intercept), "slope_se": float(line.stderr)}  # fmt: skip
    return numbers


def _within(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.comfort import repeated_measures_correlation

    found = repeated_measures_correlation(
        frame.dropna(subset=[settings["x"], settings["y"]]), client=settings["person"], x=settings["x"],
        y=settings["y"], confidence_level=settings["confidence_level"],
    )  # fmt: skip
    return {"r": found.value, "ci_low": found.ci_low, "ci_high": found.ci_high, "p": float(found.p or 0.0),
            "df": float(found.df or 0)}  # fmt: skip


def _describe(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    (values,) = numbers_of(frame, settings["value"])
    apart = values - values.mean()
    n, ddof = len(values), 0 if settings["variance"] == "n" else 1
    sd = float(values.std(ddof=ddof))
    half = float(stats.t.ppf(0.5 + settings["confidence_level"] / 2, n - 1)) * sd / np.sqrt(n)
    quartiles = np.quantile(values, [0.25, 0.5, 0.75], method=settings["quantiles"])
    return {
        "n": n, "mean": float(values.mean()), "sd": sd, "variance": sd**2, "se": sd / float(np.sqrt(n)),
        "ci_low": float(values.mean() - half), "ci_high": float(values.mean() + half),
        "median": float(quartiles[1]), "q1": float(quartiles[0]), "q3": float(quartiles[2]),
        "iqr": float(quartiles[2] - quartiles[0]), "min": float(values.min()), "max": float(values.max()),
        "range": float(np.ptp(values)), "sum": float(values.sum()),
        "cv": 100 * sd / float(values.mean()) if values.mean() else float("nan"),
        "skewness": float(stats.skew(values)), "kurtosis": float(stats.kurtosis(values)),
        "geometric_mean": float(np.exp(np.log(values).mean())) if (values > 0).all() else float("nan"),
        "t": float((values.mean() - settings["against"]) / (values.std(ddof=1) / np.sqrt(n))), "df": n - 1,
        "p": float(stats.ttest_1samp(values, settings["against"]).pvalue),
        "lag1": float(apart[1:] @ apart[:-1] / (apart @ apart)) if np.ptp(values) else float("nan"),
    }  # fmt: skip


def _count(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.replicating.step_functions import same_value, word_there
    from toolkit.stats.proportions import wilson_limits

    column = frame[settings["value"]].dropna()
    if column.empty:
        raise NotEnoughError(f'the column "{settings["value"]}" holds no value')
    word_there(frame, [settings["value"]], settings["yes"])
    yes, n = int(same_value(column, settings["yes"]).sum()), len(column)
    low, high = wilson_limits(yes / n, n, confidence_level=settings["confidence_level"])
    return {"yes": yes, "n": n, "share": yes / n, "percent": 100 * yes / n, "ci_low": low, "ci_high": high}


_LEVEL = {"confidence_level": 0.95}

REPEATED_METHODS = (
    Method(
        name="one_column",
        topic="description",
        what="mean, SD, median, quartiles and the like of one column (lag-1 autocorrelation in the order of the file)",
        gives=(
            "n", "mean", "sd", "lag1", "variance", "se", "ci_low", "ci_high", "median", "q1", "q3", "iqr", "min", "max",
            "range", "sum", "cv", "skewness", "kurtosis", "geometric_mean", "t", "df", "p",
        ),
        uses="numpy, scipy.stats",
        recompute=_describe,
        columns=("value",),
        settings={"variance": "n-1", "quantiles": "linear", "against": 0.0, **_LEVEL},
        choices={
            "variance": ("n-1", "n"),
            "quantiles": ("linear", "weibull", "hazen", "median_unbiased", "averaged_inverted_cdf"),
        },
        meaning={
            "value": "the column of numbers", "against": "what the mean is tested against (one-sample t)",
            "cv": "100 SD / mean, in percent",
            "quantiles": '"linear" = R type 7, "weibull" = type 6 (SPSS, Minitab), "hazen" = 5, "median_unbiased" = 8, '
            '"averaged_inverted_cdf" = 2 (SAS)',
        },
        r="mean(d${value}); sd(d${value}); quantile(d${value}); t.test(d${value})$conf.int",
        alternatives=(
            ("variance with n in the denominator, not n - 1", {"variance": "n"}),
            ("quartiles as SPSS gives them (type 6)", {"quantiles": "weibull"}),
            ("quartiles as SAS gives them (type 2)", {"quantiles": "averaged_inverted_cdf"}),
            ("quartiles of type 5", {"quantiles": "hazen"}),
        ),
    ),
    Method(
        name="count_of",
        topic="description",
        what="how many people have a value, their share with its Wilson score interval",
        gives=("yes", "n", "share", "percent", "ci_low", "ci_high"),
        uses="toolkit.stats.proportions.wilson_limits",
        recompute=_count,
        columns=("value",),
        settings={"yes": "yes", **_LEVEL},
        meaning={"value": "the column of words", "yes": "the word that is counted"},
        r="table(d${value}); prop.test(sum(d${value} == '{yes}'), nrow(d), correct = FALSE)",
    ),
    Method(
        name="friedman",
        topic="several readings of the same people",
        what="Friedman's rank test with Kendall's W (ties corrected) of three or more readings",
        gives=("chi2", "df", "p", "n", "W", "F"),
        uses="toolkit.stats.repeated_readings.friedman, toolkit.stats.repeated_readings.kendall_w",
        recompute=_friedman,
        columns=_LONG,
        meaning={**_MEANING, "W": "Kendall's W = chi2 / (n (k - 1))", "F": "the F form, (n - 1) W / (1 - W)"},
        r="friedman.test({value} ~ {reading} | {person}, data = d)",
    ),
    Method(
        name="repeated_anova",
        topic="several readings of the same people",
        what="one-way repeated-measures analysis of variance: plain p, Greenhouse-Geisser and Huynh-Feldt",
        gives=(
            "F", "df", "df2", "p", "n", "epsilon", "p_gg", "df_gg", "df2_gg", "epsilon_hf", "p_hf", "eta2_partial",
            "eta2_generalised", "ss", "ss_error", "ms_error", "mauchly_W", "mauchly_p",
        ),
        uses="toolkit.stats.repeated_readings.repeated_anova_plain, toolkit.stats.repeated_readings.repeated_anova, "
        "toolkit.stats.repeated_readings.greenhouse_geisser",
        recompute=_repeated,
        columns=_LONG,
        turned={"p": "p"},
        meaning={
            **_MEANING, "epsilon": "Greenhouse-Geisser", "p_gg": "p by Greenhouse-Geisser",
            "mauchly_W": "Mauchly's W of sphericity", "mauchly_p": "its p",
            "epsilon_hf": "Huynh-Feldt", "p_hf": "p by Huynh-Feldt",
        },
        r="summary(aov({value} ~ {reading} + Error({person}/{reading}), data = d))",
    ),
    Method(
        name="mixed_design",
        topic="several readings of the same people",
        what="groups of people read several times (split-plot analysis of variance): group, reading, interaction",
        gives=("F", "df", "df2", "p", "ss", "ms", "eta2_partial"),
        uses="pingouin.mixed_anova",
        recompute=_mixed,
        columns=(*_LONG, "group"),
        settings={"term": "interaction"},
        choices={"term": ("interaction", "group", "reading")},
        meaning={**_MEANING, "group": "the group of the person", "term": "which of the three tests"},
        r="summary(aov({value} ~ {group} * {reading} + Error({person}/{reading}), data = d))",
    ),
    Method(
        name="pairwise_readings",
        topic="several readings of the same people",
        what="two of several readings compared in the same people (paired t or signed ranks), p corrected over "
        "all pairs",
        gives=("difference", "sd", "t", "df", "n", "p", "p_adjusted"),
        uses="scipy.stats.ttest_rel, scipy.stats.wilcoxon, statsmodels.stats.multitest.multipletests",
        recompute=_pairwise,
        columns=_LONG,
        settings={"first_reading": "", "second_reading": "", "adjustment": "holm", "test": "t"},
        choices={"adjustment": ("holm", "bonferroni", "none"), "test": ("t", "ranks")},
        meaning={**_MEANING, "first_reading": "the reading that is subtracted", "second_reading": "the other"},
        r="pairwise.t.test(d${value}, d${reading}, paired = TRUE, p.adjust.method = '{adjustment}')",
        alternatives=(
            ("Bonferroni", {"adjustment": "bonferroni"}), ("Holm", {"adjustment": "holm"}),
            ("no correction", {"adjustment": "none"}),
        ),
    ),
    Method(
        name="correlation",
        topic="relations",
        what="Pearson, Spearman or Kendall correlation of two columns; with Pearson the straight line of y on x",
        gives=("r", "p", "n", "df", "ci_low", "ci_high", "r2", "t", "slope", "intercept", "slope_se"),
        uses="scipy.stats.pearsonr, scipy.stats.spearmanr, scipy.stats.kendalltau, scipy.stats.linregress",
        recompute=_correlation,
        columns=("x", "y"),
        settings={"kind": "pearson", **_LEVEL},
        choices={"kind": ("pearson", "spearman", "kendall")},
        meaning={"x": "one column", "y": "the other"},
        r="cor.test(d${x}, d${y}, method = '{kind}')",
        alternatives=(
            ("Pearson", {"kind": "pearson"}), ("Spearman", {"kind": "spearman"}), ("Kendall", {"kind": "kendall"}),
        ),
    ),
    Method(
        name="correlation_within",
        topic="relations",
        what="correlation of two readings within people who were read several times",
        gives=("r", "ci_low", "ci_high", "p", "df"),
        uses="toolkit.stats.comfort.repeated_measures_correlation",
        recompute=_within,
        columns=("person", "x", "y"),
        settings=_LEVEL,
        meaning={"person": "who was read", "x": "one reading", "y": "the other"},
        r="rmcorr::rmcorr({person}, {x}, {y}, d)",
    ),
)  # fmt: skip
