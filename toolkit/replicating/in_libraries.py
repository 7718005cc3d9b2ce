"""The paper's analysis as anybody would rerun it: pingouin, statsmodels and scipy, beside this toolkit's numbers.

For the usual methods: the lines a reader would type on the sheet's data, and what those libraries give. Nothing is
evaluated from text: each method has a function that does what its lines say.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.replicating.method import Numbers
from toolkit.replicating.methods_groups import split_by, two_of
from toolkit.replicating.methods_tables import table_of
from toolkit.replicating.sheet_figures import Figure

Settings = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class InLibrary:
    """One analysis in a library: the lines that do it, and what came out."""

    code: str
    numbers: Numbers


def in_library(figure: Figure) -> InLibrary | None:
    """The figure's analysis in pingouin, statsmodels or scipy; None where none of them has it.

    Args:
        figure: of a sheet that was read.

    Returns:
        The lines, with the sheet's own columns, and the numbers by the names a figure takes.

    Raises:
        ToolkitError: the library gives no answer for these data.

    Example:
        >>> from toolkit.replicating.run import shipped_sheets
        >>> from toolkit.replicating.sheet import read_sheet
        >>> sheet = read_sheet(next(path for path in shipped_sheets() if path.parent.name == "sleep_drugs"))
        >>> in_library(sheet.figures[0]).code.splitlines()[0]
        'import pingouin'
    """
    make = _LIBRARY.get(figure.method.name)
    if make is None or figure.rows is None:
        return None
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")  # these libraries remark on small samples; the numbers stand beside ours
            return make(figure.rows, figure.settings)
    except ToolkitError:
        raise
    except (ValueError, TypeError, KeyError, ArithmeticError, AssertionError, np.linalg.LinAlgError) as fault:
        raise ToolkitError(f"The library gives no answer for these data ({str(fault)[:100]}).") from fault


def _cell(table: pd.DataFrame, *names: str, row: Any = 0) -> float:
    """One number of a library's table, by any of the column names its releases use."""
    for name in names:
        if name in table.columns:
            return float(table[name].iloc[row] if isinstance(row, int) else table.loc[row, name])
    raise KeyError(names[0])


