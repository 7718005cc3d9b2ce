"""Site summaries and what they give together: nothing of few clients, no codes, the one-stage model's answer."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from toolkit.comparing.compare import compare
from toolkit.comparing.pooled import pool, read_summary
from toolkit.comparing.pooled_page import pooled_page
from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.comparing.site_summary import SiteSummary, check_summary, summarise
from toolkit.errors import NotEnoughError, QuestionError, ToolkitError
from toolkit.resources import demo
from toolkit.simulate import ClinicDials, simulate_clinic
from toolkit.stats.pooling import pool_sites, wider_of

ASKED = {"measure": "ankle_dorsiflexion_lunge", "intervention": "long_hold", "comparison": "short_hold"}
DRAWN = ProtocolDials(n_clients=30, choice="drawn_client", effect=4.0)


def export(dials: ProtocolDials, seed: int) -> pd.DataFrame:
    return simulate_protocols(dials, rng=seed).drop(columns="visit")


def summed(rows: pd.DataFrame, site: str, *, drawn: bool = True) -> SiteSummary:
    return summarise(rows, question=ASKED, site=site, drawn=drawn)


@pytest.fixture(scope="module")
def three() -> list[SiteSummary]:
    return [summed(export(DRAWN, seed), name) for seed, name in enumerate(("north", "south", "west"))]


def test_no_code_of_anybody_stands_in_a_summary():
    rows = export(DRAWN, 1).assign(practitioner="Pxq1")
    rows["client"] = "Kzq" + rows["client"]
    rows["session_id"] = "Szq" + rows["session_id"]
    text = json.dumps(summed(rows, "north").content)
    assert not any(mark in text for mark in ("zq", "xq"))


def test_an_arm_of_fewer_than_five_clients_does_not_leave():
    rows = export(DRAWN, 1)
    few = rows[(rows["intervention"] == "short_hold") | rows["client"].isin(_who(rows, "long_hold")[:4])]
    with pytest.raises(NotEnoughError, match=r"4 and \d+ clients have readings"):
        summed(few, "north")


def _who(rows: pd.DataFrame, name: str) -> list[str]:
    return sorted(rows.loc[rows["intervention"] == name, "client"].unique())


@pytest.mark.parametrize(("clients", "told"), [(4, None), (5, 5), (0, 0)])
def test_a_count_of_fewer_than_five_clients_is_left_out_and_nobody_may_be_told(clients, told):
    rows = export(DRAWN, 1)
    first = rows[rows["intervention"] == "long_hold"].drop_duplicates("client").index[:clients]
    rows.loc[first, "after"] = np.nan
    content = summed(rows, "north").content
    assert content["arms"][0]["missing_after"] == told
    assert "filled in" not in content["estimate"]["method"].replace("missing readings filled in both ways", "")


def test_a_summary_keeps_to_its_form_and_comes_back_from_its_file(three, tmp_path: Path):
    path = three[0].write(tmp_path / "north.json")
    assert read_summary(path).content == three[0].to_dict()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c.pop("arms"), "'arms' is a required property"),
        (lambda c: c["arms"][0].update(clients=3), "3 is less than the minimum of 5"),
        (lambda c: c.update(clients=["C001"]), "Additional properties are not allowed"),
        (lambda c: c["estimate"].update(se=0), "less than or equal to the minimum"),
    ],
)
def test_what_is_no_summary_is_refused_by_name(three, change, words):
    content = copy.deepcopy(three[0].content)
    change(content)
    with pytest.raises(ToolkitError, match=words):
        check_summary(content)


def test_a_file_that_is_no_summary_is_named(tmp_path: Path):
    (tmp_path / "x.json").write_text("[1, 2]")
    with pytest.raises(ToolkitError, match=r"x\.json is not of the form summary/1"):
        read_summary(tmp_path / "x.json")


def test_the_estimate_is_that_of_the_comparison(three):
    found = compare(export(DRAWN, 0), measure=ASKED["measure"], between=("long_hold", "short_hold"), drawn=True)
    assert three[0].content["estimate"]["value"] == found.quoted.value
    assert three[0].content["estimate"]["se"] == pytest.approx(found.quoted.se, rel=1e-9)


def test_a_question_about_waiting_is_summed_up_too():
    rows = simulate_clinic(ClinicDials(n_clients=30, effect=3.0), rng=1).rows
    asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "comparison": "wait"}
    found = summarise(rows, question=asked | {"intervention": "percussive_release"}, site="north")
    assert found.content["basis"] == "randomised_order"
    assert found.content["estimate"]["value"] == pytest.approx(3.0, abs=1.5)


def test_a_comparison_that_is_not_there_is_refused():
    with pytest.raises(QuestionError, match="nothing to compare"):
        summarise(export(DRAWN, 0), question=ASKED | {"comparison": "wait"}, site="north")


# pooled


def test_pooling_agrees_with_the_one_model_on_the_joined_rows_within_what_theory_allows():
    # 12 sets of three drawn sites: two-stage less one-stage, in standard errors of the one-stage answer.
    gaps = []
    for k in range(12):
        sites = {name: export(DRAWN, 100 + 10 * k + j) for j, name in enumerate(("a", "b", "c"))}
        together = pd.concat([rows.assign(site=name) for name, rows in sites.items()])
        one = compare(together, measure=ASKED["measure"], between=("long_hold", "short_hold"), drawn=True).quoted
        two = pool([summed(rows, name) for name, rows in sites.items()]).frame.iloc[0]
        gaps.append((two["estimate"] - one.value) / one.se)
    assert np.abs(gaps).max() < 1.0  # the same data, clients and sites weighing differently
    assert abs(np.mean(gaps)) < 0.15


def test_the_interval_of_few_sites_is_never_narrower_than_the_usual_one(three):
    found = pool(three)
    low, high = found.frame.iloc[0][["ci_low", "ci_high"]]
    half = 1.96 * 1 / np.sqrt((1 / (found.sites["se"] ** 2 + found.between.tau2)).sum())
    assert high - low >= 2 * half * (1 - 1e-4)


def test_two_sites_that_happen_to_agree_do_not_make_each_other_sure():
    sites = pd.DataFrame({"site": ["a", "b"], "effect": [2.0, 2.01], "variance": [1.0, 1.0]})
    knapp, usual = (pool_sites(sites, unit="deg", interval=how).pooled for how in ("hartung_knapp", "normal"))
    assert knapp.ci_high - knapp.ci_low < 0.2
    assert wider_of(knapp, usual) is usual


def test_drawn_everywhere_did_better_and_chosen_anywhere_never_does(three):
    assert pool(three).verdict == "did_better"
    chosen = ProtocolDials(n_clients=30, choice="stiffness", share=0.7, each_visit=True, effect=4.0)
    mixed = pool([*three[:2], summed(export(chosen, 2), "west", drawn=False)])
    assert mixed.verdict == "went_with_more"
    assert "chosen, not drawn, at west; a difference may come" in mixed.sentence()


def test_sites_that_gave_the_two_to_different_people_say_so_together(three):
    found = pool([*three[:2], summed(export(DRAWN, 2), "west", drawn=False)])
    assert found.verdict == "went_with_more"
    assert "at west; the two went to different people there; a difference may come from that choice" in found.sentence()


def test_a_draw_that_one_site_did_not_keep_lets_nothing_be_claimed(three):
    rows = export(ProtocolDials(n_clients=60, choice="drawn_session", effect=0.0), 15)
    left = rows[~((rows["intervention"] == "long_hold") & (rows["after"] - rows["before_2"] < 2.5))]
    broken = summed(left, "west")
    assert broken.content["draw"] == {"said": True, "borne_out": False, "broken": True}
    found = pool([*three[:2], broken])
    assert found.verdict == "draw_broken"
    assert "changed after the draw at west" in found.sentence()


def test_readers_who_knew_are_allowed_for_at_all_sites_together():
    weak = ProtocolDials(n_clients=60, choice="drawn_session", effect=1.6)
    knew = [export(weak, seed).assign(examiner_blinded="no") for seed in (4, 5, 6)]
    found = pool([summed(rows, name) for rows, name in zip(knew, ("north", "south", "west"), strict=True)])
    assert found.verdict == "reader_may_explain"
    assert 0 < found.frame["ci_low"].iloc[0] < found.summaries[0].content["allowance_for_the_reader"]


@pytest.mark.parametrize(("clients", "told"), [(4, None), (5, 5), (0, 0)])
def test_how_many_had_both_is_told_from_five_clients_on(clients, told):
    rows = export(ProtocolDials(n_clients=30, choice="stiffness", share=0.7, visits=6), 1)
    who = [name for name, n in rows["client"].value_counts().items() if n > 2][:clients]
    first = ~rows["client"].duplicated() & rows["client"].isin(who)
    a = rows["intervention"] == "long_hold"
    rows.loc[first, "intervention"] = np.where(a[first], "short_hold", "long_hold")
    assert summed(rows, "north", drawn=False).content["clients_with_both"] == told


def test_a_pooled_answer_names_what_another_site_may_expect_and_who_carries_it(three):
    found = pool(three)
    assert "another site may expect between" in found.sentence()
    assert found.left_out["left_out"].tolist() == ["north", "south", "west"]


def test_one_site_alone_is_not_pooled(three):
    with pytest.raises(NotEnoughError, match="at least two sites"):
        pool(three[:1])


def test_the_same_site_twice_is_refused(three):
    with pytest.raises(ToolkitError, match="“north” is named twice"):
        pool([three[0], three[0]])


def test_sites_that_answer_different_questions_are_refused(three):
    other = copy.deepcopy(three[1].content)
    other["question"]["intervention"] = "wobble"
    with pytest.raises(ToolkitError, match="different questions: intervention is long_hold there and wobble here"):
        pool([three[0], SiteSummary(content=other)])


def test_the_pooled_page_stands_alone_and_a_name_of_a_site_is_no_markup(three, tmp_path: Path):
    content = copy.deepcopy(three[0].content)
    content["site"] = "<script>alert(1)</script>"
    found = pool([SiteSummary(content=content), *three[1:]])
    assert "<script>" not in pooled_page(found)
    written = found.write(tmp_path / "pooled")
    assert json.loads((tmp_path / "pooled" / "pooled.json").read_text())["format"] == "pooled/1"
    assert written.name == "pooled.html"


def test_the_three_demo_sites_hold_their_truth():
    truth = json.loads((demo("three_sites") / "truth.json").read_text())
    names = ("north", "south", "west")
    found = pool([summarise(demo("three_sites") / name, question=ASKED, site=name) for name in names])
    low, high = found.frame.iloc[0][["ci_low", "ci_high"]]
    assert low <= truth["true_difference_deg"] <= high
    assert found.verdict in truth["verdicts_that_are_right"]
