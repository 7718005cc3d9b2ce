"""Fitting: what is refused, what is left out and named, and what must not change the answer."""

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toolkit.errors import FitError
from toolkit.mixed.likelihood import evaluate
from toolkit.mixed.mixed import fit_mixed, fit_mixed_arrays


def clinic(seed=1, clients=15, most=8, practitioners=4, sd_client=1.0, sd_practitioner=0.7):
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(clients), rng.integers(2, most + 1, clients))
    n = len(client)
    practitioner = rng.integers(0, practitioners, n)
    treated = rng.integers(0, 2, n)
    baseline = rng.normal(30, 4, n)
    change = (
        1.0
        + 1.5 * treated
        - 0.1 * (baseline - 30)
        + rng.normal(0, sd_client, clients)[client]
        + rng.normal(0, sd_practitioner, practitioners)[practitioner]
        + rng.normal(0, 1, n)
    )
    return pd.DataFrame(
        {"client": client, "practitioner": practitioner, "treated": treated, "baseline": baseline, "change": change}
    )


FORMULA = "change ~ treated + baseline"


def figures(fit, name="treated"):
    effect = fit.contrast(name)
    return [effect.value, effect.se, effect.df, fit.log_likelihood]


def ones(n):
    return np.ones((n, 1))


def test_the_order_of_rows_does_not_matter():
    rows = clinic()
    once, again = (fit_mixed(r, formula=FORMULA) for r in (rows, rows.sample(frac=1, random_state=3)))
    assert figures(again) == pytest.approx(figures(once), rel=1e-8)


def test_the_names_of_clients_do_not_matter():
    rows = clinic()
    renamed = rows.assign(client=rows["client"].map(lambda code: f"person {99 - code}"))
    assert figures(fit_mixed(renamed, formula=FORMULA)) == pytest.approx(
        figures(fit_mixed(rows, formula=FORMULA)), rel=1e-8
    )


def test_the_order_of_the_groups_does_not_matter():
    rows = clinic()
    turned = fit_mixed(rows, formula=FORMULA, groups=("practitioner", "client"))
    assert figures(turned) == pytest.approx(figures(fit_mixed(rows, formula=FORMULA)), rel=1e-8)


def test_a_large_offset_of_the_outcome_moves_only_the_intercept():
    rows = clinic()
    far = fit_mixed(rows.assign(change=rows["change"] + 1e6), formula=FORMULA)
    assert figures(far) == pytest.approx(figures(fit_mixed(rows, formula=FORMULA)), rel=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.floats(1e-4, 1e4))
def test_other_units_scale_the_estimate_and_leave_df_and_t(seed, factor):
    rows = clinic(seed)
    one = fit_mixed(rows, formula=FORMULA).contrast("treated")
    other = fit_mixed(rows.assign(change=rows["change"] * factor), formula=FORMULA).contrast("treated")
    assert [other.value / factor, other.se / factor] == pytest.approx([one.value, one.se], rel=1e-6)
    assert [other.t, other.df] == pytest.approx([one.t, one.df], rel=1e-4)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    sd_client=st.sampled_from([0.0, 0.3, 2.0]),
    sd_practitioner=st.sampled_from([0.0, 1.0]),
)
def test_every_generated_clinic_is_fitted_with_finite_figures_and_variances_not_below_zero(
    seed, sd_client, sd_practitioner
):
    rows = clinic(seed, clients=6, most=5, practitioners=2, sd_client=sd_client, sd_practitioner=sd_practitioner)
    fit = fit_mixed(rows, formula=FORMULA)
    assert fit.convergence.converged
    assert np.isfinite(figures(fit)).all()
    assert all(component.variance >= 0 for component in fit.components)


def test_kenward_roger_never_has_a_smaller_standard_error_than_the_plain_one():
    for seed in range(10):
        fit = fit_mixed(clinic(seed, clients=6, practitioners=2), formula=FORMULA)
        assert fit.contrast("treated").se >= fit.contrast("treated", ddf="normal").se * (1 - 1e-12)


