"""What somebody chose, of more rows than are fetched: the answer from sums is that of the rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit import audit, compare, load_records, registry
from toolkit.claim.question import read_question
from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.effect.borne_out import imbalance_of
from toolkit.effect.comparison import between_interventions, find_comparison, only_treated
from toolkit.effect.estimate import bounded, estimate
from toolkit.errors import NotEnoughError

pytestmark = pytest.mark.xdist_group("registry")
TWO = {"measure": "ankle_dorsiflexion_lunge", "between": ("long_hold", "short_hold")}
ASKED = {"measure": TWO["measure"], "intervention": "long_hold", "comparison": "short_hold", "better": "higher"}
NUMBERS = ["estimate", "ci_low", "ci_high", "df", "p"]
QUOTED = ["estimate", "ci_low", "ci_high", "p"]


def sites_of(folder, sites, *, lost=0.0, once=0.0, n_clients=40, **dials):
    """A registry of simulated sites in which somebody chose, and all their rows in one frame."""
    found, frames = registry(folder, new=True), []
    for place in range(sites):
        made = ProtocolDials(n_clients=n_clients, effect=2.0, **dials)
        rows = simulate_protocols(made, rng=place).drop(columns="visit").assign(site=f"site {place}")
        rng = np.random.default_rng(place)
        rows["after"] = rows["after"].mask(rng.random(len(rows)) < lost)
        rows["before_2"] = rows["before_2"].mask(rng.random(len(rows)) < once)
        frames.append(rows)
        found = found.store(load_records(rows), site=f"site {place}")
    return found, load_records(pd.concat(frames))


def in_memory(records, *, region="any"):
    """The rows that are compared, and the estimate without and with every missing reading filled in."""
    rows, question = records.rows, read_question({**ASKED, "region": region})
    if region == "any":
        rows = only_treated(rows, measure=ASKED["measure"], better="higher", relation=records.codebook.limits)
    compared = between_interventions(rows, question=question, relation="")
    plain = estimate(compared)
    return compared, plain, bounded(compared, plain)


def held_against(answer, records, *, region="any"):
    compared, plain, whole = in_memory(records, region=region)
    row, first = answer.row("as written down"), answer.frame.iloc[0]
    wanted = [plain.mean, plain.ci_low, plain.ci_high, plain.df, plain.p]
    assert row[NUMBERS].to_numpy(dtype=float) == pytest.approx(wanted, rel=1e-9)
    assert [first["ci_low"], first["ci_high"], first["p"]] == pytest.approx(
        [whole.ci_low, whole.ci_high, whole.p], rel=1e-9
    )
    assert (row["n_rows"], row["n_clients"]) == (plain.n_sessions, plain.n_clients)
    assert row["method"] == f"{plain.method}; from sums over clients"
    for way in plain.adjusted.ways:
        assert answer.row(way.name)["estimate"] == pytest.approx(way.value, rel=1e-9)
    assert answer.detail.differs == imbalance_of(compared)


KINDS = {
    "stiff clients": {"choice": "stiffness", "share": 0.8},
    "anew at each visit": {"choice": "stiffness", "share": 0.9, "each_visit": True},
    "by the day's reading": {"choice": "day_reading", "share": 0.8, "course": 3.0},
    "nothing read twice": {"choice": "stiffness", "share": 0.8, "each_visit": True, "second_baseline": False},
    "came once": {"choice": "stiffness", "share": 0.8, "visits": 1.0, "n_clients": 90},
}


@pytest.mark.parametrize(("kind", "lost"), [*((kind, 0.1) for kind in KINDS), ("anew at each visit", 0.0)])
def test_what_was_chosen_is_told_from_sums_as_from_rows(tmp_path, kind, lost):
    found, records = sites_of(tmp_path, 3, lost=lost, once=lost / 2, **KINDS[kind])
    answer = compare(replace(found, most_rows=100), **TWO)
    held_against(answer, records)
    assert "chosen by somebody, not drawn" in answer.sentence()


def test_half_the_sessions_read_twice_is_too_few_to_rest_on_but_still_tells_how_they_were_chosen(tmp_path):
    found, records = sites_of(tmp_path, 2, once=0.5, choice="day_reading", share=0.9)
    held_against(compare(replace(found, most_rows=100), **TWO), records)


@pytest.mark.parametrize("people", [1, 2])
def test_few_practitioners_are_columns_from_sums_too(tmp_path, people):
    found, records = sites_of(tmp_path, 2, n_practitioners=people, choice="stiffness", each_visit=True)
    held_against(compare(replace(found, most_rows=100), **TWO), records)


def test_one_region_of_one_row_a_session_is_told_alike_on_either_engine(tmp_path, engine):
    _, records = sites_of(tmp_path, 3, lost=0.1, once=0.05, choice="stiffness", each_visit=True)
    found = registry(tmp_path, engine=engine)
    answer = audit(replace(found, most_rows=100), question={**ASKED, "region": "soleus"})
    assert answer.detail.n_missing[0] > 0
    held_against(answer, records, region="soleus")


def test_sessions_that_were_only_measured_count_wherever_they_were(tmp_path):
    found, frames = registry(tmp_path, new=True), []
    for place in range(2):
        rows = simulate_protocols(ProtocolDials(n_clients=40, choice="stiffness", each_visit=True), rng=place)
        rows = rows.drop(columns="visit").assign(site=f"site {place}")
        rest = rows["intervention"] == "short_hold"
        rows = rows.assign(intervention=rows["intervention"].mask(rest, "measured_only"))
        rows.loc[rest, ["region", "treated_side"]] = ["gastrocnemius", ""]
        frames.append(rows)
        found = found.store(load_records(rows), site=f"site {place}")
    records = load_records(pd.concat(frames))
    asked = {"measure": ASKED["measure"], "region": "soleus", "intervention": "long_hold", "better": "higher"}
    answer = audit(replace(found, most_rows=100), question={**asked, "comparison": "measured_only"})
    compared = find_comparison(records.rows, **asked, comparison="measured_only")
    plain = estimate(compared)
    assert compared.basis == "comparison_sessions"
    assert answer.row("as written down")["estimate"] == pytest.approx(plain.mean, rel=1e-9)
    assert answer.row("as written down")["ci_low"] == pytest.approx(plain.ci_low, rel=1e-9)


def test_protocols_that_each_site_keeps_to_cannot_be_told_from_the_sites(tmp_path):
    found = registry(tmp_path, new=True)
    for place in range(2):
        rows = simulate_protocols(ProtocolDials(choice="site", share=float(place)), rng=place)
        found = found.store(load_records(rows.drop(columns="visit")), site=f"site {place}")
    with pytest.raises(NotEnoughError, match="used both, so the two cannot be told from the practitioners"):
        compare(replace(found, most_rows=100), **TWO)


def test_two_protocols_that_were_not_drawn_after_all_are_told_as_chosen(tmp_path):
    found, records = sites_of(tmp_path, 2, choice="stiffness", share=0.9, each_visit=True)
    answer = compare(replace(found, most_rows=100), **TWO, drawn=True)
    plain = compare(records, **TWO, drawn=True)
    assert not answer.detail.draw.passed
    assert "said to be drawn, which the records do not bear out" in answer.sentence()
    first, row = (one.frame.iloc[0][QUOTED].to_numpy(dtype=float) for one in (answer, plain))
    assert plain.verdict
    assert first == pytest.approx(row, rel=1e-9)


def test_a_chosen_difference_that_one_practitioner_carries_is_held_against_what_is_left(tmp_path):
    made = ProtocolDials(n_clients=120, n_practitioners=3, choice="stiffness", share=0.6, each_visit=True)
    rows = simulate_protocols(made, rng=2)
    rows = rows.drop(columns="visit").assign(site="north")
    hers = (rows["practitioner"] == "P1") & (rows["intervention"] == "long_hold")
    rows["after"] = rows["after"] + 6.0 * hers
    found = registry(tmp_path, new=True).store(load_records(rows), site="north")
    answer, plain = compare(replace(found, most_rows=100), **TWO), compare(rows, **TWO)
    assert answer.detail.also is not None
    first, row = (one.frame.iloc[0][QUOTED].to_numpy(dtype=float) for one in (answer, plain))
    assert first == pytest.approx(row, rel=1e-9)
    assert any("Without one practitioner" in note for note in answer.notes)
