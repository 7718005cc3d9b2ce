"""A printed p beside the one that its statistic gives."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import SheetError
from toolkit.replicating import check_p, p_from_statistic


def test_the_p_of_a_published_paired_t():
    # R's help page of t.test: t = -4.0621, df = 9, p-value = 0.002833
    assert p_from_statistic("t", -4.0621, df=9) == pytest.approx(0.002833, abs=5e-7)


def test_the_p_of_a_published_chi_squared():
    # R's help page of mcnemar.test: 17.356, df = 1, p-value = 3.099e-05
    assert p_from_statistic("chi2", 17.356, df=1) == pytest.approx(3.099e-05, abs=1e-8)


def test_the_p_of_a_correlation_is_that_of_scipy():
    rng = np.random.default_rng(5)
    x, y = rng.normal(size=(2, 12))
    found = stats.pearsonr(x, y)
    assert p_from_statistic("r", float(found.statistic), df=10) == pytest.approx(found.pvalue)


def test_an_f_with_one_numerator_df_is_a_squared_t():
    assert p_from_statistic("F", 2.2**2, df=1, df2=28) == pytest.approx(p_from_statistic("t", 2.2, df=28))


@given(st.floats(-6, 6), st.integers(3, 200))
def test_a_true_pair_is_always_consistent(t, df):
    p = 2 * stats.t.sf(abs(t), df)
    printed = f"{p:.3f}"
    check = check_p("t", f"{t:.2f}", printed_p="<0.001" if printed == "0.000" else printed, df=df)
    assert check.consistent or (printed == "0.000" and check.p_low >= 0.001)


@pytest.mark.parametrize(
    ("printed_p", "consistent", "one_sided", "crosses"),
    [
        (".04", True, False, False),
        (".02", False, True, False),
        (".06", False, False, True),
        ("<.05", True, True, False),
    ],
)
def test_what_a_wrong_p_could_be_is_said(printed_p, consistent, one_sided, crosses):
    check = check_p("t", "2.20", printed_p=printed_p, df=28)
    assert (check.consistent, check.one_sided_fits, check.crosses_alpha) == (consistent, one_sided, crosses)


def test_nothing_is_called_an_error():
    assert "not consistent with what is stated" in check_p("t", "2.20", printed_p=".01", df=28).sentence()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: check_p("t", "2.2", printed_p="0.00", df=9), 'p-value of "0.00" is impossible.*<0.001'),
        (lambda: check_p("t", "2.2", printed_p="1.2", df=9), 'p-value of "1.2" is impossible'),
        (lambda: check_p("t", "2.2", printed_p=".04"), "t needs its degrees of freedom"),
        (lambda: check_p("F", "2.2", printed_p=".04", df=1), "give df and df2"),
        (lambda: check_p("F", "-2.2", printed_p=".04", df=1, df2=9), "never negative"),
        (lambda: check_p("r", "1.2", printed_p=".04", df=9), "between -1 and 1"),
        (lambda: check_p("d", "1.2", printed_p=".04", df=9), '"d" is not a statistic.*t, F, chi2, z, r'),
        (lambda: check_p("t", ">1.2", printed_p=".04", df=9), "is a limit: the statistic itself is needed"),
    ],
)
def test_what_cannot_be_checked_says_why(call, says):
    with pytest.raises(SheetError, match=says):
        call()
