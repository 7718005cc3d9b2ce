"""The mixed model of the front door: one call, then what a reader asks of it."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from toolkit import demo, load_records, mixed_model
from toolkit.errors import FitError
from toolkit.mixed.mixed import fit_mixed

MEASURE = "ankle_dorsiflexion_lunge"


@cache
def rows():
    rng = np.random.default_rng(4)
    client = np.repeat(np.arange(30), 6)
    frame = pd.DataFrame({"client": client, "region": np.resize(["calf", "hip", "neck"], 180)})
    frame["dose"] = rng.uniform(2, 6, 180)
    frame["before"] = 30 + rng.normal(0, 4, 30)[client] + rng.normal(0, 1, 180)
    effect = frame["region"].map({"calf": 1.0, "hip": 2.0, "neck": 3.0}) + 0.5 * frame["dose"] * (
        frame["region"] == "hip"
    )
    frame["after"] = frame["before"] + effect + rng.normal(0, 1, 30)[client] + rng.normal(0, 1.5, 180)
    return frame.assign(change=frame["after"] - frame["before"])


@cache
def fitted():
    return mixed_model("change ~ region + dose", rows(), unit="deg")


def test_the_fixed_effects_are_those_of_statsmodels():
    theirs = smf.mixedlm("change ~ region + dose", rows(), groups="client").fit(reml=True)
    ours = fitted().summary().frame.set_index("what")
    assert ours["estimate"].tolist() == pytest.approx(theirs.fe_params.tolist(), abs=1e-4)
    assert ours["se"].tolist() == pytest.approx(theirs.bse_fe.tolist(), rel=0.02)
    assert (ours["statistic"] - ours["estimate"] / ours["se"]).abs().max() < 1e-9


def test_practitioner_is_optional_and_used_where_there_are_several():
    assert list(fitted().fit.levels) == ["client"]
    several = rows().assign(practitioner=rows()["client"] % 5)
    assert list(mixed_model("change ~ region", several).fit.levels) == ["client", "practitioner"]
    bare = fit_mixed(rows(), formula="change ~ region")
    assert list(bare.levels) == ["client"]
    with pytest.raises(FitError, match="No column practitioner"):
        mixed_model("change ~ region", rows(), groups=("practitioner",))


def test_change_is_made_from_the_readings_and_better_is_positive():
    bare = rows().drop(columns="change")
    same = mixed_model("change ~ region + dose", bare).summary().frame["estimate"]
    assert same.tolist() == pytest.approx(fitted().summary().frame["estimate"].tolist())
    turned = mixed_model("change ~ region + dose", bare, better="lower").summary().frame["estimate"]
    assert turned.tolist() == pytest.approx((-same).tolist())


def test_records_serve_as_data_once_the_measure_is_named():
    records = load_records(demo())
    with pytest.raises(FitError, match="The data hold 5 measures: say measure="):
        mixed_model("change ~ region", records)
    model = mixed_model("change ~ intervention", records, measure=MEASURE)
    assert model.fit.unit == "deg"
    assert model.fit.n == records.readings.query("measure == @MEASURE")[["before", "after"]].dropna().shape[0]
    with pytest.raises(FitError, match="No row holds the measure knee"):
        mixed_model("change ~ region", records, measure="knee")


def test_adjusted_means_have_a_row_a_level_with_holm():
    found = fitted().adjusted_means("region")
    assert found.frame["region"].tolist() == ["calf", "hip", "neck"]
    assert (found.frame["p_adjusted"] >= found.frame["p"]).all()
    at_mean = rows().assign(dose=rows()["dose"].mean())
    expected = at_mean.drop_duplicates("region").sort_values("region")
    effects = fitted().summary().frame.set_index("what")["estimate"]
    assert found.frame["estimate"].iloc[0] == pytest.approx(
        effects["Intercept"] + effects["dose"] * expected["dose"].iloc[0]
    )


def test_contrasts_are_every_two_or_each_against_one():
    every = fitted().contrasts("region").frame
    one = fitted().contrasts("region", against_level="calf").frame
    assert every["what"].tolist() == ["calf - hip", "calf - neck", "hip - neck"]
    assert one["what"].tolist() == ["hip - calf", "neck - calf"]
    assert one["estimate"].iloc[0] == pytest.approx(-every["estimate"].iloc[0])
    assert (every["simultaneous_low"] < every["ci_low"]).all()
    with pytest.raises(FitError, match="'arm' is not one of: calf, hip, neck"):
        fitted().contrasts("region", against_level="arm")


def test_the_top_interaction_with_a_number_is_tested_by_its_columns():
    model = mixed_model("change ~ region * dose", rows())
    tests = model.term_tests().frame.set_index("what")
    names = [name for name in model.fit.names if ":" in name]
    assert tests.loc["region:dose", "p"] == pytest.approx(model.fit.f_test(names).p)
    assert tests.loc["region:dose", "df"] == 2
    assert "is part of region:dose" in tests.loc["dose", "note"]


def test_an_interaction_is_a_difference_of_differences():
    data = rows().assign(half=np.where(rows()["dose"] > 4, "high", "low"))
    model = mixed_model("change ~ region * half", data)
    found = model.interaction("half", "region").frame.set_index("what")
    means = model.adjusted_means(["half", "region"]).frame.set_index(["half", "region"])["estimate"]
    expected = (means["low", "calf"] - means["high", "calf"]) - (means["low", "hip"] - means["high", "hip"])
    assert found["estimate"].iloc[0] == pytest.approx(expected)
    assert len(found) == 3


def test_satterthwaite_and_kenward_roger_are_both_there():
    kr, st = (mixed_model("change ~ region", rows(), ddf=ddf) for ddf in ("kenward_roger", "satterthwaite"))
    assert "Kenward–Roger" in kr.summary().frame["method"].iloc[0]
    assert "Satterthwaite" in st.summary().frame["method"].iloc[0]
    by_ml = mixed_model("change ~ region", rows(), reml=False)
    assert "Satterthwaite" in by_ml.summary().frame["method"].iloc[0]


def test_two_nested_models_are_compared_by_their_likelihoods():
    small, large = (mixed_model(f"change ~ {terms}", rows(), reml=False) for terms in ("region", "region + dose"))
    row = small.compare(large).frame.iloc[0]
    assert row["statistic"] == pytest.approx(2 * (large.fit.log_likelihood - small.fit.log_likelihood))
    with pytest.raises(FitError, match="must hold all of the first and more"):
        large.compare(small)


def test_residuals_stand_beside_their_rows_and_random_effects_by_client():
    found = fitted().residuals()
    assert (found["fitted"] + found["residual"] - rows()["change"]).abs().max() < 1e-9
    assert len(fitted().random_effects()) == 30
    assert fitted().random_effects()["deviation"].sum() == pytest.approx(0, abs=1e-6)


def test_diagnostics_say_whose_the_variance_is_and_who_decides():
    found = fitted().diagnostics()
    assert {"ICC, client", "R² fixed", "R² whole", "largest Cook's distance, client"} <= set(found.frame["what"])
    assert len(found.plot().axes) == 2


def test_standard_deviations_have_intervals_when_asked():
    bare, wide = fitted().variance_components(), fitted().variance_components(intervals=True)
    assert bare.row("residual")["estimate"] == pytest.approx(1.5, rel=0.25)
    assert (wide.frame["ci_low"] < wide.frame["estimate"]).all()


def test_the_model_shows_and_saves_itself(tmp_path):
    assert "region[T.hip]" in str(fitted())
    assert "<table>" in fitted()._repr_html_()
    assert fitted().save(tmp_path / "model.csv").stat().st_size > 100
    assert fitted().plot().axes


def test_one_column_of_groups_may_be_given_as_a_word():
    rng = np.random.default_rng(3)
    data = pd.DataFrame({"who": np.repeat(np.arange(12), 4), "treated": np.tile([0, 1], 24)})
    data["y"] = data["treated"] + rng.normal(size=12)[data["who"]] + rng.normal(size=48)
    alone, listed = (mixed_model("y ~ treated", data, groups) for groups in ("who", ["who"]))
    assert alone.fit.levels == listed.fit.levels == {"who": 12}
