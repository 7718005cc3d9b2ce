"""Pooling of site summaries against the published figures of thirteen vaccine trials (Colditz et al. 1994)."""

from functools import cache

import pandas as pd
import pytest
from published_figures import expected, open_data

from toolkit.stats.pooling import PooledSites, log_risk_ratio, pool_sites, tau2_limits
from toolkit.stats.site_patterns import funnel_asymmetry, site_regression

UNIT = "log risk ratio"


@cache
def _sites() -> pd.DataFrame:
    counts = open_data("bcg_colditz_1994.csv")
    sites = log_risk_ratio(
        counts,
        treated=("vaccine_cases", "vaccine_noncases"),
        control=("control_cases", "control_noncases"),
        site="trial",
    )
    return sites.assign(latitude=counts["abs_latitude_deg"])


@cache
def _pooled(method: str, interval: str = "normal") -> PooledSites:
    return pool_sites(_sites(), unit=UNIT, method=method, interval=interval)


CHECKS = {
    "bcg_reml_est": lambda: _pooled("REML").pooled.value,
    "bcg_reml_se": lambda: _pooled("REML").pooled.se,
    "bcg_reml_tau2": lambda: _pooled("REML").tau2,
    "bcg_i2": lambda: _pooled("REML").i2,
    "bcg_h2": lambda: _pooled("REML").h2,
    "bcg_q": lambda: _pooled("REML").q,
    "bcg_reml_ci_low": lambda: _pooled("REML").pooled.ci_low,
    "bcg_reml_ci_high": lambda: _pooled("REML").pooled.ci_high,
    "bcg_dl_tau2": lambda: _pooled("DL").tau2,
    "bcg_dl_est": lambda: _pooled("DL").pooled.value,
    "bcg_dl_se": lambda: _pooled("DL").pooled.se,
    "bcg_fe_est": lambda: _pooled("FE").pooled.value,
    "bcg_pm_tau2": lambda: _pooled("PM").tau2,
    "bcg_hk_ci_low": lambda: _pooled("REML", "hartung_knapp").pooled.ci_low,
    "bcg_hk_ci_high": lambda: _pooled("REML", "hartung_knapp").pooled.ci_high,
    "bcg_pi_low": lambda: _pooled("REML").prediction[0],
    "bcg_pi_high": lambda: _pooled("REML").prediction[1],
    "bcg_egger_t": lambda: (egger := funnel_asymmetry(_sites(), unit=UNIT)).value / egger.se,
    "bcg_meta_regression_slope": lambda: site_regression(_sites(), on="latitude", unit=UNIT, per="degree").slope.value,
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure: str) -> None:
    expected(figure).check(CHECKS[figure]())


def test_the_variance_between_the_trials_has_the_published_limits() -> None:
    # metafor, confint(rma(yi, vi, method="REML")) on these 13 trials, as its help page prints them (recalled):
    # tau^2 0.3132 (0.1197 to 1.1115), I^2 92.22 % (81.92 to 97.68)
    sites = _sites()
    limits = tau2_limits(sites["effect"].to_numpy(), sites["variance"].to_numpy(), confidence_level=0.95)
    assert limits == pytest.approx((0.1197, 1.1115), abs=6e-5)
    assert _pooled("REML").i2_interval == pytest.approx((81.92, 97.68), abs=6e-3)
