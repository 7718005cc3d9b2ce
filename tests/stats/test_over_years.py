"""Years and trends within sites: a library's numbers, who takes part when, error rates, the reading error."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from toolkit.errors import NotEnoughError
from toolkit.multiplicity import holm_p
from toolkit.stats.over_years import error_cells, error_of, within_sites
from toolkit.stats.site_patterns import control_limits


def cells(n_sites=30, n_years=4, *, slope=0.0, apart=0.0, seed=1):
    """A level for each site, a slope that may differ between sites, and sampling error of known variance."""
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(n_sites), n_years)
    year = np.tile(np.arange(n_years) + 2021, n_sites)
    variance = rng.uniform(0.5, 2.0, len(site))
    own = slope + rng.normal(0, apart, n_sites)
    value = rng.normal(0, 5, n_sites)[site] + own[site] * (year - 2021) + rng.normal(0, np.sqrt(variance))
    return pd.DataFrame({"site": [f"s{k:02d}" for k in site], "year": year, "value": value, "variance": variance})


def test_the_trend_is_that_of_weighted_least_squares_with_a_level_for_each_site():
    frame = cells(8, slope=0.4)  # fewer than ten sites: the error is that of sampling alone
    found = within_sites(frame)
    theirs = smf.wls("value ~ C(site) + year", frame, weights=1 / frame["variance"]).fit(cov_type="fixed scale")
    assert (found.slope, found.se) == pytest.approx((theirs.params["year"], theirs.bse["year"]), rel=1e-8)
    assert found.df is None
    assert found.ci_low == pytest.approx(theirs.conf_int().loc["year", 0], rel=1e-6)


def test_from_ten_sites_on_the_error_is_no_smaller_than_a_sandwich_over_sites():
    frame = cells(40, apart=2.0)
    found, n = within_sites(frame), 40
    fit = smf.wls("value ~ C(site) + year", frame, weights=1 / frame["variance"])
    groups = pd.factorize(frame["site"])[0]
    theirs = fit.fit(cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    assert found.se == pytest.approx(theirs.bse["year"] * np.sqrt(n / (n - 1)), rel=1e-6)
    assert found.df == n - 1


def test_differences_between_years_are_those_of_a_model_with_sites_and_years():
    frame = cells(8, slope=1.0)
    theirs = smf.wls("value ~ C(site) + C(year)", frame, weights=1 / frame["variance"]).fit()
    ours = within_sites(frame).years["estimate"].to_numpy()
    assert ours[1:] - ours[0] == pytest.approx(theirs.params.filter(like="C(year)").to_numpy(), rel=1e-8)


def test_sites_that_join_late_and_read_higher_make_no_trend():
    early = pd.DataFrame({"site": "a", "year": [1, 2, 3], "value": 5.0, "variance": 0.1})
    late = pd.DataFrame({"site": "b", "year": [2, 3], "value": 9.0, "variance": 0.1})
    once = pd.DataFrame({"site": "c", "year": [3], "value": 99.0, "variance": 0.1})
    found = within_sites(pd.concat([early, late, once]))
    assert found.slope == pytest.approx(0.0, abs=1e-12)
    assert found.years["estimate"].to_numpy() == pytest.approx(np.full(3, found.years["estimate"].iloc[0]))
    assert found.years["n_sites"].tolist() == [1, 2, 2]


@pytest.mark.parametrize("apart", [0.0, 1.0], ids=["sites alike", "sites drift apart"])
def test_no_trend_is_found_in_about_five_of_a_hundred(apart):
    p = [within_sites(cells(25, apart=apart, seed=seed)).p for seed in range(400)]
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.08


def test_the_site_that_drifts_by_itself_stands_out_and_the_others_do_not():
    frame = cells(30, seed=3)
    frame.loc[frame["site"] == "s07", "value"] += 4.0 * (frame["year"] - 2021)
    each = within_sites(frame).sites
    assert each.loc[each["p_adjusted"] < 0.05, "site"].tolist() == ["s07"]
    assert each["p_adjusted"].to_numpy() == pytest.approx(holm_p(each["p"]))


def test_of_sites_that_do_not_drift_one_stands_out_in_about_five_of_a_hundred_registries():
    """Variances estimated from few readings: by the normal curve every third registry would have such a site."""
    false = []
    for seed in range(150):
        frame, rng = cells(60, seed=seed), np.random.default_rng(seed)
        off = np.repeat(rng.chisquare(10, 60) / 10, 4)
        false.append(
            (within_sites(frame.assign(variance=frame["variance"] * off, df=10)).sites["p_adjusted"] < 0.05).any()
        )
    assert np.mean(false) <= 0.1


def test_one_year_says_nothing_of_a_drift():
    with pytest.raises(NotEnoughError, match="two years"):
        within_sites(cells(5, 1))


def test_the_reading_error_of_few_pairs_is_right_on_average_and_so_is_its_variance():
    rng = np.random.default_rng(4)
    spread = 2 * 1.5**2 * rng.chisquare(7, 20_000) / 7  # eight pairs, SEM 1.5
    found = error_cells(pd.DataFrame({"site": "a", "year": 1, "n": 8, "spread": spread}))
    assert error_of(found["value"].mean()) == pytest.approx(1.5, rel=0.01)
    assert found["variance"].iloc[0] == pytest.approx(found["value"].var(), rel=0.05)


def test_cells_of_few_pairs_or_copied_readings_tell_no_error():
    frame = pd.DataFrame({"site": list("abc"), "year": 1, "n": [7, 20, 20], "spread": [1.0, 0.0, 1.0]})
    assert error_cells(frame)["site"].tolist() == ["c"]


def test_control_limits_count_errors_and_the_spread_between_sites():
    sites = pd.DataFrame({"site": list("abcd"), "effect": [1.0, 1.0 + 2.2, 1.0 - 3.3, 1.0 + 1.9], "variance": 1.0})
    assert control_limits(sites, centre=1.0)["beyond"].tolist() == [0.0, 95.0, 99.8, 0.0]
    wide = control_limits(sites, centre=1.0, tau2=3.0)
    assert wide["z"].to_numpy() == pytest.approx([0.0, 1.1, -1.65, 0.95])
    assert set(wide["beyond"]) == {0.0}


def test_as_many_sites_lie_outside_as_the_limits_say():
    rng = np.random.default_rng(5)
    variance = rng.uniform(0.1, 3.0, 50_000)
    effect = 2.0 + rng.normal(0, np.sqrt(variance + 0.5))
    frame = pd.DataFrame({"site": np.arange(50_000), "effect": effect, "variance": variance})
    beyond = control_limits(frame, centre=2.0, tau2=0.5)["beyond"]
    assert (beyond > 0).mean() == pytest.approx(0.05, abs=0.004)
    assert (beyond == 99.8).mean() == pytest.approx(0.002, abs=0.0008)
