"""What is left at the next visit: by hand, and in clinics where a known share is carried over and fades."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError
from toolkit.explanations.between_visits import visit_pairs
from toolkit.explanations.carry_over import held_to_next_visit
from toolkit.simulate import ClinicDials, simulate_clinic

ASKED = {"measure": "ankle", "region": "calf", "intervention": "pressing", "better": "higher"}


def clinic(
    seed: int, *, held: float, fade: float, n: int = 60, gaps: tuple[int, ...] = (3, 7, 14), treated: float = 0.6
) -> pd.DataFrame:
    """Six visits a client; a treated session adds 4, of which `held` less `fade` a day is there at the next visit."""
    rng = np.random.default_rng(seed)
    visits = 6
    done = rng.random((n, visits)) < treated
    gap = rng.choice(gaps, (n, visits))
    day = np.c_[np.zeros(n, int), gap.cumsum(axis=1)[:, :-1]]
    left = 4.0 * done * np.maximum(held - fade * gap, 0.0)
    carried = np.c_[np.zeros(n), left[:, :-1]]
    true = rng.normal(35.0, 6.0, (n, 1)) + carried + rng.normal(0.0, 1.5, (n, visits))
    read = [true + extra + rng.normal(0.0, 2.0, (n, visits)) for extra in (0.0, 0.0, 4.0 * done)]
    client = np.repeat(np.arange(n), visits)
    return pd.DataFrame(
        {
            "client": client.astype(str),
            "session_id": [f"{c}-{v}" for c in range(n) for v in range(visits)],
            "practitioner": (client % 3).astype(str),
            "date": pd.Timestamp("2026-01-05") + pd.to_timedelta(day.ravel(), unit="D"),
            "region": "calf",
            "treated_side": "left",
            "measured_side": "left",
            "intervention": np.where(done.ravel(), "pressing", "measured_only"),
            "order": "",
            "measure": "ankle",
            "before": read[0].ravel(),
            "before_2": read[1].ravel(),
            "after_wait": np.nan,
            "after": read[2].ravel(),
            "examiner_blinded": "yes",
            "side_drawn": "",
        }
    )


def test_pairs_of_visits_by_hand():
    rows = (
        clinic(1, held=0.0, fade=0.0, n=1)
        .iloc[:3]
        .assign(
            before=[10.0, 14.0, 13.0],
            before_2=[11.0, np.nan, 13.0],
            after=[15.0, 16.0, 17.0],
            date=pd.to_datetime(["2026-01-05", "2026-01-08", "2026-01-20"]),
            intervention=["pressing", "measured_only", "pressing"],
        )
    )
    pairs = visit_pairs(rows, **ASKED)
    assert pairs[["arm", "base", "gain", "y", "days"]].to_numpy().tolist() == [[1, 11, 4, 3, 3], [0, 14, 2, -1, 12]]


def test_a_first_reading_not_taken_at_the_next_visit_makes_no_pair():
    rows = clinic(1, held=0.0, fade=0.0, n=1).iloc[:3].assign(before=[10.0, np.nan, 13.0])
    assert len(visit_pairs(rows, **ASKED)) == 1  # the second visit's second reading against the third visit


def test_rows_out_of_order_are_put_in_order():
    rows = clinic(1, held=0.5, fade=0.0)
    mixed = rows.sample(frac=1.0, random_state=1)
    assert held_to_next_visit(mixed, **ASKED, unit="deg").readings.value == pytest.approx(
        held_to_next_visit(rows, **ASKED, unit="deg").readings.value
    )


@pytest.mark.parametrize(("held", "fade"), [(0.0, 0.0), (1.0, 0.0), (0.8, 0.05)])
def test_what_is_carried_over_is_recovered(held, fade):
    # 16 clinics; what is left after the mean gap of 8 days, after 7 days as a share, and lost a day
    found = [held_to_next_visit(clinic(20 + seed, held=held, fade=fade), **ASKED, unit="deg") for seed in range(16)]
    for pick, truth in [
        (lambda one: one.attributable, 4.0 * (held - 8.0 * fade)),
        (lambda one: one.share_left, held - 7.0 * fade),
        (lambda one: one.fades, -4.0 * fade),
    ]:
        values = np.array([pick(one).value for one in found])
        assert values.mean() == pytest.approx(truth, abs=4 * values.std(ddof=1) / 4)


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    # 24 clinics, 3 intervals each; 95 % promised, 99.9 % of a binomial allow 10 misses of 72
    missed = 0
    for seed in range(24):
        one = held_to_next_visit(clinic(100 + seed, held=0.8, fade=0.05), **ASKED, unit="deg")
        assert one.attributable is not None
        assert one.share_left is not None
        assert one.fades is not None
        pairs = ((one.attributable, 4 * (0.8 - 0.4)), (one.share_left, 0.45), (one.fades, -0.2))
        missed += sum(not estimate.ci_low <= truth <= estimate.ci_high for estimate, truth in pairs)
    assert missed <= 10


def test_sessions_that_were_all_treated_only_describe():
    found = held_to_next_visit(clinic(1, held=1.0, fade=0.0, treated=1.0), **ASKED, unit="deg")
    assert found.attributable is None
    assert found.basis is None
    assert "every client is treated in each session" in found.sentence()
    assert "held more" not in found.sentence()


def test_a_drawn_order_does_not_compare_visits():
    rows = simulate_clinic(ClinicDials(effect=3.0, visits=4.0), rng=1).rows
    dials = ClinicDials()
    found = held_to_next_visit(
        rows, measure=dials.measure, region=dials.region, intervention=dials.intervention, better="higher", unit="deg"
    )
    assert found.attributable is None
    assert "drawn order cannot compare visits" in found.sentence()


def test_too_few_measured_sessions_are_counted_and_not_compared():
    rows = clinic(1, held=1.0, fade=0.0, treated=1.0)
    few = rows.assign(intervention=rows["intervention"].where(rows.index >= 2, "measured_only"))
    found = held_to_next_visit(few, **ASKED, unit="deg")
    assert found.attributable is None
    assert "after 2 session(s) of 1 client(s)" in found.why_not_attributable


def test_a_falling_measure_turns_round():
    rows = clinic(1, held=0.8, fade=0.0)
    names = ["before", "before_2", "after"]
    down = held_to_next_visit(rows.assign(**(70 - rows[names])), **{**ASKED, "better": "lower"}, unit="deg")
    up = held_to_next_visit(rows, **ASKED, unit="deg")
    assert down.table()["value"].tolist() == pytest.approx(up.table()["value"].tolist())


def test_equal_gaps_cannot_show_fading():
    found = held_to_next_visit(clinic(1, held=0.8, fade=0.0, gaps=(7,)), **ASKED, unit="deg")
    assert found.fades is None
    assert found.share_left is not None
    assert "vary too little" in found.sentence()


def test_fading_is_known_as_well_as_leaving_out_each_client_shows():
    rows = clinic(1, held=0.8, fade=0.0, n=12)
    clients = rows["client"].unique()
    without = [held_to_next_visit(rows[rows["client"] != one], **ASKED, unit="deg").fades.value for one in clients]
    spread = np.sum((without - np.mean(without)) ** 2) * (len(clients) - 1) / len(clients)
    assert held_to_next_visit(rows, **ASKED, unit="deg").fades.se == pytest.approx(np.sqrt(spread))


def test_nothing_is_read_beyond_the_longest_gap():
    found = held_to_next_visit(clinic(1, held=0.8, fade=0.0, gaps=(2, 4)), **ASKED, unit="deg")
    assert found.share_left is not None
    assert 2 < found.days < 4


def test_without_a_gain_no_share_of_it_is_named():
    rows = clinic(1, held=0.0, fade=0.0)
    found = held_to_next_visit(rows.assign(after=rows["before_2"] - 1.0), **ASKED, unit="deg")
    assert found.share_left is None
    assert "not clearly above 0" in found.sentence()


def test_visits_without_dates_are_ordered_by_their_number_and_say_nothing_of_days():
    rows = clinic(1, held=0.8, fade=0.0)
    undated = rows.assign(date=pd.NaT, visit=rows.groupby("client").cumcount() + 1)
    found = held_to_next_visit(undated, **ASKED, unit="deg")
    assert found.readings.value == pytest.approx(held_to_next_visit(rows, **ASKED, unit="deg").readings.value)
    assert found.share_left is None


def test_visits_all_on_one_day_show_no_share():
    found = held_to_next_visit(clinic(1, held=0.8, fade=0.0, gaps=(0,)), **ASKED, unit="deg")
    assert found.share_left is None
    assert "no day between one visit and the next" in found.sentence()


@pytest.mark.parametrize(
    ("change", "allowance", "level", "words"),
    [
        ({}, 0.0, "probably_moved", "had probably held more"),
        ({"before_2": np.nan}, 0.0, "readings_changed", "chosen by one reading drift back"),
        ({}, 9.0, "readings_changed", "A reader who leans by 9° could explain"),
    ],
)
def test_more_than_changed_readings_needs_two_readings_before_and_a_reader_who_cannot_explain_it(
    change, allowance, level, words
):
    rows = clinic(1, held=1.0, fade=0.0).assign(**change)
    found = held_to_next_visit(rows, **ASKED, unit="deg", allowance=allowance)
    assert found.attributable is not None
    assert found.attributable.ci_low > 0
    assert found.level == level
    assert words in found.sentence()
    assert ("probably" in found.sentence()) == (level == "probably_moved")


def test_what_is_not_compared_is_never_more_than_changed_readings():
    found = held_to_next_visit(clinic(1, held=1.0, fade=0.0, treated=1.0), **ASKED, unit="deg")
    assert found.readings.ci_low > 0
    assert found.level == "readings_changed"


def test_a_share_that_may_be_anything_is_not_named():
    found = held_to_next_visit(clinic(1, held=0.5, fade=0.0, n=10), **ASKED, unit="deg")
    assert found.share_left is not None
    assert found.share_left.ci_high - found.share_left.ci_low > 1
    assert "is not settled: nothing of it and all of it would both fit (10 clients)" in found.sentence()


def test_several_questions_widen_the_comparison_and_say_so():
    rows = clinic(1, held=0.5, fade=0.0)
    wide = held_to_next_visit(rows, **ASKED, unit="deg", confidence_level=0.99).attributable
    usual = held_to_next_visit(rows, **ASKED, unit="deg").attributable
    assert wide is not None
    assert usual is not None
    assert wide.ci_low < usual.ci_low
    assert wide.confidence_level == 0.99


def test_readings_that_never_differ_promise_no_certainty():
    rows = clinic(1, held=0.0, fade=0.0).assign(before=30.0, before_2=30.0, after=30.0)  # one was never treated
    with pytest.raises(NotEnoughError, match="by the same 0° in all 59 clients"):
        held_to_next_visit(rows, **ASKED, unit="deg")


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_clients_are_said_to_be_too_few(n):
    rows = clinic(1, held=0.0, fade=0.0)
    kept = rows[rows["client"].astype(int) < n]
    with pytest.raises(NotEnoughError, match=f"{n} clients? came back"):
        held_to_next_visit(kept, **ASKED, unit="deg")


def test_clients_who_never_came_back_are_said_to_be_too_few():
    with pytest.raises(NotEnoughError, match="0 clients came back"):
        held_to_next_visit(clinic(1, held=0.0, fade=0.0).drop_duplicates("client"), **ASKED, unit="deg")
