"""The usual analysis: what a paper or a colleague would compute from the same rows, by the libraries they would use.

pingouin's paired t test, Wilcoxon test and effect sizes, and statsmodels' mixed model, one row a group. Every row of
readings counts as if it were another client (only the mixed model knows better): that is the usual answer, and the
first of the adjustment steps. What it leaves open is the business of `audit`.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.multiplicity import holm_p
from toolkit.number_words import figure_text, quantity_with_interval
from toolkit.result import Result
from toolkit.stats.clients import complete_pairs, direction, same_throughout
from toolkit.stats.data import By, checked_level, groups_of

FEWEST_ROWS = 3  # below, no test of pairs has anything to say


def usual_analysis(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
) -> Result:
    """Compute what a colleague would: paired t test, Wilcoxon, effect sizes, mixed model, one row a group.

    Parameters
    ----------
    data
        One row a measured side of one session, loaded records, or two columns of readings. Where it holds several
        measures, each has rows of its own.
    first, second
        Columns of the two readings, in the measure's unit; the change is always second minus first.
    client
        Column of the client.
    by
        Columns that make the groups, as ``["region", "intervention"]``.
    better
        Which direction is better, where the data have no column `better` (records have, for each measure).
    level
        Confidence level of the intervals.

    Returns
    -------
    Result
        `.frame` has one row a group, most rows first: the grouping columns; estimate (mean of second minus first,
        better = positive, in `unit`) with the paired t test's ci_low, ci_high, level, statistic (t), df, p, p_adjusted
        (Holm over the groups); n_clients, n_rows, unit, method; wilcoxon_w, wilcoxon_p, rank_biserial,
        common_language (share of pairs of readings in which the second is better); d_z (mean over the SD of the
        changes), d_av (over the average SD), hedges_g_av (d_av, small-sample corrected); mixed_estimate, mixed_ci_low,
        mixed_ci_high, mixed_z, mixed_p (reading ~ after + (1 | client), REML, normal quantiles) and mixed_note, which
        says what statsmodels warned of. What cannot be computed is missing, and `method` says why.

    Raises
    ------
    ToolkitError
        A column is missing, text stands among the numbers, or the level does not lie between 0 and 1.

    References
    ----------
    Vallat (2018) Pingouin: statistics in Python. Journal of Open Source Software 3(31):1026.
    Seabold & Perktold (2010) statsmodels: econometric and statistical modeling with Python. Proc. 9th Python in
    Science Conf.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("AABBCC"), "before": [30, 32, 40, 41, 35, 36.0],
    ...                      "after": [34, 35, 41, 44, 36, 40.0]})
    >>> usual_analysis(rows).frame[["estimate", "statistic", "df"]].round(3).to_numpy().tolist()
    [[2.667, 4.781, 5.0]]
    """
    checked_level(level)
    found, groups = groups_of(data, columns=(first, second), client=client, by=by, better=better)
    lines = [
        {**one.key, **_one_group(one.rows, first=first, second=second, better=one.better, level=level)}
        | {"unit": one.unit}
        for one in found
    ]
    lines.sort(key=lambda line: -line["n_rows"])
    tested = [line for line in lines if not np.isnan(line["p"])]
    for line, p in zip(tested, holm_p(np.array([line["p"] for line in tested])), strict=True):
        line["p_adjusted"] = float(p)
    return Result.of(
        lines,
        says=_says(tested, groups),
        groups=groups,
        title="The usual analysis",
        notes=(
            *dict.fromkeys(note for one in found for note in one.notes),
            "Every row counts as if it were another client, except in the mixed model. What else moved the readings "
            "is left open; the adjustment steps of an audit take that up.",
        ),
    )


def _says(tested: list[dict[str, Any]], groups: Sequence[str]) -> str:
    """What a paper would say: in how many groups p is small, and the largest group with its numbers."""
    if not tested:
        return "The usual analysis has nothing to test here: no group has enough rows whose changes differ."
    first = tested[0]
    alpha = figure_text(1 - first["level"])
    small = sum(line["p"] < 1 - first["level"] for line in tested)
    name = ", ".join(str(first[column]).replace("_", " ") for column in groups) or "all rows"
    ends = (first["estimate"], first["ci_low"], first["ci_high"], first["unit"])
    numbers = (
        f"{name}: {quantity_with_interval(*ends, level=first['level'])}; "
        f"t({figure_text(first['df'])}) = {figure_text(first['statistic'])}, {_p(first['p'])}; "
        f"{first['n_rows']} rows of {first['n_clients']} clients)"
    )
    if len(tested) == 1:
        return f"The usual analysis, a paired t test over rows: {numbers}. What caused it, it cannot say."
    return (
        f"The usual analysis, a paired t test over rows, finds p < {alpha} in {small} of {len(tested)} groups. "
        f"The largest, {numbers}. What caused it, it cannot say."
    )


_NUMBERS = (
    *("estimate", "ci_low", "ci_high", "statistic", "df", "p"),
    *("wilcoxon_w", "wilcoxon_p", "rank_biserial", "common_language", "d_z", "d_av", "hedges_g_av"),
    *("mixed_estimate", "mixed_ci_low", "mixed_ci_high", "mixed_z", "mixed_p"),
)
_T_TEST = "paired t test over rows (pingouin)"


def _one_group(part: pd.DataFrame, *, first: str, second: str, better: str, level: float) -> dict[str, Any]:
    """One group's line; where a test has nothing to say, its figures are missing and `method` says why."""
    empty = {"what": "mean change", **dict.fromkeys(_NUMBERS, np.nan)}
    empty |= {"level": level, "mixed_note": "", "n_clients": 0, "n_rows": 0}
    try:
        pairs = complete_pairs(part, first=first, second=second, better=better).rows
    except NotEnoughError as why:
        return {**empty, "method": f"not computed: {why}"}
    turned = direction(better)
    change = pairs["change"].to_numpy(dtype=float)
    line = {**empty, "n_rows": len(pairs), "n_clients": int(pairs["client"].nunique()), "estimate": change.mean()}
    if len(pairs) < FEWEST_ROWS:
        return {**line, "method": f"not tested: {len(pairs)} row(s) with both readings, {FEWEST_ROWS} are needed"}
    if same_throughout(change):
        return {**line, "method": "not tested: every row changed by the same amount, so chance cannot be judged"}
    readings = [turned * pairs[name].to_numpy(dtype=float) for name in ("second", "first")]
    tests = _pairs_tests(*readings, level=level)
    return {**line, **tests, **_mixed(pairs, turned=turned, level=level), "method": _T_TEST}


