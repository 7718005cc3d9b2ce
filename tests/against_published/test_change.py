"""Changes, effect sizes, signs, equivalence and adjusted comparisons against published and R-computed figures."""

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from published_figures import expected, open_data

from toolkit import stats
from toolkit.multiplicity import adjusted_p
from toolkit.replicating.summary_effects import group_effect_from_summary
from toolkit.result import Estimate
from toolkit.stats.beyond_error import matched_rank_biserial
from toolkit.stats.centre import hodges_lehmann_change
from toolkit.stats.clients import clients_change
from toolkit.stats.effect_size_intervals import effect_sizes
from toolkit.stats.equivalence_tests import (
    Equivalence,
    Group,
    paired_equivalence,
    paired_equivalence_from_summary,
    sd_of_difference,
    welch_equivalence_from_summary,
)
from toolkit.stats.group_difference import (
    BaselineAdjusted,
    GroupSummary,
    baseline_adjusted,
    baseline_adjusted_from_summary,
    change_difference,
    followup_difference,
)
from toolkit.stats.group_means import (
    BeforeAfter,
    controlled_change,
    controlled_change_own_sd,
)
from toolkit.stats.one_client import ReliableChange, clinical_cutoffs, reliable_change
from toolkit.stats.paired_tests import wilcoxon_exact, wilcoxon_normal
from toolkit.stats.proportions import (
    PairedCounts,
    newcombe_paired_difference,
    share_of,
    unpaired_difference,
    wald_paired_difference,
)
from toolkit.stats.repeated_readings import friedman, greenhouse_geisser, repeated_anova
from toolkit.stats.response_mean import dz_change, gz_change
from toolkit.stats.sem import sem_from_icc
from toolkit.stats.sign_tests import (
    cochran_q,
    conditional_odds_ratio,
    durkalski_test,
    eliasziw_donner_test,
    mcnemar_chi2,
    mcnemar_chi2_corrected,
    mcnemar_exact,
    obuchowski_test,
    yang_test,
)
from toolkit.stats.standardised import TwoReadings, dav_rms_change, two_readings

PAIRED = {
    "sleep": ("sleep_student_1908.csv", "subject", "extra_hours_drug2", "extra_hours_drug1"),
    "maize": ("maize_darwin_1876.csv", "pair", "self_eighth_inch", "crossed_eighth_inch"),
    "shoes": ("shoes_box_1978.csv", "boy", "wear_material_b", "wear_material_a"),
    "depression": ("depression_hollander_wolfe_1973.csv", "patient", "pre", "post"),
    "lakens": ("ratings_lakens_2013.csv", "person", "movie_2", "movie_1"),
}
BETTER = {"depression": "lower"}  # a fall is an improvement, so that changes are before minus after


@cache
def _rows(name: str) -> pd.DataFrame:
    file, client, first, second = PAIRED[name]
    return open_data(file).rename(columns={client: "client", first: "before", second: "after"})


@cache
def _tested(name: str, test: str = "t") -> pd.Series:
    return stats.paired_test(_rows(name), test=test, better=BETTER.get(name, "higher")).frame.iloc[0]


@cache
def _clients(name: str) -> pd.DataFrame:
    return clients_change(_rows(name), better=BETTER.get(name, "higher"))


@cache
def _sleep_tost() -> Equivalence:
    return paired_equivalence(_clients("sleep")["change"].to_numpy(), lower_bound=-2, upper_bound=2, unit="h")


@cache
def _lakens_readings() -> TwoReadings:
    clients = _clients("lakens")
    return two_readings(clients["mean_first"], clients["mean_second"])


@cache
def _lakens_sizes() -> dict[str, Estimate]:
    rows = open_data("ratings_lakens_2013.csv").rename(
        columns={"person": "client", "movie_2": "before", "movie_1": "after"}
    )
    return {found.name: found for found in effect_sizes(rows, measure="rating", better="higher")}


def _trial_rows(arm: str) -> pd.DataFrame:
    trial = open_data("depression_trial_proudfoot_2003.csv")
    return trial[trial["treatment"] == arm].rename(
        columns={"subject": "client", "bdi_pre": "before", "bdi_2m": "after"}
    )


