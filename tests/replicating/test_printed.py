"""What a printed figure stands for: its value, its last digit, and the numbers that round to it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.errors import SheetError
from toolkit.replicating import read_printed


@pytest.mark.parametrize(
    ("text", "value", "last_digit"),
    [
        ("-4.06", -4.06, 0.01),
        ("−4.060", -4.06, 0.001),
        (".17", 0.17, 0.01),
        ("4.115e-05", 4.115e-05, 1e-8),
        ("21", 21, 1),
    ],
)
def test_value_and_last_digit_are_read(text, value, last_digit):
    printed = read_printed(text)
    assert (printed.value, printed.last_digit) == pytest.approx((value, last_digit))


@given(st.floats(-1e6, 1e6), st.integers(0, 6))
def test_every_number_holds_its_own_rounding(number, decimals):
    assert read_printed(f"{number:.{decimals}f}").holds(number)


@given(st.floats(-1e4, 1e4), st.integers(1, 4))
def test_a_number_more_than_one_digit_away_does_not_hold(number, decimals):
    printed = read_printed(f"{number:.{decimals}f}")
    assert not printed.holds(printed.value + 1.01 * printed.last_digit)


def test_a_half_rounds_either_way():
    assert read_printed("0.12").holds(0.125)
    assert read_printed("0.13").holds(0.125)


@pytest.mark.parametrize(("text", "inside", "outside"), [("<0.001", 0.0004, 0.002), ("> .05", 0.2, 0.01)])
def test_a_printed_limit_holds_what_lies_beyond_it(text, inside, outside):
    assert read_printed(text).holds(inside)
    assert not read_printed(text).holds(outside)


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("4,06", "write the decimal point, no thousands separator"),
        ("4.06 deg", "write the number alone"),
        ("", "not one"),
    ],
)
def test_what_is_not_one_number_is_refused(text, remedy):
    with pytest.raises(SheetError, match=remedy):
        read_printed(text)