def test_a_balanced_paired_design_gives_the_paired_t_test():
    rng = np.random.default_rng(3)
    client = np.repeat(np.arange(12), 2)
    treated = np.tile([0, 1], 12)
    rows = pd.DataFrame({"client": client, "treated": treated})
    rows["change"] = treated + rng.normal(0, 2, 12)[client] + rng.normal(0, 1, 24)
    difference = rows["change"].to_numpy().reshape(12, 2) @ [-1, 1]
    effect = fit_mixed(rows, formula="change ~ treated", groups=("client",)).contrast("treated")
    se = difference.std(ddof=1) / np.sqrt(12)
    assert [effect.value, effect.se, effect.df] == pytest.approx([difference.mean(), se, 11.0], rel=1e-6)


def test_without_groups_the_model_is_ordinary_regression():
    import statsmodels.formula.api as smf

    rows = clinic()
    wanted = smf.ols(FORMULA, rows).fit()
    effect = fit_mixed(rows, formula=FORMULA, groups=()).contrast("treated")
    assert [effect.value, effect.se, effect.df, effect.p] == pytest.approx(
        [wanted.params["treated"], wanted.bse["treated"], wanted.df_resid, wanted.pvalues["treated"]], rel=1e-8
    )


def test_weights_equal_for_all_rows_change_nothing_but_the_residual_variance():
    rows = clinic().assign(weight=4.0)
    plain, weighted = fit_mixed(rows, formula=FORMULA), fit_mixed(rows, formula=FORMULA, weights="weight")
    assert figures(weighted)[:3] == pytest.approx(figures(plain)[:3], rel=1e-7)
    assert weighted.residual_variance == pytest.approx(4 * plain.residual_variance, rel=1e-7)


@pytest.mark.parametrize("slope", [None, "treated"])
def test_levels_taken_one_by_one_give_the_same_fit_as_levels_taken_together(monkeypatch, slope):
    from toolkit.mixed import cross_products

    together = fit_mixed(clinic(), formula=FORMULA, slope=slope)
    monkeypatch.setattr(cross_products, "_LARGEST_GROUPED", 0)
    alone = fit_mixed(clinic(), formula=FORMULA, slope=slope)
    assert alone.parts.grouped is None
    assert figures(alone) == pytest.approx(figures(together), rel=1e-7)


