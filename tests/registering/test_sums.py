"""A question too large to be fetched: the effect from sums is the effect from rows, on either engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit import audit, compare, load_records, registry
from toolkit.claim.question import read_question
from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.effect.client_sums import Cells, by_client
from toolkit.effect.comparison import between_interventions, find_comparison, only_treated
from toolkit.effect.estimate import bounded, estimate
from toolkit.effect.from_sums import estimate_from_sums
from toolkit.errors import NotEnoughError, RegistryError
from toolkit.result import Result
from toolkit.simulate import ClinicDials, simulate_clinic

pytestmark = pytest.mark.xdist_group("registry")
ASKED = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}
QUESTION = {**ASKED, "comparison": "wait"}
NUMBERS = ["estimate", "ci_low", "ci_high", "df", "p"]


def clinics(folder, sites, *, n_clients=60, lost=0.0):
    """A registry of simulated sites, and all their rows in one frame."""
    found, frames = registry(folder, new=True), []
    for place in range(sites):
        made = ClinicDials(n_clients=n_clients, visits=6, effect=3.0, n_practitioners=4, start="2024-01-08")
        rows = simulate_clinic(made, rng=place).rows.assign(site=f"site {place}")
        gone = np.random.default_rng(place).random((len(rows), 2)) < lost
        rows = rows.assign(after=rows["after"].mask(gone[:, 0]), after_wait=rows["after_wait"].mask(gone[:, 1]))
        frames.append(rows)
        found = found.store(load_records(rows), site=f"site {place}")
    return found, load_records(pd.concat(frames))


def in_memory(records):
    """The estimate of all rows, without and with every missing reading filled in."""
    relation = records.codebook.limits(ASKED["region"], ASKED["measure"]) or ""
    compared = find_comparison(records.rows, **ASKED, better="higher", relation=relation, comparison="wait")
    complete = estimate(compared)
    return complete, bounded(compared, complete)


def as_numbers(found):
    return [found.mean, found.ci_low, found.ci_high, found.df, found.p]


@pytest.mark.parametrize("sites", [1, 3, 12])
def test_the_effect_from_sums_is_that_of_the_rows(tmp_path, sites):
    found, records = clinics(tmp_path, sites, n_clients=60 if sites < 12 else 30)
    complete, _ = in_memory(records)
    row = found.difference(QUESTION).row("as written down")
    assert row[NUMBERS].to_numpy(dtype=float) == pytest.approx(as_numbers(complete), rel=1e-9)
    assert row["n_rows"] == complete.n_sessions
    assert row["n_clients"] == complete.n_clients


def test_missing_readings_are_filled_in_as_in_memory(tmp_path, engine):
    _, records = clinics(tmp_path, 3, lost=0.1)
    found = registry(tmp_path, engine=engine)
    complete, whole = in_memory(records)
    answer = found.difference(QUESTION)
    assert whole.n_filled > 0
    row = answer.frame.iloc[0]
    assert row["estimate"] == pytest.approx(complete.mean, rel=1e-9)
    assert [row["ci_low"], row["ci_high"], row["p"]] == pytest.approx([whole.ci_low, whole.ci_high, whole.p], rel=1e-9)
    assert "filled in against the technique" in answer.sentence()


def test_clients_who_came_once_leave_practitioners_as_the_only_grouping(tmp_path):
    _, records = clinics(tmp_path, 2, n_clients=80)
    once = records.rows.drop_duplicates("client")
    folder = tmp_path / "once"
    for site, part in once.groupby("site"):
        lone = replace(load_records(part.assign(visit=1)), sites=pd.DataFrame({"site": []}))
        registry(folder, new=True).store(lone, site=str(site))
    complete, _ = in_memory(load_records(once))
    row = registry(folder).difference(QUESTION).row("as written down")
    assert row[NUMBERS].to_numpy(dtype=float) == pytest.approx(as_numbers(complete), rel=1e-9)


def test_an_audit_of_too_many_rows_is_answered_from_sums_and_says_what_it_left_out(tmp_path):
    found, _ = clinics(tmp_path, 2)
    answer = audit(replace(found, most_rows=100), question=QUESTION)
    assert isinstance(answer, Result)
    assert "From sums that DuckDB made: no claim is drawn from them alone" in answer.sentence()
    assert any("Not looked at with so many rows" in note for note in answer.notes)
    with pytest.raises(RegistryError, match="Ask one question"):
        audit(replace(found, most_rows=100))


def test_sides_in_turn_do_not_look_drawn_from_sums_either(tmp_path):
    rows = simulate_clinic(ClinicDials(n_clients=60, visits=6, start="2024-01-08"), rng=1).rows
    late = rows["before"] > rows["before"].median()
    flip = (rows["order"] == "technique_first") != late
    rows = rows.assign(order=np.where(late, "technique_first", "wait_first"))
    rows.loc[flip, "after_wait"] = rows.loc[flip, "before"]
    found = registry(tmp_path, new=True).store(load_records(rows), site="north").difference(QUESTION)
    assert not found.detail.draw.passed
    assert "does not look drawn at random" in found.notes[0]
    assert "which the records do not bear out" in found.sentence()


def test_an_honest_draw_passes_from_sums(tmp_path):
    found, _ = clinics(tmp_path, 2)
    assert found.difference(QUESTION).detail.draw.passed


def test_two_clients_are_too_few_for_sums_too():
    nobody = np.zeros(2, dtype=np.intp)
    products = np.ones((3, 2))
    codes = {"client": np.arange(2), "practitioner": nobody, "site": nobody, "arm": np.arange(2)}
    cells = Cells(**codes, products=products, names=("one", "y"))
    with pytest.raises(NotEnoughError, match="at least 5 of 3 are needed"):
        estimate_from_sums(by_client(cells))


def test_a_comparison_that_the_registry_does_not_hold_is_refused(tmp_path):
    found, _ = clinics(tmp_path, 1)
    with pytest.raises(NotEnoughError, match="One of the two has no session with readings"):
        found.difference({**ASKED, "comparison": "measured_only"})


def protocols(folder):
    """A registry of three sites with two protocols drawn session by session, and all rows in one export."""
    found, frames = registry(folder, new=True), []
    for place in range(3):
        made = ProtocolDials(n_clients=40, effect=2.0, choice="drawn_session")
        rows = simulate_protocols(made, rng=place).drop(columns="visit").assign(site=f"site {place}")
        gone = np.random.default_rng(place).random(len(rows)) < 0.1
        rows = rows.assign(after=rows["after"].mask(gone))
        frames.append(rows)
        found = found.store(load_records(rows), site=f"site {place}")
    return found, load_records(pd.concat(frames))


TWO = {"measure": "ankle_dorsiflexion_lunge", "between": ("long_hold", "short_hold")}


def test_two_drawn_protocols_of_too_many_rows_are_compared_from_sums(tmp_path):
    found, records = protocols(tmp_path)
    found = replace(found, most_rows=100)
    answer = compare(found, **TWO, drawn=True)
    compared = between_interventions(
        only_treated(records.rows, measure=TWO["measure"], better="higher", relation=records.codebook.limits),
        question=read_question({**asked_between(), "better": "higher"}),
        relation="",
        drawn=True,
    )
    plain = estimate(compared)
    whole = bounded(compared, plain)
    assert isinstance(answer, Result)
    assert answer.row("as written down")[NUMBERS].to_numpy(dtype=float) == pytest.approx(as_numbers(plain), rel=1e-9)
    row = answer.frame.iloc[0]
    assert whole.n_filled > 0
    assert [row["ci_low"], row["ci_high"], row["p"]] == pytest.approx([whole.ci_low, whole.ci_high, whole.p], rel=1e-9)


def asked_between():
    first, second = TWO["between"]
    return {"measure": TWO["measure"], "region": "any", "intervention": first, "comparison": second}


def test_regions_that_show_on_different_sides_are_asked_one_at_a_time(tmp_path):
    found, _ = clinics(tmp_path, 1)
    with pytest.raises(RegistryError, match="Ask one region at a time"):
        found.difference({**QUESTION, "region": "any"})


@pytest.fixture(scope="module")
def million(tmp_path_factory):
    """A million simulated rows at five sites: one clinic of 200,000, every site with its own readings after.

    As few clients and practitioners as still are many: the estimate in memory costs most here, by clients times people.
    """
    folder = tmp_path_factory.mktemp("million") / "clinics"
    made = ClinicDials(n_clients=10_200, visits=20, effect=3.0, n_practitioners=2, start="2024-01-08")
    one = load_records(simulate_clinic(made, rng=1).rows)
    found, frames, rng = registry(folder, new=True), [], np.random.default_rng(2)
    for place in range(5):
        noise = rng.normal(0, 1, len(one.rows)).round(1)
        rows = one.rows.assign(after=one.rows["after"] + noise, site=f"s{place}")
        found = found.store(replace(one, rows=rows), site=f"s{place}")
        codes = {name: f"s{place}/" + rows[name] for name in ("client", "practitioner", "session_id")}
        frames.append(rows.assign(**codes))
    return folder, pd.concat(frames, ignore_index=True)


@pytest.fixture(scope="module")
def million_in_memory(million):
    return estimate(find_comparison(million[1], **ASKED, better="higher", comparison="wait"))


def test_a_million_rows_give_the_answer_of_memory(million, million_in_memory, engine):
    found = registry(million[0], engine=engine)
    row = found.difference(QUESTION).row("as written down")
    assert row["n_rows"] == len(million[1]) > 980_000
    assert row[NUMBERS].to_numpy(dtype=float) == pytest.approx(as_numbers(million_in_memory), rel=1e-9)
