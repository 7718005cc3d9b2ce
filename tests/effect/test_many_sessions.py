"""Very many sessions: what is added up first says what the rows say, one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit.effect import estimate as estimating
from toolkit.effect import many_sessions
from toolkit.effect.cluster_robust import cluster_robust, equal_clients
from toolkit.effect.comparison import find_comparison
from toolkit.effect.draw_units import drawn_units, known_before_draw
from toolkit.effect.estimate import bounded, estimate
from toolkit.simulate import ClinicDials, simulate_clinic

ASKED = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}


def compared_sessions(*, n_practitioners=4, sites=1, seed=1, visits=8, effect_sd=1.0, shared=False):
    """A drawn comparison with missing readings, hours of the day and several sites."""
    dials = ClinicDials(
        n_clients=60,
        visits=visits,
        effect=3.0,
        effect_sd=effect_sd,
        n_practitioners=n_practitioners,
        start="2024-01-08",
    )
    rows = pd.concat(
        [
            simulate_clinic(dials, rng=seed + place).rows.assign(
                site=f"s{place}", client=lambda r, place=place: f"{place}/" + r["client"].astype(str)
            )
            for place in range(sites)
        ],
        ignore_index=True,
    )
    rng = np.random.default_rng(seed)
    if shared:  # any practitioner, at any visit
        rows = rows.assign(practitioner=rng.permutation(rows["practitioner"].to_numpy()))
    rows = rows.assign(
        session_id=[f"S{k}" for k in range(len(rows))],
        after=rows["after"].mask(rng.random(len(rows)) < 0.1),
        time_of_day=rng.integers(8, 18, len(rows)).astype(float),
    )
    return find_comparison(rows, **ASKED, better="higher", comparison="wait", relation="opposite")


def both_ways(monkeypatch, job):
    """What a job says from rows, and from sums."""
    by_rows = job()
    monkeypatch.setattr(many_sessions, "MANY", 0)
    used = []
    real = many_sessions.estimate_from_sums
    monkeypatch.setattr(
        many_sessions, "estimate_from_sums", lambda *args, **kwargs: used.append(1) or real(*args, **kwargs)
    )
    return by_rows, job(), used


@pytest.mark.parametrize(
    "clinic",
    [
        {},
        {"sites": 3},
        {"n_practitioners": 12, "seed": 5},
        {"n_practitioners": 1},
        {"effect_sd": 0.0},
        {"shared": True, "n_practitioners": 2, "visits": 20},
    ],
    ids=["one site", "three sites", "many practitioners", "one practitioner", "no varying effect", "shared clients"],
)
def test_the_estimate_of_many_sessions_is_that_of_their_rows(monkeypatch, clinic):
    compared = compared_sessions(**clinic)

    def job():
        complete = estimate(compared)
        return complete, bounded(compared, complete)

    rows, sums, used = both_ways(monkeypatch, job)
    assert len(used) == 3
    for one, other in zip(rows, sums, strict=True):
        assert other.method == one.method
        assert (other.n_clients, other.n_sessions, other.n_filled) == (one.n_clients, one.n_sessions, one.n_filled)
        said = [[found.mean, found.ci_low, found.ci_high, found.p] for found in (one, other)]
        assert said[1] == pytest.approx(said[0], rel=1e-8)


def test_clients_who_come_once_or_twice_stay_with_their_rows(monkeypatch):
    compared = compared_sessions(visits=1)
    _, _, used = both_ways(monkeypatch, lambda: estimate(compared))
    assert not used


def test_sides_of_one_session_stay_with_their_rows(monkeypatch):
    compared = replace(compared_sessions(), basis="other_side", both_treated=False)
    rows = compared.rows.assign(session_id="S" + (compared.rows.index // 2).astype(str), has_second=1.0)
    rows = rows.assign(arm=(rows.index % 2).astype(float), client=[f"K{k // 20}" for k in range(len(rows))])
    _, found, used = both_ways(monkeypatch, lambda: estimate(replace(compared, rows=rows.assign(practitioner="P1"))))
    assert not used
    assert found.method.startswith("mixed model, differences of sides")


def test_sums_too_large_for_the_memory_are_not_made(monkeypatch):
    monkeypatch.setattr(many_sessions, "_MOST_NUMBERS", 100)
    _, _, used = both_ways(monkeypatch, lambda: estimate(compared_sessions()))
    assert not used


@pytest.mark.parametrize("equal", [False, True], ids=["by rows", "every client the same"])
def test_the_robust_interval_from_cross_products_is_that_of_the_rows(monkeypatch, equal):
    rng = np.random.default_rng(3)
    client = rng.permutation(np.repeat(np.arange(40), rng.integers(2, 30, 40)))
    n = len(client)
    x = np.column_stack([rng.integers(0, 2, n), np.ones(n), rng.normal(size=n)]).astype(float)
    y = x @ [1.0, 2.0, 0.5] + rng.normal(size=40)[client] + rng.normal(size=n)
    weight = equal_clients(client) if equal else np.ones(n)
    rows = cluster_robust(y, x, client, weight)
    monkeypatch.setattr(many_sessions, "MANY", 0)
    monkeypatch.setattr(many_sessions, "_NUMBERS_AT_ONCE", 200)  # in many parts
    monkeypatch.setattr(many_sessions, "cluster_robust", None)
    sums = many_sessions.robust_over_clients(y, x, client, weight)
    assert (sums.value, sums.se, sums.df) == pytest.approx((rows.value, rows.se, rows.df), rel=1e-9)
    assert sums.scores == pytest.approx(rows.scores, rel=1e-8, abs=1e-12)


def test_columns_that_cannot_be_told_apart_have_no_robust_interval(monkeypatch):
    monkeypatch.setattr(many_sessions, "MANY", 0)
    client, label = np.repeat(np.arange(10), 4), np.tile([0.0, 1.0], 20)
    y = np.random.default_rng(1).normal(size=40)
    assert many_sessions.robust_over_clients(y, np.column_stack([label, label]), client, np.ones(40)) is None


def test_one_column_goes_by_its_rows():
    client, label = np.repeat(np.arange(1_500), 16), np.tile([-0.5, 0.5], 12_000)
    y = label + np.random.default_rng(1).normal(size=24_000)
    found = many_sessions.robust_over_clients(y, label[:, None], client, np.ones(24_000))
    assert found.value == pytest.approx(2 * (y[1::2].mean() - y[::2].mean()) / 2, rel=1e-9)


def test_a_column_of_one_practitioner_is_kept_where_it_says_something_and_whole_in_parts():
    known = known_before_draw(drawn_units(compared_sessions()))
    kept = [place for place, levels in enumerate(known.levels) if levels is not None and not isinstance(levels, tuple)]
    assert any("later days, with" in known.words[place] for place in kept)
    for place in kept:
        whole = known.column(place)
        assert whole.mean() == pytest.approx(0.0, abs=1e-12)
        assert whole @ whole == pytest.approx(1.0)
        parts = [known.column(place, slice(first, first + 37)) for first in range(0, len(whole), 37)]
        assert np.concatenate(parts).tolist() == whole.tolist()


def test_a_column_that_others_tell_is_left_out_of_the_time():
    known = {"one": np.array([1.0, 2.0, 4.0, 8.0])}
    more = {"the same, moved": 3 * known["one"] + 5, "another": np.array([1.0, -1.0, 1.0, -1.0])}
    assert list(estimating._not_told_by(known, more)) == ["another"]


@pytest.mark.parametrize("missing", [False, True])
def test_ranks_that_are_counted_are_those_that_are_sorted(missing):
    rng = np.random.default_rng(2)
    days = pd.Series(pd.Timestamp("2024-01-01") + pd.to_timedelta(rng.integers(0, 30, 200), "D"))
    hours = pd.Series(rng.integers(8, 18, 200) / 2)
    for values in (days, hours):
        given = values.mask(rng.random(200) < 0.2) if missing else values
        given.index = given.index[::-1]
        pd.testing.assert_series_equal(estimating._rank(given), given.rank(pct=True))


def test_what_is_not_there_has_no_rank():
    assert estimating._rank(pd.Series([np.nan, np.nan])).isna().all()
