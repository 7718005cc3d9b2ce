"""Methods that no shipped sheet names, on the tables of their examples: R 4.2.2's numbers, the call beside each.

Where a value stands in the open check values (`expected.json`), that is said instead.
"""

import pytest

from toolkit.errors import SheetError
from toolkit.replicating import METHODS, read_sheet
from toolkit.replicating.format_page import example_sheet
from toolkit.replicating.other_readings import Recomputer

IN_R = {
    "sign_test": {"p": 0.0390625},  # binom.test(8, 9)
    "typical_change": {"shift": 3.0},  # median of all pairwise means of a - b
    "pitman_morgan": {"t": 1.19697196},  # cor.test(a + b, a - b)
    "equivalence": {"p": 0.0175457138},  # larger p of t.test(d, mu = -5, "greater"), t.test(d, mu = 5, "less")
    "responders": {"percent": 60.0},  # 100 * mean(d >= 4)
    "adjusted_for_baseline": {"difference": 0.203883495, "se": 1.73753474},  # lm(a ~ b + arm), walk minus rest
    "factorial_anova": {"F": 0.128272251, "p": 0.881962535},  # anova(lm(g ~ way * sex)), balanced
    "count_of": {"percent": 30.0},
    "mixed_design": {"F": 3.8},  # summary(aov(r ~ arm * w + Error(id / w)))
    "model_means": {
        "estimate": 1.77777778,
        "se": 2.16595431,
        "df": 4.0,
    },  # emmeans(lmer(r ~ arm + wk + (1 | id)))
    "concordance": {"ccc": 0.873134328},  # epi.ccc of epiR
    "within_person_error": {"cv": 4.17534021, "sd_within": 1.24721913},  # anova(lm(log(v) ~ su)), anova(lm(v ~ su))
    "sem_of_summary": {"sem": 1.86, "mdc95": 5.15565696},  # 6.2 * sqrt(.09); 1.96 * sqrt(2) * SEM
    "icc_of_squares": {"icc_2_1": 0.2898, "icc_3_1": 0.7148},  # Shrout & Fleiss (1979): .29, .71
    "share": {"ci_low": 0.180748452, "ci_high": 0.454300188, "exact_low": 0.165627204},  # prop.test, binom.test
    "run_chart": {"centre": 21.0, "lower_limit": 15.015, "upper_limit": 26.985},  # mean ± 2.66 mean moving range
    "alternating_schedule": {"difference": 5.0, "p": 0.1},  # all 20 schedules of three and three
    "reliable_change": {"rci": 3.16227766},  # Jacobson & Truax (1991): 15 / (sqrt(2) 7.5 sqrt(.2)), printed 3.14
    "funnel_asymmetry": {"t": 3.26165241, "p": 0.0825296594},  # regtest(rma("SMD"), model = "lm") of metafor
    "p_of_statistic": {"p": 0.0500743957},  # pf(3.23, 2, 40, lower.tail = FALSE)
    "paired_effects_of_summary": {"d_av": 1.13},  # Lakens (2013)
    "d_z_of_t": {"d_z": 1.49892},  # 4.74 / sqrt(10)
    "two_groups_of_summary": {"t": 2.69328125, "p": 0.00971659626, "d": 0.762385126},  # pooled SD by hand, pt
    "one_group_of_summary": {"ci_low": 2.16910408},  # 3.1 - qt(.975, 23) * .45
    "one_way_of_summary": {"F": 5.78347748, "p": 0.00717603164},  # between and within squares by hand, pf
    "change_of_summary": {"r": 0.605047885},  # (14^2 + 17.9^2 - 14.6^2) / (2 * 14 * 17.9)
    "adjusted_p": {"p_adjusted": 0.06},  # p.adjust(p, "holm")[2]
    "sample_size": {"n": 34, "n_exact": 33.3672041},  # power.t.test(delta = .5, sd = 1, power = .8, type = "paired")
    "interim_looks": {"z": 3.7103028732625},  # lan_demets_of_3_look1
    "regression_to_the_mean": {"drift": 13.4860115210267},  # rtm_rho50_m1
    "design_effect": {"design_effect": 1.95},  # 1 + 19 * .05
}
ROUNDED = {"icc_of_squares": 5e-4, "paired_effects_of_summary": 5e-3, "d_z_of_t": 1e-4, "sample_size": 1e-3}


def _numbers(tmp_path, name, **settings):
    path = tmp_path / "replication.toml"
    path.write_text(example_sheet(name), encoding="utf-8")
    figure = read_sheet(path).figures[0]
    return Recomputer(figure.rows).numbers(METHODS[name], {**figure.settings, **settings})


@pytest.mark.parametrize("name", sorted(IN_R))
def test_the_numbers_are_those_of_r(name, tmp_path):
    numbers = _numbers(tmp_path, name)
    for take, value in IN_R[name].items():
        assert numbers[take] == pytest.approx(value, rel=1e-6, abs=ROUNDED.get(name, 1e-8)), take


