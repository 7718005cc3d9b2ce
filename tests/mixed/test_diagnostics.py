"""Residuals, leverage, random effects, variance intervals against lme4; influence against refitting by hand."""

import numpy as np
import pandas as pd
import pytest
from r_models import ADDITIVE, HERE, fitted, from_r
from scipy import optimize, stats

from toolkit.errors import FitError
from toolkit.mixed.diagnostics import influence, leverage, random_effects, residual_rows, variance_shares
from toolkit.mixed.mixed import fit_mixed
from toolkit.mixed.variance_intervals import likelihood_ratio, variance_intervals

WITH_ROWS = ["few_reml", "crossed_weighted", "slope_correlated", "zero_ml"]


def by_row(model, what):
    values = from_r(model, what)
    return np.array([values[str(i + 1)] for i in range(len(values))])


@pytest.mark.parametrize("model", WITH_ROWS)
def test_leverage_agrees_with_lme4(model):
    assert leverage(fitted(model)) == pytest.approx(by_row(model, "leverage"), abs=1e-6)


@pytest.mark.parametrize("model", WITH_ROWS)
def test_residuals_agree_with_lme4(model):
    assert residual_rows(fitted(model))["residual"].to_numpy() == pytest.approx(by_row(model, "residual"), abs=1e-5)


@pytest.mark.parametrize("model", WITH_ROWS)
def test_random_effects_agree_with_lme4(model):
    got = {
        "/".join([row.group, row.effect.replace("intercept", "(Intercept)"), row.level]): row.deviation
        for row in random_effects(fitted(model)).itertuples()
    }
    assert got == pytest.approx(from_r(model, "random_effect"), abs=1e-5)


@pytest.mark.parametrize("model", ["few_reml", "slope_correlated", "zero_ml", "larger_reml"])
def test_aic_agrees_with_lme4(model):
    assert fitted(model).aic == pytest.approx(from_r(model, "aic")[""], abs=1e-5)


def ml(file, formula, slope=None):
    return fit_mixed(pd.read_csv(HERE / f"{file}.csv"), formula=formula, slope=slope, reml=False)


@pytest.mark.parametrize(
    ("model", "file", "formula", "slope"),
    [
        ("few_reml", "few", ADDITIVE, None),
        ("zero_ml", "zero", ADDITIVE, None),
        ("slope_correlated", "slope", "change ~ treated + baseline", "treated"),
    ],
)
def test_profile_intervals_agree_with_lme4_which_interpolates_its_own(model, file, formula, slope):
    rows = variance_intervals(ml(file, formula, slope)).rows.set_index(["group", "effect"])
    names = {
        "sd_(Intercept)|client": ("client", "intercept"),
        "sd_(Intercept)|practitioner": ("practitioner", "intercept"),
        "sd_treated|client": ("client", "treated"),
        "cor_treated.(Intercept)|client": ("client", "correlation of intercept and slope"),
        "sigma": ("residual", ""),
    }
    for end, what in (("ci_low", "profile_low"), ("ci_high", "profile_high")):
        for name, value in from_r(model, what).items():
            if end == "ci_low" and name in ("cor_treated.(Intercept)|client", "sd_treated|client"):
                continue  # lme4 interpolates across a corner of these profiles; checked by hand below
            assert rows.loc[names[name], end] == pytest.approx(value, rel=2e-3, abs=1e-5), (name, end)


def dense_deviance(fit, at):
    """Minus twice the log-likelihood with the covariance matrix of the rows written out."""
    sd_client, sd_slope, correlation, sd_practitioner, sd_residual = at
    if min(sd_client, sd_slope, sd_practitioner, sd_residual) < 0 or abs(correlation) > 1:
        return np.inf
    rows, (client, practitioner) = fit.rows, (fit.rows.groups.codes[g] for g in ("client", "practitioner"))
    slope = rows.slope[1]
    both = correlation * sd_client * sd_slope * (slope[:, None] + slope)
    inside = sd_client**2 + both + sd_slope**2 * np.outer(slope, slope)
    covariance = inside * (client[:, None] == client) + sd_practitioner**2 * (practitioner[:, None] == practitioner)
    covariance += sd_residual**2 * np.eye(fit.n)
    inverse = np.linalg.inv(covariance)
    beta = np.linalg.solve(rows.x.T @ inverse @ rows.x, rows.x.T @ inverse @ rows.y)
    rest = rows.y - rows.x @ beta
    return fit.n * np.log(2 * np.pi) + np.linalg.slogdet(covariance)[1] + rest @ inverse @ rest


