"""Was chance in charge? Orders that follow a rule are found, honest draws of every kind pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit.effect import draw_check, draw_units
from toolkit.effect.comparison import Compared, find_comparison
from toolkit.effect.draw_check import check_draw
from toolkit.simulate import ClinicDials, simulate_clinic


def compared_of(dials: ClinicDials, seed: int, rows: pd.DataFrame | None = None) -> Compared:
    found = find_comparison(
        simulate_clinic(dials, rng=seed).rows if rows is None else rows,
        measure=dials.measure,
        region=dials.region,
        intervention=dials.intervention,
        better=dials.better,
    )
    assert found is not None
    return found


def with_orders(orders: np.ndarray, *, seed: int = 1, by_time: bool = False) -> Compared:
    """A clinic in which every client comes equally often, with these orders (clients by visits, or in time)."""
    n_clients, visits = orders.shape
    rng = np.random.default_rng(seed)
    n = n_clients * visits
    client = np.repeat(np.arange(n_clients), visits)
    visit = np.tile(np.arange(visits), n_clients)
    day = rng.integers(0, 150, n_clients)[client] + 9 * visit
    names = [f"s{c:03d}-{v:02d}" for c, v in zip(client, visit, strict=True)]
    first = orders.ravel() == 1
    if by_time:
        first[np.lexsort((names, day))] = orders.ravel() == 1
    before = rng.normal(35, 6, n_clients)[client] + rng.normal(0, 2.5, n)
    rows = pd.DataFrame(
        {
            "session_id": names,
            "client": [f"k{c:03d}" for c in client],
            "practitioner": [f"p{c % 3}" for c in client],
            "date": pd.Timestamp("2026-01-05")
            + pd.to_timedelta(rng.integers(0, 150, n_clients)[client] + 9 * visit, "D"),
            "region": "upper_trapezius",
            "treated_side": "left",
            "measured_side": "left",
            "intervention": "percussive_release",
            "measure": "cervical_lateral_flexion",
            "order": np.where(first, "technique_first", "wait_first"),
            "side_drawn": "",
            "examiner_blinded": "yes",
            "before": before,
            "before_2": before + rng.normal(0, 3.5, n),
            "after": before + rng.normal(3, 3.5, n),
            "after_wait": np.where(first, np.nan, before + rng.normal(0, 3.5, n)),
        }
    )
    return compared_of(ClinicDials(), 0, rows)


def coin(n_clients: int, visits: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 2, (n_clients, visits))


@pytest.mark.parametrize(
    ("fault", "design"),
    [
        ("turns", "order_drawn"),
        ("coin begun late", "order_drawn"),
        ("early in the year", "order_drawn"),
        ("stiff first", "order_drawn"),
        ("by practitioner", "order_drawn"),
        ("no gain, not written", "order_drawn"),
        ("sides in turn", "side_drawn"),
        ("worse side", "side_drawn"),
    ],
)
def test_an_order_that_was_not_drawn_is_found(fault, design):
    found = [check_draw(compared_of(ClinicDials(fault=fault, design=design), seed)) for seed in range(3)]
    assert [one.verdict for one in found] == ["not drawn"] * 3


def test_the_pattern_is_named():
    says = check_draw(with_orders(np.tile([1, 0, 1, 0], (20, 1)))).says
    assert "does not look drawn" in says
    assert "80 draws of 20 clients" in says


@pytest.mark.parametrize("pattern", [[1, 0, 1, 0, 1, 0], [1, 0, 0, 1, 1, 0], [1, 1, 0, 0, 1, 1], [1, 1, 1, 0, 0, 0]])
def test_every_fixed_pattern_is_found(pattern):
    assert not check_draw(with_orders(np.tile(pattern, (20, 1)))).passed


@pytest.mark.parametrize(
    "draw",
    [
        lambda rng: rng.integers(0, 2, (24, 6)),
        lambda rng: rng.permuted(np.tile([0, 1], (24, 3)).reshape(24, 3, 2), axis=2).reshape(24, 6),
        lambda rng: rng.permuted(np.tile([0, 0, 1, 1], (48, 1)), axis=1).reshape(24, 8),
        lambda rng: np.repeat(rng.permutation([0, 1] * 12)[:, None], 6, axis=1),
        lambda rng: np.r_[np.repeat(rng.permutation([0, 1] * 6)[:, None], 6, axis=1), rng.integers(0, 2, (12, 6))],
        lambda rng: (rng.random((24, 6)) < 0.88).astype(int),
    ],
    ids=["coin", "pairs", "fours", "once a client", "half of the clients once", "one in eight waits"],
)
def test_honest_draws_of_every_kind_pass(draw):
    rng = np.random.default_rng(5)
    passed = [check_draw(with_orders(draw(rng), seed=k)).passed for k in range(25)]
    assert sum(passed) >= 24  # 1 % each: two or more alarms among 25 come once in 40


def test_blocks_over_the_whole_clinic_pass_too():
    rng = np.random.default_rng(6)
    blocks = [rng.permuted(np.tile([0, 0, 1, 1], (36, 1)), axis=1).reshape(24, 6) for _ in range(25)]
    assert sum(check_draw(with_orders(one, seed=k, by_time=True)).passed for k, one in enumerate(blocks)) >= 24


def test_the_order_of_rows_changes_nothing():
    dials = ClinicDials(n_clients=20)
    rows = simulate_clinic(dials, rng=4).rows
    one, other = (check_draw(compared_of(dials, 0, r)) for r in (rows, rows.sample(frac=1, random_state=1)))
    assert one.p == other.p
    assert one.says == other.says


def test_what_was_known_is_standardised_and_summed_up_in_parts_as_in_one(monkeypatch):
    monkeypatch.setattr(draw_units, "_DRAWS_AT_ONCE", 7)
    units = draw_units.drawn_units(compared_of(ClinicDials(n_clients=20), 4))
    known, label = draw_units.known_before_draw(units), units["label"].to_numpy(dtype=float)
    columns = known.columns()
    gram, with_label = known.products(label)
    assert np.allclose(columns.mean(axis=0), 0, atol=1e-12)
    assert np.allclose((columns**2).sum(axis=0), 1, atol=1e-12)
    assert np.allclose(gram, columns.T @ columns, rtol=0, atol=1e-12)
    assert np.allclose(with_label, label @ columns, rtol=0, atol=1e-10)


def test_few_draws_are_too_few_to_tell():
    found = check_draw(with_orders(coin(4, 2, 3)))
    assert found.verdict == "too few to tell"
    assert found.passed
    assert found.p is None


def test_an_unequal_draw_is_held_to_its_own_share():
    orders = (np.random.default_rng(2).random((30, 6)) < 2 / 3).astype(int)
    compared = with_orders(orders)
    assert not check_draw(compared).passed
    assert check_draw(compared, share=2 / 3).passed


def test_honest_clinics_raise_hardly_an_alarm():
    dials = ClinicDials(n_clients=20, visits=3.0, effect=3.0)
    alarms = sum(not check_draw(compared_of(replace(dials, n_clients=8 + k % 20), k)).passed for k in range(60))
    assert alarms <= 3  # 1 % each: four or more come once in 300


def test_practitioners_who_decide_are_found_where_clients_look_drawn_whole():
    rng = np.random.default_rng(8)
    rows = simulate_clinic(ClinicDials(n_clients=30, n_practitioners=2, visits=3.0), rng=8).rows
    mine = (rows["practitioner"] == rows["practitioner"].iloc[0]).to_numpy()
    rows["order"] = np.where(rng.random(len(rows)) < np.where(mine, 0.85, 0.15), "technique_first", "wait_first")
    rows["after_wait"] = rows["after_wait"].fillna(rows["after"])
    found = check_draw(compared_of(ClinicDials(), 8, rows))
    assert "practitioners" in [one.part for one in found.patterns]
    assert not found.passed


def test_examiners_are_told_from_the_arms_some_redraws_at_a_time(monkeypatch):
    label = np.tile([0.0, 1.0, 1.0], 40)
    at_once = np.concatenate(list(draw_check.redrawn(label, seed=2, n_redraws=50)))
    monkeypatch.setattr(draw_check, "_NUMBERS_AT_ONCE", 3 * len(label))
    parts = list(draw_check.redrawn(label, seed=2, n_redraws=50))
    assert len(parts) == 17
    assert np.concatenate(parts).tolist() == at_once.tolist()
    plain = np.random.default_rng(2).permuted(np.tile(label - label.mean(), (50, 1)), axis=1)
    assert at_once == pytest.approx(plain)


@pytest.mark.parametrize(
    ("ids", "days", "found"),
    [
        (["S2", "S1", "S3"], [0.0, 0.0, 1.0], [2.0, 1.0, 3.0]),
        (["S2", "S2", "S3"], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]),  # one twice
        (["S2", "S1", "S3"], [0.0, 1.0, 1.0], [0.0, 0.0, 0.0]),  # against the days
        (["S2", "x", "S3"], [0.0, 0.0, 1.0], [0.0, 0.0, 0.0]),
    ],
)
def test_session_numbers_order_a_day_where_they_run_through_the_clinic(ids, days, found):
    frame = pd.DataFrame({"session_id": ids, "when": days})
    assert draw_units._running_numbers(frame).tolist() == found
