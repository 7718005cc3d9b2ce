"""Pooling of site summaries: known answers, what must not matter, other libraries, error rates, bad input."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.resources import dataset_file
from toolkit.stats.pooling import leave_one_site_out, log_risk_ratio, pool_sites, reml
from toolkit.stats.site_patterns import funnel_asymmetry, site_regression


def _sites(effects: list[float], variances: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"site": [f"site {i}" for i in range(len(effects))], "effect": effects, "variance": variances})


UNEQUAL = _sites([1.0, 2.5, 0.2, 3.9, 2.0], [0.2, 0.1, 0.5, 0.3, 0.05])


def test_equal_sites_pool_to_their_mean_with_the_t_interval_of_the_mean():
    pooled = pool_sites(_sites([1.0, 2.0, 4.0, 5.0], [0.3] * 4), unit="deg").pooled
    low, high = stats.t.interval(0.95, 3, loc=3.0, scale=stats.sem([1.0, 2.0, 4.0, 5.0]))
    assert (pooled.value, pooled.ci_low, pooled.ci_high) == pytest.approx((3.0, low, high))


@pytest.mark.parametrize(("method", "theirs"), [("DL", "dl"), ("PM", "pm")])
def test_variance_between_sites_agrees_with_statsmodels(method, theirs):
    from statsmodels.stats.meta_analysis import combine_effects

    reference = combine_effects(UNEQUAL["effect"].to_numpy(), UNEQUAL["variance"].to_numpy(), method_re=theirs)
    assert pool_sites(UNEQUAL, unit="deg", method=method).tau2 == pytest.approx(reference.tau2, rel=1e-4)


def test_no_other_value_has_a_higher_restricted_likelihood():
    y, v = UNEQUAL["effect"].to_numpy(), UNEQUAL["variance"].to_numpy()
    best = reml(y, v, np.ones((5, 1)))

    def loglik(tau2):
        covariance = np.diag(v + tau2)
        contrast = np.diff(np.eye(5), axis=0)
        return stats.multivariate_normal(np.zeros(4), contrast @ covariance @ contrast.T).logpdf(contrast @ y)

    assert all(loglik(best) >= loglik(best * f) for f in (0.9, 0.99, 0.999, 1.001, 1.01, 1.1))


def test_sites_that_differ_less_than_chance_have_no_variance_between_them():
    alike = pool_sites(_sites([1.0, 1.01, 0.99], [1.0, 1.0, 1.0]), unit="deg")
    assert (alike.tau2, alike.i2) == (0.0, 0.0)


def test_row_order_does_not_matter():
    shuffled = UNEQUAL.sample(frac=1, random_state=3)
    once, again = (pool_sites(frame, unit="deg") for frame in (UNEQUAL, shuffled))
    assert (once.pooled.value, once.tau2) == pytest.approx((again.pooled.value, again.tau2), rel=1e-10)


def test_a_change_of_unit_scales_every_answer():
    scaled = UNEQUAL.assign(effect=UNEQUAL["effect"] * 10, variance=UNEQUAL["variance"] * 100)
    once, again = pool_sites(UNEQUAL, unit="cm"), pool_sites(scaled, unit="mm")
    assert (again.pooled.value, again.pooled.ci_low, again.tau2, again.i2) == pytest.approx(
        (once.pooled.value * 10, once.pooled.ci_low * 10, once.tau2 * 100, once.i2), rel=1e-8
    )


def test_the_interval_for_few_sites_keeps_its_promise():
    rng = np.random.default_rng(7301)
    hits = 0
    for _ in range(400):
        v = rng.uniform(0.2, 1.0, 6)
        y = 2.0 + rng.normal(0, 0.8, 6) + rng.normal(0, np.sqrt(v))
        found = pool_sites(_sites(list(y), list(v)), unit="deg").pooled
        hits += found.ci_low < 2.0 < found.ci_high
    assert stats.binomtest(hits, 400, 0.95).pvalue > 0.01


def test_the_asymmetry_t_equals_the_regression_of_the_standardised_effect_on_precision():
    effect, se = UNEQUAL["effect"].to_numpy(), np.sqrt(UNEQUAL["variance"].to_numpy())
    line = stats.linregress(1 / se, effect / se)
    found = funnel_asymmetry(UNEQUAL, unit="deg")
    assert (found.value, found.se) == pytest.approx((line.intercept, line.intercept_stderr))


def test_two_sites_have_no_prediction_interval():
    assert pool_sites(_sites([1.0, 3.0], [0.1, 0.1]), unit="deg").prediction is None


def test_the_table_ends_with_the_pooled_effect():
    table = pool_sites(UNEQUAL, unit="deg").table()
    assert table["site"].tolist() == [*UNEQUAL["site"], "pooled"]


def test_one_site_is_not_pooled():
    with pytest.raises(NotEnoughError, match=r"1 site\(s\): at least 2 are needed"):
        pool_sites(UNEQUAL.head(1), unit="deg")


def test_a_site_with_an_impossible_variance_is_named():
    with pytest.raises(ToolkitError, match="site site 2: the effect is missing or its variance not above 0"):
        pool_sites(UNEQUAL.assign(variance=[0.2, 0.1, 0.0, 0.3, 0.05]), unit="deg")


def test_missing_columns_are_named():
    with pytest.raises(ToolkitError, match="no column variance"):
        pool_sites(UNEQUAL.drop(columns="variance"), unit="deg")


def test_a_site_without_events_is_named():
    counts = pd.DataFrame({"site": ["A", "B"], "a": [4, 0], "b": [9, 9], "c": [3, 2], "d": [7, 7]})
    with pytest.raises(NotEnoughError, match="no event in a group at site B"):
        log_risk_ratio(counts, treated=("a", "b"), control=("c", "d"))


def test_a_moderator_that_is_the_same_everywhere_is_refused():
    with pytest.raises(NotEnoughError, match='"age" is the same at every site'):
        site_regression(UNEQUAL.assign(age=40), on="age", unit="deg", per="year")


def test_a_moderator_missing_at_a_site_is_refused():
    with pytest.raises(ToolkitError, match='"age" is missing or not a number at a site'):
        site_regression(UNEQUAL.assign(age=[40, 41, None, 43, 44]), on="age", unit="deg", per="year")


BCG = "open/data/bcg_colditz_1994.csv"


@pytest.fixture
def bcg() -> pd.DataFrame:
    counts = pd.read_csv(dataset_file(BCG), comment="#")
    treated, control = ("vaccine_cases", "vaccine_noncases"), ("control_cases", "control_noncases")
    return log_risk_ratio(counts, treated=treated, control=control, site="trial")


def test_leaving_one_trial_out_is_what_statsmodels_pools_of_the_others(bcg):
    ours = leave_one_site_out(bcg, unit="log risk ratio", method="DL")
    for place in (0, 6, 12):
        rest = bcg.drop(index=place)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = combine_effects(rest["effect"].to_numpy(), rest["variance"].to_numpy(), method_re="dl", use_t=True)
            table = theirs.summary_frame()
        assert ours["effect"].iloc[place] == pytest.approx(table.loc["random effect wls", "eff"], rel=1e-6)
        assert ours["ci_low"].iloc[place] == pytest.approx(table.loc["random effect wls", "ci_low"], rel=1e-5)


def test_two_sites_are_not_left_out_one_by_one(bcg):
    assert leave_one_site_out(bcg.head(2), unit="log risk ratio").empty