def _paired(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    rows = frame[[s["before"], s["after"]]].astype(float).dropna()
    found = pingouin.ttest(rows[s["after"]], rows[s["before"]], paired=True)
    code = f'import pingouin\npingouin.ttest(rows["{s["after"]}"], rows["{s["before"]}"], paired=True)'
    return InLibrary(code=code, numbers={"t": _cell(found, "T"), "df": _cell(found, "dof"), "p": _cell(found, "p_val")})


def _ranks(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from scipy import stats

    rows = frame[[s["before"], s["after"]]].astype(float).dropna()
    how = "exact" if s["p_from"] == "exact" else "approx"
    found = stats.wilcoxon(
        rows[s["after"]] - rows[s["before"]], method=how, correction=s["continuity"] == "corrected",
        alternative=s["alternative"],
    )  # fmt: skip
    code = (
        f'from scipy import stats\nstats.wilcoxon(rows["{s["after"]}"] - rows["{s["before"]}"], method="{how}", '
        f'correction={s["continuity"] == "corrected"}, alternative="{s["alternative"]}")'
    )
    return InLibrary(code=code, numbers={"p": float(found.pvalue)})


def _shape(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    one = s["value"]
    values = frame[one] if one else frame[s["after"]] - frame[s["before"]]
    found = pingouin.normality(values.astype(float).dropna().to_numpy())
    said = f'rows["{one}"]' if one else f'rows["{s["after"]}"] - rows["{s["before"]}"]'
    return InLibrary(
        code=f"import pingouin\npingouin.normality({said})", numbers={"W": _cell(found, "W"), "p": _cell(found, "pval")}
    )


def _groups_t(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    one, two = two_of(frame, s)
    correction = s["variances"] == "unequal"
    found = pingouin.ttest(two, one, correction=correction)
    code = (
        f'import pingouin\none, two = (part["{s["value"]}"] for _, part in rows.groupby("{s["group"]}"))\n'
        f"pingouin.ttest(two, one, correction={correction})"
    )
    return InLibrary(code=code, numbers={"t": _cell(found, "T"), "df": _cell(found, "dof"), "p": _cell(found, "p_val")})


def _rank_sum(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from scipy import stats

    one, two = two_of(frame, s)
    if s["p_from"] == "exact" and len(np.unique(np.concatenate([one, two]))) < len(one) + len(two):
        raise ToolkitError("scipy has no exact rank-sum test with ties.")
    how = {"exact": "exact", "normal": "asymptotic", "auto": "auto"}[s["p_from"]]
    corrected = s["continuity"] == "corrected"
    found = stats.mannwhitneyu(two, one, alternative=s["alternative"], method=how, use_continuity=corrected)
    code = (
        f'from scipy import stats\none, two = (part["{s["value"]}"] for _, part in rows.groupby("{s["group"]}"))\n'
        f'stats.mannwhitneyu(two, one, alternative="{s["alternative"]}", method="{how}", use_continuity={corrected})'
    )
    return InLibrary(code=code, numbers={"U": float(found.statistic), "p": float(found.pvalue)})


def _one_way(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    rows = frame.astype({s["outcome"]: float})
    found = pingouin.anova(rows, dv=s["outcome"], between=s["group"])
    names = {"F": "F", "p": "p_unc", "df": "ddof1", "df2": "ddof2", "eta2": "np2"}
    numbers = {take: _cell(found, name) for take, name in names.items()}
    return InLibrary(
        code=f'import pingouin\npingouin.anova(rows, dv="{s["outcome"]}", between="{s["group"]}")', numbers=numbers
    )


def _kruskal(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.kruskal(frame, dv=s["value"], between=s["group"])
    code = f'import pingouin\npingouin.kruskal(rows, dv="{s["value"]}", between="{s["group"]}")'
    return InLibrary(code=code, numbers={"chi2": _cell(found, "H"), "p": _cell(found, "p_unc")})


def _tukey(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from statsmodels.stats.multicomp import pairwise_tukeyhsd

    rows = frame[[s["value"], s["group"]]].dropna()
    found = pairwise_tukeyhsd(rows[s["value"]].astype(float), rows[s["group"]].astype(str))
    names = list(split_by(rows, s["value"], s["group"]))
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    code = (
        "from statsmodels.stats.multicomp import pairwise_tukeyhsd\n"
        f'pairwise_tukeyhsd(rows["{s["value"]}"], rows["{s["group"]}"]).summary()'
    )
    wanted = (s["first_group"], s["second_group"])
    place = next(i for i, pair in enumerate(pairs) if set(pair) == set(wanted))
    sign = 1.0 if pairs[place] == wanted else -1.0
    numbers = {"difference": sign * float(found.meandiffs[place])}
    if s["adjustment"] == "tukey":
        numbers["p_adjusted"] = float(found.pvalues[place])
    return InLibrary(code=code, numbers=numbers)


def _friedman(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.friedman(frame, dv=s["value"], within=s["reading"], subject=s["person"])
    code = (
        f'import pingouin\npingouin.friedman(rows, dv="{s["value"]}", within="{s["reading"]}", subject="{s["person"]}")'
    )
    return InLibrary(code=code, numbers={"chi2": _cell(found, "Q"), "p": _cell(found, "p_unc"), "W": _cell(found, "W")})


def _repeated(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.rm_anova(frame, dv=s["value"], within=s["reading"], subject=s["person"], correction=True)
    code = (
        f'import pingouin\npingouin.rm_anova(rows, dv="{s["value"]}", within="{s["reading"]}", '
        f'subject="{s["person"]}", correction=True)'
    )
    numbers = {"F": _cell(found, "F"), "p": _cell(found, "p_unc"), "p_gg": _cell(found, "p_GG_corr"),
               "epsilon": _cell(found, "eps"), "eta2_generalised": _cell(found, "ng2")}  # fmt: skip
    return InLibrary(code=code, numbers=numbers)


def _correlation(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.corr(frame[s["x"]], frame[s["y"]], method=s["kind"])
    code = f'import pingouin\npingouin.corr(rows["{s["x"]}"], rows["{s["y"]}"], method="{s["kind"]}")'
    return InLibrary(code=code, numbers={"r": _cell(found, "r"), "p": _cell(found, "p_val")})


def _within(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.rm_corr(frame, x=s["x"], y=s["y"], subject=s["person"])
    code = f'import pingouin\npingouin.rm_corr(rows, x="{s["x"]}", y="{s["y"]}", subject="{s["person"]}")'
    return InLibrary(code=code, numbers={"r": _cell(found, "r"), "df": _cell(found, "dof"), "p": _cell(found, "pval")})


def _icc(frame: pd.DataFrame, s: Settings) -> InLibrary:
    import pingouin

    found = pingouin.intraclass_corr(frame, targets=s["subject"], raters=s["reader"], ratings=s["value"])
    names = ("icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k")
    code = (
        f'import pingouin\npingouin.intraclass_corr(rows, targets="{s["subject"]}", raters="{s["reader"]}", '
        f'ratings="{s["value"]}")'
    )
    return InLibrary(code=code, numbers={name: float(found["ICC"].iloc[place]) for place, name in enumerate(names)})


def _limits(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from scipy import stats

    rows = frame[[s["first"], s["second"]]].astype(float).dropna()
    apart = (rows[s["first"]] - rows[s["second"]]).to_numpy(dtype=float)
    interval = stats.ttest_1samp(apart, 0).confidence_interval()
    m = float(s["multiplier"])
    code = (
        f'from scipy import stats\napart = rows["{s["first"]}"] - rows["{s["second"]}"]\n'
        f"apart.mean(), apart.std(), apart.mean() - {m:g} * apart.std(), apart.mean() + {m:g} * apart.std()\n"
        "stats.ttest_1samp(apart, 0).confidence_interval()"
    )
    mean, sd = float(apart.mean()), float(apart.std(ddof=1))
    numbers = {
        "bias": mean, "sd": sd, "lower": mean - m * sd, "upper": mean + m * sd, "bias_low": float(interval.low),
        "bias_high": float(interval.high), "r": float(np.corrcoef(rows[s["first"]], rows[s["second"]])[0, 1]),
    }  # fmt: skip
    return InLibrary(code=code, numbers=numbers)


def _table(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from scipy import stats

    counts, _ = table_of(frame, s)
    found = stats.chi2_contingency(counts, correction=s["continuity"] == "corrected")
    code = (
        f'import pandas, scipy.stats\ntable = pandas.crosstab(rows["{s["rows"]}"], rows["{s["columns"]}"])\n'
        f"scipy.stats.chi2_contingency(table, correction={s['continuity'] == 'corrected'})"
    )
    return InLibrary(
        code=code, numbers={"chi2": float(found.statistic), "p": float(found.pvalue), "df": float(found.dof)}
    )


def _kappa(frame: pd.DataFrame, s: Settings) -> InLibrary:
    from statsmodels.stats.inter_rater import cohens_kappa

    counts, _ = table_of(frame, s, square=True)
    kind = {"none": None, "linear": "linear", "quadratic": "quadratic"}[s["weights"]]
    found = cohens_kappa(counts, wt=kind)
    value = float(found.kappa)
    code = f"from statsmodels.stats.inter_rater import cohens_kappa\ncohens_kappa(table, wt={kind!r})"
    return InLibrary(code=code, numbers={"kappa": value, "se": float(np.sqrt(found.var_kappa))})


def _model(frame: pd.DataFrame, s: Settings) -> InLibrary:
    """statsmodels' mixed model with one grouping column: estimates, standard errors, residual SD; no df, so z."""
    import statsmodels.formula.api as smf

    groups = list(s["groups"])
    if len(groups) != 1 or ":" in groups[0] or any(sign in s["formula"] for sign in ("factor(", "contr.")):
        raise ToolkitError("statsmodels' mixed model is tried with one grouping column and plain terms only.")
    rows = frame.dropna().reset_index(drop=True)
    slope = f"~{s['slope']}" if s["slope"] else None
    from toolkit.mixed.formula_grammar import read_formula

    read_formula(s["formula"])  # names and known functions only: what reaches the library holds no code
    formula = s["formula"].replace("log(", "np.log(").replace("sqrt(", "np.sqrt(")
    fit = smf.mixedlm(formula, rows, groups=rows[groups[0]], re_formula=slope).fit(reml=s["likelihood"] == "REML")
    numbers: Numbers = {"sd_residual": float(np.sqrt(fit.scale)), "n": float(fit.nobs)}
    term = s["term"].replace("log(", "np.log(").replace("sqrt(", "np.sqrt(")
    names = [name for name in fit.fe_params.index if term and term == name]
    if len(names) == 1:
        numbers |= {"estimate": float(fit.params[names[0]]), "se": float(fit.bse[names[0]])}
    code = (
        f'import numpy as np\nimport statsmodels.formula.api as smf\nsmf.mixedlm("{formula}", rows, '
        f'groups=rows["{groups[0]}"]{f", re_formula={slope!r}" if slope else ""}).fit().summary()'
    )
    return InLibrary(code=code, numbers=numbers)


_LIBRARY: Mapping[str, Callable[[pd.DataFrame, Settings], InLibrary]] = {
    "paired_t": _paired,
    "wilcoxon": _ranks,
    "shapiro_wilk": _shape,
    "two_groups_t": _groups_t,
    "mann_whitney": _rank_sum,
    "one_way": _one_way,
    "kruskal_wallis": _kruskal,
    "group_contrasts": _tukey,
    "friedman": _friedman,
    "repeated_anova": _repeated,
    "correlation": _correlation,
    "correlation_within": _within,
    "icc": _icc,
    "limits_of_agreement": _limits,
    "table_test": _table,
    "cohen_kappa": _kappa,
    "model": _model,
}


def library_table(replication: Any) -> pd.DataFrame:
    """Every figure printed, recomputed here, and as the libraries give it ("" where they have it not)."""
    rows = []
    for one in replication.compared:
        numbers: Numbers = {}
        try:
            found = in_library(one.figure)
            numbers = found.numbers if found else {}
        except ToolkitError:
            pass
        value = numbers.get(one.figure.take)
        rows.append(
            {
                "figure": one.figure.name,
                "printed": one.figure.printed.text,
                "recomputed": one.recomputed,
                "library": value,
                "outcome": one.outcome,
            }
        )
    return pd.DataFrame(rows)
