"""Numbers and codes as a reader meets them."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.claim import rule as claim
from toolkit.looks import words

missing = pytest.mark.parametrize("value", [None, math.nan, np.nan, pd.NA, pd.NaT])


@missing
def test_a_missing_number_is_a_plain_word(value):
    assert words.with_interval(value, value, value, "deg") == "not estimated"


@missing
def test_a_missing_p_is_a_plain_word(value):
    assert words.p_words(value) == "not available"


def test_an_estimate_without_interval_says_so():
    assert words.with_interval(5.0, None, None, "deg", signed=False) == "5° (no interval)"


def test_an_endless_interval_is_told_in_words():
    assert words.with_interval(1.2, -math.inf, 2.4, "deg") == "+1.2° (95 % interval no limit to +2.4°)"


def test_shares_of_a_sign_are_shown_in_percentage_points():
    assert words.with_interval(0.17, -0.21, 0.54, "yes_no") == (
        "+17 percentage points (95 % interval −21 to +54 percentage points)"
    )


def test_another_confidence_level_is_named():
    assert "(97.5 % interval" in words.with_interval(1.0, 0.5, 1.5, "cm", level=0.975)


def test_a_tiny_p_is_never_zero():
    assert words.p_words(1e-30) == "p < 0.001"


def test_rounding_to_zero_loses_its_sign():
    assert words.number(-0.0001, decimals=1, signed=True) == "0.0"


def test_every_level_of_the_claim_rule_has_words():
    assert set(words.LEVEL_WORDS) == set(claim.LEVELS)


def test_one_client_is_singular():
    assert words.counted(1, "client") == "1 client"


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(["deg", "cm", "yes_no", "percent"]))
def test_no_nan_or_inf_ever_reaches_a_reader(value, unit):
    shown = words.with_interval(value, value, value, unit)
    assert "nan" not in shown
    assert "inf" not in shown


@given(st.text())
def test_control_characters_never_reach_a_page(text):
    assert all(letter.isprintable() for letter in words.clean(text))
