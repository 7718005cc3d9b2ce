"""The paired test: clients weigh the same, rows read are kept or missing, the refusals give their reason."""

import numpy as np
import pandas as pd
import pytest
from clinic import clinic
from hypothesis import given, settings
from hypothesis import strategies as st

from toolkit import stats
from toolkit.errors import NotEnoughError

TESTS = ("t", "wilcoxon", "sign", "sign_flip")
KINDS = ("mean", "median", "hodges_lehmann")


def paired(rows, **more):
    """The one row of the paired test."""
    return stats.paired_test(rows, unit="deg", **more).frame.iloc[0]


def test_a_client_copied_forty_times_changes_nothing() -> None:
    rows = clinic(2, 12)
    keen = pd.concat([rows, pd.concat([rows.iloc[[0]]] * 39)], ignore_index=True)
    plain, repeated = paired(rows), paired(keen)
    assert (repeated["estimate"], repeated["p"]) == pytest.approx((plain["estimate"], plain["p"]))
    assert (repeated["n_rows"], repeated["n_clients"]) == (51, 12)


def test_repeated_clients_make_the_design_effect_large() -> None:
    rng = np.random.default_rng(5)
    rows = clinic(5, 15, visits=20, spread=1.0)
    rows["after"] += np.repeat(rng.normal(0, 5, 15), 20)
    assert paired(rows)["design_effect"] > 10
    assert paired(clinic(1, 20))["design_effect"] == 1.0


def test_rows_sessions_and_clients_are_counted_and_missing_rows_told() -> None:
    rows = clinic(3, 8, visits=3)
    rows.loc[[0, 5], "after"] = np.nan
    row = paired(rows)
    assert tuple(row[["n_rows", "n_missing", "n_sessions", "n_clients"]]) == (22, 2, 22, 8)
    assert "2 of 24 rows lack a reading" in stats.paired_test(rows).sentence()


@settings(max_examples=25)
@given(seed=st.integers(0, 9_999), n=st.integers(3, 14))
def test_turning_the_better_direction_mirrors_every_estimate(seed: int, n: int) -> None:
    rows = clinic(seed, n)
    for kind in KINDS:
        up, down = (stats.mean_change(rows, kind=kind, better=word).frame.iloc[0] for word in ("higher", "lower"))
        mirrored = (-down["estimate"], -down["ci_high"], -down["ci_low"])
        assert (up["estimate"], up["ci_low"], up["ci_high"]) == pytest.approx(mirrored)
    for test in TESTS:
        assert paired(rows, test=test)["p"] == pytest.approx(paired(rows, test=test, better="lower")["p"])


def test_another_baseline_can_be_chosen() -> None:
    rows = clinic(4, 9).assign(before_2=lambda frame: frame["before"] + 1)
    assert paired(rows, first="before_2")["estimate"] == pytest.approx(paired(rows)["estimate"] - 1)


def test_no_markup_from_the_data_reaches_the_page() -> None:
    rows = clinic(1, 9).assign(region="<b>calf", unit="<i>deg")
    assert "<b>" not in stats.paired_test(rows, by="region")._repr_html_()
    assert "<i>" not in stats.paired_test(rows)._repr_html_()


def test_the_sentence_claims_no_cause() -> None:
    said = stats.paired_test(clinic(1, 9)).sentence()
    assert "does not say what caused it" in said
    assert "9 clients" in said


def test_one_client_is_refused_with_the_way_on() -> None:
    with pytest.raises(NotEnoughError, match=r"only one client has both readings \(6 row\(s\).*stats\.single_case"):
        paired(clinic(1, 1, visits=6))


def test_constant_changes_are_refused_with_their_size() -> None:
    rows = clinic(1, 7).assign(after=lambda frame: frame["before"] + 3)
    with pytest.raises(NotEnoughError, match=r"all 7 clients changed by exactly 3 deg .* no interval and no test"):
        paired(rows)


def test_all_missing_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="None of the 4 row"):
        paired(clinic(1, 4).assign(after=np.nan))


def test_a_middle_without_variation_has_no_trimmed_mean_and_says_why() -> None:
    change = np.array([0, 0, 3, 3, 3, 3, 3, 3, 9, 9], dtype=float)
    rows = pd.DataFrame({"client": range(10), "before": 30.0, "after": 30.0 + change})
    with pytest.raises(NotEnoughError, match="does not vary"):
        stats.mean_change(rows, kind="trimmed_mean")
