"""Adjusted means and their differences where the records are not whole, and what corrections promise."""

import numpy as np
import pandas as pd
import pytest
from r_models import fitted
from scipy import stats
from statsmodels.stats.multitest import multipletests

from toolkit.errors import FitError
from toolkit.mixed.adjusted_means import (
    adjusted_means,
    against,
    interaction,
    mean_contrasts,
    multivariate_t,
    pairwise,
    tukey,
)
from toolkit.mixed.mixed import fit_mixed, fit_mixed_arrays
from toolkit.multiplicity import holm_p


def without_one_cell():
    rng = np.random.default_rng(8)
    rows = pd.DataFrame({"client": np.repeat(np.arange(15), 6), "region": np.tile(["calf", "neck"], 45)})
    rows["intervention"] = rng.choice(["measured_only", "press", "stretch"], 90)
    rows["change"] = rng.normal(size=15)[rows["client"]] + rng.normal(size=90)
    return rows[~((rows["region"] == "neck") & (rows["intervention"] == "stretch"))]


def test_a_mean_the_rows_cannot_tell_is_not_invented():
    fit = fit_mixed(without_one_cell(), formula="change ~ region * intervention", groups=("client",))
    means = adjusted_means(fit, ("region", "intervention")).rows.set_index(["region", "intervention"])
    assert not means.loc[("neck", "stretch"), "estimable"]
    assert np.isnan(means.loc[("neck", "stretch"), "mean"])
    assert means.drop(("neck", "stretch"))["estimable"].all()


def test_a_mean_the_rows_can_tell_is_right_though_another_cell_is_empty():
    rows = without_one_cell()
    fit = fit_mixed(rows, formula="change ~ region * intervention", groups=("client",))
    means = adjusted_means(fit, ("region", "intervention")).rows.set_index(["region", "intervention"])
    cells = rows["region"] + " " + rows["intervention"]
    alone = fit_mixed_arrays(
        rows["change"],
        pd.get_dummies(cells).to_numpy(float),
        sorted(cells.unique()),
        {"client": rows["client"].to_numpy()},
    )
    for region, intervention in means.index[means["estimable"]]:
        wanted = alone.contrast(f"{region} {intervention}")
        got = means.loc[(region, intervention)]
        assert [got["mean"], got["se"], got["df"]] == pytest.approx([wanted.value, wanted.se, wanted.df], rel=1e-6)


def test_differences_with_a_mean_that_cannot_be_told_are_left_out_and_named():
    fit = fit_mixed(without_one_cell(), formula="change ~ region * intervention", groups=("client",))
    told = interaction(fit, effect="intervention", across="region")
    assert len(told.rows) == 1
    assert "(stretch - measured_only) in calf - in neck" in told.what


def test_a_comparison_that_is_not_a_level_is_refused_with_the_levels():
    with pytest.raises(FitError, match="'wait' is not one of: measured_only, press, stretch"):
        against(adjusted_means(fitted("few_reml"), "intervention"), "wait")


def test_a_factor_that_is_not_in_the_model_is_refused_with_those_that_are():
    with pytest.raises(FitError, match=r"head is not a factor of .* It has: region, intervention"):
        adjusted_means(fitted("few_reml"), "head")


def test_means_of_a_fit_from_arrays_are_refused():
    fit = fit_mixed_arrays([1.0, 2.0, 4.0], np.ones((3, 1)), ["Intercept"], {})
    with pytest.raises(FitError, match="use fit_mixed"):
        adjusted_means(fit, "region")


def test_holm_agrees_with_statsmodels():
    p = np.random.default_rng(3).uniform(0, 0.2, 12)
    assert holm_p(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


def test_one_difference_needs_no_correction():
    t, df, se = np.array([2.3]), np.array([14.0]), np.array([1.5])
    p, reach = multivariate_t(t, df, se, np.array([[2.25]]), confidence_level=0.95)
    assert p[0] == pytest.approx(2 * stats.t.sf(2.3, 14), abs=2e-3)
    assert reach[0] == pytest.approx(stats.t.ppf(0.975, 14) * 1.5, rel=2e-3)


def test_tukey_of_two_means_is_the_t_test():
    p, reach = tukey(np.array([2.3]), np.array([14.0]), np.array([1.5]), n_means=2, confidence_level=0.95)
    assert p[0] == pytest.approx(2 * stats.t.sf(2.3, 14), rel=1e-6)
    assert reach[0] == pytest.approx(stats.t.ppf(0.975, 14) * 1.5, rel=1e-6)


def test_the_multivariate_t_agrees_with_scipy_for_correlated_differences():
    correlation = np.array([[1.0, 0.5, 0.2], [0.5, 1.0, 0.4], [0.2, 0.4, 1.0]])
    t = np.array([2.0, 2.5, 1.0])
    p, _ = multivariate_t(t, np.full(3, 20.0), np.ones(3), correlation, confidence_level=0.95)
    whole = stats.multivariate_t(shape=correlation, df=20, seed=1)
    wanted = [1 - whole.cdf(np.full(3, c), lower_limit=np.full(3, -c)) for c in t]
    assert p == pytest.approx(wanted, abs=2e-3)


def test_simultaneous_intervals_are_wider_than_single_ones_and_holm_never_below_p():
    means = adjusted_means(fitted("larger_reml"), "intervention")
    for adjustment in ("holm", "tukey", "multivariate_t"):
        rows = pairwise(means, adjustment=adjustment).rows
        assert (rows["simultaneous_high"] > rows["ci_high"]).all()
        assert (rows["p_adjusted"] >= rows["p"] - 1e-12).all()


def test_uncorrected_differences_are_what_they_were():
    rows = pairwise(adjusted_means(fitted("larger_reml"), "intervention"), adjustment="none").rows
    assert rows["p_adjusted"].to_numpy() == pytest.approx(rows["p"].to_numpy())
    assert rows["simultaneous_low"].to_numpy() == pytest.approx(rows["ci_low"].to_numpy())


def test_the_sentence_names_the_lowest_and_the_highest_mean():
    means = adjusted_means(fitted("larger_reml"), "intervention")
    ordered = means.rows.sort_values("mean")["intervention"].tolist()
    assert f"({ordered[0]}) to" in means.sentence()
    assert f"({ordered[-1]})" in means.sentence()


def test_a_contrast_is_the_weighted_sum_of_the_means_and_one_beyond_the_rows_is_left_out():
    fit = fit_mixed(without_one_cell(), formula="change ~ region * intervention", groups=("client",))
    means = adjusted_means(fit, ("region", "intervention"))
    able = np.flatnonzero(means.rows["estimable"])
    gone = int(np.flatnonzero(~means.rows["estimable"].to_numpy(dtype=bool))[0])
    weights = np.zeros((2, len(means.rows)))
    weights[0, able[:2]] = (1.0, -1.0)
    weights[1, [able[0], gone]] = (1.0, -1.0)
    found = mean_contrasts(means, weights, ["first less second", "beyond"], adjustment="none", what="pairs")
    assert found.rows["contrast"].tolist() == ["first less second"]
    values = means.rows["mean"].to_numpy(dtype=float)
    assert found.rows["estimate"].item() == pytest.approx(values[able[0]] - values[able[1]])
