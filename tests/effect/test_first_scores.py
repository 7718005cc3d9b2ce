"""How far a client's adjusted score can lie from the plain one is bounded before it is adjusted."""

from __future__ import annotations

import numpy as np

from toolkit.effect.client_sums import square
from toolkit.effect.robust_from_sums import Clusters, Solution, first_scores, robust


def test_adjusted_scores_lie_within_their_bounds_and_not_on_the_plain_ones():
    rng = np.random.default_rng(1)
    rows = np.concatenate([rng.integers(0, 2, (400, 1)), np.ones((400, 1)), rng.normal(size=(400, 2))], axis=1)
    whose = np.arange(400) % 40
    gram = np.stack([rows[whose == one].T @ rows[whose == one] for one in range(40)])
    upper = np.triu_indices(4)
    packed, weight = gram[:, upper[0], upper[1]].T, rng.uniform(0.5, 1.5, 40)
    once, twice = ((packed @ weight**power)[square(4)][None] for power in (1, 2))
    fit = Solution.of(once, twice)
    adjusted = robust([Clusters(site=0, place=slice(0, 40), packed=packed, weight=weight)], fit, n=40).scores
    near, far = first_scores(fit.sites[0].first_asked @ packed, weight)
    off = np.abs(adjusted - near)
    assert (off <= far).all()
    assert off.max() > 1e-6
    assert np.isfinite(far).all()
