"""ICC, SEM, smallest detectable change, limits of agreement and kappa against published figures and figures from R."""

from functools import cache

import pytest
from published_figures import expected, open_data

from toolkit.stats.agreement import LimitsOfAgreement, limits_of_agreement, limits_of_agreement_replicates
from toolkit.stats.generalisability import VarianceShares, icc_of_design, sem_of_design, variance_shares
from toolkit.stats.intraclass import IccTable, concordance, icc
from toolkit.stats.rating_agreement import Kappa, fleiss_kappa, kappa_of_table
from toolkit.stats.reading_error import ReadingError, reading_error
from toolkit.stats.sem import WithinPerson, mdc, sem_agreement, sem_consistency, within_person


@cache
def judges() -> IccTable:
    rows = open_data("judges_shrout_fleiss_1979.csv").melt(id_vars="target", var_name="judge", value_name="score")
    return icc(rows, subject="target", reader="judge", value="score")


@cache
def trials() -> IccTable:
    rows = open_data("test_retest_weir_2005.csv").melt(id_vars="subject", var_name="trial")
    return icc(rows, reader="trial")


@cache
def trial_error() -> ReadingError:
    data = open_data("test_retest_weir_2005.csv")
    return reading_error(data["trial_1"], data["trial_2"], data["subject"], measure="one repetition maximum", unit="kg")


@cache
def peak_flow(multiplier: float) -> LimitsOfAgreement:
    data = open_data("peak_flow_bland_altman_1986.csv")
    return limits_of_agreement(data["mini_meter_1"], data["large_meter_1"], unit="l/min", multiplier=multiplier)


@cache
def meter(name: str, multiplier: float = 1.96) -> WithinPerson:
    data = open_data("peak_flow_bland_altman_1986.csv")
    rows = data.melt(id_vars="subject", value_vars=[f"{name}_meter_1", f"{name}_meter_2"])
    return within_person(rows, unit="l/min", multiplier=multiplier)


@cache
def knee() -> VarianceShares:
    data = open_data("knee_goniometer_eliasziw_1994.csv")
    return variance_shares(data, unit="deg", facets=["goniometer"], value="knee_extension_deg")


@cache
def one_goniometer(name: str) -> IccTable:
    data = open_data("knee_goniometer_eliasziw_1994.csv")
    return icc(data[data["goniometer"] == name], reader="reading", value="knee_extension_deg")


@cache
def goniometer_scatter(name: str) -> WithinPerson:
    data = open_data("knee_goniometer_eliasziw_1994.csv")
    return within_person(data[data["goniometer"] == name], unit="deg", value="knee_extension_deg")


def knee_within_one_fixed(name: str) -> float:
    true = knee().variance("subject") + knee().variance("subject × goniometer")
    return true / (true + goniometer_scatter(name).sd.value ** 2)


@cache
def diagnoses() -> Kappa:
    rows = open_data("diagnoses_fleiss_1971.csv").melt(id_vars="patient", value_name="diagnosis")
    return fleiss_kappa(rows, subject="patient", value="diagnosis")


def couples(weights: str) -> Kappa:
    return kappa_of_table(expected("cohen_kappa").inputs["table"], weights=weights)


@cache
def rails() -> IccTable:
    rows = open_data("rail_devore_2000.csv")
    return icc(rows.assign(reading=rows.groupby("rail").cumcount()), subject="rail", reader="reading", value="travel")


