"""Certified values of the NIST Statistical Reference Datasets, through the toolkit and the libraries it leans on.

`DIGITS` says how many significant digits each family must reach (−log10 of the relative difference). Sets of the lowest
difficulty (Michelso, Norris, SirsTv, SmLs01) must reach 9 or more. The hard ones get their honest figure: SmLs07 and
NumAcc4 have leading digits that all values share, so that their differences are already rounded when they are read as
64-bit numbers (SmLs07: 10¹² + 0.4, good to 4 digits; R reaches the same). Longley, whose
columns are nearly dependent, reaches 10 digits through the pseudo-inverse; statsmodels' other method, QR, takes the
standard errors from inverted cross products and reaches 8.
"""

from functools import cache

import numpy as np
import pytest
from published_figures import expected, open_data
from scipy import stats

from toolkit.stats.variance_components import variance_ratio


@cache
def one_way(name):
    """F, residual SD and R² of a one-way layout from the toolkit's mean squares."""
    data = open_data(f"nist_{name}.csv")
    groups = data["treatment"].to_numpy() - 1
    ratio = variance_ratio(data["response"].to_numpy(dtype=float), groups, int(groups.max()) + 1)
    between, within = ratio.mean_square * ratio.rank, ratio.ms_error * ratio.df_error
    return {
        "F": ratio.mean_square / ratio.ms_error,
        "resid_sd": np.sqrt(ratio.ms_error),
        "r2": between / (between + within),
    }


@cache
def norris():
    """Straight line through scipy's linregress, which the toolkit uses for the proportional bias."""
    data = open_data("nist_norris.csv")
    fit = stats.linregress(data["x"], data["y"])
    residual_sd = np.sqrt(((data["y"] - fit.intercept - fit.slope * data["x"]) ** 2).sum() / (len(data) - 2))
    return {
        "b0": fit.intercept,
        "b1": fit.slope,
        "se_b1": fit.stderr,
        "rsd": residual_sd,
        "F": (fit.slope / fit.stderr) ** 2,
    }


@cache
def longley():
    """Least squares through statsmodels, by its default, the pseudo-inverse."""
    import statsmodels.api as sm

    data = open_data("nist_longley.csv")
    fit = sm.OLS(data["y"], sm.add_constant(data.drop(columns="y"))).fit()
    figures = {f"b{i}": fit.params.iloc[i] for i in range(7)} | {f"se{i}": fit.bse.iloc[i] for i in range(7)}
    return figures | {"rsd": np.sqrt(fit.mse_resid), "r2": fit.rsquared}


@cache
def univariate(name):
    """Mean, SD and lag-1 autocorrelation by numpy in two passes."""
    value = open_data(f"nist_{name}.csv").iloc[:, 0].to_numpy(dtype=float)
    centred = value - value.mean()
    return {
        "mean": value.mean(),
        "sd": value.std(ddof=1),
        "r1": (centred[1:] * centred[:-1]).sum() / (centred**2).sum(),
    }


def _entry(family, figure, *name):
    return lambda: family(*name)[figure]


CHECKS = {
    f"nist_{name}_{figure}": _entry(one_way, figure, name)
    for name in ("atmwtag", "sirstv", "smls01", "smls07")
    for figure in ("F", "resid_sd", "r2")
}
CHECKS |= {f"nist_norris_{figure}": _entry(norris, figure) for figure in ("b0", "b1", "se_b1", "rsd", "F")}
CHECKS |= {
    f"nist_longley_{figure}": _entry(longley, figure)
    for figure in ("rsd", "r2", *(f"{kind}{i}" for kind in ("b", "se") for i in range(7)))
}
CHECKS |= {
    f"nist_{name}_{figure}": _entry(univariate, figure, name)
    for name in ("michelso", "numacc4")
    for figure in ("mean", "sd", "r1")
}

DIGITS = {
    "nist_sirstv": 9,
    "nist_smls01": 9,
    "nist_norris": 9,
    "nist_michelso": 9,
    "nist_longley": 9,
    "nist_atmwtag": 9,
    "nist_numacc4": 8,
    "nist_smls07": 4,
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_certified_value_is_met(figure):
    expected(figure).check(CHECKS[figure]())


@pytest.mark.parametrize("figure", CHECKS)
def test_the_promised_number_of_significant_digits_is_reached(figure):
    certified = expected(figure).value
    relative = abs(CHECKS[figure]() - certified) / abs(certified)
    promised = DIGITS["_".join(figure.split("_")[:2])]
    assert -np.log10(max(relative, 1e-16)) >= promised, f"{figure}: relative difference {relative:.1e}"
