"""Boundaries at several looks, against published constants and rpact."""

from __future__ import annotations

import numpy as np
import pytest

from toolkit.explanations.chance import fixed_shape_bounds, level_at_look, obrien_fleming_spending, spending_bounds


def test_one_look_leaves_the_usual_interval():
    assert level_at_look(1, 1, 0.05) == pytest.approx(0.95)


def test_the_error_spent_over_all_looks_is_alpha_by_simulation():
    # Random walks of 5 equal steps without drift: the share that ever crosses must be 2.5 % (n = 200,000, ± 4 SE).
    bounds = spending_bounds([0.2, 0.4, 0.6, 0.8, 1.0], alpha=0.025)
    walks = np.random.default_rng(1).normal(size=(200_000, 5)).cumsum(axis=1) / np.sqrt(np.arange(1, 6))
    crossed = (walks > bounds).any(axis=1).mean()
    assert crossed == pytest.approx(0.025, abs=4 * np.sqrt(0.025 * 0.975 / 200_000))


def test_bounds_fall_and_spending_rises():
    assert np.all(np.diff(spending_bounds([0.25, 0.5, 0.75, 1.0], alpha=0.025)) < 0)
    assert np.all(np.diff([obrien_fleming_spending(t, alpha=0.05) for t in (0.1, 0.5, 0.9, 1.0)]) > 0)


def test_a_boundary_of_one_height_is_the_same_at_each_look():
    assert len(set(np.round(fixed_shape_bounds(3, alpha=0.025, power=0.5), 12))) == 1