FIXED = ("goniometer",)
CHECKS = {
    "sf_icc_1_1": lambda: judges().icc_1_1.value,
    "sf_icc_2_1": lambda: judges().icc_2_1.value,
    "sf_icc_3_1": lambda: judges().icc_3_1.value,
    "sf_icc_1_k": lambda: judges().icc_1_k.value,
    "sf_icc_2_k": lambda: judges().icc_2_k.value,
    "sf_icc_3_k": lambda: judges().icc_3_k.value,
    "sf_icc_2_1_ci_low": lambda: judges().icc_2_1.ci_low,
    "sf_icc_2_1_ci_high": lambda: judges().icc_2_1.ci_high,
    "sf_icc_3_1_ci_low": lambda: judges().icc_3_1.ci_low,
    "sf_icc_3_1_ci_high": lambda: judges().icc_3_1.ci_high,
    "sf_bms": lambda: judges().ms_subjects,
    "sf_jms": lambda: judges().ms_readers,
    "sf_ems": lambda: judges().ms_error,
    "sf_wms": lambda: judges().ms_within,
    "sf_cronbach_alpha": lambda: judges().icc_3_k.value,
    "weir_ms_error": lambda: trials().ms_error,
    "weir_icc_2_1": lambda: trial_error().icc.value,
    "weir_icc_3_1": lambda: trials().icc_3_1.value,
    "weir_sem": lambda: trial_error().sem.value,
    "weir_md95": lambda: trial_error().mdc95.value,
    "weir_sem_agreement": lambda: sem_agreement(trials(), unit="kg").value,
    "ba_bias": lambda: peak_flow(2).bias.value,
    "ba_sd": lambda: peak_flow(2).sd.value,
    "ba_loa_low_2sd": lambda: peak_flow(2).lower.value,
    "ba_loa_high_2sd": lambda: peak_flow(2).upper.value,
    "ba_loa_low_196": lambda: peak_flow(1.96).lower.value,
    "ba_loa_high_196": lambda: peak_flow(1.96).upper.value,
    "ba_bias_ci_low": lambda: peak_flow(2).bias.ci_low,
    "ba_bias_ci_high": lambda: peak_flow(2).bias.ci_high,
    "ba_lower_limit_ci_low": lambda: peak_flow(2).lower_approximate.ci_low,
    "ba_lower_limit_ci_high": lambda: peak_flow(2).lower_approximate.ci_high,
    "ba_repeat_large": lambda: meter("large", 2).repeatability.value,
    "ba_repeat_mini": lambda: meter("mini", 2).repeatability.value,
    "ba_within_sd_large": lambda: meter("large").sd.value,
    "ba_within_sd_mini": lambda: meter("mini").sd.value,
    "ba_repeat_large_196": lambda: meter("large").repeatability.value,
    "ba_ccc": lambda: concordance(*_first_readings()).value,
    "knee_sem_intra_universal": lambda: goniometer_scatter("universal").sd.value,
    "knee_icc_1_1_universal": lambda: one_goniometer("universal").icc_1_1.value,
    "knee_mdc95_universal": lambda: mdc(goniometer_scatter("universal").sd).value,
    "knee_sem_intra_electronic": lambda: goniometer_scatter("electronic").sd.value,
    "knee_icc_1_1_electronic": lambda: one_goniometer("electronic").icc_1_1.value,
    "knee_mdc95_electronic": lambda: mdc(goniometer_scatter("electronic").sd).value,
    "knee_var_subject": lambda: knee().variance("subject"),
    "knee_var_interaction": lambda: knee().variance("subject × goniometer"),
    "knee_var_goniometer": lambda: knee().variance("goniometer"),
    "knee_var_error": lambda: knee().variance("residual"),
    "knee_reml_var_subject": lambda: knee().variance("subject"),
    "knee_icc_inter_random": lambda: icc_of_design(knee()).value,
    "knee_icc_intra_random": lambda: icc_of_design(knee(), same=FIXED).value,
    "knee_sem_inter_random": lambda: sem_of_design(knee()).value,
    "knee_icc_intra_fixed_universal": lambda: knee_within_one_fixed("universal"),
    "knee_icc_intra_fixed_electronic": lambda: knee_within_one_fixed("electronic"),
    "knee_sem_intra_pooled": lambda: sem_of_design(knee(), same=FIXED).value,
    "knee_icc_inter_fixed": lambda: icc_of_design(knee(), forgiving=FIXED).value,
    "knee_sem_inter_fixed": lambda: sem_of_design(knee(), forgiving=FIXED).value,
    "fleiss_kappa": lambda: diagnoses().estimate.value,
    "fleiss_pbar": lambda: diagnoses().observed,
    "fleiss_pe": lambda: diagnoses().by_chance,
    "cohen_kappa": lambda: couples("none").estimate.value,
    "cohen_kappa_se": lambda: couples("none").large_sample.se,
    "cohen_kappa_linear": lambda: couples("linear").estimate.value,
    "cohen_kappa_quadratic": lambda: couples("quadratic").estimate.value,
    "rail_icc_anova": lambda: rails().icc_1_1.value,
}


def _first_readings():
    data = open_data("peak_flow_bland_altman_1986.csv")
    return data["large_meter_1"], data["mini_meter_1"]


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure):
    expected(figure).check(CHECKS[figure]())


def test_the_error_mean_square_gives_the_sem_of_the_article():
    assert sem_consistency(trials(), unit="kg").value == pytest.approx(expected("weir_sem").value, rel=1e-9)


def test_replicates_corrected_for_averaging_give_the_sd_printed_by_bland_and_altman():
    # Bland & Altman (1986) Lancet 327:307-310, section on repeated readings: corrected SD 37.7 l/min, mean difference
    # -6.0 l/min; both figures from memory
    data = open_data("peak_flow_bland_altman_1986.csv").melt(id_vars="subject")
    rows = data.assign(method=data["variable"].str.split("_").str[0])
    agreement = limits_of_agreement_replicates(rows, unit="l/min", person="subject")
    assert (round(agreement.sd.value, 1), round(agreement.bias.value, 1)) == (37.7, 6.0)  # mini minus large


def test_intervals_printed_by_shrout_and_fleiss_programs_hold_for_the_one_way_forms():
    # psych::ICC on the judges' data prints ICC1 -0.133 to 0.723 and ICC1k -0.884 to 0.912; figures from memory
    one, mean = judges().icc_1_1, judges().icc_1_k
    assert (round(one.ci_low, 3), round(one.ci_high, 3)) == (-0.133, 0.723)
    assert (round(mean.ci_low, 3), round(mean.ci_high, 3)) == (-0.884, 0.912)
