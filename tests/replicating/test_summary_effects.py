"""Effect sizes, SDs, correlations and group differences from printed summaries, against raw data and print."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, SheetError
from toolkit.replicating import (
    correlation_from_change_sd,
    effect_from_t,
    effects_for_unknown_correlation,
    group_effect_from_summary,
    paired_effects_from_summary,
    sd_from_interval,
    sd_from_se,
)


def _trial(seed: int = 11) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    before = rng.normal(50, 10, 60)
    group = np.repeat(["real", "control"], [35, 25])
    after = 10 + 0.7 * before + np.where(group == "real", 6, 0) + rng.normal(0, 8, 60)
    return pd.DataFrame({"group": group, "before": before, "after": after})


def test_sd_from_an_interval_a_handbook_example():
    # Cochrane Handbook, chapter 6: interval 30.0 to 34.2 of 25 people gives SD 5.09 (from memory)
    assert sd_from_interval(30.0, 34.2, n=25) == pytest.approx(5.09, abs=0.005)


def test_the_before_after_correlation_of_a_handbook_example():
    # Cochrane Handbook, chapter 6: SDs 6.4, 7.1 and 4.5 of the change give 0.78 (from memory)
    assert correlation_from_change_sd("6.4", "7.1", "4.5").r == pytest.approx(0.78, abs=0.005)


@given(st.floats(0.1, 100), st.integers(2, 500))
def test_sd_and_standard_error_go_back_and_forth(sd, n):
    assert sd_from_se(sd / np.sqrt(n), n=n) == pytest.approx(sd)


@given(st.floats(1, 50), st.integers(3, 80), st.sampled_from([0.9, 0.95, 0.99]))
def test_sd_and_interval_go_back_and_forth(sd, n, level):
    half = stats.t.ppf(0.5 + level / 2, n - 1) * sd / np.sqrt(n)
    assert sd_from_interval(3 - half, 3 + half, n=n, confidence_level=level) == pytest.approx(sd)


def test_an_impossible_set_of_sds_is_seen():
    assert not correlation_from_change_sd("10.0", "10.0", "25.0").possible


def test_the_true_correlation_lies_in_the_range_that_rounding_leaves():
    rows = _trial(14)
    change = rows["after"] - rows["before"]
    found = correlation_from_change_sd(*(f"{v.std():.1f}" for v in (rows["before"], rows["after"], change)))
    assert found.r_low <= rows["before"].corr(rows["after"]) <= found.r_high


def test_d_z_and_its_interval_of_the_sleep_trial():
    # computed with R 4.2.2 by inverting the noncentral t (open check values, sleep_dz and its limits)
    found = effect_from_t(-4.06212768338204, n=10)
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx((-1.284558, -2.118017, -0.414628), abs=2e-5)


def test_the_interval_of_d_z_keeps_its_promise():
    rng = np.random.default_rng(88)
    hits = 0
    for _ in range(300):
        changes = rng.normal(0.6, 1.0, 15)
        found = effect_from_t(float(stats.ttest_1samp(changes, 0).statistic), n=15)
        hits += found.ci_low < 0.6 < found.ci_high
    assert stats.binomtest(hits, 300, 0.95).pvalue > 0.01


def test_standardised_changes_of_a_published_example():
    # Lakens (2013): means 7.7 and 8.7, SDs 0.95 and 0.82, r 0.73: d_z 1.50, d_av 1.13 (recalled, agrees with R)
    found = paired_effects_from_summary(
        mean_before=7.7, mean_after=8.7, sd_before=0.948683298, sd_after=0.823272602, r=0.72554232, n=10
    )
    assert (found["d_z"].value, found["d_av"].value, found["d_rm"].value) == pytest.approx(
        (1.5, 1.128696, 1.111332), abs=1e-5
    )


def test_the_group_effect_agrees_with_another_library():
    import pingouin

    rows = _trial(15)
    one, two = (rows.loc[rows["group"] == name, "after"] for name in ("real", "control"))
    found = group_effect_from_summary(
        mean_1=one.mean(), mean_2=two.mean(), sd_1=one.std(), sd_2=two.std(), n_1=len(one), n_2=len(two)
    )
    assert found.value == pytest.approx(pingouin.compute_effsize(one, two, eftype="hedges"))


def test_swapping_groups_turns_the_effect_around():
    sizes = {"sd_1": 2.0, "sd_2": 3.0, "n_1": 12, "n_2": 19}
    swapped = {"sd_1": 3.0, "sd_2": 2.0, "n_1": 19, "n_2": 12}
    once = group_effect_from_summary(mean_1=5, mean_2=3, **sizes)
    again = group_effect_from_summary(mean_1=3, mean_2=5, **swapped)
    assert (once.value, once.ci_low) == pytest.approx((-again.value, -again.ci_high))


def test_a_stronger_correlation_means_a_larger_d_z():
    rows = effects_for_unknown_correlation(mean_change=5, sd_before=10, sd_after=11, n=20).rows
    assert rows["d_z"].is_monotonic_increasing
    assert rows["p"].is_monotonic_decreasing


def test_the_true_answer_lies_in_the_range_of_unknown_correlation():
    rows = _trial(16)
    test = stats.ttest_rel(rows["after"], rows["before"])
    span = effects_for_unknown_correlation(
        mean_change=(rows["after"] - rows["before"]).mean(),
        sd_before=rows["before"].std(),
        sd_after=rows["after"].std(),
        n=60,
    ).rows
    assert span["t"].min() <= test.statistic <= span["t"].max()


@pytest.mark.parametrize(
    ("call", "kind", "says"),
    [
        (lambda: sd_from_se(0.0, n=9), SheetError, "the standard error = 0.0 is impossible"),
        (lambda: sd_from_se(1.0, n=1), NotEnoughError, "n = 1: at least 2 people"),
        (lambda: sd_from_interval(4, 3, n=9), SheetError, "the interval's width = -1 is impossible"),
        (lambda: correlation_from_change_sd("1.0", "-1.0", "1.0"), SheetError, "the SD after = -1.0 is impossible"),
        (lambda: effect_from_t(2.0, n=1), NotEnoughError, "at least 2"),
        (
            lambda: effects_for_unknown_correlation(mean_change=1, sd_before=1, sd_after=1, n=9, r_low=0.9, r_high=0.2),
            SheetError,
            "give r_low < r_high",
        ),
        (
            lambda: paired_effects_from_summary(mean_before=1, mean_after=2, sd_before=1, sd_after=1, r=1.0, n=9),
            SheetError,
            "r = 1.0 is impossible",
        ),
    ],
)
def test_impossible_summaries_are_refused(call, kind, says):
    with pytest.raises(kind, match=says):
        call()
