"""By region and intervention, several at once, and dose: from tidy rows to differences."""

import json

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError
from toolkit.mixed.combinations import combination_model
from toolkit.mixed.dose import WARNING, dose_model
from toolkit.mixed.mixed import fit_mixed
from toolkit.mixed.region_intervention import by_region_and_intervention


def sessions(done, region="calf", n=240, seed=3, **extra):
    rng = np.random.default_rng(seed)
    client = rng.integers(0, 30, n)
    rows = pd.DataFrame(
        {
            "client": client,
            "practitioner": rng.choice(["a", "b", "c"], n),
            "session_id": np.arange(n),
            "measure": "ankle_dorsiflexion_lunge",
            "region": region if isinstance(region, str) else rng.choice(region, n),
            "intervention": done if isinstance(done, np.ndarray) else rng.choice(done, n),
            "unit": "deg",
            "before": rng.normal(35, 4, n),
            "before_2": np.nan,
            **extra,
        }
    )
    rows["after"] = (
        rows["before"]
        + 2.0 * rows["intervention"].str.contains("press")
        + 1.0 * rows["intervention"].str.contains("stretch")
        + rng.normal(0, 1, 30)[client]
        + rng.normal(0, 1, n)
    )
    return rows


MEASURE = "ankle_dorsiflexion_lunge"


def test_cells_agree_with_the_same_model_by_formula():
    rows = sessions(["press", "measured_only"], ["calf", "sole"])
    got = by_region_and_intervention(rows, measure=MEASURE).rows
    frame = rows.assign(change=rows["after"] - rows["before"], cell=rows["region"] + rows["intervention"])
    frame["baseline"] = frame["before"] - frame["before"].mean()
    fit = fit_mixed(frame, formula="change ~ 0 + cell + baseline")
    wanted = [fit.contrast(f"cell[{cell}]") for cell in got["region"] + got["intervention"]]
    assert got["adjusted_mean"].to_numpy() == pytest.approx([c.value for c in wanted], rel=1e-6)
    assert got["ci_low"].to_numpy() == pytest.approx([c.ci_low for c in wanted], rel=1e-5)


def test_a_second_reading_before_is_the_baseline_where_it_was_taken():
    rows = sessions(["press", "measured_only"])
    rows["before_2"] = rows["before"] + 1.0
    without, with_it = (by_region_and_intervention(r, measure=MEASURE) for r in (rows.assign(before_2=np.nan), rows))
    assert with_it.rows["adjusted_mean"].to_numpy() == pytest.approx(without.rows["adjusted_mean"].to_numpy() - 1.0)


def test_lower_is_better_turns_the_sign():
    rows = sessions(["press", "measured_only"])
    higher, lower = (by_region_and_intervention(rows, measure=MEASURE, better=b).rows for b in ("higher", "lower"))
    assert lower["adjusted_mean"].to_numpy() == pytest.approx(-higher["adjusted_mean"].to_numpy(), rel=1e-6)


def test_two_sides_of_a_session_count_as_one_session():
    rows = sessions(["press", "measured_only"], n=80)
    twice = pd.concat([rows, rows])
    once, both = (by_region_and_intervention(r, measure=MEASURE).rows for r in (rows, twice))
    assert both["n_sessions"].tolist() == once["n_sessions"].tolist()
    assert both["ci_low"].to_numpy() == pytest.approx(once["ci_low"].to_numpy(), rel=1e-8)


def test_readings_not_taken_after_are_counted():
    rows = sessions(["press", "measured_only"])
    rows.loc[rows.index[:7], "after"] = np.nan
    found = by_region_and_intervention(rows, measure=MEASURE)
    assert found.n_missing == 7
    assert found.rows["n_sessions"].sum() == 233


def test_the_difference_from_sessions_only_measured_is_seen():
    found = by_region_and_intervention(sessions(["press", "measured_only"]), measure=MEASURE).rows.set_index(
        "intervention"
    )
    assert found.loc["press", "minus_ci_low"] < 2.0 < found.loc["press", "minus_ci_high"]
    assert np.isnan(found.loc["measured_only", "minus_comparison"])


def test_findings_are_plain_json_with_what_the_format_asks_for():
    found = by_region_and_intervention(sessions(["press", "measured_only"]), measure=MEASURE).as_findings()
    again = json.loads(json.dumps(found, allow_nan=False))
    assert {"region", "intervention", "adjusted_mean", "ci_low", "ci_high", "p_holm", "n_clients", "n_sessions"} <= set(
        again["rows"][0]
    )
    assert {"formula", "n", "variance_components", "df_method", "convergence"} <= set(again["model"])


def test_one_combination_alone_is_still_answered():
    found = by_region_and_intervention(sessions(["press"], n=40), measure=MEASURE)
    assert found.rows["adjusted_mean"].tolist() == pytest.approx([2.0], abs=1.0)