@cache
def _trial_size(arm: str, name: str) -> float:
    found = effect_sizes(_trial_rows(arm), measure="bdi", better="higher")
    return {each.name: each.value for each in found}[name]


@cache
def _ancova() -> BaselineAdjusted:
    return baseline_adjusted(
        open_data("depression_trial_proudfoot_2003.csv"),
        outcome="bdi_2m",
        baseline="bdi_pre",
        group="treatment",
        reference="usual_care",
        unit="points",
    )


def _adjusted_mean(arm: str) -> float:
    means = _ancova().means
    assert means is not None
    return float(means.set_index("what").loc[f"adjusted mean, {arm}", "value"])


@cache
def _shoulder() -> tuple[GroupSummary, GroupSummary]:
    """The acupuncture and the placebo group of the printed table."""
    printed = expected("vickers_followup_diff").inputs

    def summary(name: str) -> GroupSummary:
        arm: dict[str, Any] = printed[name]
        return GroupSummary(
            n=arm["n"],
            mean_before=arm["pre"][0],
            sd_before=arm["pre"][1],
            mean_after=arm["post"][0],
            sd_after=arm["post"][1],
            mean_change=arm["change"][0],
            sd_change=arm["change"][1],
        )

    return summary("acupuncture"), summary("placebo")


def _followup() -> Estimate:
    return followup_difference(*_shoulder(), unit="points")


def _change() -> Estimate:
    return change_difference(*_shoulder(), unit="points")


def _summary_ancova() -> BaselineAdjusted:
    return baseline_adjusted_from_summary(*_shoulder(), unit="points")


def _morris(study: int) -> tuple[BeforeAfter, BeforeAfter, float]:
    row = open_data("pre_post_control_morris_2008.csv").set_index("study").loc[study]

    def arm(letter: str) -> BeforeAfter:
        return BeforeAfter(
            n=int(row[f"{letter}_n"]),
            mean_before=row[f"{letter}_mean_pre"],
            mean_after=row[f"{letter}_mean_post"],
            sd_before=row[f"{letter}_sd_pre"],
        )

    return arm("t"), arm("c"), float(row["r_pre_post"])


def _morris_own(study: int) -> float:
    return controlled_change_own_sd(*_morris(study)[:2])


def _morris_pooled(study: int) -> Estimate:
    treated, control, r = _morris(study)
    return controlled_change(treated, control, r=r)


@cache
def _approval() -> PairedCounts:
    return PairedCounts(**expected("mcnemar_chi2").inputs)


@cache
def _approval_newcombe() -> Estimate:
    """Second minus first; the published limits are of first minus second."""
    return newcombe_paired_difference(_approval())


@cache
def _psychiatry() -> pd.DataFrame:
    return open_data("psychiatry_clusters_donner_petryshen_1989.csv").rename(
        columns={
            "both_yes": "yes_yes",
            "patient_yes_only": "yes_no",
            "psychiatrist_yes_only": "no_yes",
            "both_no": "no_no",
        }
    )


def _naive_mcnemar() -> float:
    cells = _psychiatry()[["yes_yes", "yes_no", "no_yes", "no_no"]].sum()
    return mcnemar_chi2(PairedCounts(**{str(name): int(count) for name, count in cells.items()})).statistic


@cache
def _three_drugs() -> Any:
    counted = open_data("three_drugs_grizzle_1969.csv")
    people = counted.loc[counted.index.repeat(counted["count"]), ["drug_a", "drug_b", "drug_c"]]
    return cochran_q((people == "F").astype(int))


@cache
def _stool() -> pd.DataFrame:
    return open_data("ergo_stool_wretenberg_1993.csv")


_STOOL = {"person": "subject", "reading": "stool", "value": "effort"}


def _wilson(figure: str) -> Estimate:
    given = expected(figure).inputs
    return share_of(given["x"], given["n"])


