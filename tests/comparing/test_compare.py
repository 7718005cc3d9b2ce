"""Two protocols compared: one number with the audit, known differences, what an owner looks at, refusals in words."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st

from toolkit import audit
from toolkit.comparing.compare import Comparison, compare, e_values
from toolkit.comparing.found import quoted_estimate
from toolkit.comparing.page import comparison_page
from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.comparing.verdict import CLAIMS, VERDICTS, Evidence, disagreeing, verdict_of
from toolkit.comparing.views import spread_of
from toolkit.comparing.ways_of_counting import other_ways, plain_difference, usual_difference, weighted_and_robust
from toolkit.effect.allocation import allocation, characteristics, scores, standardised
from toolkit.effect.estimate import sessions_of
from toolkit.effect.not_drawn import difference_by
from toolkit.errors import NotEnoughError, QuestionError, WritingError
from toolkit.resources import dataset_file
from toolkit.result import FRAME_COLUMNS, Estimate

MEASURE, PAIR = "ankle_dorsiflexion_lunge", ("long_hold", "short_hold")
DRAWN = ProtocolDials(choice="drawn_client", effect=3.0)


def export(dials: ProtocolDials, seed: int) -> pd.DataFrame:
    return simulate_protocols(dials, rng=seed).drop(columns="visit")


def compared(rows: object, **more: object) -> Comparison:
    return compare(rows, **({"measure": MEASURE, "between": PAIR} | more))


@pytest.fixture(scope="module")
def drawn() -> Comparison:
    return compared(export(DRAWN, 1), drawn=True, smallest_change_that_matters=2.0)


@pytest.fixture(scope="module")
def chosen() -> Comparison:
    dials = ProtocolDials(choice="stiffness", share=0.7, effect=3.0, each_visit=True)
    return compared(export(dials, 2), smallest_change_that_matters=2.0)


# one engine


@pytest.mark.parametrize("pair", [("percussive_release", "manual_release"), ("manual_release", "percussive_release")])
def test_an_audit_and_a_comparison_of_the_demo_give_the_same_number(pair):
    demo = dataset_file("demo/sessions.csv")
    asked = {"measure": MEASURE, "region": "soleus", "intervention": pair[0], "comparison": pair[1]}
    left = audit(demo, question=asked | {"smallest_change_that_matters": 3.0, "unit": "deg"}).to_dict()
    one = left["findings"][0]["attributable"]
    found = compare(demo, measure=MEASURE, between=pair, region="soleus", level=one["confidence_level"])
    quoted = found.frame.iloc[0]
    ours = [quoted["estimate"], quoted["ci_low"], quoted["ci_high"], quoted["p"]]
    assert ours == pytest.approx([one["mean"], one["ci_low"], one["ci_high"], one["p"]], rel=1e-9)


def test_exchanging_the_two_turns_the_sign_and_nothing_else(chosen):
    other = compared(chosen.records, between=PAIR[::-1], smallest_change_that_matters=2.0)
    ours, theirs = chosen.frame.iloc[0], other.frame.iloc[0]
    assert (-theirs["estimate"], -theirs["ci_high"]) == pytest.approx((ours["estimate"], ours["ci_low"]), abs=1e-6)
    assert chosen.names[0] in chosen.sentence().split(" went with more")[0].lower()
    assert chosen.names[0] in other.sentence().split(" went with more")[0].lower()


def test_with_readings_missing_neither_of_the_two_comes_first():
    rows = export(ProtocolDials(choice="stiffness", share=0.7, effect=3.0, not_written=0.5), 2)
    one, other = (compared(rows, between=pair).frame.iloc[0] for pair in (PAIR, PAIR[::-1]))
    assert (-other["ci_high"], -other["ci_low"], other["p"]) == pytest.approx(
        (one["ci_low"], one["ci_high"], one["p"]), rel=1e-6
    )


def test_the_order_of_the_rows_changes_nothing(chosen):
    dials = ProtocolDials(choice="stiffness", share=0.7, effect=3.0, each_visit=True)
    rows = export(dials, 2).sample(frac=1, random_state=1)
    again = compared(rows, smallest_change_that_matters=2.0).frame.iloc[0]
    assert again[["estimate", "ci_low"]].tolist() == pytest.approx(
        chosen.frame.iloc[0][["estimate", "ci_low"]].tolist(), abs=1e-7
    )


# the result


def test_the_first_row_is_the_one_to_quote_and_the_frame_has_the_usual_columns(drawn):
    assert tuple(drawn.frame.columns) == FRAME_COLUMNS
    assert drawn.frame["what"].iloc[0] == "difference"
    assert float(drawn) == drawn.quoted.value == pytest.approx(3.0, abs=1.2)


def test_a_drawn_difference_did_better_and_a_chosen_one_never_does(drawn, chosen):
    assert (drawn.verdict, chosen.verdict) == ("did_better", "went_with_more")
    assert "did better than" in drawn.sentence()
    assert "did better" not in chosen.sentence()
    assert "chosen, not drawn" in chosen.sentence()


def test_a_sentence_carries_n_interval_unit_method_and_imbalance(chosen):
    said = chosen.sentence()
    for part in ("° (95 % interval", "60 clients", "sessions", "practitioners", "SD)", "are worth"):
        assert part in said


def test_two_that_do_alike_are_said_to_do_alike():
    found = compared(export(ProtocolDials(choice="drawn_client"), 6), drawn=True, smallest_change_that_matters=3.0)
    assert found.verdict == "alike"
    assert "do not differ by as much as 3°" in found.sentence()


def test_hidden_causes_are_weighed_only_where_something_is_claimed_and_nobody_drew(drawn, chosen):
    assert drawn.e_value is None
    assert chosen.e_value is not None


def test_a_protocol_tied_to_its_site_is_not_told_from_it():
    parts = [
        export(ProtocolDials(n_clients=20, choice="site", share=share, gain=gain, site=name), seed)
        for seed, (name, share, gain) in enumerate((("north", 1.0, 6.0), ("south", 0.0, 2.0)))
    ]
    found = compared(pd.concat(parts))
    assert found.verdict == "tied"
    assert not found.claims
    assert found.quoted.ci_low > 0  # what it would have claimed
    assert "No site used both" in found.sentence()


@pytest.mark.parametrize(("effect", "verdict"), [(0.0, "not_told"), (3.0, "went_with_more")])
def test_a_choice_once_for_each_client_is_said_to_be_between_people(effect, verdict):
    found = compared(export(ProtocolDials(choice="stiffness", share=0.7, effect=effect), 2))
    assert found.verdict == verdict
    assert "the two went to different people (0 of 60 clients had both)" in found.sentence()
    assert ("from that choice, or from who these people are" in found.sentence()) == bool(effect)


@pytest.mark.parametrize(("both", "said"), [(11, True), (12, False)])
def test_fewer_than_one_client_in_five_with_both_are_different_people(both, said):
    rows = export(ProtocolDials(choice="stiffness", share=0.7, effect=3.0, visits=6), 2)
    turned = rows["client"].isin(sorted(rows["client"].unique())[:both]) & (rows.groupby("client").cumcount() % 2 == 1)
    a = rows["intervention"] == PAIR[0]
    rows["after"] += np.where(turned, np.where(a, -3.0, 3.0), 0.0)
    rows.loc[turned, "intervention"] = np.where(a[turned], PAIR[1], PAIR[0])
    found = compared(rows)
    assert found.verdict == "went_with_more"
    assert (f"different people ({both} of 60 clients had both)" in found.sentence()) == said


def test_readings_after_that_are_not_written_down_are_bounded_and_counted():
    found = compared(export(ProtocolDials(choice="drawn_client", effect=3.0, not_written=0.5), 3), drawn=True)
    n = int(found.compared.rows["y"].isna().sum())
    assert n > 5
    assert f"{n} readings after not written down" in found.sentence()
    assert found.attributable.ci_low < found.complete.ci_low


# the rule


def test_every_combination_has_one_verdict_and_claims_only_beside_an_interval_without_zero():
    for low, high, is_drawn, tied, others, left in product(
        (-3.0, -1.0, 0.5), (-0.5, 1.0, 3.0), (True, False), ("", "site"), ((), ("x",)), (0.0, 0.3)
    ):
        if low > high:
            continue
        evidence = Evidence(
            low=low, high=high, drawn=is_drawn, smallest=2.0, tied_to=tied, disagreeing=others, imbalance_left=left
        )
        verdict = verdict_of(evidence)
        assert verdict in VERDICTS
        if verdict in CLAIMS:
            assert low > 0 or high < 0
            assert not tied
            assert not others
        if verdict == "did_better":
            assert is_drawn
        if verdict == "went_with_more":
            assert not is_drawn
            assert left <= 0.25


@pytest.mark.parametrize(("said", "verdict"), [("no", "reader_may_explain"), ("yes", "did_better")])
def test_readers_who_knew_are_allowed_for_where_the_records_say_that_they_knew(said, verdict):
    rows = export(ProtocolDials(choice="drawn_client", effect=1.6), 14).assign(examiner_blinded=said)
    found = compared(rows, drawn=True)
    assert found.verdict == verdict
    assert 0 < found.quoted.ci_low < 1.2


def test_where_nobody_wrote_down_who_knew_the_sentence_says_what_leaning_would_do():
    rows = export(ProtocolDials(choice="drawn_client", effect=3.0), 14).drop(columns="examiner_blinded")
    assert "leaning by" in compared(rows, drawn=True).sentence()


def test_where_sessions_of_one_protocol_are_not_there_nothing_is_claimed():
    rows = export(ProtocolDials(choice="drawn_session", effect=0.0), 15)
    a = rows["intervention"] == PAIR[0]
    left = rows[~(a & (rows["after"] - rows["before_2"] < 2.5))]
    found = compared(left, drawn=True)
    assert found.verdict == "draw_broken"
    assert not found.claims


def test_ways_that_point_the_other_way_are_named():
    def one(name: str, value: float) -> Estimate:
        return Estimate(name=name, value=value, ci_low=value - 1, ci_high=value + 1, unit="deg", n=9, method="t")

    assert disagreeing(one("difference", 2.0), [one("x", -0.1), one("y", 0.1)]) == ("x",)


def test_ways_that_disagree_let_nothing_be_claimed():
    evidence = Evidence(low=0.5, high=2.0, drawn=True, smallest=None, disagreeing=("overlap weights",))
    assert verdict_of(evidence) == "ways_disagree"


# what an owner looks at


@pytest.fixture(scope="module")
def three_sites() -> Comparison:
    parts = []
    for seed, name in enumerate(("north", "south", "west")):
        rows = export(ProtocolDials(n_clients=30, choice="drawn_client", effect=2.0, site=name), 40 + seed)
        a = (rows["intervention"] == PAIR[0]).to_numpy()
        rows["minutes"] = np.where(a, 12, 8) + np.arange(len(rows)) % 5
        rows["comfort"] = np.where(a, 5, 7) + np.arange(len(rows)) % 2
        rows["adverse_event"] = np.where(np.arange(len(rows)) % 10 == 0, "bruise", "none")
        parts.append(rows)
    return compared(pd.concat(parts), drawn=True, smallest_change_that_matters=2.0)


def test_readings_stand_by_site_and_protocol_as_they_were_written(three_sites):
    table, rows = three_sites.tables["readings"], three_sites.records.rows
    mine = rows[(rows["site"] == "north") & (rows["intervention"] == PAIR[0])]
    line = table[(table["site"] == "north") & (table["protocol"] == three_sites.names[0])].iloc[0]
    assert line["sessions"] == len(mine)
    assert line["before_mean"] == pytest.approx(mine["before_2"].mean())
    assert line["after_mean"] == pytest.approx(mine["after"].mean())


def test_each_site_has_its_difference_and_what_pools_them_is_near_the_one_model(three_sites):
    sites = three_sites.tables["by_site"]
    assert sites["group"].tolist() == ["north", "south", "west"]
    assert three_sites.between_sites.pooled.value == pytest.approx(three_sites.quoted.value, abs=0.5)


def test_practitioners_are_drawn_towards_all_and_not_ranked(three_sites):
    hands = three_sites.tables["by_practitioner"]
    assert hands["group"].tolist() == sorted(hands["group"])
    known = hands.dropna(subset=["shrunken"])
    assert known["shrunken"].std() <= known["difference"].std() + 1e-12


def test_adverse_events_have_a_share_with_its_interval(three_sites):
    harm = three_sites.tables["adverse_events"].set_index("protocol")
    line = harm.loc[three_sites.names[0]]
    assert 0 < line["ci_low"] < line["share"] < line["ci_high"] < 1
    assert line["kinds"].startswith("bruise (")


def test_an_empty_cell_is_no_word_that_nothing_happened(chosen):
    harm = chosen.tables["adverse_events"]
    assert harm["said"].tolist() == [0, 0]
    assert harm["share"].isna().all()


def test_comfort_stands_beside_the_outcome(three_sites):
    comfort = three_sites.tables["comfort"].set_index("protocol")
    assert comfort.loc["difference", "mean"] == pytest.approx(-2.0, abs=0.3)


def test_the_dose_is_told_and_the_difference_for_as_many_minutes(three_sites):
    dose = three_sites.tables["dose"]
    assert dose["minutes_median"].iloc[0] > dose["minutes_median"].iloc[1]
    assert dose["ci_low"].iloc[2] < 2.0 < dose["ci_high"].iloc[2]


def test_a_drift_of_the_difference_over_the_year_is_seen():
    rows = export(ProtocolDials(n_clients=80, choice="drawn_client", effect=0.0), 9)
    days = (pd.to_datetime(rows["date"]) - pd.to_datetime(rows["date"]).min()).dt.days
    drifting = rows.assign(after=rows["after"] + np.where(rows["intervention"] == PAIR[0], 2.0 * days / 91.3125, 0.0))
    drift = compared(drifting, drawn=True).tables["over_time"].iloc[0]
    assert drift["ci_low"] < 2.0 < drift["ci_high"]
    assert drift["ci_low"] > 0
    still = compared(rows, drawn=True).tables["over_time"].iloc[0]
    assert still["ci_low"] < 0 < still["ci_high"]


# page and data


def test_the_page_says_what_the_result_says_and_no_markup_from_the_data():
    rows = export(ProtocolDials(n_clients=20), 11).replace({"intervention": {"short_hold": "<b>short"}})
    found = compared(rows, between=("long_hold", "<b>short"))
    page = comparison_page(found, about="records")
    assert "<b>short" not in page
    assert "&lt;b&gt;short" in page
    assert "<script" not in page


def test_what_is_written_keeps_to_its_form_and_holds_every_table(three_sites, tmp_path: Path):
    page = three_sites.write(tmp_path / "out")
    content = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert page.name == "comparison.html"
    assert content["estimates"][0]["estimate"] == three_sites.quoted.value
    assert content == json.loads(json.dumps(three_sites.to_dict()))
    assert {path.stem for path in (tmp_path / "out" / "tables").iterdir()} == {"estimates", *three_sites.tables}


def test_a_folder_with_other_files_is_not_touched(chosen, tmp_path: Path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x")
    with pytest.raises(WritingError, match="holds what this toolkit did not write"):
        chosen.write(tmp_path / "mine")


# refusals


def test_too_few_sessions_of_one_protocol_are_counted_in_the_refusal():
    rows = export(ProtocolDials(), 7)
    few = pd.concat([rows[rows["intervention"] == "long_hold"].head(3), rows[rows["intervention"] == "short_hold"]])
    with pytest.raises(NotEnoughError, match="long_hold has 3 sessions of"):
        compared(few)


def test_a_protocol_that_is_not_there_is_named():
    with pytest.raises(QuestionError, match="no records of “wobble”"):
        compared(export(ProtocolDials(n_clients=9), 8), between=("long_hold", "wobble"))


def test_one_is_not_compared_with_itself():
    with pytest.raises(QuestionError, match="compared with itself"):
        compared(export(ProtocolDials(n_clients=9), 8), between=("long_hold", "long_hold"))


# weights, E-values, other ways


def test_weights_make_what_was_known_before_alike(chosen):
    balance = chosen.allocation.balance.set_index("characteristic")
    assert abs(balance.loc["reading before", "difference"]) > 0.3
    assert abs(balance.loc["reading before", "adjusted_difference"]) < 0.1


@given(seed=st.integers(0, 1000))
def test_scores_are_chances_even_where_the_choice_is_clear_cut(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1, 30)
    got = scores(standardised(pd.DataFrame({"x": x})), (x > 0).astype(float))
    assert np.isfinite(got).all()
    assert ((got > 0) & (got < 1)).all()


def test_with_nothing_known_all_weights_are_alike():
    got = allocation(pd.DataFrame(index=range(6)), np.array([1.0, 1, 1, 0, 0, 0]))
    assert np.ptp(got.weight) == pytest.approx(0, abs=1e-9)
    assert got.effective_n == pytest.approx((3, 3))


def test_the_e_value_is_that_of_the_published_formula():
    # VanderWeele & Ding (2017): E = RR + sqrt(RR (RR − 1)), RR = exp(0.91 d).
    # d = 0.5 by hand: RR = exp(0.455) = 1.57617, RR (RR − 1) = 0.90815, its root 0.95297, E = 2.52914.
    one = Estimate(name="x", value=0.5, ci_low=-0.1, ci_high=1.1, unit="deg", n=9, method="t")
    whole, near = e_values(one, sd=1.0)
    assert whole == pytest.approx(2.52914, abs=2e-5)
    assert near == 1.0


def test_the_plain_difference_by_hand():
    # client means 1, 2, 3 under one way and 0, 0, 3 under the other: 2 − 1 = 1; squares about them 2 and 6, six clients
    sessions = pd.DataFrame({"client": list("aabcdef"), "got_a": [1, 1, 1, 1, 0, 0, 0], "y": [0.0, 2, 2, 3, 0, 0, 3]})
    found = plain_difference(sessions.assign(got_a=sessions["got_a"].astype(float)), unit="deg", level=0.95)
    assert (found.value, found.se) == pytest.approx((1.0, np.sqrt(6 / 5 * 8 / 9)))


def test_where_nothing_was_chosen_weighting_changes_nothing():
    known = pd.DataFrame({"before": [30.0, 32, 34, 36] * 4})
    got_a = np.repeat([1.0, 0.0], 8)
    sessions = pd.DataFrame({"client": [f"c{k}" for k in range(16)], "got_a": got_a, "y": np.arange(16.0)})
    weighted, robust = weighted_and_robust(sessions, known, unit="deg", level=0.95)
    assert (weighted.value, robust.value) == pytest.approx((3.5 - 11.5, 3.5 - 11.5))


def test_the_usual_way_is_that_of_statsmodels(chosen):
    sessions = chosen.sessions.assign(practitioner="p")
    ours = usual_difference(sessions, unit="deg", level=0.95)
    reference = smf.mixedlm("change ~ got_a + first", sessions, groups=sessions["client"]).fit(reml=True)
    assert ours.value == pytest.approx(reference.params["got_a"], abs=2e-3)


def test_a_way_that_cannot_be_had_is_named_and_the_others_stay(chosen):
    sessions = chosen.sessions.assign(change=1.0)
    known = characteristics(sessions, fields=("first",))
    found, lacking = other_ways(sessions, known, unit="deg", level=0.95)
    assert len(found) == 3
    assert lacking[0].startswith("change adjusted for the reading it starts from: ")


def test_the_quoted_estimate_is_the_bounded_one(chosen):
    quoted = quoted_estimate(chosen.attributable, unit="deg")
    assert (quoted.value, quoted.ci_low) == (chosen.attributable.mean, chosen.attributable.ci_low)


def test_how_far_groups_differ_needs_two_of_them(chosen):
    one = chosen.tables["by_practitioner"].head(1)
    assert spread_of(one, unit="deg", level=0.95) is None


def test_a_difference_that_grows_with_something_known_is_measured():
    rows = export(ProtocolDials(n_clients=80, choice="drawn_client"), 12)
    x = np.arange(len(rows)) % 7
    grown = rows.assign(
        after=rows["after"] + 0.8 * x * (rows["intervention"] == PAIR[0]), session_id=np.arange(len(rows))
    )
    found = compared(grown, drawn=True)
    sessions = sessions_of(found.compared.rows)
    values = sessions["session_id"].astype(int).map(pd.Series(x))
    low, high = difference_by(sessions, values, second_baseline=True).interval(0.95)
    assert low < 0.8 < high
    assert low > 0.1