def test_two_factors_that_are_both_very_large_are_refused():
    n = 8000
    groups = {"client": np.arange(n) // 2, "session": (np.arange(n) + 1) // 2}
    with pytest.raises(FitError, match="only one grouping factor may have more than 3000"):
        fit_mixed_arrays(np.random.default_rng(1).normal(size=n), ones(n), ["Intercept"], groups)


def test_a_group_with_one_level_is_left_out_and_named():
    fit = fit_mixed(clinic().assign(practitioner="a"), formula=FORMULA)
    assert "practitioner: one level only (a)" in fit.notes[0]


def test_a_group_with_one_row_for_each_level_is_left_out_and_named():
    rows = clinic()
    fit = fit_mixed(rows.assign(client=np.arange(len(rows))), formula=FORMULA)
    assert "client: one row for each level" in fit.notes[0]
    assert list(fit.levels) == ["practitioner"]


def test_two_groups_that_divide_the_rows_alike_count_as_one():
    rows = clinic()
    fit = fit_mixed(rows.assign(practitioner=rows["client"] + 100), formula=FORMULA)
    assert "practitioner: divides the rows exactly as client does" in fit.notes[0]


def test_a_column_others_already_say_is_dropped_and_named_never_the_intercept():
    rows = clinic().assign(untreated=lambda frame: 1 - frame["treated"])
    fit = fit_mixed(rows, formula="change ~ treated + untreated")
    assert fit.dropped == ("untreated",)
    assert "untreated cannot be told apart from Intercept together with treated" in " ".join(fit.notes)


def test_asking_for_a_dropped_effect_says_so():
    rows = clinic().assign(untreated=lambda frame: 1 - frame["treated"])
    fit = fit_mixed(rows, formula="change ~ treated + untreated")
    with pytest.raises(FitError, match="untreated was left out of the model"):
        fit.contrast("untreated")


def test_an_unknown_effect_is_answered_with_those_there_are():
    with pytest.raises(FitError, match="It has: Intercept, treated, baseline"):
        fit_mixed(clinic(), formula=FORMULA).contrast("nothing")


def test_an_effect_that_rests_on_comparing_practitioners_is_named():
    rows = clinic().assign(trained=lambda frame: (frame["practitioner"] < 2).astype(int))
    fit = fit_mixed(rows, formula="change ~ trained")
    assert "trained never varies within a practitioner: it rests on comparing 4 practitioners" in fit.notes


def test_rows_without_a_value_are_set_aside_and_counted():
    rows = clinic()
    rows.loc[[0, 1, 2], "baseline"] = np.nan
    fit = fit_mixed(rows, formula=FORMULA)
    assert fit.n == len(rows) - 3
    assert f"3 of {len(rows)} rows were set aside for a missing value (baseline in 3)" in fit.notes


def test_a_zero_variance_is_said_in_words_and_is_no_error():
    fit = fit_mixed(clinic(5, sd_practitioner=0.0), formula=FORMULA)
    practitioner = next(c for c in fit.components if c.group == "practitioner")
    assert (practitioner.variance == 0) == fit.convergence.singular
    zero = next(
        f for s in range(30) if (f := fit_mixed(clinic(s, sd_practitioner=0.0), formula=FORMULA)).convergence.singular
    )
    assert "a variance is zero" in zero.sentence()


def test_a_slope_that_never_varies_within_a_client_is_left_out_and_named():
    rows = clinic().assign(older=lambda frame: frame["client"] % 2)
    fit = fit_mixed(rows, formula="change ~ older", slope="older")
    assert "the random slope of older was left out: it never varies within a client" in fit.notes


def test_too_few_rows_are_refused_with_the_number_needed():
    with pytest.raises(FitError, match=r"3 row\(s\) are too few for 3 fixed effect\(s\): at least 4"):
        fit_mixed_arrays([1.0, 2.0, 4.0], np.eye(3), ["a", "b", "c"], {})


def test_an_outcome_that_never_varies_is_refused():
    with pytest.raises(FitError, match="The outcome is 2 in all 9 rows"):
        fit_mixed_arrays(np.full(9, 2.0), ones(9), ["Intercept"], {"client": np.repeat([0, 1, 2], 3)})


def test_a_perfect_fit_by_the_fixed_effects_is_named():
    x = np.column_stack([np.ones(9), np.arange(9)])
    with pytest.raises(FitError, match="Perfect fit: the fixed effects"):
        fit_mixed_arrays(2.0 + np.arange(9), x, ["Intercept", "day"], {"client": np.repeat([0, 1, 2], 3)})


@pytest.mark.parametrize("crossed", [True, False])
def test_a_perfect_fit_by_the_groups_is_named(crossed):
    rng = np.random.default_rng(2)
    client, practitioner = np.repeat(np.arange(8), 5), np.tile(np.arange(5), 8)
    y = rng.normal(size=8)[client] + (rng.normal(size=5)[practitioner] if crossed else 0)
    with pytest.raises(FitError, match="Perfect fit"):
        fit_mixed_arrays(y, ones(40), ["Intercept"], {"client": client, "practitioner": practitioner})


def test_a_missing_outcome_is_refused_and_counted():
    with pytest.raises(FitError, match="the outcome is missing in 1 of 4 rows"):
        fit_mixed_arrays([1.0, np.nan, 2.0, 3.0], ones(4), ["Intercept"], {"client": [0, 0, 1, 1]})


def test_a_missing_label_is_refused_and_counted():
    with pytest.raises(FitError, match=r"client: 2 row\(s\) without a label"):
        fit_mixed_arrays([1.0, 3.0, 2.0, 3.0], ones(4), ["Intercept"], {"client": ["a", "", None, "b"]})


def test_kenward_roger_of_a_fit_by_ml_is_refused():
    with pytest.raises(FitError, match="fit again with reml=True"):
        fit_mixed(clinic(), formula=FORMULA, reml=False).contrast("treated")


@pytest.mark.parametrize(
    ("formula", "said"),
    [
        ("change ~ nothing", "No column nothing in the rows"),
        ("change ~ (", "cannot be read"),
        ("treated", "cannot be read"),
        ("change ~ np.nothing(treated)", "no function np.nothing"),
    ],
)
def test_a_formula_that_cannot_be_used_is_refused_in_words(formula, said):
    with pytest.raises(FitError, match=said):
        fit_mixed(clinic(), formula=formula)


def test_the_result_shows_the_same_rows_as_text_and_as_html():
    fit = fit_mixed(clinic(), formula=FORMULA, unit="deg")
    assert fit._repr_html_().count("<tr>") == 1 + len(fit.table())
    assert "linear mixed model by REML" in str(fit)


def test_the_engine_loads_without_heavy_libraries():
    code = (
        "import sys, toolkit.mixed.mixed; "
        "heavy = {'statsmodels', 'formulaic', 'matplotlib', 'scipy.stats', 'scipy.optimize'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[]"


def dense_standard_errors(rows, variance, residual):
    """Standard errors of generalised least squares with the whole covariance matrix of the rows written out."""
    x = np.column_stack([np.ones(len(rows)), rows["treated"], rows["baseline"]])
    same = rows["client"].to_numpy()[:, None] == rows["client"].to_numpy()
    covariance = residual * np.eye(len(rows)) + variance * same
    return np.sqrt(np.diag(np.linalg.inv(x.T @ np.linalg.solve(covariance, x))))


@pytest.mark.filterwarnings(
    "ignore::UserWarning"
)  # statsmodels' ConvergenceWarning near a zero variance: compared below
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_fifty_generated_unbalanced_sets_agree_with_statsmodels():
    """One grouping factor, REML, against MixedLM of statsmodels 0.15, whose search stops earlier than ours.

    Its own standard errors come from the Hessian of all parameters; those of generalised least squares are worked out
    here from its variance components.
    """
    import statsmodels.formula.api as smf

    seeds = range(300, 350)
    print("seeds", list(seeds))
    for seed in seeds:
        rows = clinic(seed, clients=12, most=6)
        ours = fit_mixed(rows, formula=FORMULA, groups=("client",))
        theirs = smf.mixedlm(FORMULA, rows, groups="client").fit(method=["bfgs", "lbfgs"], gtol=1e-8)
        wanted = dense_standard_errors(rows, float(theirs.cov_re.iloc[0, 0]), theirs.scale)
        assert -1e-7 <= ours.log_likelihood - theirs.llf < 1e-3, seed
        for name, se in zip(ours.names, wanted, strict=True):
            effect = ours.contrast(name, ddf="normal")
            assert abs(effect.value - theirs.fe_params[name]) < 1e-3 * se, seed
            assert effect.se == pytest.approx(se, rel=1e-3), seed


@pytest.mark.parametrize("seed", [22, 75, 129])
def test_a_search_that_ran_against_the_edge_leaves_it_where_the_likelihood_rises(seed):
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(60), 5)
    practitioner = client % 8
    other = rng.normal(size=8)[practitioner]
    y = rng.normal(size=60)[client] * 0.4 + rng.normal(size=8)[practitioner] * 0.15 + rng.normal(size=300)
    x = np.column_stack([practitioner < 4, np.ones(300), other])
    fit = fit_mixed_arrays(y, x, ["arm", "mean", "other"], {"client": client, "practitioner": practitioner})
    grid = [(a, b) for a in np.linspace(0.3, 0.6, 13) for b in np.linspace(0.0, 0.3, 13)]
    lowest = min(evaluate(fit.parts, np.array(one), reml=True).deviance for one in grid)
    assert fit.point.deviance <= lowest + 1e-9
    assert fit.point.theta[1] > 0.01
