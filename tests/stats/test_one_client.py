"""One client: reliable change, non-overlap, run chart, schedules drawn by chance."""

from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.one_client import clinical_cutoffs, nonoverlap, reliable_change
from toolkit.stats.single_case_course import alternating_pairs_test, alternating_schedule_test, run_chart


def test_a_fall_is_a_reliable_improvement_where_lower_is_better() -> None:
    found = reliable_change(8, 2, sem=1.0, unit="points", better="lower")
    assert found.change == 6
    assert found.reliable
    assert "more than two readings' error" in found.sentence()


def test_a_change_within_error_is_not_called_reliable() -> None:
    found = reliable_change(30, 33, sem=2.0, unit="deg")
    assert not found.reliable
    assert "no more than" in found.sentence()


def test_cutoffs_turn_round_when_the_functional_mean_is_lower() -> None:
    found = clinical_cutoffs(mean_clinical=60, sd_clinical=10, mean_functional=40, sd_functional=5)
    assert (found.a, found.b) == (40, 50)
    assert found.c == pytest.approx((10 * 40 + 5 * 60) / 15)


@pytest.mark.parametrize("sem", [0.0, -1.0, np.nan])
def test_an_impossible_sem_is_refused(sem: float) -> None:
    with pytest.raises(ToolkitError, match="The SEM is"):
        reliable_change(30, 33, sem=sem, unit="deg")


def test_a_missing_reading_is_refused() -> None:
    with pytest.raises(ToolkitError, match="two readings is missing"):
        reliable_change(np.nan, 33, sem=1, unit="deg")


def test_non_overlap_is_the_mann_whitney_share_with_ties_half() -> None:
    a, b = [4, 3, 4, 3, 4, 7, 5, 2, 3, 2], [5, 9, 7, 9, 7, 5, 9, 11, 11, 10, 9]
    u = stats.mannwhitneyu(b, a).statistic
    assert nonoverlap(a, b).value == pytest.approx(u / (len(a) * len(b)))
    # Parker & Vannest (2009) print 0.96 for these readings (from memory)
    assert nonoverlap(a, b).value == pytest.approx(0.96, abs=0.005)


def test_non_overlap_mirrors_with_the_better_direction() -> None:
    a, b = [4, 3, 4, 3, 4], [5, 9, 3, 9, 7]
    up, down = nonoverlap(a, b), nonoverlap(a, b, better="lower")
    assert (up.value, up.ci_low, up.ci_high) == pytest.approx((1 - down.value, 1 - down.ci_high, 1 - down.ci_low))


def test_full_non_overlap_still_leaves_room_below_one() -> None:
    found = nonoverlap([1, 2, 3], [4, 5, 6])
    assert (found.value, found.ci_high) == (1.0, 1.0)
    assert found.ci_low < 0.75


def test_the_non_overlap_interval_keeps_its_promise() -> None:
    rng = np.random.default_rng(4)
    truth = stats.norm.cdf(0.9 / np.sqrt(2))
    found = [nonoverlap(rng.normal(0, 1, 10), rng.normal(0.9, 1, 10)) for _ in range(400)]
    hits = sum(each.ci_low <= truth <= each.ci_high for each in found)
    assert stats.binomtest(hits, 400, 0.95, alternative="less").pvalue > 0.001


def test_one_reading_in_a_phase_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="needs at least 2"):
        nonoverlap([1], [2, 3])


def test_run_chart_limits_are_shewhart_s() -> None:
    values = [10, 12, 11, 13, 12, 11]
    chart = run_chart(values, unit="deg")
    typical = np.abs(np.diff(values)).mean()
    assert chart.upper_limit - chart.centre == pytest.approx(3 * typical / 1.128, rel=2e-4)


def test_a_reading_beyond_the_limits_is_marked_and_told() -> None:
    chart = run_chart([30, 32, 31, 30, 33, 31, 45], unit="deg", n_baseline=6)
    assert chart.points["outside"].tolist() == [False] * 6 + [True]
    assert "1 lie(s) outside" in chart.sentence()


