"""Two groups, several groups, normality, the spread: R's values (R 4.2.2, commands beside them) and what is refused."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.resources import dataset_file
from toolkit.stats.group_means import group_contrasts
from toolkit.stats.proportions import PairedCounts, newcombe_paired_difference, newcombe_paired_difference_8
from toolkit.stats.repeated_readings import friedman, kendall_w, repeated_anova, repeated_anova_plain
from toolkit.stats.spread import normal_scores, pitman_morgan, sd_of_change, shapiro_wilk
from toolkit.stats.two_group_tests import mann_whitney, student_t, welch_t

# datasets::sleep of R (Student 1908)
FIRST = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SECOND = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
# Hollander & Wolfe (1973) p. 69f, as in the example of ?wilcox.test of R
AT_TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLY = [1.15, 0.88, 0.90, 0.74, 1.21]
# datasets::PlantGrowth of R
WEIGHTS = [
    4.17, 5.58, 5.18, 6.11, 4.5, 4.61, 5.17, 4.53, 5.33, 5.14, 4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32,
    4.69, 6.31, 5.12, 5.54, 5.5, 5.37, 5.29, 4.92, 6.15, 5.8, 5.26,
]  # fmt: skip
PLANTS = pd.DataFrame({"weight": WEIGHTS, "group": np.repeat(["ctrl", "trt1", "trt2"], 10)})
# three ways of rounding first base, 22 players: Hollander & Wolfe (1973) p. 140, as in ?friedman.test of R
ROUNDING = [
    [5.40, 5.50, 5.55], [5.85, 5.70, 5.75], [5.20, 5.60, 5.50], [5.55, 5.50, 5.40], [5.90, 5.85, 5.70],
    [5.45, 5.55, 5.60], [5.40, 5.40, 5.35], [5.45, 5.50, 5.35], [5.25, 5.15, 5.00], [5.85, 5.80, 5.70],
    [5.25, 5.20, 5.10], [5.65, 5.55, 5.45], [5.60, 5.35, 5.45], [5.05, 5.00, 4.95], [5.50, 5.50, 5.40],
    [5.45, 5.55, 5.50], [5.55, 5.55, 5.35], [5.45, 5.50, 5.55], [5.50, 5.45, 5.25], [5.65, 5.60, 5.40],
    [5.70, 5.65, 5.55], [6.30, 6.30, 6.25],
]  # fmt: skip
PLAYERS = pd.DataFrame(
    {"player": np.repeat(np.arange(22), 3), "way": np.tile(["out", "narrow", "wide"], 22), "s": np.ravel(ROUNDING)}
)
BY = {"person": "player", "reading": "way", "value": "s"}


def test_welch_is_that_of_r():  # t.test(second, first)
    found = welch_t(FIRST, SECOND)
    assert (found.test.statistic, found.test.df, found.test.p) == pytest.approx((1.8608135, 17.776474, 0.07939414))
    assert (found.difference.ci_low, found.difference.ci_high) == pytest.approx((-0.2054832307, 3.3654832307))


def test_student_is_that_of_r():  # t.test(second, first, var.equal = TRUE)
    assert student_t(FIRST, SECOND).test.p == pytest.approx(0.07918671422)


def test_the_groups_the_other_way_round_turn_the_sign_and_nothing_else():
    one, other = welch_t(FIRST, SECOND), welch_t(SECOND, FIRST)
    assert (one.test.statistic, one.test.p) == pytest.approx((-other.test.statistic, other.test.p))
    assert one.difference.ci_low == pytest.approx(-other.difference.ci_high)


def test_mann_whitney_is_that_of_r():  # wilcox.test(AT_TERM, EARLY, conf.int = TRUE); W = 35
    found = mann_whitney(EARLY, AT_TERM)
    assert (found.test.statistic, found.test.p) == pytest.approx((35, 0.2544123), abs=1e-7)
    shift = found.difference
    assert (shift.value, shift.ci_low, shift.ci_high) == pytest.approx((0.305, -0.15, 0.76))


def test_mann_whitney_by_the_normal_approximation_is_that_of_r():
    # wilcox.test(second, first, exact = FALSE): W = 74.5, p = 0.06932758 ; correct = FALSE: 0.06408
    found = mann_whitney(FIRST, SECOND, p_from="normal")
    assert (found.test.statistic, found.test.p) == pytest.approx((74.5, 0.06932758), abs=1e-7)


def test_the_exact_p_with_ties_is_that_of_r():  # wilcox.exact(second, first) of exactRankTests
    assert mann_whitney(FIRST, SECOND, p_from="exact").test.p == pytest.approx(0.0658165364048, abs=1e-10)


def test_one_sided_p_is_half_where_the_difference_points_that_way():
    assert welch_t(FIRST, SECOND, alternative="greater").test.p == pytest.approx(0.07939414 / 2)


def test_two_groups_that_do_not_vary_are_refused():
    with pytest.raises(NotEnoughError, match="no variation"):
        welch_t([1, 1], [1, 1])


def test_too_many_splits_are_refused_with_what_to_do():
    with pytest.raises(NotEnoughError, match="Take the normal approximation"):
        mann_whitney([1, 2] * 100, [1, 3] * 100, p_from="exact")


TUKEY = {  # TukeyHSD(aov(weight ~ group, PlantGrowth))
    "trt1-ctrl": (-0.371, -1.0622161, 0.3202161, 0.3908711),
    "trt2-ctrl": (0.494, -0.1972161, 1.1852161, 0.1979960),
    "trt2-trt1": (0.865, 0.1737839, 1.5562161, 0.0120064),
}


def test_tukey_is_that_of_r():
    rows = group_contrasts(PLANTS, value="weight", group="group")
    got = rows[["estimate", "ci_low", "ci_high", "p_adjusted"]].to_numpy()
    assert got == pytest.approx(np.array(list(TUKEY.values())), abs=2e-7)


def test_holm_is_that_of_r():  # pairwise.t.test(PlantGrowth$weight, PlantGrowth$group)
    rows = group_contrasts(PLANTS, value="weight", group="group", adjustment="holm")
    assert rows["p_adjusted"].to_numpy() == pytest.approx([0.19438788, 0.17536335, 0.013377708], abs=1e-8)


def test_dunnett_is_that_of_r():  # glht(aov(weight ~ group, PlantGrowth), mcp(group = "Dunnett")) of multcomp
    rows = group_contrasts(PLANTS, value="weight", group="group", adjustment="dunnett", against="ctrl")
    assert rows["p_adjusted"].to_numpy() == pytest.approx([0.32270, 0.15349], abs=2e-5)
    # multcomp integrates by quasi-random points, good to about 1e-4
    assert rows.loc[0, ["ci_low", "ci_high"]].tolist() == pytest.approx([-1.0215476, 0.2795476], abs=1e-4)


def test_a_correction_never_makes_p_smaller():
    plain = group_contrasts(PLANTS, value="weight", group="group", adjustment="none")["p"]
    for adjustment in ("tukey", "holm", "bonferroni"):
        rows = group_contrasts(PLANTS, value="weight", group="group", adjustment=adjustment)
        assert (rows["p_adjusted"] >= plain - 1e-12).all()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"adjustment": "scheffe"}, "no correction known"),
        ({"against": "nobody"}, "is no group"),
        ({"adjustment": "dunnett"}, "say which"),
    ],
)
def test_contrasts_that_cannot_be_are_refused(more, says):
    with pytest.raises(ToolkitError, match=says):
        group_contrasts(PLANTS, value="weight", group="group", **more)


def test_shapiro_wilk_is_that_of_the_article_and_of_r():
    # Shapiro & Wilk (1965), weights of 11 men: W = 0.79; shapiro.test: p = 0.006703814
    found = shapiro_wilk([148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236])
    assert (found.statistic, found.p) == pytest.approx((0.78881469, 0.006703814), abs=1e-6)


def test_shapiro_wilk_refuses_what_does_not_vary():
    with pytest.raises(NotEnoughError, match="no shape"):
        shapiro_wilk([2, 2, 2, 2])


def test_normal_scores_are_symmetric_and_keep_every_value():
    rows = normal_scores(FIRST)
    assert rows["expected"].to_numpy() == pytest.approx(-rows["expected"].to_numpy()[::-1])
    assert rows["value"].tolist() == sorted(FIRST)


def test_friedman_and_kendall_w_are_those_of_r():  # friedman.test(RoundingTimes); W = chi-squared / (22 * 2)
    assert friedman(PLAYERS, **BY).p == pytest.approx(0.003805040776)
    assert kendall_w(PLAYERS, **BY) == pytest.approx(0.2532467532)


def test_the_plain_repeated_anova_is_that_of_r():  # summary(aov(s ~ way + Error(player / way)))
    found = repeated_anova_plain(PLAYERS, **BY)
    assert (found.statistic, found.p) == pytest.approx((6.28831, 0.0040841), abs=1e-5)
    assert repeated_anova(PLAYERS, **BY).statistic == found.statistic
    assert repeated_anova(PLAYERS, **BY).p > found.p


def test_the_plain_repeated_anova_refuses_people_who_all_change_alike():
    rows = PLAYERS.assign(s=PLAYERS["player"] + PLAYERS["way"].map({"out": 0.0, "narrow": 1.0, "wide": 2.0}))
    with pytest.raises(NotEnoughError, match="exactly the same way"):
        repeated_anova_plain(rows, **BY)


def test_pitman_morgan_is_that_of_r():  # cor.test(large + mini, mini - large) on Bland & Altman's first readings
    meters = pd.read_csv(dataset_file("open/data/peak_flow_bland_altman_1986.csv"))
    found = pitman_morgan(meters["large_meter_1"], meters["mini_meter_1"])
    assert (found.statistic, found.df, found.p) == pytest.approx((-0.3252308502, 15, 0.7494985336))


def test_pitman_morgan_refuses_pairs_that_differ_by_a_constant():
    with pytest.raises(NotEnoughError, match="one constant"):
        pitman_morgan([1, 2, 3], [2, 3, 4])


def test_sd_of_change_and_its_interval_are_those_of_r():
    # d <- second - first; sd(d); sd(d) * sqrt(9 / qchisq(c(.975, .025), 9))
    found = sd_of_change(np.subtract(SECOND, FIRST))
    assert (found.value, found.ci_low, found.ci_high) == pytest.approx(
        (1.2299954833, 0.8460341975, 2.2454922787), abs=1e-9
    )


def test_sd_of_change_refuses_changes_that_are_all_the_same():
    with pytest.raises(NotEnoughError, match="All changes are the same"):
        sd_of_change([2, 2, 2])


def test_newcombe_8_is_the_formula_worked_in_r():
    # method 8 of Newcombe (1998) written out in R: Wilson limits, phi as it is; first minus second there
    found = newcombe_paired_difference_8(PairedCounts(yes_yes=20, yes_no=12, no_yes=2, no_no=16))
    assert (-found.ci_high, -found.ci_low) == pytest.approx((0.06180475823, 0.32416229314), abs=1e-9)


def test_newcombe_8_and_10_are_alike_where_the_answers_are_uncorrelated():
    even = PairedCounts(yes_yes=4, yes_no=6, no_yes=6, no_no=9)
    assert newcombe_paired_difference_8(even).ci_low == newcombe_paired_difference(even).ci_low