def _newcombe(figure: str) -> Estimate:
    given = expected(figure).inputs
    return unpaired_difference(given["x1"], given["n1"], given["x2"], given["n2"])


@cache
def _welch_tost() -> Equivalence:
    given = expected("tost_welch_p").inputs
    bound = given["bound_d"] * float(np.sqrt((given["sd1"] ** 2 + given["sd2"] ** 2) / 2))
    return welch_equivalence_from_summary(
        Group(mean=given["m1"], sd=given["sd1"], n=given["n1"]),
        Group(mean=given["m2"], sd=given["sd2"], n=given["n2"]),
        lower_bound=-bound,
        upper_bound=bound,
        unit="points",
    )


@cache
def _paired_tost() -> Equivalence:
    given = expected("tost_paired_p_upper").inputs
    sd = sd_of_difference(given["sd1"], given["sd2"], r=given["r"])
    return paired_equivalence_from_summary(
        mean_difference=given["m1"] - given["m2"],
        sd_difference=sd,
        n=given["n"],
        lower_bound=-given["bound_dz"] * sd,
        upper_bound=given["bound_dz"] * sd,
        unit="points",
    )


@cache
def _adjusted(method: str) -> pd.DataFrame:
    return adjusted_p(open_data("fifteen_p_values_bh_1995.csv")["p_value"].tolist(), method=method)


def _rejections(method: str) -> int:
    return int(_adjusted(method)["rejected"].sum())


@cache
def _jacobson_truax() -> ReliableChange:
    given = expected("jt_rci").inputs
    sem = sem_from_icc(given["reliability"], given["sd_pre"], n=2, unit="points").value
    return reliable_change(given["pre"], given["post"], sem=sem, unit="points")


def _cutoffs() -> Any:
    given = expected("jt_cutoff_a").inputs
    return clinical_cutoffs(
        mean_clinical=given["mean_clinical"],
        sd_clinical=given["sd_pre"],
        mean_functional=given["mean_functional"],
        sd_functional=given["sd_functional"],
    )


