"""Looks and regression to the mean against published constants, rpact and the authors' example parameters."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from published_figures import expected

from toolkit.explanations.chance import fixed_shape_bounds, obrien_fleming_spending, spending_bounds
from toolkit.explanations.regression_to_the_mean import expected_regression


def _look(looks: int, k: int) -> float:
    return spending_bounds([(i + 1) / looks for i in range(looks)], alpha=0.025)[k - 1]


def _shape(looks: int, k: int, power: float) -> float:
    return fixed_shape_bounds(looks, alpha=0.025, power=power)[k - 1]


def _regression(rho: float, n_baselines: int) -> float:
    """Mean 60, SD 15 and cut-off 40 as in the source's example."""
    return expected_regression(
        40.0,
        mean=60.0,
        between_variance=rho * 225.0,
        within_variance=(1 - rho) * 225.0,
        n_baselines=n_baselines,
    )


CHECKS: dict[str, Callable[[], float]] = {
    **{f"pocock_c_{n}": partial(_shape, n, 1, 0.5) for n in range(2, 6)},
    **{f"obf_c_{n}": partial(_shape, n, n, 0.0) for n in range(2, 6)},
    **{f"obf_z_5_look{k}": partial(_shape, 5, k, 0.0) for k in range(1, 5)},
    **{f"lan_demets_of_{n}_look{k}": partial(_look, n, k) for n in range(2, 6) for k in range(1, n + 1)},
    **{f"obf_spending_{t}": partial(obrien_fleming_spending, t / 100, alpha=0.05) for t in (25, 50, 75)},
    "rtm_rho50_m1": lambda: _regression(0.5, 1),
    "rtm_rho80_m1": lambda: _regression(0.8, 1),
    "rtm_rho50_m2": lambda: _regression(0.5, 2),
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure: str) -> None:
    expected(figure).check(CHECKS[figure]())
