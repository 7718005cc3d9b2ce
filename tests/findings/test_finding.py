"""One question judged, and several judged together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from toolkit.auditing import judge_question
from toolkit.findings.finding import Judged, case_of, claim_of, with_family
from toolkit.findings.finding_dict import finding_dict
from toolkit.findings.moved import client_frame
from toolkit.simulate import ClinicDials, simulate_clinic
from toolkit.stats.published import published_sem


@pytest.fixture(scope="module")
def judged(records, asked) -> Judged:
    return judge_question(records, asked)


def with_p(judged: Judged, p: float) -> Judged:
    assert judged.attributable is not None
    return replace(judged, attributable=replace(judged.attributable, p=p))


def levels(family: list[Judged]) -> list[float]:
    return [one.attributable.confidence_level for one in family if one.attributable is not None]


def test_holms_levels_where_all_stand_out(judged):
    # 0.05/3, 0.05/2, 0.05/1 from the smallest p on (Holm 1979)
    family = with_family([with_p(judged, p) for p in (0.02, 0.001, 0.04)])
    assert levels(family) == pytest.approx([1 - 0.05 / 2, 1 - 0.05 / 3, 0.95])


def test_holm_stops_at_the_first_that_does_not_stand_out(judged):
    # 0.03 > 0.05/2: it and all after it are judged at 0.05/2
    family = with_family([with_p(judged, p) for p in (0.001, 0.03, 0.04)])
    assert levels(family) == pytest.approx([1 - 0.05 / 3, 1 - 0.05 / 2, 1 - 0.05 / 2])


def test_one_question_alone_is_not_corrected(judged):
    assert levels(with_family([judged])) == [0.95]


def test_a_question_that_cannot_be_compared_does_not_count_in_the_family(judged):
    family = with_family([with_p(judged, 0.001), replace(judged, attributable=None, complete=None)])
    assert levels(family) == [0.95]


def test_how_many_stand_out_is_counted(judged):
    family = with_family([with_p(judged, p) for p in (0.02, 0.001, 0.4)])
    assert {(one.n_questions, one.n_small_p) for one in family} == {(3, 2)}


def test_region_any_takes_every_region(rows, asked):
    half = rows.assign(region=rows["region"].where(rows.index % 2 == 0, "levator_scapulae"))
    counts = [len(judge_question(half, {**asked, "region": region}).technique) for region in ("any", asked["region"])]
    assert counts == [len(rows), (half["region"] == asked["region"]).sum()]


def test_a_combination_belongs_to_the_combination_alone(rows, asked):
    both = rows.assign(region=rows["region"].where(rows.index % 2 == 0, "upper_trapezius + levator_scapulae"))
    alone = judge_question(both, asked)
    together = judge_question(both, {**asked, "region": "levator_scapulae + upper_trapezius"})
    assert set(alone.technique["region"]) == {"upper_trapezius"}
    assert len(alone.technique) + len(together.technique) == len(rows)


def test_what_was_asked_for_and_is_not_there_is_replaced_and_said(asked):
    rows = simulate_clinic(ClinicDials(n_clients=30, design="comparison_sessions", start="2024-01-08"), rng=1).rows
    found = judge_question(rows, {**asked, "comparison": "wait"})
    assert found.compared is not None
    assert found.compared.basis == "comparison_sessions"


def test_a_fall_that_is_better_counts_as_a_gain(rows, asked):
    down = rows.assign(measure="pain_rating", unit="points", measured_side="none", region="upper_trapezius")
    for name in ("before", "before_2", "after_wait", "after"):
        down[name] = (8 - rows[name] / 10).round(1).clip(0, 10)
    found = judge_question(down, {**asked, "measure": "pain_rating", "unit": "points"})
    up = judge_question(rows, asked)
    assert found.question.better == "lower"
    assert found.attributable is not None
    assert up.attributable is not None
    assert found.attributable.mean == pytest.approx(up.attributable.mean / 10, abs=0.05)  # rounded to 0.1


def test_signs_are_judged_as_shares(rows, asked):
    signs = rows.assign(measure="heel_lift_in_squat", unit="yes_no", region="soleus")
    for name in ("before", "before_2", "after_wait", "after"):
        signs[name] = (rows[name] < 36).astype(float).where(rows[name].notna())
    found = judge_question(
        signs,
        {
            **asked,
            "measure": "heel_lift_in_squat",
            "region": "soleus",
            "unit": "yes_no",
            "smallest_change_that_matters": 0.2,
        },
    )
    assert found.attributable is not None
    assert 0 < found.attributable.mean < 1


def test_the_change_of_a_sign_is_tested_as_a_sign(rows, asked):
    first = rows.drop_duplicates("client").head(20)
    lost = np.arange(20) < 6  # six lose the sign, nobody gains it
    signs = first.assign(measure="heel_lift_in_squat", unit="yes_no", region="soleus", before=lost * 1.0, after=0.0)
    found = judge_question(
        signs.assign(before_2=np.nan, after_wait=np.nan),
        {"measure": "heel_lift_in_squat", "region": "soleus", "intervention": asked["intervention"], "unit": "yes_no"},
    )
    assert found.readings is not None
    assert found.readings.value == pytest.approx(6 / 20)
    assert found.readings.p == pytest.approx(2 * 0.5**6 - 0.5**6)  # McNemar's mid-p of 6 against 0, by hand
    assert "Newcombe" in found.readings.method


def test_the_allowance_is_spared_by_blinding_and_named_otherwise(rows, asked, judged):
    assert judged.allowance == 0.0
    unblinded = judge_question(rows.assign(examiner_blinded="no"), asked)
    assert unblinded.ruler.sem is not None
    published = published_sem(unblinded.ruler.measure)
    assert published is not None
    assert unblinded.allowance == pytest.approx(max(unblinded.ruler.sem, published.value) / 2)
    named = judge_question(rows.assign(examiner_blinded="no"), {**asked, "leaning_allowance": 2.25})
    assert (named.allowance, named.allowance_source) == (2.25, "as the question sheet says")
    small = judge_question(rows.assign(examiner_blinded="no"), {**asked, "leaning_allowance": 0.0})
    assert small.allowance == unblinded.allowance  # a sheet cannot ask for less than the records call for


def test_half_blinded_readers_would_have_to_lean_twice_as_far(records, rows, asked):
    half = np.where(np.arange(len(rows)) % 2 == 0, "yes", "no")
    found: dict[str, Any] = {}
    for name, said in (("half", half), ("none", "no")):
        judged = judge_question(rows.assign(examiner_blinded=said), asked)
        found[name] = finding_dict(judged, records)["leaning"]["tipping_point"]
    assert found["half"] / found["none"] == pytest.approx(2.0, rel=0.25)  # half of the technique's readings, about


def test_every_explanation_of_a_finding_says_at_which_level_its_interval_is(judged, records):
    for explanation in finding_dict(judged, records)["rivals"]:
        assert (explanation["confidence_level"] is None) == (explanation["size"] is None)


def test_the_case_holds_the_measures_rows_only(judged, rows, records):
    other = records.rows.assign(measure=records.rows["measure"].where(records.rows.index > 9, "pain_rating"))
    assert len(case_of(judged, other).rows) == len(rows) - 10


def test_a_client_is_one_row_of_the_before_and_after_figure(judged, rows):
    frame = client_frame(judged)
    assert len(frame) == rows["client"].nunique()
    assert frame["change"].to_numpy() == pytest.approx((frame["second"] - frame["first"]).to_numpy())


def test_figure_text_and_share_count_the_same_clients(rows, asked, records):
    worse = rows.assign(
        after=np.where(rows["client"].isin(sorted(set(rows["client"]))[:5]), rows["before_2"] - 15, rows["after"])
    )
    for frame in (rows, worse, rows.drop(columns="before_2")):
        judged = judge_question(frame, asked)
        beyond = finding_dict(judged, records)["beyond_measurement_error"]
        clients = client_frame(judged)
        if judged.ruler.mdc95 is None:
            assert clients["moved"].isna().all()
            continue
        counts = clients["moved"].value_counts().reindex(["better", "worse", "within"], fill_value=0).tolist()
        assert counts == [beyond["n_better"], beyond["n_worse"], beyond["n_within"]]
        assert beyond["share"] == pytest.approx(counts[0] / beyond["n"])
        assert clients["beyond_mdc"].sum() == counts[0] + counts[1]
        drawn = (clients["change"].abs() > clients["threshold"]).sum()
        assert drawn == counts[0] + counts[1]


def test_clients_who_fell_count_as_moved_for_the_worse(rows, asked):
    fallen = judge_question(rows.assign(after=rows["before_2"] - 15), asked)
    frame = client_frame(fallen)
    assert set(frame["moved"]) == {"worse"}
    assert frame["beyond_mdc"].all()


def test_changes_are_counted_from_the_second_reading_before_where_it_was_taken(rows, asked, records):
    once = rows.drop(columns="before_2")
    counted = [
        finding_dict(replace(judge_question(frame, asked), ruler=judge_question(rows, asked).ruler), records)
        for frame in (rows, once)
    ]
    assert [one["beyond_measurement_error"]["counted_from"] for one in counted] == ["before_2", "before"]


def test_an_order_without_a_reading_after_the_wait_says_what_is_missing(rows, asked):
    named = {"measure": "neck", "region": "trapezius", "intervention": "device"}
    claim = claim_of(judge_question(rows.assign(after_wait=float("nan")), asked), **named)
    assert "none of the" in claim.sentence
    assert "that waited first has one after the wait" in claim.sentence
    assert claim.next_step == (
        "The order is there; what is missing is the reading after the wait. Read and write it down (after_wait)."
    )