def _pairs_tests(second: Any, first: Any, *, level: float) -> dict[str, float]:
    """pingouin's paired t test, Wilcoxon test and effect sizes: unrounded, signs kept. The only place of its names."""
    import pingouin

    with _unrounded(pingouin), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a Bayes factor too large for a float; it is not used
        t = pingouin.ttest(second, first, paired=True, confidence=level).iloc[0]
        w = pingouin.wilcoxon(second, first, **_ranks_method(second - first)).iloc[0]
    low, high = next(t[name] for name in t.index if str(name).startswith("CI"))
    change = second - first
    return {
        "ci_low": float(low),
        "ci_high": float(high),
        "statistic": float(t["T"]),
        "df": float(t["dof"]),
        "p": float(t["p_val"]),
        "wilcoxon_w": float(w["W_val"]),
        "wilcoxon_p": float(w["p_val"]),
        "rank_biserial": float(w["RBC"]),
        "common_language": float(w["CLES"]),
        "d_z": float(pingouin.compute_effsize(change, 0.0, eftype="cohen")),
        "d_av": float(pingouin.compute_effsize(second, first, paired=True, eftype="cohen")),
        "hedges_g_av": float(pingouin.compute_effsize(second, first, paired=True, eftype="hedges")),
    }


def _ranks_method(change: Any) -> dict[str, str]:
    """Wilcoxon's p as most programs give it: exact for few changes without ties or zeros, else normal."""
    sizes = np.abs(change)
    return {} if len(np.unique(sizes)) == len(sizes) and sizes.all() else {"method": "asymptotic"}


@contextmanager
def _unrounded(pingouin: Any) -> Iterator[None]:
    """pingouin without its rounding of intervals, as it was before afterwards."""
    before = dict(pingouin.options)
    pingouin.options.update({name: None for name in before if name.startswith("round")})
    try:
        yield
    finally:
        pingouin.options.update(before)


def _mixed(pairs: pd.DataFrame, *, turned: float, level: float) -> dict[str, Any]:
    """statsmodels' mixed model, reading ~ after with a random intercept a client; and what it warns of."""
    from scipy.stats import norm
    from statsmodels.regression.mixed_linear_model import MixedLM

    codes = pd.factorize(pairs["client"])[0]
    if codes.max() < 1:
        return {"mixed_note": "not fitted: one client only"}
    readings = turned * np.concatenate([pairs["first"], pairs["second"]]).astype(float)
    after = np.repeat([0.0, 1.0], len(pairs))
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            design = np.column_stack([np.ones_like(after), after])
            fit = MixedLM(readings, design, groups=np.tile(codes, 2)).fit(reml=True)
        except (np.linalg.LinAlgError, ValueError) as why:
            return {"mixed_note": f"not fitted: {why}"}
        estimate, se = float(fit.fe_params[1]), float(fit.bse_fe[1])
    note = "; ".join(dict.fromkeys(str(one.message).splitlines()[0].rstrip(".") for one in said))
    if not fit.converged or not np.isfinite(se) or se <= 0:
        return {"mixed_note": f"not fitted: {note or 'it did not converge'}"}
    reach = float(norm.ppf((1 + level) / 2)) * se
    return {
        "mixed_estimate": estimate,
        "mixed_ci_low": estimate - reach,
        "mixed_ci_high": estimate + reach,
        "mixed_z": estimate / se,
        "mixed_p": float(2 * norm.sf(abs(estimate / se))),
        "mixed_note": note,
    }


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"
