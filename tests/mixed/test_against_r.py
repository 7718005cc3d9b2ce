"""Crossed, unbalanced, near-zero and sloping models against lme4, lmerTest, pbkrtest and emmeans.

Rows, R script, versions and values stand in tests/against_published/mixed_models_r/ (versions.txt names the versions).
"""

import numpy as np
import pandas as pd
import pytest
from r_models import HERE, MODELS, WITH_KR, fitted, from_r

from toolkit.mixed.adjusted_means import adjusted_means, against, interaction, pairwise
from toolkit.mixed.term_tests import term_tests


def r_name(name):
    return name.replace("[T.", "").replace("]", "").replace("Intercept", "(Intercept)")


def by_effect(model, ddf, figure):
    return {r_name(name): getattr(fitted(model).contrast(name, ddf=ddf), figure) for name in fitted(model).names}


@pytest.mark.parametrize("model", MODELS)
def test_estimates_agree_with_r(model):
    assert by_effect(model, "satterthwaite", "value") == pytest.approx(from_r(model, "estimate"), rel=1e-5)


@pytest.mark.parametrize("model", MODELS)
def test_standard_errors_agree_with_r(model):
    assert by_effect(model, "satterthwaite", "se") == pytest.approx(from_r(model, "se"), rel=1e-5)


@pytest.mark.parametrize("model", MODELS)
def test_the_log_likelihood_agrees_with_r(model):
    assert fitted(model).log_likelihood == pytest.approx(from_r(model, "log_likelihood")[""], abs=1e-6)


@pytest.mark.parametrize("model", MODELS)
def test_variance_components_agree_with_r(model):
    covariance = {(c.group, c.effect): c.variance for c in fitted(model).components}
    for term, value in from_r(model, "variance").items():
        group, first, second = term.replace("client.1", "client").split("/")
        effect = "covariance" if second != "NA" else first.replace("(Intercept)", "intercept").replace("NA", "")
        key = ("residual", "") if group == "Residual" else (group, effect)
        assert covariance[key] == pytest.approx(value, rel=1e-4, abs=1e-9), term


@pytest.mark.parametrize("model", MODELS)
def test_satterthwaite_df_agree_with_r(model):
    assert by_effect(model, "satterthwaite", "df") == pytest.approx(from_r(model, "satterthwaite_df"), rel=1e-3)


@pytest.mark.parametrize("model", WITH_KR)
def test_kenward_roger_df_agree_with_r(model):
    assert by_effect(model, "kenward_roger", "df") == pytest.approx(from_r(model, "kr_df"), rel=1e-3)


@pytest.mark.parametrize("model", WITH_KR)
def test_kenward_roger_standard_errors_agree_with_r(model):
    assert by_effect(model, "kenward_roger", "se") == pytest.approx(from_r(model, "kr_se"), rel=1e-3)


def test_the_reference_holds_a_variance_that_is_exactly_zero():
    assert from_r("zero_reml", "variance")["practitioner/(Intercept)/NA"] < 1e-12


@pytest.mark.parametrize(("ddf", "said"), [("kenward_roger", "Kenward-Roger"), ("satterthwaite", "Satterthwaite")])
@pytest.mark.parametrize("term", ["region", "intervention"])
def test_f_tests_agree_with_r(ddf, said, term):
    fit = fitted("few_reml")
    effects = [name for name in fit.names if name.startswith(f"{term}[")]
    test = fit.f_test(effects, ddf=ddf)
    wanted = [from_r("few_reml", f"anova_{said}_{what}")[term] for what in ("F value", "NumDF", "DenDF", "Pr(>F)")]
    assert [test.f, test.df_numerator, test.df_denominator, test.p] == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("model", ["crossed_reml", "few_reml", "zero_reml", "larger_reml"])
@pytest.mark.parametrize(("ddf", "said"), [("kenward_roger", "Kenward-Roger"), ("satterthwaite", "Satterthwaite")])
def test_tests_of_terms_agree_with_r(model, ddf, said):
    tests = term_tests(fitted(model), ddf=ddf).set_index("term")
    columns = {"f": "F value", "df_numerator": "NumDF", "df_denominator": "DenDF", "p": "Pr(>F)"}
    for ours, theirs in columns.items():
        assert tests[ours].to_dict() == pytest.approx(from_r(model, f"anova_{said}_{theirs}"), rel=1e-3), ours


def test_the_interaction_test_agrees_with_r():
    together = interaction(fitted("crossed_reml"), effect="intervention", across="region").together
    wanted = [
        from_r("crossed_reml", f"anova_Kenward-Roger_{what}")["region:intervention"]
        for what in ("F value", "NumDF", "DenDF", "Pr(>F)")
    ]
    assert [together.f, together.df_numerator, together.df_denominator, together.p] == pytest.approx(wanted, rel=1e-3)


def means_from_r(model, weights, *, by_intervention=False):
    means = pd.read_csv(HERE / "means.csv", keep_default_na=False)
    means = means[(means["model"] == model) & (means["weights"] == weights)]
    means = means[(means["intervention"] != "") == by_intervention]
    return means.sort_values(["region", "intervention"])


@pytest.mark.parametrize("model", ["crossed_reml", "few_reml", "zero_reml", "larger_reml"])
@pytest.mark.parametrize(("weights", "r_weights"), [("balanced", "equal"), ("observed", "proportional")])
def test_adjusted_means_and_intervals_agree_with_r(model, weights, r_weights):
    wanted = means_from_r(model, r_weights)
    got = adjusted_means(fitted(model), "region", weights=weights).rows
    for ours, theirs in (("mean", "mean"), ("se", "se"), ("df", "df"), ("ci_low", "low"), ("ci_high", "high")):
        assert got[ours].to_numpy() == pytest.approx(wanted[theirs].to_numpy(), rel=1e-4), ours


def test_adjusted_means_by_region_and_intervention_agree_with_r():
    wanted = means_from_r("crossed_reml", "equal", by_intervention=True)
    got = adjusted_means(fitted("crossed_reml"), ("region", "intervention")).rows.sort_values(
        ["region", "intervention"]
    )
    assert got[["mean", "se", "df", "ci_low", "ci_high"]].to_numpy() == pytest.approx(
        wanted[["mean", "se", "df", "low", "high"]].to_numpy(), rel=1e-4
    )


def test_tukey_intervals_agree_with_r():
    got = pairwise(adjusted_means(fitted("crossed_reml"), "intervention")).rows.set_index("contrast")
    assert got["simultaneous_low"].to_dict() == pytest.approx(from_r("crossed_reml", "tukey_low"), abs=1e-4)
    assert got["simultaneous_high"].to_dict() == pytest.approx(from_r("crossed_reml", "tukey_high"), abs=1e-4)


def test_multivariate_t_intervals_agree_with_r_within_its_own_sampling_error():
    means = adjusted_means(fitted("crossed_reml"), "intervention")
    got = against(means, "measured_only").rows.set_index("contrast")
    assert got["simultaneous_low"].to_dict() == pytest.approx(from_r("crossed_reml", "mvt_low"), abs=3e-3)
    assert np.ptp(got["df"]) < 5
