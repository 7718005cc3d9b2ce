"""How often a difference is claimed, small: the full table is tests/benchmarks/protocols.md."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.protocols import BASE, PAIR, SEED, Cell, as_records, cells, clinic, tied
from toolkit.comparing.compare import compare
from toolkit.comparing.simulated_protocols import simulate_protocols


def claims_in(cell: Cell, n: int) -> tuple[int, int]:
    found = [clinic(cell, np.random.default_rng([SEED, 77, k])) for k in range(n)]
    return sum(one.claims for one in found), sum(one.verdict == "did_better" for one in found)


@pytest.mark.parametrize("slope", [0.0, 0.25])
def test_a_choice_by_stiffness_is_next_to_never_taken_for_a_difference_and_never_for_better(slope):
    dials = replace(BASE, choice="stiffness", share=0.9, gain_by_stiffness=slope, each_visit=True)
    claims, better = claims_in(Cell(name="chosen", dials=dials), 15)
    assert claims <= 3  # at 7.5 % four or more of 15 come in 2 % of such tests
    assert better == 0


def test_a_true_difference_of_2_degrees_is_said_where_chance_chose():
    claims, better = claims_in(
        Cell(name="drawn", dials=replace(BASE, choice="drawn_client", effect=2.0), drawn=True), 12
    )
    assert claims >= 9  # at 90 % eight or fewer of 12 come in 3 % of such tests
    assert better == claims


def test_where_each_site_used_one_protocol_nothing_is_claimed():
    assert tied(4)["claims"] == 0.0


def test_the_short_road_of_the_table_gives_what_the_road_through_an_export_gives():
    rows = simulate_protocols(cells()[0].dials, rng=5)
    asked = {"measure": BASE.measure, "between": PAIR, "region": BASE.region}
    short, long = compare(as_records(rows), **asked), compare(rows.drop(columns="visit"), **asked)
    assert short.frame["estimate"].tolist() == pytest.approx(long.frame["estimate"].tolist(), rel=1e-9)
