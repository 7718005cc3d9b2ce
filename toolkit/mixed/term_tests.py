"""F tests of each term of a formula: does it matter at all, the other factors weighted alike?

Factors and their interactions are tested by their adjusted means (balanced), which is what type III tests of balanced
hypotheses are; numbers by their coefficient. A number that interacts with a factor has no single test and is named.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.errors import FitError
from toolkit.mixed.adjusted_means import adjusted_means
from toolkit.mixed.cross_products import Array
from toolkit.mixed.mixed_fit import DfMethod, MixedFit


def term_tests(fit: MixedFit, *, ddf: DfMethod = "kenward_roger") -> pd.DataFrame:
    """One row a term: term, f, df_numerator, df_denominator, p, method, and in note why there is no test, if so.

    Raises `FitError` for a fit without a formula.

    Examples
    --------
    >>> from toolkit.mixed.mixed import fit_mixed
    >>> rng = np.random.default_rng(2)
    >>> rows = pd.DataFrame({"client": np.repeat(np.arange(12), 6), "region": np.tile(["calf", "neck"], 36)})
    >>> rows["change"] = rng.normal(size=12)[rows["client"]] + rng.normal(size=72)
    >>> term_tests(fit_mixed(rows, formula="change ~ region", groups=("client",)))["term"].tolist()
    ['region']
    """
    if fit.design is None:
        raise FitError("Tests of terms need a model fitted by formula: use fit_mixed.")
    rows: list[dict[str, str | float]] = []
    for term, columns in fit.design.terms().items():
        contrasts, note = _contrasts(fit, columns, term, ddf)
        if contrasts is None:
            rows.append({"term": term, "note": note})
            continue
        test = fit.f_test(contrasts, ddf=ddf, name=term)
        rows.append(
            {
                "term": term,
                "f": test.f,
                "df_numerator": test.df_numerator,
                "df_denominator": test.df_denominator,
                "p": test.p,
                "method": test.method,
                "note": note,
            }
        )
    wanted = ["term", "f", "df_numerator", "df_denominator", "p", "method", "note"]
    return pd.DataFrame(rows, columns=wanted)


def _contrasts(
    fit: MixedFit, variables: tuple[str, ...], term: str, ddf: DfMethod
) -> tuple[Array | list[str] | None, str]:
    """What has to be zero if the term does not matter, or None with the reason why there is no one answer."""
    design = fit.design
    if design is None:
        return None, "no formula"
    if [name for name in variables if name not in design.factors]:
        return _of_columns(fit, variables, term)
    means = adjusted_means(fit, variables, ddf=ddf)
    weights: Array = np.eye(1)
    for name in variables:
        weights = np.asarray(np.kron(weights, _differences(len(design.factors[name]))), dtype=float)
    told = np.asarray(means.rows["estimable"], dtype=bool)
    able = ~(weights[:, ~told] != 0).any(axis=1)
    if not able.any():
        return None, "cannot be told from these rows"
    note = "" if able.all() else f"{int((~able).sum())} of {len(able)} differences cannot be told from these rows"
    return weights[able] @ means.weights_of_effects, note


def _of_columns(fit: MixedFit, variables: tuple[str, ...], term: str) -> tuple[list[str] | None, str]:
    """A term with a number in it: all of its columns are zero, unless a larger term says that it depends."""
    design = fit.design
    if design is None:
        return None, "no formula"
    larger = [other for other, found in design.terms().items() if other != term and set(variables) < set(found)]
    if larger:
        return None, f"{term} is part of {larger[0]}: ask for the difference you mean"
    columns = design.columns_of(term)
    kept = [name for name in columns if name in fit.names]
    if not kept:
        return None, "left out of the model"
    return kept, "" if len(kept) == len(columns) else f"{len(columns) - len(kept)} column(s) were left out of the model"


def _differences(levels: int) -> Array:
    """Each level minus the first, shape (levels - 1, levels)."""
    return np.hstack([-np.ones((levels - 1, 1)), np.eye(levels - 1)])
