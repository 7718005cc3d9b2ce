"""TOST against other libraries; adjusted p values in order and honest about what they are given."""

import numpy as np
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.multiplicity import METHODS, adjusted_p
from toolkit.stats.equivalence_tests import (
    Group,
    paired_equivalence,
    paired_equivalence_from_summary,
    sd_of_difference,
    welch_equivalence,
)

BOUNDS = {"lower_bound": -2.0, "upper_bound": 2.0, "unit": "deg"}


def test_paired_tost_is_statsmodels() -> None:
    from statsmodels.stats.weightstats import ttost_paired

    rng = np.random.default_rng(1)
    x, y = rng.normal(30, 3, 18), rng.normal(30.5, 3, 18)
    p, lower, upper = ttost_paired(x, y, -2, 2)
    found = paired_equivalence(x - y, **BOUNDS)
    assert (found.p, found.p_lower, found.p_upper) == pytest.approx((p, lower[1], upper[1]))


def test_welch_tost_is_statsmodels_with_unequal_variances() -> None:
    from statsmodels.stats.weightstats import ttost_ind

    rng = np.random.default_rng(2)
    x, y = rng.normal(30, 2, 15), rng.normal(30.5, 4, 22)
    found = welch_equivalence(x, y, **BOUNDS)
    assert found.p == pytest.approx(ttost_ind(x, y, -2, 2, usevar="unequal")[0])


def test_data_and_its_summary_give_the_same_answer() -> None:
    d = np.random.default_rng(3).normal(0.3, 2, 25)
    one = paired_equivalence(d, **BOUNDS)
    two = paired_equivalence_from_summary(mean_difference=d.mean(), sd_difference=d.std(ddof=1), n=25, **BOUNDS)
    assert (one.p, one.difference.ci_low) == pytest.approx((two.p, two.difference.ci_low))


def test_equivalent_at_alpha_exactly_when_the_ninety_percent_interval_lies_inside() -> None:
    rng = np.random.default_rng(4)
    for _ in range(50):
        found = paired_equivalence(rng.normal(0.8, 2, 12), **BOUNDS)
        inside = found.difference.ci_low >= -2 and found.difference.ci_high <= 2
        assert found.equivalent == inside


def test_not_equivalent_is_not_called_different() -> None:
    said = paired_equivalence(np.random.default_rng(4).normal(2, 2, 8), **BOUNDS).sentence()
    assert "does not mean that it lies outside" in said


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"lower_bound": 2.0, "upper_bound": -2.0}, "wrong order"),
        ({"alpha": 5.0}, "write it as a share"),
    ],
)
def test_bounds_and_alpha_are_checked(more: dict[str, float], said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        paired_equivalence([1.0, 2.0, 3.0], **{**BOUNDS, **more})


def test_a_group_without_variation_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="All 3 values of the second group are the same"):
        welch_equivalence([1, 2, 3], [2, 2, 2], **BOUNDS)


def test_an_impossible_summary_is_refused() -> None:
    with pytest.raises(ToolkitError, match="must be above 0"):
        Group(mean=1, sd=0, n=5)
    with pytest.raises(NotEnoughError, match="A group of 1"):
        Group(mean=1, sd=1, n=1)
    with pytest.raises(ToolkitError, match="between -1 and 1"):
        sd_of_difference(1, 1, r=1.2)


@pytest.mark.parametrize("method", METHODS)
def test_adjusting_keeps_the_order_given_and_never_lowers_a_p(method: str) -> None:
    p = [0.04, 0.001, 0.3, 0.02]
    found = adjusted_p(p, method=method)
    assert found["p"].tolist() == p
    assert (found["p_adjusted"] >= found["p"] - 1e-12).all()


def test_one_test_needs_no_adjustment() -> None:
    assert all(adjusted_p([0.03], method=method)["p_adjusted"].tolist() == [0.03] for method in METHODS)


@pytest.mark.parametrize(
    ("p", "method", "said"),
    [
        ([0.1, np.nan], "holm", "missing or outside 0 to 1"),
        ([1.2], "holm", "missing or outside 0 to 1"),
        ([0.1], "tukey", "no adjustment 'tukey'. Choose one of: holm, hochberg, bonferroni, bh, by"),
    ],
)
def test_what_cannot_be_adjusted_is_refused(p: list[float], method: str, said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        adjusted_p(p, method=method)


def test_nothing_to_adjust_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="No p value"):
        adjusted_p([])
