"""Mixed models of classic data sets against lme4, lmerTest, pbkrtest, emmeans and the figures printed in books."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from published_figures import expected, open_data

from toolkit.mixed.adjusted_means import Contrasts, adjusted_means, pairwise
from toolkit.mixed.diagnostics import variance_shares
from toolkit.mixed.mixed import fit_mixed
from toolkit.mixed.mixed_fit import MixedFit
from toolkit.mixed.variance_intervals import likelihood_ratio


def _sd(fit: MixedFit, group: str, effect: str = "intercept") -> float:
    return next(c.sd for c in fit.components if c.group == group and c.effect in (effect, ""))


@cache
def _sleep(slope: str | None = "days", *, reml: bool = True) -> MixedFit:
    rows = open_data("sleepstudy_belenky_2003.csv")
    return fit_mixed(rows, formula="reaction_ms ~ days", groups=("subject",), slope=slope, reml=reml, unit="ms")


@cache
def _pastes() -> MixedFit:
    return fit_mixed(open_data("pastes_davies_1972.csv"), formula="strength ~ 1", groups=("batch", "sample"))


@cache
def _orthodont() -> MixedFit:
    rows = open_data("orthodont_potthoff_roy_1964.csv").assign(years=lambda frame: frame["age_years"] - 11)
    formula = "distance_mm ~ C(sex, contr.treatment('male')) * years"
    return fit_mixed(rows, formula=formula, groups=("subject",), slope="years")


FEMALE = "C(sex, contr.treatment('male'))[T.female]"


@cache
def _rail() -> MixedFit:
    return fit_mixed(open_data("rail_devore_2000.csv"), formula="travel ~ 1", groups=("rail",))


@cache
def _stool() -> MixedFit:
    return fit_mixed(open_data("ergo_stool_wretenberg_1993.csv"), formula="effort ~ stool", groups=("subject",))


@cache
def _stool_means() -> pd.DataFrame:
    return adjusted_means(_stool(), "stool").rows.set_index("stool")


@cache
def _stool_pairs(adjustment: str) -> pd.DataFrame:
    pairs: Contrasts = pairwise(adjusted_means(_stool(), "stool"), adjustment=adjustment)
    return pairs.rows.set_index("contrast")


@cache
def _machines() -> MixedFit:
    rows = open_data("machines_milliken_johnson_1992.csv")
    rows["worker_machine"] = rows["worker"].astype(str) + rows["machine"]
    return fit_mixed(rows, formula="score ~ machine", groups=("worker", "worker_machine"))


@cache
def _knee() -> MixedFit:
    rows = open_data("knee_goniometer_eliasziw_1994.csv")
    rows["pair"] = rows["subject"].astype(str) + rows["goniometer"]
    return fit_mixed(rows, formula="knee_extension_deg ~ 1", groups=("subject", "goniometer", "pair"))


@cache
def _trial() -> MixedFit:
    wide = open_data("depression_trial_proudfoot_2003.csv")
    months = {f"bdi_{month}m": month for month in (2, 3, 5, 8)}
    rows = wide.melt(
        id_vars=["subject", "drug", "length_of_episode", "treatment", "bdi_pre"],
        value_vars=list(months),
        value_name="bdi",
    )
    rows["month"] = rows["variable"].map(months)
    rows = rows.dropna(subset=["bdi"])
    formula = "bdi ~ bdi_pre + month + C(treatment, contr.treatment('usual_care')) + drug + length_of_episode"
    return fit_mixed(rows, formula=formula, groups=("subject",), reml=False)


PROGRAM = "C(treatment, contr.treatment('usual_care'))[T.program]"


def _satterthwaite(fit: MixedFit, name: str, figure: str) -> float:
    return float(getattr(fit.contrast(name, ddf="satterthwaite"), figure))


CHECKS = {
    "sleepstudy_intercept": lambda: _sleep().contrast("Intercept").value,
    "sleepstudy_intercept_se": lambda: _satterthwaite(_sleep(), "Intercept", "se"),
    "sleepstudy_slope": lambda: _sleep().contrast("days").value,
    "sleepstudy_slope_se": lambda: _satterthwaite(_sleep(), "days", "se"),
    "sleepstudy_sd_intercept": lambda: _sd(_sleep(), "subject"),
    "sleepstudy_sd_slope": lambda: _sd(_sleep(), "subject", "days"),
    "sleepstudy_corr": lambda: _sd(_sleep(), "subject", "covariance"),
    "sleepstudy_sd_residual": lambda: _sd(_sleep(), "residual"),
    "sleepstudy_reml_criterion": lambda: -2 * _sleep().log_likelihood,
    "sleepstudy_satterthwaite_df": lambda: _satterthwaite(_sleep(), "days", "df"),
    "sleepstudy_t_slope": lambda: _satterthwaite(_sleep(), "days", "t"),
    "sleepstudy_kr_df": lambda: _sleep().contrast("days").df,
    "sleepstudy_kr_se": lambda: _sleep().contrast("days").se,
    "sleepstudy_ml_loglik": lambda: _sleep(reml=False).log_likelihood,
    "sleepstudy_lrt_slopes": lambda: likelihood_ratio(_sleep(None, reml=False), _sleep(reml=False)).statistic,
    "sleepstudy_aic_ml": lambda: _sleep(reml=False).aic,
    "sleepstudy_ri_icc": lambda: variance_shares(_sleep(None)).icc["subject"],
    "sleepstudy_ri_slope_se": lambda: _satterthwaite(_sleep(None), "days", "se"),
    "pastes_intercept": lambda: _pastes().contrast("Intercept").value,
    "pastes_intercept_se": lambda: _satterthwaite(_pastes(), "Intercept", "se"),
    "pastes_sd_cask": lambda: _sd(_pastes(), "sample"),
    "pastes_sd_batch": lambda: _sd(_pastes(), "batch"),
    "pastes_sd_residual": lambda: _sd(_pastes(), "residual"),
    "pastes_reml_criterion": lambda: -2 * _pastes().log_likelihood,
    "orthodont_intercept": lambda: _orthodont().contrast("Intercept").value,
    "orthodont_slope_male": lambda: _orthodont().contrast("years").value,
    "orthodont_sex_diff": lambda: _orthodont().contrast(FEMALE).value,
    "orthodont_interaction": lambda: _orthodont().contrast(f"{FEMALE}:years").value,
    "orthodont_interaction_se": lambda: _satterthwaite(_orthodont(), f"{FEMALE}:years", "se"),
    "orthodont_interaction_df": lambda: _satterthwaite(_orthodont(), f"{FEMALE}:years", "df"),
    "orthodont_sd_intercept": lambda: _sd(_orthodont(), "subject"),
    "orthodont_sd_slope": lambda: _sd(_orthodont(), "subject", "years"),
    "orthodont_sd_residual": lambda: _sd(_orthodont(), "residual"),
    "orthodont_reml_loglik": lambda: _orthodont().log_likelihood,
    "rail_intercept": lambda: _rail().contrast("Intercept").value,
    "rail_intercept_se": lambda: _satterthwaite(_rail(), "Intercept", "se"),
    "rail_sd_rail": lambda: _sd(_rail(), "rail"),
    "rail_sd_residual": lambda: _sd(_rail(), "residual"),
    "rail_reml_loglik": lambda: _rail().log_likelihood,
    "stool_T1_mean": lambda: _stool().contrast("Intercept").value,
    "stool_T2_effect": lambda: _stool().contrast("stool[T.T2]").value,
    "stool_T3_effect": lambda: _stool().contrast("stool[T.T3]").value,
    "stool_effect_se": lambda: _satterthwaite(_stool(), "stool[T.T2]", "se"),
    "stool_effect_df": lambda: _satterthwaite(_stool(), "stool[T.T2]", "df"),
    "stool_sd_subject": lambda: _sd(_stool(), "subject"),
    "stool_sd_residual": lambda: _sd(_stool(), "residual"),
    "stool_reml_loglik": lambda: _stool().log_likelihood,
    "stool_F": lambda: _stool().f_test([f"stool[T.T{i}]" for i in (2, 3, 4)], ddf="satterthwaite").f,
    **{f"stool_emmean_T{i}": lambda i=i: _stool_means().loc[f"T{i}", "mean"] for i in (1, 2, 3, 4)},
    "stool_emmean_se": lambda: _stool_means().loc["T1", "se"],
    "stool_emmean_df": lambda: _stool_means().loc["T1", "df"],
    "stool_emmean_T1_ci_low": lambda: _stool_means().loc["T1", "ci_low"],
    "stool_emmean_T1_ci_high": lambda: _stool_means().loc["T1", "ci_high"],
    **{
        f"stool_{adjustment}_p_T{i}_T{j}": lambda a=adjustment, i=i, j=j: _stool_pairs(a).loc[
            f"T{i} - T{j}", "p_adjusted"
        ]
        for adjustment in ("tukey", "holm")
        for i, j in ((1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4))
    },
    "stool_tukey_ci_T1_T2_low": lambda: _stool_pairs("tukey").loc["T1 - T2", "simultaneous_low"],
    "stool_tukey_ci_T1_T2_high": lambda: _stool_pairs("tukey").loc["T1 - T2", "simultaneous_high"],
    "machines_A_mean": lambda: _machines().contrast("Intercept").value,
    "machines_B_A": lambda: _machines().contrast("machine[T.B]").value,
    "machines_B_A_se": lambda: _satterthwaite(_machines(), "machine[T.B]", "se"),
    "machines_B_A_df": lambda: _satterthwaite(_machines(), "machine[T.B]", "df"),
    "machines_B_A_kr_df": lambda: _machines().contrast("machine[T.B]").df,
    "machines_sd_interaction": lambda: _sd(_machines(), "worker_machine"),
    "machines_sd_worker": lambda: _sd(_machines(), "worker"),
    "machines_sd_residual": lambda: _sd(_machines(), "residual"),
    "machines_reml_loglik": lambda: _machines().log_likelihood,
    "trial_mixed_n_obs": lambda: _trial().n,
    "trial_mixed_treatment": lambda: _trial().contrast(PROGRAM, ddf="satterthwaite").value,
    "trial_mixed_treatment_se": lambda: _satterthwaite(_trial(), PROGRAM, "se"),
    "trial_mixed_treatment_df": lambda: _satterthwaite(_trial(), PROGRAM, "df"),
    "trial_mixed_month": lambda: _trial().contrast("month", ddf="satterthwaite").value,
    "trial_mixed_bdi_pre": lambda: _trial().contrast("bdi_pre", ddf="satterthwaite").value,
    "trial_mixed_sd_subject": lambda: _sd(_trial(), "subject"),
    "trial_mixed_sd_residual": lambda: _sd(_trial(), "residual"),
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure):
    expected(figure).check(float(CHECKS[figure]()))


def _within(figure: str) -> float:
    """The relative agreement asked of each kind of figure, tighter than the tolerances that come with the values."""
    if figure.endswith(("_df",)):
        return 1e-3
    if "loglik" in figure or "criterion" in figure:
        return 1e-6
    if "_sd_" in figure or "_var_" in figure or "corr" in figure or "_ci_" in figure or "emmean" in figure:
        return 1e-4
    return 1e-5


@pytest.mark.parametrize("figure", [name for name in CHECKS if "_p_" not in name and "_t_" not in name])
def test_the_toolkit_agrees_more_closely_than_the_tolerance_that_came_with_the_value(figure):
    assert float(CHECKS[figure]()) == pytest.approx(expected(figure).value, rel=_within(figure))


def test_every_fit_of_these_sets_says_it_converged():
    fits = [_sleep(), _pastes(), _orthodont(), _rail(), _stool(), _machines(), _knee(), _trial()]
    assert np.all([fit.convergence.converged and not fit.dropped for fit in fits])


def test_two_crossed_factors_and_their_combination_agree_with_the_figure_the_reliability_room_checks():
    expected("knee_reml_var_subject").check(_sd(_knee(), "subject") ** 2)
