"""Limits of agreement, proportional bias, concordance."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats.agreement import (
    limits_of_agreement,
    limits_of_agreement_repeated,
    limits_of_agreement_replicates,
    proportional_bias,
)
from toolkit.stats.intraclass import concordance


def two_methods(rng, n=30):
    true = rng.normal(35, 6, n)
    return true + rng.normal(1, 2, n), true + rng.normal(0, 2, n)


def test_the_exact_interval_is_that_of_a_normal_quantile():
    # Hahn & Meeker (1991) Statistical Intervals, table of one-sided tolerance factors: for n = 10 the one-sided 95 %
    # factor for 90 % of the population is 2.355, i.e. the upper 95 % limit of mean + 1.282 SD (from memory)
    values = stats.norm.ppf((np.arange(10) + 0.5) / 10)
    values = (values - values.mean()) / values.std(ddof=1)
    limits = limits_of_agreement(np.zeros(10), values, unit="deg", multiplier=1.2815516, confidence_level=0.90)
    assert limits.upper.ci_high == pytest.approx(2.355, abs=5e-4)


def test_the_exact_interval_reaches_further_out_than_in():
    limit = limits_of_agreement(*two_methods(np.random.default_rng(1), n=10), unit="deg").upper
    assert limit.ci_high - limit.value > 1.5 * (limit.value - limit.ci_low)


def test_the_approximate_interval_approaches_the_exact_one_with_many_people():
    agreement = limits_of_agreement(*two_methods(np.random.default_rng(2), n=3000), unit="deg")
    exact, rough = agreement.lower, agreement.lower_approximate
    assert (exact.ci_low, exact.ci_high) == pytest.approx((rough.ci_low, rough.ci_high), abs=0.01)


def test_swapping_the_methods_mirrors_the_limits():
    one, two = two_methods(np.random.default_rng(3))
    there, back = limits_of_agreement(one, two, unit="deg"), limits_of_agreement(two, one, unit="deg")
    assert (back.lower.ci_low, back.bias.value) == pytest.approx((-there.upper.ci_high, -there.bias.value))


def test_a_method_that_reads_larger_people_ten_percent_larger_has_a_slope_of_about_a_tenth():
    true = np.linspace(20, 60, 41)
    slope = proportional_bias(true, 1.1 * true)
    assert slope.value == pytest.approx(0.1 / 1.05, rel=1e-9)


def test_one_pair_a_person_gives_the_same_limits_either_way():
    one, two = two_methods(np.random.default_rng(4))
    plain = limits_of_agreement(one, two, unit="deg")
    repeated = limits_of_agreement_repeated(one, two, np.arange(30), unit="deg")
    assert (repeated.lower.value, repeated.upper.value) == pytest.approx((plain.lower.value, plain.upper.value))


def test_several_pairs_a_person_count_the_variance_between_people():
    # Bland & Altman (2007), true value varies: total variance = between + within components of a one-way ANOVA of the
    # differences; computed here from the mean squares by hand for two pairs a person
    rng = np.random.default_rng(5)
    person = np.repeat(np.arange(12), 2)
    difference = rng.normal(0, 2, 12)[person] + rng.normal(0, 1, 24)
    table = difference.reshape(12, 2)
    between, within = 2 * table.mean(axis=1).var(ddof=1), table.var(axis=1, ddof=1).mean()
    limits = limits_of_agreement_repeated(np.zeros(24), difference, person, unit="deg")
    assert limits.sd.value**2 == pytest.approx((between - within) / 2 + within)


def test_averaging_replicates_does_not_narrow_the_limits_of_single_readings():
    rng = np.random.default_rng(6)
    person, method = np.repeat(np.arange(200), 6), np.tile(np.repeat(["a", "b"], 3), 200)
    rows = pd.DataFrame({"person": person, "method": method, "value": rng.normal(35, 6, 200)[person]})
    rows["value"] += rng.normal(0, 2, len(rows))
    limits = limits_of_agreement_replicates(rows, unit="deg")
    assert limits.sd.value == pytest.approx(np.sqrt(8), rel=0.06)


def test_a_text_among_readings_is_named_by_position():
    with pytest.raises(SheetError, match=r"`second`: 1 of 3 values are not numbers, the first at position 2"):
        limits_of_agreement([1.0, 2, 3], [1.0, "2 or 3", 3], unit="deg")


def test_two_people_are_too_few_for_limits():
    with pytest.raises(NotEnoughError, match=r"2 people with both readings: at least 3 are needed"):
        limits_of_agreement([1.0, 2], [2.0, 4], unit="deg")


def test_differences_all_the_same_are_refused():
    with pytest.raises(NotEnoughError, match=r"All 3 differences are the same"):
        limits_of_agreement([1.0, 2, 3], [2.0, 3, 4], unit="deg")


def test_replicates_by_three_methods_are_refused():
    rows = pd.DataFrame({"person": [1, 1, 1], "method": list("abc"), "value": [1.0, 2, 3]})
    with pytest.raises(SheetError, match=r"exactly two methods; it holds 3"):
        limits_of_agreement_replicates(rows, unit="deg")


def test_concordance_falls_below_the_correlation_when_a_method_reads_higher():
    one, two = two_methods(np.random.default_rng(7))
    assert concordance(one + 5, two).value < concordance(one, two).value <= np.corrcoef(one, two)[0, 1]


def test_concordance_of_a_constant_method_is_refused():
    with pytest.raises(NotEnoughError, match=r"All `second` readings are the same"):
        concordance([1.0, 2, 3], [5.0, 5, 5])


def test_the_sentence_names_people_bias_and_limits():
    agreement = limits_of_agreement([30, 34, 41, 38], [32, 33, 42, 41], unit="deg")
    assert "4 pairs of 4 people" in agreement.sentence()
    assert len(agreement.table()) == 9