CHECKS = {
    "sleep_mean_diff": lambda: _tested("sleep")["estimate"],
    "sleep_t": lambda: _tested("sleep")["statistic"],
    "sleep_p": lambda: _tested("sleep")["p"],
    "sleep_ci_low": lambda: _tested("sleep")["ci_low"],
    "sleep_ci_high": lambda: _tested("sleep")["ci_high"],
    "sleep_sd_diff": lambda: _tested("sleep")["sd_change"],
    "sleep_dz": lambda: dz_change(_clients("sleep")["change"].to_numpy()).value,
    "sleep_dz_ci_low": lambda: dz_change(_clients("sleep")["change"].to_numpy()).ci_low,
    "sleep_dz_ci_high": lambda: dz_change(_clients("sleep")["change"].to_numpy()).ci_high,
    "sleep_gz_exact": lambda: gz_change(_clients("sleep")["change"].to_numpy()).value,
    "sleep_wilcoxon_V": lambda: _tested("sleep", "wilcoxon")["statistic"],
    "sleep_wilcoxon_p_normal_cc": lambda: wilcoxon_normal(_clients("sleep")["change"].to_numpy()).p,
    "sleep_tost_p": lambda: _sleep_tost().p,
    "sleep_tost_ci90_low": lambda: _sleep_tost().difference.ci_low,
    "sleep_tost_ci90_high": lambda: _sleep_tost().difference.ci_high,
    "maize_mean_diff": lambda: _tested("maize")["estimate"],
    "maize_t": lambda: _tested("maize")["statistic"],
    "maize_p": lambda: _tested("maize")["p"],
    "maize_sign_flip_p": lambda: _tested("maize", "sign_flip")["p"],
    "maize_wilcoxon_p_normal": lambda: wilcoxon_normal(_clients("maize")["change"], continuity=0.0).p,
    "shoes_t": lambda: _tested("shoes")["statistic"],
    "shoes_p": lambda: _tested("shoes")["p"],
    "depression_wilcoxon_V": lambda: _tested("depression", "wilcoxon")["statistic"],
    "depression_wilcoxon_p_exact_greater": lambda: (
        wilcoxon_exact(_clients("depression")["change"], alternative="greater").p
    ),
    "depression_hodges_lehmann": lambda: _tested("depression", "wilcoxon")["estimate"],
    "depression_hl_ci_low": lambda: _tested("depression", "wilcoxon")["ci_low"],
    "depression_hl_ci_high": lambda: hodges_lehmann_change(_clients("depression")["change"], unit="score").ci_high,
    "depression_rank_biserial": lambda: matched_rank_biserial(_clients("depression")["change"]).value,
    "trial_ancova_n": lambda: _ancova().n_used,
    "trial_ancova_effect": lambda: _ancova().difference.value,
    "trial_ancova_se": lambda: _ancova().difference.se,
    "trial_ancova_p": lambda: _ancova().difference.p,
    "trial_ancova_ci_low": lambda: _ancova().difference.ci_low,
    "trial_ancova_ci_high": lambda: _ancova().difference.ci_high,
    "trial_ancova_slope": lambda: _ancova().slope,
    "trial_ancova_emmean_usual": lambda: _adjusted_mean("usual_care"),
    "trial_ancova_emmean_program": lambda: _adjusted_mean("program"),
    **{
        f"trial_paired_t_{arm}": lambda arm=arm: stats.paired_test(_trial_rows(arm)).frame["statistic"].iloc[0]
        for arm in ("usual_care", "program")
    },
    **{
        f"trial_srm_{arm}": lambda arm=arm: _trial_size(arm, "standardised response mean")
        for arm in ("usual_care", "program")
    },
    **{
        f"trial_es_baseline_sd_{arm}": lambda arm=arm: _trial_size(arm, "change over baseline SD")
        for arm in ("usual_care", "program")
    },
    "vickers_followup_diff": lambda: _followup().value,
    "vickers_followup_ci_low": lambda: _followup().ci_low,
    "vickers_followup_ci_high": lambda: _followup().ci_high,
    "vickers_change_diff": lambda: _change().value,
    "vickers_change_ci_low": lambda: _change().ci_low,
    "vickers_change_ci_high": lambda: _change().ci_high,
    "vickers_ancova_slope": lambda: _summary_ancova().slope,
    "vickers_ancova_diff": lambda: _summary_ancova().difference.value,
    "vickers_ancova_ci_low": lambda: _summary_ancova().difference.ci_low,
    "vickers_ancova_ci_high": lambda: _summary_ancova().difference.ci_high,
    "lakens_m1": lambda: _clients("lakens")["mean_second"].mean(),
    "lakens_sd1": lambda: _lakens_readings().sd_second,
    "lakens_sd2": lambda: _lakens_readings().sd_first,
    "lakens_t_paired": lambda: _tested("lakens")["statistic"],
    "lakens_ci_low": lambda: _tested("lakens")["ci_low"],
    "lakens_ci_high": lambda: _tested("lakens")["ci_high"],
    "lakens_dz": lambda: _lakens_sizes()["d_z"].value,
    "lakens_dav": lambda: _lakens_sizes()["d_av"].value,
    "lakens_dav_rms": lambda: dav_rms_change(_lakens_readings()).value,
    "lakens_drm": lambda: _lakens_sizes()["d_rm"].value,
    "lakens_gav": lambda: _lakens_sizes()["Hedges' g_av"].value,
    "lakens_gs": lambda: (
        group_effect_from_summary(
            mean_1=_clients("lakens")["mean_second"].mean(),
            mean_2=_clients("lakens")["mean_first"].mean(),
            sd_1=_lakens_readings().sd_second,
            sd_2=_lakens_readings().sd_first,
            n_1=10,
            n_2=10,
        ).value
    ),
    "lakens_r": lambda: _lakens_readings().r,
    **{f"morris_dppc1_study{study}": lambda study=study: _morris_own(study) for study in range(1, 6)},
    **{f"morris_dppc2_study{study}": lambda study=study: _morris_pooled(study).value for study in range(1, 6)},
    "morris_dppc2_approx_study1": lambda: controlled_change(*_morris(1)[:2], r=0.5, correction="approximate").value,
    "morris_dppc2_var_study1": lambda: _morris_pooled(1).se ** 2,
    "stool_friedman": lambda: friedman(_stool(), **_STOOL).statistic,
    "stool_gg_epsilon": lambda: greenhouse_geisser(_stool(), **_STOOL),
    "stool_gg_p": lambda: repeated_anova(_stool(), **_STOOL).p,
    "mcnemar_chi2": lambda: mcnemar_chi2(_approval()).statistic,
    "mcnemar_chi2_cc": lambda: mcnemar_chi2_corrected(_approval()).statistic,
    "mcnemar_p_cc": lambda: mcnemar_chi2_corrected(_approval()).p,
    "mcnemar_exact_p": lambda: mcnemar_exact(_approval()).p,
    "mcnemar_diff": lambda: _approval_newcombe().value,
    "mcnemar_wald_ci_low": lambda: wald_paired_difference(_approval()).ci_low,
    "mcnemar_wald_ci_high": lambda: wald_paired_difference(_approval()).ci_high,
    "mcnemar_conditional_or": lambda: conditional_odds_ratio(_approval().yes_no, _approval().no_yes).value,
    "newcombe_paired_low": lambda: -_approval_newcombe().ci_high,
    "newcombe_paired_high": lambda: -_approval_newcombe().ci_low,
    "cochran_q": lambda: _three_drugs().statistic,
    "cochran_q_p": lambda: _three_drugs().p,
    "clustered_mcnemar_naive": _naive_mcnemar,
    "clustered_obuchowski": lambda: obuchowski_test(_psychiatry()).statistic,
    "clustered_durkalski": lambda: durkalski_test(_psychiatry()).statistic,
    "clustered_yang": lambda: yang_test(_psychiatry()).statistic,
    "clustered_eliasziw": lambda: eliasziw_donner_test(_psychiatry()).statistic,
    **{
        f"wilson_{of}_{end}": lambda of=of, end=end: getattr(_wilson(f"wilson_{of}_{end}"), f"ci_{end}")
        for of in ("81_263", "15_148", "0_20", "1_29")
        for end in ("low", "high")
    },
    **{
        f"newcombe10_{of}_{end}": lambda of=of, end=end: getattr(_newcombe(f"newcombe10_{of}_{end}"), f"ci_{end}")
        for of in (
            "56_70_48_80",
            "9_10_3_10",
            "6_7_2_7",
            "5_56_0_29",
            "0_10_0_20",
            "0_10_0_10",
            "10_10_0_20",
            "10_10_0_10",
        )
        for end in ("low", "high")
    },
    "tost_welch_t_upper": lambda: _welch_tost().t_upper,
    "tost_welch_p": lambda: _welch_tost().p,
    "tost_welch_df": lambda: _welch_tost().df,
    "tost_paired_t_upper": lambda: _paired_tost().t_upper,
    "tost_paired_p_upper": lambda: _paired_tost().p_upper,
    **{
        f"{method}_rejections": lambda method=method: _rejections(method)
        for method in ("bh", "bonferroni", "hochberg", "holm")
    },
    **{
        f"{method}_adjusted_p{rank}": lambda method=method, rank=rank: _adjusted(method)["p_adjusted"].iloc[rank - 1]
        for method in ("bh", "holm")
        for rank in (1, 4, 5, 9, 15)
    },
    "by_adjusted_p4": lambda: _adjusted("by")["p_adjusted"].iloc[3],
    "jt_sem": lambda: _jacobson_truax().sem,
    "jt_sdiff": lambda: _jacobson_truax().error_of_difference,
    "jt_rci": lambda: _jacobson_truax().index,
    "jt_cutoff_a": lambda: _cutoffs().a,
    "jt_cutoff_b": lambda: _cutoffs().b,
    "jt_cutoff_c": lambda: _cutoffs().c,
    "jt_reliable_change_threshold": lambda: _jacobson_truax().threshold,
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure: str) -> None:
    expected(figure).check(CHECKS[figure]())
