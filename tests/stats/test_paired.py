"""The paired change: clients weigh the same, rows read are kept or missing, the refusals give their reason."""

import numpy as np
import pandas as pd
import pytest
from clinic import SAID, clinic
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError
from toolkit.stats.paired import paired_change


def test_one_row_a_client_gives_the_plain_paired_t_test() -> None:
    rows = clinic(1, 20)
    found, theirs = paired_change(rows, **SAID), stats.ttest_rel(rows["after"], rows["before"])
    assert (found.t.statistic, found.t.p) == pytest.approx((theirs.statistic, theirs.pvalue))
    assert (found.naive.value, found.naive.ci_low) == pytest.approx((found.mean.value, found.mean.ci_low))
    assert found.design_effect == 1.0


def test_a_client_copied_forty_times_changes_nothing_but_the_naive_answer() -> None:
    rows = clinic(2, 12)
    keen = pd.concat([rows, pd.concat([rows.iloc[[0]]] * 39)], ignore_index=True)
    plain, repeated = paired_change(rows, **SAID), paired_change(keen, **SAID)
    assert repeated.mean.value == pytest.approx(plain.mean.value)
    assert repeated.t.p == pytest.approx(plain.t.p)
    assert repeated.naive.n == 51
    assert repeated.naive.value != pytest.approx(plain.naive.value)


def test_repeated_clients_make_the_naive_interval_too_narrow_and_the_design_effect_large() -> None:
    rng = np.random.default_rng(5)
    rows = clinic(5, 15, visits=20, spread=1.0)
    rows["after"] += np.repeat(rng.normal(0, 5, 15), 20)
    found = paired_change(rows, **SAID)
    assert found.design_effect > 10
    assert found.naive.ci_high - found.naive.ci_low < 0.5 * (found.mean.ci_high - found.mean.ci_low)


def test_rows_sessions_and_clients_are_counted_and_missing_rows_told() -> None:
    rows = clinic(3, 8, visits=3)
    rows.loc[[0, 5], "after"] = np.nan
    found = paired_change(rows, **SAID)
    assert (found.n_rows, found.n_missing, found.n_sessions, found.n_clients) == (22, 2, 22, 8)
    assert "2 of 24 rows lack a reading" in found.sentence()


@settings(max_examples=25)
@given(seed=st.integers(0, 9_999), n=st.integers(3, 14))
def test_turning_the_better_direction_mirrors_every_estimate(seed: int, n: int) -> None:
    rows = clinic(seed, n)
    up, down = paired_change(rows, **SAID), paired_change(rows, **{**SAID, "better": "lower"})
    for one, other in zip(up.estimates(), down.estimates(), strict=True):
        assert (one.value, one.ci_low, one.ci_high) == pytest.approx((-other.value, -other.ci_high, -other.ci_low))
    assert [test.p for test in up.tests()] == pytest.approx([test.p for test in down.tests()])


def test_another_baseline_can_be_chosen() -> None:
    rows = clinic(4, 9).assign(before_2=lambda frame: frame["before"] + 1)
    assert paired_change(rows, first="before_2", **SAID).mean.value == pytest.approx(
        paired_change(rows, **SAID).mean.value - 1
    )


def test_text_and_html_show_the_same_rows_and_no_markup_from_the_data() -> None:
    found = paired_change(clinic(1, 9), **{**SAID, "measure": "<b>lunge"})
    assert len(found.table()) == 9
    assert found._repr_html_().count("<tr>") == 1 + len(found.table())
    assert "<b>" not in found._repr_html_()


def test_the_sentence_claims_no_cause() -> None:
    said = paired_change(clinic(1, 9), **SAID).sentence()
    assert "does not say what caused it" in said
    assert "9 clients" in said


def test_no_figure_is_a_nan() -> None:
    found = paired_change(clinic(1, 5), **SAID)
    assert found.table()[["value", "n"]].notna().all(axis=None)


def test_one_client_is_refused_with_the_way_on() -> None:
    with pytest.raises(NotEnoughError, match=r"only one client has both readings \(6 row\(s\).*tools for one client"):
        paired_change(clinic(1, 1, visits=6), **SAID)


def test_constant_changes_are_refused_with_their_size() -> None:
    rows = clinic(1, 7).assign(after=lambda frame: frame["before"] + 3)
    with pytest.raises(NotEnoughError, match=r"all 7 clients changed by exactly 3 deg .* no interval and no test"):
        paired_change(rows, **SAID)


def test_all_missing_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="None of the 4 row"):
        paired_change(clinic(1, 4).assign(after=np.nan), **SAID)


def test_a_middle_without_variation_leaves_the_trimmed_mean_out_and_says_why() -> None:
    change = np.array([0, 0, 3, 3, 3, 3, 3, 3, 9, 9], dtype=float)
    rows = pd.DataFrame({"client": range(10), "before": 30.0, "after": 30.0 + change})
    found = paired_change(rows, **SAID)
    assert found.trimmed_mean is None
    assert "does not vary" in found.notes[0]
