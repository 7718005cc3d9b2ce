"""Adjusted comparison of two groups, three or more readings, controlled effect sizes: against other libraries."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.group_difference import GroupSummary, baseline_adjusted, baseline_adjusted_from_summary
from toolkit.stats.group_means import BeforeAfter, controlled_change
from toolkit.stats.repeated_readings import friedman, greenhouse_geisser, repeated_anova

ANCOVA = {"outcome": "after", "baseline": "before", "group": "arm", "reference": "wait", "unit": "deg"}


def _trial(seed: int, n: int = 14) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    arm = np.repeat(["wait", "technique"], n)
    before = rng.normal(30, 5, 2 * n)
    after = 8 + 0.7 * before + 3 * (arm == "technique") + rng.normal(0, 3, 2 * n)
    return pd.DataFrame({"arm": arm, "before": before, "after": after})


def _readings(seed: int, n: int = 9) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    wide = rng.normal(30, 4, (n, 1)) + np.array([0, 1, 2, 2]) + rng.normal(0, [1, 1, 2, 3], (n, 4))
    return pd.DataFrame({"who": np.repeat(range(n), 4), "week": np.tile(range(4), n), "deg": wide.ravel()})


def test_ancova_from_rows_is_statsmodels_least_squares() -> None:
    from statsmodels.formula.api import ols

    data = _trial(1)
    fit = ols("after ~ before + C(arm, Treatment('wait'))", data).fit()
    found = baseline_adjusted(data, **ANCOVA)
    name = "C(arm, Treatment('wait'))[T.technique]"
    assert (found.difference.value, found.difference.se, found.difference.p) == pytest.approx(
        (fit.params[name], fit.bse[name], fit.pvalues[name])
    )


def test_ancova_from_a_table_is_ancova_from_its_rows() -> None:
    data = _trial(2)

    def printed(arm: str) -> GroupSummary:
        rows = data[data["arm"] == arm]
        change = rows["after"] - rows["before"]
        return GroupSummary(
            n=len(rows),
            mean_before=rows["before"].mean(),
            sd_before=rows["before"].std(),
            mean_after=rows["after"].mean(),
            sd_after=rows["after"].std(),
            mean_change=change.mean(),
            sd_change=change.std(),
        )

    one = baseline_adjusted(data, **ANCOVA)
    two = baseline_adjusted_from_summary(printed("technique"), printed("wait"), unit="deg")
    assert (one.difference.value, one.difference.se, one.slope) == pytest.approx(
        (two.difference.value, two.difference.se, two.slope)
    )


def test_incomplete_people_are_counted() -> None:
    data = _trial(3)
    data.loc[[0, 20], "after"] = np.nan
    found = baseline_adjusted(data, **ANCOVA)
    assert (found.n_used, found.n_missing) == (26, 2)
    assert len(found.table()) == 3


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"arm": "wait"}, r"'arm' holds 1 group\(s\)"),
        ({"arm": ["wait", "a", "b", "c"] * 7}, r"holds 4 group\(s\)"),
        ({"after": "late"}, "'after' holds something that is not a number"),
    ],
)
def test_groups_and_numbers_are_checked(change: dict[str, object], said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        baseline_adjusted(_trial(4).assign(**change), **ANCOVA)


def test_a_baseline_that_never_varies_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="cannot tell baseline and group apart"):
        baseline_adjusted(_trial(4).assign(before=30.0), **ANCOVA)


def test_contradictory_printed_sds_are_refused() -> None:
    group = GroupSummary(n=10, mean_before=1, sd_before=5, mean_after=2, sd_after=5, mean_change=1, sd_change=1e-9)
    with pytest.raises(ToolkitError, match="contradict each other"):
        baseline_adjusted_from_summary(group, group, unit="deg")


@pytest.mark.filterwarnings("ignore")  # pandas 3.1 deprecations inside pingouin 0.7
def test_repeated_anova_is_pingouin_s() -> None:
    import pingouin

    data = _readings(5)
    theirs = pingouin.rm_anova(data, dv="deg", within="week", subject="who", correction=True).iloc[0]
    found = repeated_anova(data, person="who", reading="week", value="deg")
    assert found.statistic == pytest.approx(theirs["F"])
    assert found.p == pytest.approx(theirs["p_GG_corr"])
    assert greenhouse_geisser(data, person="who", reading="week", value="deg") == pytest.approx(theirs["eps"])


def test_an_incomplete_person_is_left_out_of_friedman() -> None:
    data = _readings(6)
    assert friedman(data.drop(index=[3]), person="who", reading="week", value="deg").n == 8


def test_two_readings_belong_to_the_paired_change() -> None:
    data = _readings(6)[lambda frame: frame["week"] < 2]
    with pytest.raises(NotEnoughError, match="For two readings use the paired change"):
        friedman(data, person="who", reading="week", value="deg")


def test_identical_readings_are_refused() -> None:
    with pytest.raises(NotEnoughError, match="All 9 persons read the same throughout"):
        friedman(_readings(6).assign(deg=30), person="who", reading="week", value="deg")


def test_people_who_all_change_alike_leave_nothing_to_test_against() -> None:
    data = _readings(6)
    data["deg"] = 30.0 + data["week"]
    with pytest.raises(NotEnoughError, match="exactly the same way"):
        repeated_anova(data, person="who", reading="week", value="deg")


def test_the_controlled_change_interval_holds_the_estimate() -> None:
    one = BeforeAfter(n=20, mean_before=30, mean_after=36, sd_before=5)
    two = BeforeAfter(n=20, mean_before=30, mean_after=31, sd_before=5)
    found = controlled_change(one, two, r=0.6)
    assert found.ci_low < found.value < found.ci_high
    with pytest.raises(ToolkitError, match="between -1 and 1"):
        controlled_change(one, two, r=2)