def test_a_measure_that_is_not_there_is_refused():
    with pytest.raises(NotEnoughError, match="No row holds the measure jump"):
        by_region_and_intervention(sessions(["press"]), measure="jump")


def test_a_measure_without_readings_after_is_refused():
    with pytest.raises(NotEnoughError, match="no session has a reading before and one after"):
        by_region_and_intervention(sessions(["press"]).assign(after=np.nan), measure=MEASURE)


def test_what_each_intervention_adds_is_recovered():
    rows = sessions(["press", "stretch", "press + stretch", "measured_only"])
    found = combination_model(rows, measure=MEASURE).rows.set_index("what")
    for name, truth in (("press", 2.0), ("stretch", 1.0), ("press and stretch beyond their sum", 0.0)):
        assert found.loc[name, "ci_low"] < truth < found.loc[name, "ci_high"]


def test_interventions_always_together_count_as_one_and_are_named():
    found = combination_model(sessions(["press + heat", "measured_only"]), measure=MEASURE)
    assert found.rows["what"].tolist() == ["heat with press"]
    assert "Always together, so they cannot be told apart and count as one: heat and press." in found.notes


def test_without_comparison_sessions_each_is_compared_with_the_most_frequent_and_that_is_said():
    done = np.array(["press"] * 140 + ["stretch"] * 100)
    found = combination_model(sessions(done), measure=MEASURE)
    assert found.rows["what"].tolist() == ["stretch"]
    assert "Every session had one of press, stretch: the others are each compared with press." in found.notes


def test_an_intervention_in_every_session_is_named_as_not_to_be_told():
    found = combination_model(sessions(["press", "press + stretch"]), measure=MEASURE)
    assert any(note.startswith("In every session: press") for note in found.notes)


def test_three_interventions_of_which_one_says_what_two_say_are_named():
    done = np.array(["press + heat", "stretch + heat", "measured_only"] * 80)
    found = combination_model(sessions(done), measure=MEASURE)
    assert any("Cannot all be told apart: heat, press, stretch" in note for note in found.notes)
    assert len(found.rows) == 2


def test_interventions_that_nearly_always_go_together_are_called_hard_to_tell_apart():
    done = np.array((["press + heat"] * 78 + ["measured_only"] * 79 + ["press", "heat", "press"]) * 1)
    found = combination_model(sessions(done, n=160), measure=MEASURE)
    assert found.rows["inflation"].max() > 10
    assert any(note.startswith("Hard to tell apart") for note in found.notes)


def test_too_few_sessions_for_an_interaction_are_named():
    done = np.array(["press", "stretch", "measured_only"] * 79 + ["press + stretch"] * 3)
    found = combination_model(sessions(done), measure=MEASURE)
    assert any(note.startswith("Too few sessions with both, either and neither") for note in found.notes)


def test_sessions_all_treated_alike_are_refused():
    with pytest.raises(NotEnoughError, match="every session was treated alike"):
        combination_model(sessions(["press"]), measure=MEASURE)


def test_dose_finds_the_minutes_and_warns_that_settings_were_chosen():
    minutes = np.random.default_rng(1).choice([1.0, 2.0, 3.0, 4.0], 240)
    rows = sessions(["press", "stretch"], minutes=minutes)
    rows["after"] += 0.8 * minutes
    found = dose_model(rows, measure=MEASURE)
    row = found.rows.set_index("way").loc["minutes"]
    assert row["ci_low"] < 0.8 < row["ci_high"]
    assert WARNING in found.sentence()


def test_dose_names_what_was_not_recorded_and_what_never_varied():
    rows = sessions(["press"], head="large", minutes=np.tile([1.0, 2.0], 120), setting="")
    found = dose_model(rows, measure=MEASURE)
    assert any("Not recorded: setting" in note for note in found.notes)
    assert "head: always large." in found.notes


def test_dose_sets_sessions_without_a_value_aside_and_counts_them():
    rows = sessions(["press"], head=np.array(["large", "small", "small", ""] * 60, dtype=object))
    found = dose_model(rows, measure=MEASURE, ways=("head",))
    assert found.n == 180
    assert "60 session(s) without a value for head were set aside." in found.notes


def test_dose_keeps_practitioners_random_where_only_they_differ_in_experience():
    rows = sessions(["press"])
    rows["experience"] = rows["practitioner"].map({"a": 2.0, "b": 9.0, "c": 15.0})
    found = dose_model(rows, measure=MEASURE)
    assert "practitioner" in found.fit.levels
    assert found.rows["way"].tolist() == ["experience"]


def test_dose_without_any_way_that_varies_is_refused():
    with pytest.raises(NotEnoughError, match="no way of working varies"):
        dose_model(sessions(["press"]), measure=MEASURE, ways=("setting", "head"))
