"""The door's further methods: normality, spread, several groups, error in percent; by groups, and refused."""

import numpy as np
import pandas as pd
import pytest

from toolkit import stats
from toolkit.errors import NotEnoughError, SheetError, ToolkitError
from toolkit.resources import dataset_file


def _sleep():
    rows = pd.read_csv(dataset_file("open/data/sleep_student_1908.csv"))
    return rows.rename(columns={"subject": "client", "extra_hours_drug1": "before", "extra_hours_drug2": "after"})


def test_normality_of_the_changes_is_that_of_r():  # shapiro.test(sleep$extra[11:20] - sleep$extra[1:10])
    row = stats.normality(_sleep()).row("normality of the changes")
    assert (row["statistic"], row["p"], row["n_clients"]) == pytest.approx((0.82987133, 0.03334161, 10), abs=1e-6)


def test_normality_does_not_depend_on_the_direction():
    one, other = (stats.normality(_sleep(), better=better).frame["statistic"].iloc[0] for better in ("higher", "lower"))
    assert one == pytest.approx(other)


def test_the_qq_figure_holds_every_client():
    assert stats.qq_figure([1, 2, 4, 3], unit="deg").axes[0].get_ylabel() == "Change (deg)"
    figure = stats.normality(_sleep()).plot()
    assert len(figure.axes[0].lines[1].get_xdata()) == 10


def test_a_group_too_small_keeps_its_row_with_the_reason():
    rows = _sleep().assign(half=["a"] * 8 + ["b"] * 2)
    frame = stats.normality(rows, by="half").frame
    assert frame["statistic"].notna().tolist() == [True, False]


def test_spread_gives_the_sd_of_the_changes_and_pitman_morgan():
    # sd(d) = 1.2299955; cor.test(after + before, after - before): t = 0.5263626751, df = 8 (R 4.2.2)
    found = stats.spread_of_change(_sleep(), unit="h")
    assert float(found) == pytest.approx(1.2299954833)
    second = found.frame.iloc[1]
    assert (second["statistic"], second["df"], second["p"]) == pytest.approx((0.5263626751, 8, 0.6129128775), abs=1e-8)


def test_contrasts_of_groups_are_those_of_tukey_in_r():
    plants = pd.read_csv(dataset_file("open/data/pain_threshold_mcclave_dietrich_1991.csv"))
    rows = plants.assign(before=0.0, after=plants["pain_threshold"], client=plants["person"])
    row = stats.group_contrasts(rows, group="hair").row("light_blond minus dark_brunette")
    # TukeyHSD(aov(pain_threshold ~ hair)): 21.8, p = 0.0037079 (R 4.2.2)
    assert (row["estimate"], row["p_adjusted"]) == pytest.approx((21.8, 0.0037079), abs=1e-6)


def test_better_lower_turns_the_contrasts():
    rows = pd.DataFrame({"way": list("aabbcc"), "before": [0.0] * 6, "after": [1.0, 2, 4, 5, 4, 6]})
    up, down = (
        stats.group_contrasts(rows, group="way", client=None, better=better).frame["estimate"]
        for better in ("higher", "lower")
    )
    assert up.to_numpy() == pytest.approx(-down.to_numpy())


def test_a_client_in_two_groups_is_refused():
    rows = pd.DataFrame({"client": [1, 1, 2], "way": ["a", "b", "b"], "before": [1, 2, 3], "after": [2, 3, 5]})
    with pytest.raises(ToolkitError, match="stand in several groups"):
        stats.group_contrasts(rows, group="way")


def test_percent_error_is_that_of_an_anova_on_logs_in_r():  # as tests/stats/test_within_cv.py
    meters = pd.read_csv(dataset_file("open/data/peak_flow_bland_altman_1986.csv"))
    found = stats.percent_error(meters, first="mini_meter_1", second="mini_meter_2", client="subject")
    assert float(found) == pytest.approx(5.213101183)


def test_percent_error_refuses_readings_that_have_no_log():
    with pytest.raises(SheetError, match="above 0"):
        stats.percent_error(pd.DataFrame({"before": [0.0, 1], "before_2": [1.0, 2]}), client=None)


def test_readings_that_are_all_the_same_are_refused():
    with pytest.raises(NotEnoughError):
        stats.spread_of_change(pd.DataFrame({"before": np.ones(5), "after": np.ones(5)}), client=None)
