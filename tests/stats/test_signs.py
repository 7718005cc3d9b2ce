"""Signs before and after: shares, McNemar in its versions, clusters."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.clients import complete_pairs
from toolkit.stats.proportions import (
    PairedCounts,
    newcombe_paired_difference,
    share_of,
    unpaired_difference,
    wald_paired_difference,
)
from toolkit.stats.sign_tests import (
    cochran_q,
    conditional_odds_ratio,
    durkalski_test,
    eliasziw_donner_test,
    mcnemar_chi2,
    mcnemar_chi2_corrected,
    mcnemar_exact,
    mcnemar_midp,
    obuchowski_test,
    yang_test,
)
from toolkit.stats.signs import cluster_counts, net_improvement, signs_change

COUNTS = st.builds(
    PairedCounts,
    yes_yes=st.integers(0, 30),
    yes_no=st.integers(0, 30),
    no_yes=st.integers(0, 30),
    no_no=st.integers(1, 30),
)


def _rows(first: list[int], second: list[int], clients: str | None = None) -> pd.DataFrame:
    who = list(clients) if clients else [f"c{at:02d}" for at in range(len(first))]
    return pd.DataFrame({"client": who, "session_id": range(len(first)), "before": first, "after": second})


@given(counts=COUNTS)
def test_mcnemar_agrees_with_statsmodels(counts: PairedCounts) -> None:
    from statsmodels.stats.contingency_tables import mcnemar

    table = [[counts.yes_yes, counts.yes_no], [counts.no_yes, counts.no_no]]
    if counts.discordant == 0:
        assert mcnemar_exact(counts).p == 1.0
        return
    assert mcnemar_exact(counts).p == pytest.approx(mcnemar(table, exact=True).pvalue)
    plain, corrected = mcnemar(table, exact=False, correction=False), mcnemar(table, exact=False, correction=True)
    assert mcnemar_chi2(counts).statistic == pytest.approx(plain.statistic)
    if counts.yes_no != counts.no_yes:  # statsmodels corrects a difference of 0 to 1; Edwards' rule is |b - c| - 1
        assert mcnemar_chi2_corrected(counts).statistic == pytest.approx(corrected.statistic)


def test_the_midp_is_the_exact_p_less_half_the_observed_chance() -> None:
    counts = PairedCounts(yes_yes=59, yes_no=6, no_yes=16, no_no=80)
    # Fagerland, Lydersen & Laake (2013), airway table with 1 and 7 changed: exact 0.0703, mid-p 0.0391 (from memory)
    asthma = PairedCounts(yes_yes=1, yes_no=1, no_yes=7, no_no=12)
    assert mcnemar_exact(asthma).p == pytest.approx(0.0703, abs=5e-5)
    assert mcnemar_midp(asthma).p == pytest.approx(0.0391, abs=5e-5)
    assert mcnemar_midp(counts).p == pytest.approx(mcnemar_exact(counts).p - stats.binom.pmf(6, 22, 0.5))


def test_newcombe_s_paired_interval_on_the_asthma_table_is_the_published_one() -> None:
    # Fagerland et al. (2014) Stat Med 33:2850, the same table: -0.286, Newcombe -0.507 to -0.026 (from memory)
    found = newcombe_paired_difference(PairedCounts(yes_yes=1, yes_no=1, no_yes=7, no_no=12))
    assert found.value == pytest.approx(0.286, abs=5e-4)
    assert (found.ci_low, found.ci_high) == pytest.approx((0.026, 0.507), abs=6e-4)


@given(counts=COUNTS)
def test_newcombe_s_limits_hold_the_difference_and_stay_inside_one(counts: PairedCounts) -> None:
    found = newcombe_paired_difference(counts)
    assert -1 <= found.ci_low <= found.value <= found.ci_high <= 1


@given(counts=COUNTS)
def test_swapping_first_and_second_mirrors_the_interval(counts: PairedCounts) -> None:
    swapped = PairedCounts(yes_yes=counts.yes_yes, yes_no=counts.no_yes, no_yes=counts.yes_no, no_no=counts.no_no)
    one, other = newcombe_paired_difference(counts), newcombe_paired_difference(swapped)
    assert (one.ci_low, one.ci_high) == pytest.approx((-other.ci_high, -other.ci_low))


@pytest.mark.parametrize(
    "cells",
    [
        {"yes_yes": 0, "yes_no": 0, "no_yes": 5, "no_no": 5},
        {"yes_yes": 10, "yes_no": 0, "no_yes": 0, "no_no": 0},
        {"yes_yes": 0, "yes_no": 10, "no_yes": 0, "no_no": 0},
    ],
)
def test_an_empty_cell_or_all_yes_still_gives_an_interval(cells: dict[str, int]) -> None:
    found = newcombe_paired_difference(PairedCounts(**cells))
    assert np.isfinite([found.value, found.ci_low, found.ci_high]).all()
    assert found.ci_low < found.ci_high


def test_nobody_s_answer_changed_is_p_one_with_the_reason() -> None:
    found = mcnemar_chi2(PairedCounts(yes_yes=7, yes_no=0, no_yes=0, no_no=0))
    assert found.p == 1.0
    assert "nobody's answer changed (7 pairs)" in found.method


def test_an_odds_ratio_with_nobody_worse_has_a_lower_limit_only() -> None:
    found = conditional_odds_ratio(6, 0)
    assert found.value == found.ci_high == np.inf
    assert found.ci_low > 1
    assert "no limit" in found.sentence()


def test_no_change_at_all_has_no_odds_ratio() -> None:
    with pytest.raises(NotEnoughError, match="Nobody's answer changed"):
        conditional_odds_ratio(0, 0)


def test_one_pair_a_client_is_mcnemar_and_newcombe() -> None:
    rows = _rows([1, 1, 1, 0, 1, 0, 0, 1], [0, 0, 1, 0, 0, 1, 0, 0])
    found = signs_change(rows, measure="heel_lift", better="lower")
    plain = newcombe_paired_difference(found.counts)
    assert found.test.p == mcnemar_midp(found.counts).p
    assert (found.difference.value, found.difference.ci_low, found.difference.ci_high) == pytest.approx(
        (-plain.value, -plain.ci_high, -plain.ci_low)
    )


def test_the_sign_flip_test_on_one_pair_a_client_is_the_exact_mcnemar_test() -> None:
    first, second = [1, 1, 1, 0, 1, 0, 0, 1], [0, 0, 1, 0, 0, 1, 0, 0]
    once = signs_change(_rows(first, second), measure="m", better="lower")
    twice = signs_change(_rows(first * 2, second * 2, "ABCDEFGH" * 2), measure="m", better="lower")
    assert twice.test.name == "sign-flip permutation test"
    assert twice.test.p == pytest.approx(mcnemar_exact(once.counts).p)


def test_a_client_copied_forty_times_neither_moves_the_difference_nor_narrows_the_interval() -> None:
    rows = _rows([1, 1, 1, 0, 1, 0, 0, 1], [0, 0, 1, 0, 0, 1, 0, 0])
    keen = pd.concat([rows] + [rows.iloc[[0]]] * 39, ignore_index=True)
    once, again = (signs_change(each, measure="m", better="lower").difference for each in (rows, keen))
    assert again.value == pytest.approx(once.value)
    assert again.ci_low <= once.ci_low
    assert again.ci_high >= once.ci_high


def test_more_pairs_a_client_narrow_the_interval_but_never_beyond_the_pairs() -> None:
    rng = np.random.default_rng(7)
    first, second = rng.integers(0, 2, 120).tolist(), rng.integers(0, 2, 120).tolist()
    rows = _rows(first, second, "".join(chr(65 + at % 20) for at in range(120)))
    clustered = signs_change(rows, measure="m", better="higher").difference
    unclustered = newcombe_paired_difference(signs_change(_rows(first, second), measure="m", better="higher").counts)
    assert clustered.ci_high - clustered.ci_low >= 0.999 * (unclustered.ci_high - unclustered.ci_low)


def test_all_clients_improving_is_tested_not_refused() -> None:
    found = signs_change(_rows([1] * 10, [0] * 10, "AABBCCDDEE"), measure="m", better="lower")
    assert found.difference.value == 1.0
    assert found.test.p == pytest.approx(2 / 2**5)


def test_all_yes_all_along_is_reported_with_p_one() -> None:
    found = signs_change(_rows([1] * 6, [1] * 6, "AABBCC"), measure="m", better="lower")
    assert (found.difference.value, found.test.p, found.odds_ratio) == (0.0, 1.0, None)
    assert "Nobody's answer changed" in found.notes[0]


def test_the_four_clustered_tests_are_all_reported() -> None:
    found = signs_change(
        _rows([1, 1, 1, 0, 1, 0, 0, 1], [0, 0, 1, 0, 0, 1, 0, 0], "AABBCCDD"), measure="m", better="lower"
    )
    named = ("Durkalski 2003", "Obuchowski 1998", "Yang 2010", "Eliasziw & Donner 1991")
    assert all(test.method.startswith(name) for test, name in zip(found.tests[1:], named, strict=True))
    assert len(found.table()) == 7
    assert found._repr_html_().count("<tr>") == 8


@pytest.mark.parametrize("test", [obuchowski_test, durkalski_test])
def test_with_one_pair_a_client_the_clustered_tests_come_back_to_mcnemar(test) -> None:
    rows = _rows([1, 1, 1, 0, 1, 0, 0, 1], [0, 0, 1, 0, 0, 1, 0, 0])
    counts = cluster_counts(complete_pairs(rows))
    cells = counts[["yes_yes", "yes_no", "no_yes", "no_no"]].sum()
    plain = mcnemar_chi2(PairedCounts(**{str(k): int(v) for k, v in cells.items()})).statistic
    factor = 7 / 8 if test is obuchowski_test else 1.0
    assert test(counts).statistic == pytest.approx(factor * plain)


def test_repeated_clients_hold_the_clustered_level_where_the_naive_test_does_not() -> None:
    rng = np.random.default_rng(12)
    naive = clustered = 0
    for _ in range(300):
        leaning = np.repeat(rng.choice([0.15, 0.85], 25), 8)  # some clients tend to gain the sign, as many to lose it
        moved = rng.random(200) < 0.6
        up = moved & (rng.random(200) < leaning)
        first, second = (moved & ~up).astype(int), up.astype(int)
        counts = cluster_counts(
            complete_pairs(_rows(first.tolist(), second.tolist()).assign(client=np.repeat(range(25), 8)))
        )
        cells = counts[["yes_yes", "yes_no", "no_yes", "no_no"]].sum()
        naive += mcnemar_chi2(PairedCounts(**{str(k): int(v) for k, v in cells.items()})).p < 0.05
        clustered += durkalski_test(counts).p < 0.05
    assert naive > 75
    assert clustered <= 30


@pytest.mark.parametrize("test", [obuchowski_test, durkalski_test, yang_test, eliasziw_donner_test])
def test_clusters_without_change_are_refused(test) -> None:
    same = pd.DataFrame({"yes_yes": [3, 2], "yes_no": [0, 0], "no_yes": [0, 0], "no_no": [1, 2]})
    with pytest.raises(NotEnoughError, match="Nobody's answer changed"):
        test(same)
    with pytest.raises(ToolkitError, match="missing: no_no"):
        test(same.drop(columns="no_no"))
    with pytest.raises(NotEnoughError, match=r"1 client\(s\) with a pair"):
        test(same.iloc[:1])


@pytest.mark.parametrize("value", [2, 0.5, -1])
def test_a_sign_other_than_yes_or_no_is_refused(value: float) -> None:
    with pytest.raises(ToolkitError, match=r"1 row\(s\) hold something other than 0 \(no\) and 1 \(yes\)"):
        signs_change(_rows([1, 0], [value, 1]), measure="heel_lift", better="lower")


def test_one_client_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="only one client"):
        signs_change(_rows([1, 0], [0, 1], "AA"), measure="heel_lift", better="lower")


def test_wilson_holds_at_none_and_at_all() -> None:
    assert share_of(0, 15).ci_low == 0.0
    assert share_of(15, 15).ci_high == 1.0
    assert share_of(0, 15).ci_high == pytest.approx(1 - share_of(15, 15).ci_low)


@pytest.mark.parametrize(("count", "n"), [(-1, 5), (6, 5), (1.5, 5)])
def test_counts_that_cannot_be_are_refused(count: float, n: int) -> None:
    with pytest.raises(ToolkitError, match="cannot be a count"):
        share_of(count, n)


def test_a_share_of_nobody_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="nobody was counted"):
        unpaired_difference(0, 0, 1, 4)


def test_an_impossible_table_is_refused() -> None:
    with pytest.raises(ToolkitError, match="holds -1 for 'yes_no'"):
        PairedCounts(yes_yes=1, yes_no=-1, no_yes=0, no_no=0)
    with pytest.raises(NotEnoughError, match="2 x 2 table is empty"):
        PairedCounts(yes_yes=0, yes_no=0, no_yes=0, no_no=0)


def test_wald_is_narrower_than_newcombe_for_few_pairs() -> None:
    counts = PairedCounts(yes_yes=1, yes_no=1, no_yes=3, no_no=5)
    wald, score = wald_paired_difference(counts), newcombe_paired_difference(counts)
    assert wald.value == score.value
    assert wald.se == pytest.approx(np.sqrt(4 - 4 / 10) / 10)


def test_cochran_s_q_with_two_readings_is_mcnemar_s() -> None:
    answers = np.array([[1, 0], [1, 0], [0, 1], [1, 1], [1, 0], [0, 0]])
    counts = PairedCounts(yes_yes=1, yes_no=3, no_yes=1, no_no=1)
    assert cochran_q(answers).statistic == pytest.approx(mcnemar_chi2(counts).statistic)


@pytest.mark.parametrize("wrong", [[[1, 2, 0], [0, 0, 1]], [[1], [0]], [["yes", "no"]]])
def test_cochran_s_q_refuses_what_is_not_yes_or_no(wrong: list[list[object]]) -> None:
    with pytest.raises(ToolkitError, match=r"0 \(no\)"):
        cochran_q(wrong)


def test_cochran_s_q_refuses_all_alike() -> None:
    with pytest.raises(NotEnoughError, match="All 2 persons gave the same answer"):
        cochran_q([[1, 1, 1], [0, 0, 0]])


def test_the_net_improvement_keeps_its_promise() -> None:
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        who = np.repeat(np.arange(25), rng.choice([1, 2, 5], 25))
        lean = rng.normal(0, 0.8, 25)[who]
        first, second = (lean + rng.normal(0, 1, len(who)) > 0.2), (lean + rng.normal(0, 1, len(who)) > -0.4)
        rows = _rows(first.astype(int).tolist(), second.astype(int).tolist()).assign(client=who)
        found = net_improvement(cluster_counts(complete_pairs(rows)), better="higher")
        spread = np.sqrt(1 + 0.64)
        truth = stats.norm.sf(-0.4 / spread) - stats.norm.sf(0.2 / spread)
        hits += found.ci_low <= truth <= found.ci_high
    assert stats.binomtest(hits, 400, 0.95, alternative="less").pvalue > 0.001


def test_the_sign_flip_statistic_points_to_the_better() -> None:
    rows = _rows([1, 1, 1, 0, 1, 1], [0, 0, 1, 0, 0, 0], "AABBCC")
    found = signs_change(rows, measure="heel_lift", better="lower")
    assert found.test.statistic == pytest.approx(found.difference.value) == pytest.approx(2 / 3)