@pytest.mark.parametrize(("place", "effect"), [(1, "treated"), (2, "correlation of intercept and slope")])
def test_the_lower_end_of_a_slopes_profile_is_where_the_likelihood_has_fallen_by_the_quantile(place, effect):
    some = pd.read_csv(HERE / "slope.csv").query("client >= 'c012'")
    fit = fit_mixed(some, formula="change ~ treated + baseline", slope="treated", reml=False)
    rows = variance_intervals(fit, confidence_level=0.8).rows.set_index(["group", "effect"])
    low = rows.loc[("client", effect), "ci_low"]
    start = np.delete(rows["value"].to_numpy(), place)
    found = optimize.minimize(
        lambda others: dense_deviance(fit, np.insert(others, place, low)),
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-7, "maxiter": 2000},
    )
    assert found.fun + 2 * fit.log_likelihood == pytest.approx(stats.chi2.ppf(0.8, 1), abs=2e-3)


def test_a_profile_interval_for_reml_ends_where_the_restricted_likelihood_has_fallen_enough():
    fit = fitted("few_reml")
    rows = variance_intervals(fit).rows.set_index("group")
    assert rows.loc["client", "ci_low"] < rows.loc["client", "value"] < rows.loc["client", "ci_high"]
    ours, theirs = rows.loc["residual", ["ci_low", "ci_high"]], from_r("few_reml", "profile_high")["sigma"]
    assert ours["ci_high"] > theirs  # the restricted likelihood allows for the fixed effects, ML (lme4's) does not


def dense_estimates(fit, keep):
    """Generalised least squares of the rows kept, the variance ratios of the fit written out as a matrix."""
    rows = fit.rows
    covariance = np.eye(fit.n) * fit.residual_variance
    for component in fit.components:
        if component.group != "residual":
            codes = rows.groups.codes[component.group]
            covariance += component.variance * (codes[:, None] == codes)
    inverse = np.linalg.inv(covariance[np.ix_(keep, keep)])
    x = rows.x[keep]
    return np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ rows.y[keep])


@pytest.mark.parametrize("by", ["client", "practitioner"])
def test_influence_gives_the_estimates_without_each_level(by):
    fit = fitted("few_reml")
    got = influence(fit, by=by).rows
    codes = fit.rows.groups.codes[by]
    for level in range(len(got)):
        row = got.iloc[level][list(fit.names)].to_numpy(dtype=float)
        if np.isfinite(row).all():
            assert row == pytest.approx(dense_estimates(fit, codes != level), rel=1e-6, abs=1e-8)
    assert np.isfinite(got["cooks_distance"]).sum() >= len(got) - 1


def test_influence_of_an_unknown_group_is_refused():
    with pytest.raises(FitError, match=r"site is not a grouping factor of this model\. It has: client, practitioner"):
        influence(fitted("few_reml"), by="site")


def test_influence_names_the_client_that_was_made_to_decide():
    rows = pd.read_csv(HERE / "crossed.csv")
    rows.loc[rows["client"] == "c003", "change"] += 15 * rows["treated"]
    said = influence(fit_mixed(rows, formula="change ~ treated + baseline"), by="client")
    assert "c003" in said.sentence()


def test_variance_shares_add_up():
    fit = fitted("larger_reml")
    shares = variance_shares(fit)
    rest = sum(c.variance for c in fit.components)
    assert shares.icc["client"] == pytest.approx(fit.components[0].variance / rest)
    fixed = np.var(fit.rows.x @ fit.estimates, ddof=1)
    assert shares.r2_fixed == pytest.approx(fixed / (fixed + rest))
    assert shares.r2_whole == pytest.approx((fixed + rest - fit.residual_variance) / (fixed + rest))


def test_residuals_keep_the_order_of_the_rows_and_add_up():
    fit = fitted("slope_correlated")
    rows = residual_rows(fit)
    assert rows["observed"].to_numpy() == pytest.approx(fit.rows.y)
    assert (rows["fitted"] + rows["residual"]).to_numpy() == pytest.approx(fit.rows.y)


def test_a_likelihood_ratio_of_one_variance_is_halved():
    larger = fitted("few_reml")
    smaller = fit_mixed(pd.read_csv(HERE / "few.csv"), formula=ADDITIVE, groups=("client",))
    test = likelihood_ratio(smaller, larger)
    assert (test.df, test.at_zero) == (1, True)
    assert "p halved" in test.sentence()


def test_likelihoods_by_reml_with_other_fixed_effects_are_not_compared():
    smaller = fit_mixed(pd.read_csv(HERE / "few.csv"), formula="change ~ baseline")
    with pytest.raises(FitError, match="fit both with reml=False"):
        likelihood_ratio(smaller, fitted("few_reml"))


def test_likelihoods_of_other_rows_are_not_compared():
    smaller = fit_mixed(pd.read_csv(HERE / "few.csv").iloc[1:], formula=ADDITIVE, groups=("client",))
    with pytest.raises(FitError, match="not fitted to the same rows"):
        likelihood_ratio(smaller, fitted("few_reml"))
