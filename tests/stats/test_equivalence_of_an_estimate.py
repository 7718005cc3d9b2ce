"""Two one-sided tests against scipy's, and the limits of what may be said."""

import numpy as np
import pytest
from scipy import stats

from toolkit.errors import NotEnoughError, QuestionError
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.result import Estimate
from toolkit.stats.equivalence_tests import equivalence_of, paired_equivalence


def difference():
    values = np.random.default_rng(4).normal(0.4, 2.0, 25)
    return values, fit_mixed_arrays(values, np.ones((25, 1)), ["A - B"], {}, unit="deg").contrast("A - B")


def test_both_one_sided_p_values_agree_with_scipy():
    values, estimate = difference()
    test = equivalence_of(estimate, smallest_change_that_matters=1.5)
    assert test.p_lower == pytest.approx(stats.ttest_1samp(values, -1.5, alternative="greater").pvalue, rel=1e-8)
    assert test.p_upper == pytest.approx(stats.ttest_1samp(values, 1.5, alternative="less").pvalue, rel=1e-8)


def test_the_interval_inside_the_limits_says_the_same_as_the_tests():
    _, estimate = difference()
    for limit in np.linspace(0.2, 3, 15):
        test = equivalence_of(estimate, smallest_change_that_matters=limit)
        assert test.equivalent == (-limit < test.difference.ci_low and test.difference.ci_high < limit)


def test_not_equivalent_is_never_said_to_be_different():
    _, estimate = difference()
    said = equivalence_of(estimate, smallest_change_that_matters=0.1).sentence()
    assert "cannot be said to lie within the bounds (which does not mean that it lies outside)" in said


def test_an_estimate_and_the_differences_it_came_from_are_judged_alike():
    values, estimate = difference()
    one = equivalence_of(estimate, smallest_change_that_matters=1.5)
    other = paired_equivalence(values, lower_bound=-1.5, upper_bound=1.5, unit="deg")
    assert (one.p, one.difference.ci_low) == pytest.approx((other.p, other.difference.ci_low), rel=1e-8)


def test_a_p_of_just_alpha_is_equivalent_wherever_it_comes_from():
    values, estimate = difference()
    p = equivalence_of(estimate, smallest_change_that_matters=1.5).p
    assert equivalence_of(estimate, smallest_change_that_matters=1.5, alpha=p).equivalent
    exact = paired_equivalence(values, lower_bound=-1.5, upper_bound=1.5, unit="deg").p
    assert paired_equivalence(values, lower_bound=-1.5, upper_bound=1.5, unit="deg", alpha=exact).equivalent


def test_a_limit_of_zero_is_refused():
    with pytest.raises(QuestionError, match="must be above zero"):
        equivalence_of(difference()[1], smallest_change_that_matters=0.0)


def test_an_estimate_without_standard_error_is_refused():
    bare = Estimate(name="A - B", value=1.0, ci_low=0.0, ci_high=2.0, unit="deg", n=3, method="none")
    with pytest.raises(NotEnoughError, match="A - B has no standard error"):
        equivalence_of(bare, smallest_change_that_matters=1.0)
