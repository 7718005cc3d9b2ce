"""Named methods for words and counts: two shares, tables, ordered words, two readers; from rows or printed counts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating.method import Method, Numbers, numbers_of
from toolkit.replicating.step_functions import same_value, word_there

Table = npt.NDArray[np.float64]
_ORDER = {"order": ()}
_ROWS_COLUMNS = {"rows": "a column of words (down the table)", "columns": "the other (across the table)"}
_COUNT_MEANING = {
    "count": "a column of counts, where each row of the data stands for several people",
    "order": "the words in their order, as a list; alphabetical (or numerical) if left out",
}


def table_of(frame: pd.DataFrame, settings: Mapping[str, Any], *, square: bool = False) -> tuple[Table, list[str]]:
    """A table of counts from two columns of words, and its words; a square one has the same words both ways."""
    down, across = frame[settings["rows"]], frame[settings["columns"]]
    kept = down.notna() & across.notna()
    weight = np.ones(len(frame))
    if settings.get("count"):
        weight = numbers_of(frame, settings["count"], least=1)[0]
        if len(weight) != len(frame):
            raise SheetError(f'the column "{settings["count"]}" has gaps: a count of nobody is 0')
    order = [str(word) for word in settings["order"]]
    words = [sorted(dict.fromkeys(column[kept]), key=_sorting) for column in (down, across)]
    named = [[_word(word) for word in part] for part in words]
    if square or order:
        every = order or list(dict.fromkeys(_word(w) for w in sorted({*words[0], *words[1]}, key=_sorting)))
        unknown = [word for part in named for word in part if word not in every]
        if unknown:
            raise SheetError(f'order does not name "{unknown[0]}": list every word of both columns')
        named = [every if square else [w for w in every if w in part] for part in named]
    counts = np.zeros((len(named[0]), len(named[1])))
    places = [{word: place for place, word in enumerate(part)} for part in named]
    for one, other, times, use in zip(down, across, weight, kept, strict=True):
        if use:
            counts[places[0][_word(one)], places[1][_word(other)]] += times
    if min(counts.shape) < 2:
        raise NotEnoughError("one of the two columns holds one word only: there is nothing to compare")
    return counts, named[0]


def _word(value: Any) -> str:
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _sorting(value: Any) -> tuple[int, float, str]:
    number = pd.to_numeric(value, errors="coerce")
    return (1, 0.0, str(value)) if pd.isna(number) else (0, float(number), "")


def _two_shares(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """From printed counts (`first`, `second`) or from rows (`answer`, `group`)."""
    counts = [settings["first"], settings["second"]]
    if not all(counts):
        counts = _counts_of_groups(frame, settings)
    (yes_1, n_1), (yes_2, n_2) = ((float(part["yes"]), float(part["n"])) for part in counts)
    if not (0 <= yes_1 <= n_1 and 0 <= yes_2 <= n_2 and n_1 >= 1 and n_2 >= 1):
        raise SheetError(f"{yes_1:g} of {n_1:g} and {yes_2:g} of {n_2:g} are not counts of people: correct them")
    return _shares_compared(
        yes_1, n_1, yes_2, n_2, level=settings["confidence_level"], corrected=settings["continuity"]
    )


def _counts_of_groups(frame: pd.DataFrame, settings: Mapping[str, Any]) -> list[dict[str, float]]:
    if not settings.get("answer") or not settings.get("group"):
        raise SheetError("two_shares needs the columns answer and group, or the counts: first = {yes = 10, n = 43}")
    rows = frame[[settings["answer"], settings["group"]]].dropna()
    word_there(rows, [settings["answer"]], settings["yes"])
    names = sorted(dict.fromkeys(map(_word, rows[settings["group"]])))
    wanted = [settings["first_group"] or names[0], settings["second_group"] or names[-1]]
    found = []
    for name in wanted:
        part = rows[same_value(rows[settings["group"]], name)]
        if part.empty:
            raise SheetError(f'there is no group "{name}": the groups are {", ".join(names)}')
        found.append({"yes": float(same_value(part[settings["answer"]], settings["yes"]).sum()), "n": float(len(part))})
    return found


def _shares_compared(yes_1: float, n_1: float, yes_2: float, n_2: float, *, level: float, corrected: str) -> Numbers:
    from scipy import stats

    from toolkit.stats.proportions import unpaired_difference

    table = np.array([[yes_1, n_1 - yes_1], [yes_2, n_2 - yes_2]])
    z = float(stats.norm.ppf(0.5 + level / 2))
    p_1, p_2 = yes_1 / n_1, yes_2 / n_2
    difference = unpaired_difference(int(yes_2), int(n_2), int(yes_1), int(n_1), confidence_level=level)
    wald = z * math.sqrt(p_1 * (1 - p_1) / n_1 + p_2 * (1 - p_2) / n_2)
    numbers: Numbers = {
        "share_first": p_1, "share_second": p_2, "percent_first": 100 * p_1, "percent_second": 100 * p_2,
        "n": n_1 + n_2,
        "difference": p_2 - p_1,
        "ci_low": difference.ci_low,
        "ci_high": difference.ci_high,
        "difference_wald_low": p_2 - p_1 - wald, "difference_wald_high": p_2 - p_1 + wald,
        "fisher_p": float(stats.fisher_exact(table).pvalue),
    }  # fmt: skip
    if table.sum(axis=0).min() > 0:
        chi2 = stats.chi2_contingency(table, correction=corrected == "corrected")
        pooled = (yes_1 + yes_2) / (n_1 + n_2)
        numbers |= {"chi2": float(chi2.statistic), "p": float(chi2.pvalue), "df": 1.0,
                    "z": (p_2 - p_1) / math.sqrt(pooled * (1 - pooled) * (1 / n_1 + 1 / n_2))}  # fmt: skip
    if table.min() > 0:
        log_or, se_or = math.log(table[1, 0] * table[0, 1] / table[1, 1] / table[0, 0]), math.sqrt((1 / table).sum())
        log_rr, se_rr = math.log(p_2 / p_1), math.sqrt(1 / yes_1 - 1 / n_1 + 1 / yes_2 - 1 / n_2)
        for name, log, se in (("odds_ratio", log_or, se_or), ("risk_ratio", log_rr, se_rr)):
            numbers |= {
                name: math.exp(log),
                f"{name}_low": math.exp(log - z * se),
                f"{name}_high": math.exp(log + z * se),
            }
        numbers["number_needed"] = 1 / abs(p_2 - p_1) if p_1 != p_2 else math.inf
    return numbers


def _table(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from scipy import stats

    counts, _ = table_of(frame, settings)
    chi2 = stats.chi2_contingency(counts, correction=settings["continuity"] == "corrected" and counts.shape == (2, 2))
    plain = stats.chi2_contingency(counts, correction=False)
    g = stats.chi2_contingency(counts, correction=False, lambda_="log-likelihood")
    n = float(counts.sum())
    numbers: Numbers = {
        "chi2": float(chi2.statistic), "df": float(chi2.dof), "p": float(chi2.pvalue), "n": n,
        "likelihood_chi2": float(g.statistic), "likelihood_p": float(g.pvalue),
        "cramers_v": math.sqrt(float(plain.statistic) / n / (min(counts.shape) - 1)),
        "smallest_expected": float(chi2.expected_freq.min()),
    }  # fmt: skip
    if counts.shape == (2, 2):
        numbers["fisher_p"] = float(stats.fisher_exact(counts).pvalue)
        numbers["phi"] = math.sqrt(float(plain.statistic) / n)
        if counts.min() > 0:
            numbers["odds_ratio"] = float(counts[0, 0] * counts[1, 1] / counts[0, 1] / counts[1, 0])
    return numbers


def _ordered(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Groups (down) by ordered words (across): linear trend, ranks, gamma, tau-b."""
    from scipy import stats

    counts, _ = table_of(frame, settings)
    k, m = counts.shape
    n = float(counts.sum())
    down, across = np.arange(k, dtype=float), np.arange(m, dtype=float)
    x, y = (
        np.repeat(down, counts.sum(axis=1).astype(int)),
        np.concatenate([np.repeat(across, row.astype(int)) for row in counts]),
    )
    r = float(np.corrcoef(x, y)[0, 1])
    trend = (n - 1) * r * r
    ranked = stats.kruskal(*[y[x == one] for one in down])
    tau = stats.kendalltau(x, y)
    up = sum(counts[i, j] * counts[i + 1 :, j + 1 :].sum() for i in range(k) for j in range(m))
    down_ = sum(counts[i, j] * counts[i + 1 :, :j].sum() for i in range(k) for j in range(m))
    return {
        "trend_chi2": trend, "trend_p": float(stats.chi2.sf(trend, 1)), "kruskal_chi2": float(ranked.statistic),
        "kruskal_p": float(ranked.pvalue), "kruskal_df": float(k - 1), "gamma": float((up - down_) / (up + down_)),
        "tau_b": float(tau.statistic), "tau_p": float(tau.pvalue), "r": r, "n": n,
    }  # fmt: skip