def test_eight_in_a_row_on_one_side_are_a_run_and_seven_are_not() -> None:
    base = [30, 32, 31, 29, 33, 30.5]
    assert run_chart([*base, *[32.5] * 8], unit="deg", n_baseline=6).points["in_long_run"].sum() == 8
    assert run_chart([*base, *[32.5] * 7], unit="deg", n_baseline=6).points["in_long_run"].sum() == 0


def test_a_reading_on_the_centre_neither_breaks_nor_lengthens_a_run() -> None:
    base = [30, 32, 31, 29, 34, 30]  # centre 31
    marked = run_chart([*base, *[32] * 4, 31, *[32] * 4], unit="deg", n_baseline=6).points["in_long_run"]
    assert marked.tolist() == [False] * 6 + [True] * 4 + [False] + [True] * 4


def test_identical_readings_give_no_limits() -> None:
    with pytest.raises(NotEnoughError, match="first 6 readings are all the same"):
        run_chart([30] * 6, unit="deg")


def test_four_readings_are_too_few_for_limits() -> None:
    with pytest.raises(NotEnoughError, match=r"4 reading\(s\) .* at least five"):
        run_chart([30, 31, 32, 33], unit="deg")


def test_a_thousand_readings_are_shown_quickly_and_whole() -> None:
    chart = run_chart(np.random.default_rng(1).normal(30, 2, 1000), unit="deg")
    assert len(chart.table()) == 1000


def test_the_pairs_test_is_the_sign_flip_of_the_pair_differences() -> None:
    found = alternating_pairs_test([33, 30, 31, 34, 35, 31, 30, 33], [1, 0, 0, 1, 1, 0, 0, 1])
    assert found.statistic == pytest.approx(3.25)
    assert found.p == pytest.approx(2 / 2**4)


def test_the_schedule_test_is_the_enumeration_of_all_schedules() -> None:
    values, treated = np.array([33.0, 30, 31, 34, 35, 31, 32]), np.array([1, 0, 0, 1, 1, 0, 0], dtype=bool)
    seen = values[treated].mean() - values[~treated].mean()
    every = []
    for chosen in combinations(range(7), 3):
        mask = np.isin(np.arange(7), chosen)
        every.append(abs(values[mask].mean() - values[~mask].mean()))
    assert alternating_schedule_test(values, treated).p == pytest.approx(np.mean(np.array(every) >= abs(seen) - 1e-9))


def test_the_run_rule_leaves_fewer_schedules() -> None:
    values, treated = [33, 30, 31, 34, 35, 31], [1, 0, 0, 1, 1, 0]
    free, ruled = (alternating_schedule_test(values, treated, longest_run=rule) for rule in (None, 2))
    assert (free.method, ruled.method) == ("exact: all 20 schedules", "exact: all 14 schedules")


def test_long_schedules_are_drawn_and_the_seed_repeats_them() -> None:
    rng = np.random.default_rng(3)
    treated = np.tile([1, 0], 12)
    values = rng.normal(30, 2, 24) + treated
    one, other = (alternating_schedule_test(values, treated, rng=9) for _ in range(2))
    assert one.p == other.p
    assert one.method == "9,999 random schedules"


@pytest.mark.parametrize(
    ("treated", "said"),
    [([1, 1, 0, 0], "not one of pairs"), ([1, 0, 2, 0], "1 \\(yes\\) or 0 \\(no\\)"), ([1, 0], "Say for each")],
)
def test_a_schedule_that_does_not_fit_is_refused(treated: list[int], said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        alternating_pairs_test([30, 31, 32, 33], treated)


def test_sessions_of_one_kind_only_are_refused() -> None:
    with pytest.raises(NotEnoughError, match="needs both kinds"):
        alternating_schedule_test([30, 31, 32], [1, 1, 1])


def test_a_schedule_that_breaks_its_own_rule_is_refused() -> None:
    with pytest.raises(ToolkitError, match="3 sessions of one kind in a row; 2 were allowed"):
        alternating_schedule_test([30, 31, 32, 33, 34], [1, 1, 1, 0, 0], longest_run=2)
