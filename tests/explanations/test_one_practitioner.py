"""Leaving one practitioner out at a time from sums: what the rows without that practitioner say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.explanations.clients_practitioners import without_each_practitioner


def rows_of(n=300, seed=1):
    """Clients shared by practitioners; one practitioner is the only one of some clients."""
    rng = np.random.default_rng(seed)
    client = rng.integers(0, 25, n)
    practitioner = np.where(client < 4, "Z", rng.choice(["P", "Q", "R"], n))
    return pd.DataFrame(
        {
            "client": client.astype(str),
            "practitioner": practitioner,
            "arm": rng.integers(0, 2, n).astype(float),
            "y": rng.normal(2, 3, n),
        }
    )


def plain(rows, arms):
    """Mean over client means of each arm, the first less the second."""
    means = [rows[rows["arm"] == arm].groupby("client")["y"].mean().mean() for arm in arms]
    return means[0] - means[1] if len(means) == 2 else means[0]


@pytest.mark.parametrize("arms", [(1.0, 0.0), (1.0,)], ids=["less the comparison", "the technique alone"])
@pytest.mark.parametrize("coded", [False, True])
def test_each_practitioner_is_left_out_as_if_the_rows_were_not_there(arms, coded):
    rows = rows_of()
    rows = rows[rows["arm"].isin(arms)]
    given = rows.astype({"client": "category", "practitioner": "category"}) if coded else rows
    whole, without = without_each_practitioner(given, both=len(arms) == 2)
    assert whole == pytest.approx(plain(rows, arms))
    assert list(without) == ["P", "Q", "R", "Z"]
    for name, value in without.items():
        assert value == pytest.approx(plain(rows[rows["practitioner"] != name], arms))


def test_without_the_only_one_who_treated_nothing_is_left():
    rows = rows_of()
    rows = rows.assign(practitioner=np.where(rows["arm"] == 1, "P", rows["practitioner"].replace("P", "Q")))
    whole, without = without_each_practitioner(rows)
    assert whole is not None
    assert "P" not in without
    assert "Q" in without


def test_an_arm_without_rows_has_no_difference():
    rows = rows_of()
    assert without_each_practitioner(rows[rows["arm"] == 1])[0] is None
