"""How two readings before agree, in findings and for the figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.auditing import audit
from toolkit.findings.measured import agreement_parts, limits_before, pairs_before


def read_twice(first: list[float], second: list[float], client: str) -> pd.DataFrame:
    return pd.DataFrame({"measure": "lunge", "client": list(client), "before": first, "before_2": second})


def test_limits_by_hand_where_each_client_gives_one_pair():
    # differences second − first: 1, 3, 2, 2; mean 2, SD √(2/3) = 0.8165; 2 ± 1.96 × 0.8165
    rows = read_twice([30, 31, 32, 33], [31, 34, 34, 35], "abcd")
    found = agreement_parts(rows, measure="lunge", unit="deg")["agreement"]
    assert found["mean_difference"]["value"] == pytest.approx(2.0)
    assert [found[key]["value"] for key in ("lower", "upper")] == pytest.approx([0.3997, 3.6003], abs=1e-4)
    assert found["several_pairs_a_client"] == "one pair a client"


def test_a_client_read_forty_times_does_not_make_forty_clients():
    rng = np.random.default_rng(1)
    client = ["a"] * 40 + list("bcdefg")
    shift = dict(zip("abcdefg", rng.normal(0, 3, 7), strict=True))
    rows = pd.DataFrame({"measure": "lunge", "client": client, "before": 30.0})
    rows["before_2"] = 30 + rows["client"].map(shift) + rng.normal(0, 0.2, len(rows))
    limits = limits_before(rows, measure="lunge", unit="deg")
    assert (limits.n_people, limits.n_pairs) == (7, 46)
    assert limits.bias.value == pytest.approx(np.mean(list(shift.values())), abs=0.3)
    found = agreement_parts(rows, measure="lunge", unit="deg")["agreement"]
    assert "between and within clients" in found["several_pairs_a_client"]


@pytest.mark.parametrize(
    ("rows", "unit", "why"),
    [
        (read_twice([30, 31], [31, 34], "ab"), "deg", "2 clients were read twice"),
        (read_twice([30, 31, 32], [np.nan] * 3, "abc"), "deg", "0 clients were read twice"),
        (read_twice([30, 31, 32], [31, 32, 33], "abc"), "deg", "same"),
        (read_twice([0, 1, 1], [1, 1, 0], "abc"), "yes_no", "A sign is present or absent"),
    ],
)
def test_what_cannot_be_compared_says_why(rows, unit, why):
    parts = agreement_parts(rows, measure="lunge", unit=unit)
    assert parts["agreement"] is None
    assert why in parts["why_no_agreement"]


def test_the_figures_lines_are_the_findings_numbers(rows, asked):
    found = audit(rows, question=asked)
    ruler = found.findings["measurement"][0]
    data = found.plot_data.agreement[asked["measure"]]
    assert len(data.pairs) == ruler["agreement"]["n_pairs"] == ruler["n_pairs"]
    assert set(data.lines["value"]) == {
        ruler["agreement"][key]["value"] for key in ("mean_difference", "lower", "upper")
    }
    assert data.lines.iloc[0]["value"] == pytest.approx(
        (data.pairs["second"] - data.pairs["first"]).groupby(data.pairs["client"]).mean().mean()
    )


def test_pairs_are_of_the_same_row(rows, asked):
    pairs = pairs_before(rows, measure=asked["measure"])
    assert list(pairs.columns) == ["client", "first", "second"]
    assert not pairs.isna().any().any()
