"""Planning figures against R's power functions and Cohen's tables."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from published_figures import expected

from toolkit.stats.clients import design_effect
from toolkit.stats.sample_size import clients_a_group_needed, pairs_needed, power_of_pairs

CHECKS: dict[str, Callable[[], float]] = {
    "n_paired_dz02_power80": lambda: pairs_needed(0.2),
    "n_paired_dz05_power80": lambda: pairs_needed(0.5),
    "n_paired_dz08_power80": lambda: pairs_needed(0.8),
    "n_paired_dz05_power90": lambda: pairs_needed(0.5, power=0.9),
    "power_paired_cohen_p50": lambda: power_of_pairs(8 / (16 * (2 * (1 - 0.6)) ** 0.5), n=40),
    "power_paired_matched_n50": lambda: power_of_pairs(0.421637, n=50),
    "n_unpaired_d50_power80": lambda: clients_a_group_needed(0.5),
    "design_effect": lambda: design_effect(rows_per_client=10, icc=0.05),
}


@pytest.mark.parametrize("figure", CHECKS)
def test_the_toolkit_agrees_with_the_published_figure(figure: str) -> None:
    expected(figure).check(CHECKS[figure]())
