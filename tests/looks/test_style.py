"""Readable by everybody: contrast, shapes as well as colours, words that fit."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.looks import style


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it (W3C Recommendation, 'relative luminance')."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return sum(weight * value for weight, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_published_extreme():
    assert contrast("#ffffff", "#000000") == pytest.approx(21)  # WCAG 2.2: ratios range from 1 to 21


@pytest.mark.parametrize("paper", ["#ffffff", style.BAND])
@pytest.mark.parametrize("ink", [style.INK, style.QUIET])
def test_words_have_the_contrast_wcag_asks_of_text(ink, paper):
    assert contrast(ink, paper) >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("look", style.SERIES)
def test_lines_have_the_contrast_wcag_asks_of_graphics(look):
    assert contrast(look.colour, "#ffffff") >= 3  # WCAG 2.2, success criterion 1.4.11


@pytest.mark.parametrize(("one", "other"), list(combinations(style.SERIES, 2)))
def test_no_two_series_differ_by_colour_alone(one, other):
    assert one.marker != other.marker
    assert one.dash != other.dash


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=80), st.floats(1, 6))
def test_wrapping_keeps_every_word(words, width):
    assert "".join("".join(style.wrapped(words, width)).split()) == "".join(style.clean(words).split())