@pytest.mark.parametrize(
    ("settings", "value"),
    [
        ({"shape": "pocock", "planned": 2}, 2.17827209476995),  # pocock_c_2
        ({"shape": "obrien_fleming", "planned": 5}, 4.56174232721365),  # obf_z_5_look1
    ],
)
def test_the_boundaries_of_fixed_shapes_are_the_published_ones(settings, value, tmp_path):
    assert _numbers(tmp_path, "interim_looks", **settings)["z"] == pytest.approx(value, rel=1e-6)


def test_the_intervals_of_d_z_are_the_published_ones(tmp_path):
    # sleep_dz_ci_low, sleep_dz_ci_high (Student's sleep data, first minus second there)
    path = tmp_path / "replication.toml"
    rows = "0.7,1.9\n-1.6,0.8\n-0.2,1.1\n-1.2,0.1\n-0.1,-0.1\n3.4,4.4\n3.7,5.5\n0.8,1.6\n0.0,4.6\n2.0,3.4"
    head = 'format = "replication/1"\ntitle = "x"\ndesign = "x"\ncitation = "x"\n'
    data = f'[data]\ntable = """\nfirst,second\n{rows}\n"""\n[columns]\nbefore = "first"\nafter = "second"\n'
    figure = '[[figure]]\nname = "d"\nwhere = "p. 1"\nread = "read"\nmethod = "standardised_change"\n'
    path.write_text(f'{head}{data}{figure}printed = {{d_z_low = "0.4146", d_z_high = "2.1180"}}\n', encoding="utf-8")
    from toolkit.replicating import replicate

    assert replicate(path).n_within_rounding == 2


def test_every_method_is_checked_against_something_from_outside():
    from toolkit.replicating import shipped_sheets

    shipped = {figure.method.name for path in shipped_sheets() for figure in read_sheet(path).figures}
    assert sorted(set(METHODS) - shipped - set(IN_R)) == ["limits_of_agreement_repeated"]  # tests/stats/test_agreement*


def _on(name, file, **settings):
    import pandas as pd

    from toolkit.resources import dataset_file

    method = METHODS[name]
    whole = {**dict.fromkeys(method.optional, ""), **method.settings, **settings}
    return Recomputer(pd.read_csv(dataset_file(f"open/data/{file}"))).numbers(method, whole)


def test_a_regressions_r2_and_overall_f_are_those_of_r():  # summary(lm(y ~ x)), the NIST Norris data
    found = _on("model", "nist_norris.csv", formula="y ~ x")
    assert found["F_model"] == pytest.approx(5436385.54, rel=1e-8)
    assert found["r2"] == pytest.approx(0.999993745883712, rel=1e-12)  # certified
    assert "sd_slope" not in found


def test_the_t_of_one_column_is_that_of_r():  # t.test(extra_hours_drug1)
    assert _on("one_column", "sleep_student_1908.csv", value="extra_hours_drug1")["t"] == pytest.approx(1.32571014)


def test_two_words_give_logistic_regression():  # glm((pain_free == "yes") ~ group, binomial)
    settings = {"answer": "pain_free", "explaining": ["group"], "term": "group", "order": ["no", "yes"]}
    found = _on("ordinal_model", "migraine_allais_2011.csv", **settings)
    assert (found["estimate"], found["se"]) == pytest.approx((1.89711994, 0.808006), abs=2e-4)


def test_an_answer_that_explains_itself_is_refused():
    with pytest.raises(SheetError, match="names the answer itself"):
        _on("ordinal_model", "migraine_allais_2011.csv", answer="pain_free", explaining=["pain_free"], term="pain_free")


def test_mauchly_is_that_of_r():  # mauchly.test(lm(M ~ 1), X = ~ 1), three ways of rounding first base
    import pandas as pd

    from toolkit.resources import dataset_file

    wide = pd.read_csv(dataset_file("open/data/base_running_hollander_wolfe_1973.csv"))
    names = {"person": "player", "reading": "variable", "value": "value"}
    found = Recomputer(wide.melt(id_vars="player")).numbers(METHODS["repeated_anova"], names)
    assert (found["mauchly_W"], found["mauchly_p"]) == pytest.approx((0.707177623, 0.0312813223), rel=1e-6)


def test_limits_of_logged_readings_are_given_back_as_ratios():
    # exp(mean(log(large) - log(mini)) + c(0, -1.96, 1.96) * sd(...)), Bland & Altman's first readings
    import numpy as np
    import pandas as pd

    from toolkit.resources import dataset_file

    meters = np.log(pd.read_csv(dataset_file("open/data/peak_flow_bland_altman_1986.csv")))
    method = METHODS["limits_of_agreement"]
    settings = {**method.settings, "first": "large_meter_1", "second": "mini_meter_1"}
    found = Recomputer(meters).numbers(method, settings)
    assert [found[name] for name in ("ratio", "ratio_lower", "ratio_upper")] == pytest.approx(
        [0.9882846258, 0.7782674289, 1.25497543]
    )