def _stratified(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from statsmodels.stats.contingency_tables import StratifiedTable

    tables = []
    for _, part in frame.groupby(settings["stratum"], sort=True):
        counts, _names = table_of(part, settings, square=False)
        if counts.shape != (2, 2):
            raise SheetError("a stratified table is 2 x 2 in every stratum: two words down and two across")
        tables.append(counts)
    found = StratifiedTable(tables)
    test = found.test_null_odds(correction=settings["continuity"] == "corrected")
    low, high = found.oddsratio_pooled_confint()
    return {
        "odds_ratio": float(found.oddsratio_pooled), "odds_ratio_low": float(low), "odds_ratio_high": float(high),
        "risk_ratio": float(found.riskratio_pooled), "chi2": float(test.statistic), "p": float(test.pvalue), "df": 1.0,
        "breslow_day_chi2": float(found.test_equal_odds().statistic),
        "breslow_day_p": float(found.test_equal_odds().pvalue),
    }  # fmt: skip


def _same_twice(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Ordered or unordered words read twice in the same people: symmetry and equal margins."""
    from statsmodels.stats.contingency_tables import SquareTable

    counts, _ = table_of(frame, settings, square=True)
    square = SquareTable(counts, shift_zeros=False)
    bowker, numbers = square.symmetry(), {"n": float(counts.sum())}
    numbers |= {"bowker_chi2": float(bowker.statistic), "bowker_df": float(bowker.df), "bowker_p": float(bowker.pvalue)}
    for name, method in (("stuart", "stuart_maxwell"), ("bhapkar", "bhapkar")):
        found = square.homogeneity(method=method)
        if math.isfinite(float(found.statistic)):
            numbers |= {f"{name}_chi2": float(found.statistic), f"{name}_df": float(found.df),
                        f"{name}_p": float(found.pvalue)}  # fmt: skip
    numbers["agreement"] = float(np.trace(counts) / counts.sum())
    return numbers


def _ordinal(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    """Proportional odds of an ordered answer on columns of numbers or of two words each (the second one is 1)."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    named = settings["explaining"]
    names = [named] if isinstance(named, str) else list(named)
    if settings["answer"] in names or len(set(names)) < len(names):
        raise SheetError("explaining names the answer itself, or a column twice: list each other column once")
    rows = frame[[settings["answer"], *names]].dropna()
    order = [str(word) for word in settings["order"]] or sorted(map(_word, rows[settings["answer"]].unique()))
    answer = pd.Categorical(rows[settings["answer"]].map(_word), categories=order, ordered=True)
    if (answer.codes < 0).any():
        raise SheetError("order does not name every word of the answer")
    columns = {}
    for name in names:
        numbers = pd.to_numeric(rows[name], errors="coerce")
        words = sorted(map(_word, rows[name].unique()))
        if numbers.notna().all():
            columns[name] = numbers.to_numpy(float)
        elif len(words) == 2:
            columns[name] = (rows[name].map(_word) == words[1]).to_numpy(float)
        else:
            raise SheetError(f'"{name}" holds {len(words)} words: recode it to numbers or to two words first')
    if settings["term"] not in columns:
        raise SheetError(f'term = "{settings["term"]}": use one of {", ".join(names)}')
    explaining = pd.DataFrame(columns)
    fit = OrderedModel(pd.Series(answer), explaining, distr=settings["link"]).fit(method="bfgs", disp=False, gtol=1e-8)
    at = names.index(settings["term"])
    value, se = float(np.asarray(fit.params)[at]), float(np.asarray(fit.bse)[at])
    limits = (value - 1.959964 * se, value + 1.959964 * se)
    found: Numbers = {
        "estimate": value, "se": se, "z": value / se, "p": float(np.asarray(fit.pvalues)[at]), "n": len(rows),
        "log_likelihood": float(fit.llf),
    }  # fmt: skip
    if settings["link"] == "logit":
        found |= {
            "odds_ratio": math.exp(value),
            "odds_ratio_low": math.exp(limits[0]),
            "odds_ratio_high": math.exp(limits[1]),
        }
    return found


def _kappa(frame: pd.DataFrame, settings: Mapping[str, Any]) -> Numbers:
    from toolkit.stats.rating_agreement import kappa_of_table

    counts, words = table_of(frame, settings, square=True)
    found = kappa_of_table(
        counts, weights=settings["weights"], categories=words, confidence_level=settings["confidence_level"]
    )
    large = found.large_sample
    highest = float(np.minimum(counts.sum(axis=0), counts.sum(axis=1)).sum() / counts.sum())
    numbers = {
        "kappa": found.estimate.value, "ci_low": found.estimate.ci_low, "ci_high": found.estimate.ci_high,
        "wald_low": large.ci_low, "wald_high": large.ci_high, "se": float(large.se or float("nan")),
        "observed": found.observed, "by_chance": found.by_chance, "n": float(counts.sum()),
    }  # fmt: skip
    if settings["weights"] == "none":
        numbers["kappa_max"] = (highest - found.by_chance) / (1 - found.by_chance)
        numbers["pabak"] = (len(counts) * found.observed - 1) / (len(counts) - 1)
    return numbers


_LEVEL = {"confidence_level": 0.95}
_CONTINUITY = {"continuity": ("none", "corrected")}
_CORRECTIONS = (
    ("with continuity correction", {"continuity": "corrected"}),
    ("without continuity correction", {"continuity": "none"}),
)

TABLE_METHODS = (
    Method(
        name="two_shares",
        topic="words and counts",
        what="shares of two groups compared (second minus first): difference, risk and odds ratio, chi-squared, Fisher",
        gives=(
            "share_first", "share_second", "percent_first", "percent_second", "n", "difference", "ci_low", "ci_high",
            "difference_wald_low", "difference_wald_high", "chi2", "df", "p", "z", "fisher_p", "odds_ratio",
            "odds_ratio_low", "odds_ratio_high", "risk_ratio", "risk_ratio_low", "risk_ratio_high", "number_needed",
        ),
        uses="toolkit.stats.proportions.unpaired_difference, scipy.stats.chi2_contingency, scipy.stats.fisher_exact",
        recompute=_two_shares,
        columns=("answer", "group"),
        optional=("answer", "group", "first", "second"),
        settings={"yes": "yes", "first_group": "", "second_group": "", "continuity": "none", **_LEVEL},
        choices=_CONTINUITY,
        groups={"first": ("yes", "n"), "second": ("yes", "n")},
        meaning={
            "answer": "the column of words; or leave the data out and print the counts",
            "group": "the column of two groups", "yes": "the word that is counted",
            "first": "counts of the group that is subtracted (the denominator of a ratio)",
            "second": "counts of the other group", "ci_low": "Newcombe's score interval of the difference",
            "number_needed": "1 / difference", "chi2": "without continuity correction unless continuity says so",
        },
        r="prop.test(c({second_yes}, {first_yes}), c({second_n}, {first_n}), correct = FALSE); fisher.test(table)",
        alternatives=_CORRECTIONS,
    ),
    Method(
        name="table_test",
        topic="words and counts",
        what="a table of two columns of words: chi-squared, likelihood ratio, Fisher (2 x 2), Cramér's V",
        gives=(
            "chi2", "df", "p", "n", "likelihood_chi2", "likelihood_p", "cramers_v", "smallest_expected", "fisher_p",
            "phi", "odds_ratio",
        ),
        uses="scipy.stats.chi2_contingency, scipy.stats.fisher_exact",
        recompute=_table,
        columns=("rows", "columns", "count"),
        optional=("count",),
        settings={"continuity": "none", **_ORDER},
        choices=_CONTINUITY,
        meaning={**_ROWS_COLUMNS, **_COUNT_MEANING},
        r="chisq.test(table(d${rows}, d${columns}), correct = FALSE); fisher.test(table(d${rows}, d${columns}))",
        alternatives=_CORRECTIONS,
    ),
    Method(
        name="ordered_table",
        topic="words and counts",
        what="groups (down) by ordered words (across): linear trend, Kruskal-Wallis, gamma, Kendall's tau-b",
        gives=(
            "trend_chi2", "trend_p", "kruskal_chi2", "kruskal_p", "kruskal_df", "gamma", "tau_b", "tau_p", "r", "n",
        ),
        uses="scipy.stats.kruskal, scipy.stats.kendalltau",
        recompute=_ordered,
        columns=("rows", "columns", "count"),
        optional=("count",),
        settings=_ORDER,
        meaning={**_ROWS_COLUMNS, **_COUNT_MEANING, "trend_chi2": "linear-by-linear (Mantel), (n - 1) r squared"},
        r="coin::lbl_test(table); kruskal.test(...); DescTools::GoodmanKruskalGamma(table)",
    ),
    Method(
        name="ordinal_model",
        topic="words and counts",
        what="an ordered answer explained by columns: proportional odds; with two words logistic regression",
        gives=("estimate", "se", "z", "p", "odds_ratio", "odds_ratio_low", "odds_ratio_high", "log_likelihood", "n"),
        uses="statsmodels.miscmodels.ordinal_model.OrderedModel",
        recompute=_ordinal,
        columns=("answer", "explaining"),
        settings={"term": "", "link": "logit", **_ORDER},
        choices={"link": ("logit", "probit")},
        meaning={
            "answer": "the column of ordered words", "explaining": "columns of numbers, or of two words each; a list",
            "term": "the column whose effect is wanted", "order": "the answer's words from low to high, a list",
            "odds_ratio": "odds of a higher answer", "link": '"logit" = proportional odds',
        },
        r="summary(MASS::polr(factor({answer}) ~ {explaining}, data = d, Hess = TRUE))",
        alternatives=(("probit", {"link": "probit"}), ("logit", {"link": "logit"})),
    ),
    Method(
        name="stratified_table",
        topic="words and counts",
        what="2 x 2 tables in strata: Mantel-Haenszel odds ratio and test, Breslow-Day",
        gives=(
            "odds_ratio", "odds_ratio_low", "odds_ratio_high", "risk_ratio", "chi2", "df", "p", "breslow_day_chi2",
            "breslow_day_p",
        ),
        uses="statsmodels.stats.contingency_tables.StratifiedTable",
        recompute=_stratified,
        columns=("rows", "columns", "stratum", "count"),
        optional=("count",),
        settings={"continuity": "none", **_ORDER},
        choices=_CONTINUITY,
        meaning={**_ROWS_COLUMNS, **_COUNT_MEANING, "stratum": "the column of strata (sites, sexes, ages)"},
        r="mantelhaen.test(table(d${rows}, d${columns}, d${stratum}), correct = FALSE)",
        alternatives=_CORRECTIONS,
    ),
    Method(
        name="same_words_twice",
        topic="words and counts",
        what="words read twice in the same people: Bowker's symmetry, Stuart-Maxwell and Bhapkar's equal margins",
        gives=(
            "bowker_chi2", "bowker_df", "bowker_p", "stuart_chi2", "stuart_df", "stuart_p", "bhapkar_chi2",
            "bhapkar_df", "bhapkar_p", "agreement", "n",
        ),
        uses="statsmodels.stats.contingency_tables.SquareTable",
        recompute=_same_twice,
        columns=("rows", "columns", "count"),
        optional=("count",),
        settings=_ORDER,
        meaning={"rows": "the word at the first reading", "columns": "the word at the second", **_COUNT_MEANING},
        r="mcnemar.test(table(d${rows}, d${columns}), correct = FALSE); coin::mh_test(table)",
    ),
    Method(
        name="cohen_kappa",
        topic="agreement on words",
        what="Cohen's kappa of two readers, plain or weighted, from one row a person or from counts",
        gives=(
            "kappa", "ci_low", "ci_high", "wald_low", "wald_high", "se", "observed", "by_chance", "kappa_max", "pabak",
            "n",
        ),
        uses="toolkit.stats.rating_agreement.kappa_of_table",
        recompute=_kappa,
        columns=("rows", "columns", "count"),
        optional=("count",),
        settings={"weights": "none", **_ORDER, **_LEVEL},
        choices={"weights": ("none", "linear", "quadratic")},
        meaning={
            "rows": "what the first reader said", "columns": "what the second said", **_COUNT_MEANING,
            "ci_low": "interval that holds its level in small samples", "wald_low": "kappa - 1.96 se, as most print it",
            "observed": "share of (weighted) agreement", "pabak": "prevalence- and bias-adjusted kappa",
            "se": "large-sample standard error (Fleiss, Cohen & Everitt 1969)",
        },
        r="psych::cohen.kappa(d[, c('{rows}', '{columns}')]); vcd::Kappa(table)",
        alternatives=(
            ("unweighted", {"weights": "none"}), ("linear weights", {"weights": "linear"}),
            ("quadratic weights", {"weights": "quadratic"}),
        ),
    ),
)  # fmt: skip
