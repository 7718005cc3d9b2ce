"""The usual analysis: the libraries' own numbers, unrounded and with their signs, one row a group."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import ToolkitError
from toolkit.stats.usual import usual_analysis

# Student (1908) Biometrika 6:1-25, table on p. 20: hours of extra sleep of ten patients under two drugs (R: `sleep`).
SLEEP = pd.DataFrame(
    {
        "client": list("ABCDEFGHIJ"),
        "before": [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
        "after": [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
    }
)


def repeated(rng=3, n_clients=12, visits=4):
    """Clients who differ, each with some visits; one group falls, the other rises."""
    draw = np.random.default_rng(rng)
    client = np.repeat(np.arange(n_clients), visits)
    before = 40 + draw.normal(0, 5, n_clients)[client] + draw.normal(0, 2, len(client))
    region = np.where(client % 2 == 0, "soleus", "splenii")
    after = before + np.where(client % 2 == 0, 2.0, -1.5) + draw.normal(0, 2, len(client))
    return pd.DataFrame({"client": client.astype(str), "region": region, "before": before, "after": after})


def test_students_sleep_data_give_the_figures_that_r_prints():
    # R 4.2: t.test(extra ~ group, data = sleep, paired = TRUE): t = -4.0621, df = 9, p-value = 0.002833,
    # 95 percent confidence interval -2.4598858 to -0.7001142, mean difference -1.58 (first minus second).
    row = usual_analysis(SLEEP).frame.iloc[0]
    assert row["estimate"] == pytest.approx(1.58, abs=1e-12)
    assert row["statistic"] == pytest.approx(4.0621, abs=5e-5)
    assert (row["df"], round(row["p"], 6)) == (9, 0.002833)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((0.7001142, 2.4598858), abs=5e-8)
    assert (row["n_clients"], row["n_rows"]) == (10, 10)


def test_the_interval_is_not_rounded_and_the_library_is_left_as_it_was():
    import pingouin

    before = dict(pingouin.options)
    row = usual_analysis(SLEEP).frame.iloc[0]
    assert abs(row["ci_low"] - round(row["ci_low"], 2)) > 1e-5
    assert dict(pingouin.options) == before


def test_a_lower_reading_that_is_better_turns_every_sign_and_nothing_else():
    up, down = (usual_analysis(SLEEP, better=better).frame.iloc[0] for better in ("higher", "lower"))
    turned = ["estimate", "statistic", "rank_biserial", "d_z", "d_av", "hedges_g_av", "mixed_estimate", "mixed_z"]
    assert (-down[turned]).to_numpy(dtype=float) == pytest.approx(up[turned].to_numpy(dtype=float), rel=1e-6)
    assert (up[turned] > 0).all()
    assert (-down["ci_high"], -down["ci_low"]) == pytest.approx((up["ci_low"], up["ci_high"]))
    assert down["p"] == pytest.approx(up["p"])
    assert down["common_language"] == pytest.approx(1 - up["common_language"])


def test_effect_sizes_are_those_of_their_definitions():
    row = usual_analysis(SLEEP).frame.iloc[0]
    change = SLEEP["after"] - SLEEP["before"]
    average = np.sqrt((SLEEP["after"].var() + SLEEP["before"].var()) / 2)
    assert row["d_z"] == pytest.approx(change.mean() / change.std())
    assert row["d_av"] == pytest.approx(change.mean() / average, rel=1e-9)


def test_wilcoxon_is_asked_with_the_normal_approximation_where_changes_tie():
    from scipy.stats import wilcoxon

    row = usual_analysis(SLEEP).frame.iloc[0]  # a zero and two equal changes among ten
    expected = wilcoxon(SLEEP["after"] - SLEEP["before"], method="asymptotic", correction=True)
    assert row["wilcoxon_p"] == pytest.approx(expected.pvalue)


def test_the_mixed_model_is_the_one_that_a_formula_gives():
    import statsmodels.formula.api as smf

    rows = repeated().query("region == 'soleus'")
    long = rows.melt(["client"], ["before", "after"], "phase", "reading")
    long["later"] = (long["phase"] == "after").astype(float)
    fit = smf.mixedlm("reading ~ later", long, groups="client").fit(reml=True)
    row = usual_analysis(rows).frame.iloc[0]
    assert row["mixed_estimate"] == pytest.approx(fit.params["later"], rel=1e-6)
    assert row["mixed_z"] == pytest.approx(fit.tvalues["later"], rel=1e-3)
    assert row["mixed_note"] == ""


def test_groups_have_a_row_each_with_holms_correction():
    found = usual_analysis(repeated(), by="region").frame.set_index("region")
    assert found.loc["soleus", "estimate"] > 0 > found.loc["splenii", "estimate"]
    p = found["p"].sort_values()
    assert found.loc[p.index[0], "p_adjusted"] == pytest.approx(min(1, 2 * p.iloc[0]))
    assert found.loc[p.index[1], "p_adjusted"] == pytest.approx(max(2 * p.iloc[0], p.iloc[1]))


def test_measures_are_never_mixed():
    two = pd.concat([SLEEP.assign(measure="sleep", unit="h"), SLEEP.assign(measure="rest", unit="min")])
    found = usual_analysis(two).frame
    assert sorted(found["measure"]) == ["rest", "sleep"]
    assert found.set_index("measure")["unit"].to_dict() == {"rest": "min", "sleep": "h"}


@pytest.mark.parametrize(
    ("after", "said"),
    [
        ([31.0, 32.0, 33.0, 34.0], "every row changed by the same amount"),
        ([31.0, 33.0, np.nan, np.nan], "2 row(s) with both readings"),
        ([np.nan] * 4, "None of the 4 row(s) holds both"),
    ],
)
def test_what_cannot_be_tested_says_why_and_gives_no_number(after, said):
    rows = pd.DataFrame({"client": list("ABCD"), "before": [30.0, 31.0, 32.0, 33.0], "after": after})
    found = usual_analysis(rows)
    row = found.frame.iloc[0]
    assert said in row["method"]
    assert np.isnan(row["p"])
    assert "nothing to test" in found.sentence()


def test_one_client_has_no_mixed_model_and_says_so():
    row = usual_analysis(SLEEP.assign(client="A")).frame.iloc[0]
    assert row["mixed_note"] == "not fitted: one client only"
    assert np.isnan(row["mixed_p"])


def test_a_column_that_is_not_there_is_named():
    with pytest.raises(ToolkitError, match="no column 'side'"):
        usual_analysis(SLEEP, by="side")
    with pytest.raises(ToolkitError, match="confidence level is 95"):
        usual_analysis(SLEEP, level=95)


def test_records_bring_units_and_directions_of_their_measures():
    from toolkit.records.records import load_records
    from toolkit.simulate import ClinicDials, simulate_clinic

    records = load_records(simulate_clinic(ClinicDials(n_clients=12, effect=4.0), rng=1).rows)
    row = usual_analysis(records, by=["region", "intervention"]).frame.iloc[0]
    assert row["unit"] == "deg"
    assert (row["region"], row["intervention"]) == ("upper_trapezius", "percussive_release")


def test_the_usual_analysis_is_the_first_of_the_adjustment_steps():
    from toolkit.auditing import judge_question
    from toolkit.explanations.adjustment_steps import _by_rows
    from toolkit.simulate import ClinicDials, simulate_clinic

    rows = simulate_clinic(ClinicDials(n_clients=20, effect=2.0), rng=2).rows
    asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}
    judged = judge_question(rows, asked)
    technique = judged.technique.dropna(subset=["before", "after"])
    step = _by_rows(technique.assign(change=technique["after"] - technique["before"]), "the usual answer", "")
    row = usual_analysis(judged.technique).frame.iloc[0]
    assert (row["estimate"], row["ci_low"], row["ci_high"]) == pytest.approx((step.estimate, step.ci_low, step.ci_high))
    assert (row["n_rows"], row["n_clients"]) == (step.n_rows, step.n_clients)
