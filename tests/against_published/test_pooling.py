"""Pooling of site summaries against the published figures of thirteen vaccine trials (Colditz et al. 1994)."""

from functools import cache

import pandas as pd
import pytest
from published_figures import expected, open_data

from toolkit.stats.pooling import PooledSites, log_risk_ratio, pool_sites
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
