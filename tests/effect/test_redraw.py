"""Re-randomisation against exact enumeration and against its own promise."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from toolkit.effect.rerandomisation import flipped_sides, less_client_mean, redraw, shuffled_labels


def test_the_p_value_is_that_of_all_shuffles_written_out():
    # Every client once: the redraws are shuffles over sessions. Expected: enumeration of all C(8, 4) label sets.
    y = np.array([3.1, 4.0, 2.2, 5.3, 0.4, 1.9, 2.5, -0.3])
    arm = np.array([1, 1, 1, 1, 0, 0, 0, 0], dtype=float)
    found = [y[list(c)].mean() - y[[i for i in range(8) if i not in c]].mean() for c in combinations(range(8), 4)]
    observed = y[:4].mean() - y[4:].mean()
    one_sided = np.mean(np.array(found) >= observed - 1e-12)
    client = np.arange(8)
    could = shuffled_labels(arm, client, n_draws=20_000, rng=np.random.default_rng(1))
    got = redraw(y, arm, could, np.ones((8, 1)), client, ratio=0.0)
    assert got.value == pytest.approx(observed)
    assert got.p == pytest.approx(2 * one_sided, abs=0.006)


def test_labels_are_shuffled_within_clients_and_keep_their_number():
    client = np.repeat(np.arange(5), 4)
    arm = np.tile([1.0, 0.0, 0.0, 1.0], 5)
    drawn = shuffled_labels(arm, client, n_draws=200, rng=np.random.default_rng(2))
    assert all((drawn[:, client == c].sum(axis=1) == 2).all() for c in range(5))
    assert len(np.unique(drawn, axis=0)) > 100


def test_where_each_client_has_one_label_whole_clients_are_shuffled():
    client = np.repeat(np.arange(6), 3)
    arm = (client < 3).astype(float)
    drawn = shuffled_labels(arm, client, n_draws=100, rng=np.random.default_rng(3))
    assert (drawn.reshape(100, 6, 3).std(axis=2) == 0).all()
    assert (drawn.sum(axis=1) == 9).all()


def test_clients_drawn_whole_and_sessions_drawn_one_by_one_are_shuffled_each_among_their_own():
    client = np.repeat(np.arange(10), 4)
    arm = np.r_[np.repeat([1.0, 0.0, 1.0, 0.0], 4), np.tile([1.0, 1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0], 3)]
    whole = client < 4
    drawn = shuffled_labels(arm, client, n_draws=100, rng=np.random.default_rng(3), whole=whole)
    assert (drawn[:, whole].reshape(100, 4, 4).std(axis=2) == 0).all()
    assert (drawn[:, whole].sum(axis=1) == 8).all()
    assert (drawn[:, ~whole].sum(axis=1) == arm[~whole].sum()).all()
    assert len(np.unique(drawn[:, ~whole], axis=0)) > 50


def test_an_interval_by_inversion_agrees_with_the_t_interval_where_that_is_right():
    # Normal differences, 19 sessions of as many clients: Student's t interval is the known answer (scipy).
    d = np.random.default_rng(5).normal(1.0, 2.0, 19)
    flips = flipped_sides(19, n_draws=20_000, rng=np.random.default_rng(6))
    got = redraw(d, np.ones(19), flips, np.zeros((19, 0)), np.arange(19), ratio=0.0)
    low, high = got.limits(0.05)
    t = stats.ttest_1samp(d, 0).confidence_interval(0.95)
    assert (low, high) == pytest.approx((t.low, t.high), abs=0.15)


def test_the_interval_excludes_zero_exactly_when_p_is_below_alpha():
    for seed in range(40):
        rng = np.random.default_rng(seed)
        d = rng.normal(0.8, 1.5, 12)
        flips = flipped_sides(12, n_draws=999, rng=rng)
        got = redraw(d, np.ones(12), flips, np.zeros((12, 0)), np.arange(12), ratio=0.0)
        low, high = got.limits(0.05)
        assert (low > 0 or high < 0) == (got.p <= 0.05)


def test_too_few_redraws_give_no_limit_instead_of_a_wrong_one():
    d = np.random.default_rng(2).normal(3.0, 1.0, 12)
    flips = flipped_sides(12, n_draws=19, rng=np.random.default_rng(1))
    got = redraw(d, np.ones(12), flips, np.zeros((12, 0)), np.arange(12), ratio=0.0)
    assert got.limits(0.05) == (-np.inf, np.inf)


def test_arms_that_scatter_differently_do_not_reject_too_often():
    # 8 noisy treated, 32 quiet waiting, no effect: without studentising one in four is rejected
    rejected = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        arm = np.r_[np.ones(8), np.zeros(32)]
        y = rng.normal(0, np.where(arm == 1, 4.0, 1.0))
        could = shuffled_labels(arm, np.arange(40), n_draws=499, rng=rng)
        rejected += redraw(y, arm, could, np.ones((40, 1)), np.arange(40), ratio=0.0).p <= 0.05
    assert rejected <= 32


def test_with_a_large_variance_ratio_client_means_are_taken_off_whole():
    client = np.array([0, 0, 1, 1, 1])
    values = np.array([1.0, 3.0, 10.0, 11.0, 12.0])
    assert less_client_mean(values, client, 1e9) == pytest.approx([-1, 1, -1, 0, 1], abs=1e-3)
    assert less_client_mean(values, client, 0.0) == pytest.approx(values)


def test_few_possible_draws_give_no_limit_however_many_redraws_are_made():
    # Six sessions of as many clients, three and three: 20 label sets, so no one-sided p below 1/20 exists.
    y, arm = np.array([9.0, 8.0, 7.0, 1.0, 2.0, 3.0]), np.array([1.0, 1, 1, 0, 0, 0])
    could = shuffled_labels(arm, np.arange(6), n_draws=4999, rng=np.random.default_rng(1))
    got = redraw(y, arm, could, np.ones((6, 1)), np.arange(6), ratio=0.0)
    assert got.limits(0.05) == (-np.inf, np.inf)
    low, high = got.limits(0.2)
    assert 0 < low < got.value < high


def test_limits_and_p_agree_where_few_draws_are_possible():
    for seed in range(60):
        rng = np.random.default_rng(seed)
        y, arm = rng.normal(0, 1, 8), np.array([1.0, 1, 1, 1, 0, 0, 0, 0])
        could = shuffled_labels(arm, np.arange(8), n_draws=1999, rng=rng)
        got = redraw(y, arm, could, np.ones((8, 1)), np.arange(8), ratio=0.0)
        low, high = got.limits(0.05)
        assert (low > 0 or high < 0) == (got.p <= 0.05)
