"""Numbers as people type them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.records import values
from toolkit.records.lexicon import words_of_language
from toolkit.records.texts import from_texts
from toolkit.records.values import MARKS, Numbers, decimal_sign, read_numbers, taken_cells, yes_or_no


def read(*texts: str, decimal: str = "", missing: tuple[str, ...] = ()) -> Numbers:
    return read_numbers(pd.Series(from_texts(texts)), decimal=decimal, missing=missing)


def reason_of(*texts: str, decimal: str = "") -> str:
    """The reason given for the first text."""
    numbers = read(*texts, decimal=decimal)
    return numbers.reasons[numbers.problem[0]][0]


@pytest.mark.parametrize("text", ["", "n/a", "N/A", "-", ".", "–", "not taken", " "])
def test_a_word_for_nothing_is_no_reading(text: str) -> None:
    numbers = read(text)
    assert not numbers.taken[0]
    assert numbers.problem[0] == 0


@pytest.mark.parametrize(
    ("text", "value", "unit"), [("34°", 34, "°"), ("34 deg", 34, "deg"), ("-3.5cm", -3.5, "cm"), ("6/10", 6, "points")]
)
def test_a_unit_in_the_cell_is_read_with_the_number(text: str, value: float, unit: str) -> None:
    numbers = read(text)
    assert (numbers.value[0], numbers.unit[0]) == (value, unit)


def test_a_decimal_comma_is_read() -> None:
    assert read("3,5", "4").value.tolist() == [3.5, 4.0]


def test_a_column_keeps_one_decimal_sign() -> None:
    assert "decimal comma" in reason_of("3,5", "3.5", "4.5")


def test_a_decimal_sign_that_was_set_rules() -> None:
    assert "set in columns.toml is a comma" in reason_of("3.5", decimal=",")


def test_a_thousands_sign_is_never_guessed() -> None:
    assert "thousands" in reason_of("1,234")
    assert "thousands" in reason_of("1.234,5")


@pytest.mark.parametrize("text", ["12–14", "12-14", "12 to 14", "12 - 14", "34° – 36°"])
def test_of_a_range_the_middle_is_kept_and_marked(text: str) -> None:
    numbers = read("30", text)
    assert (numbers.value[1], MARKS[numbers.mark[1]]) == (13.0 if "12" in text else 35.0, "range")


@pytest.mark.parametrize(
    ("text", "value", "mark"),
    [
        ("35*", 35, "noted"),
        ("34 (stiff)", 34, "noted"),
        ("59°*", 59, "noted"),
        ("~40", 40, "about"),
        ("ca. 40", 40, "about"),
        ("40?", 40, "about"),
        (">90", 90, "limit"),
        ("> 90°", 90, "limit"),
        ("90+", 90, "limit"),
        ("35", 35, ""),
    ],
)
def test_a_mark_never_costs_a_reading(text: str, value: float, mark: str) -> None:
    numbers = read("30", text)
    assert (numbers.value[1], MARKS[numbers.mark[1]], numbers.problem[1]) == (value, mark, 0)


@pytest.mark.parametrize("text", ["same", "=", "unchanged", "no change", '"'])
def test_same_is_a_reading_to_be_filled_in(text: str) -> None:
    numbers = read("30", text)
    assert numbers.same.tolist() == [False, True]
    assert numbers.taken.all()


@pytest.mark.parametrize(
    ("language", "text"), [("de", "unverändert"), ("es", "igual"), ("sv", "oförändrat"), ("pl", "bez zmian")]
)
def test_same_is_known_in_other_languages(language: str, text: str) -> None:
    column = pd.Series(pd.Categorical(["30", text]))
    assert read_numbers(column, words=words_of_language(language)).same.tolist() == [False, True]


@pytest.mark.parametrize(("text", "value"), [("1.2e-05", 1.2e-5), ("-4E-1", -0.4), ("3.5E+01", 35.0), ("−2e−1", -0.2)])
def test_a_number_as_programs_write_small_ones_is_read(text: str, value: float) -> None:
    assert read("1.5", text).value[1] == pytest.approx(value)


def test_a_power_of_ten_keeps_to_the_decimal_sign_of_its_column() -> None:
    assert "decimal comma" in reason_of("1,2e-05", "3.5", "4.5")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("=B2+1", "a formula without a value"),
        ("#DIV/0!", "a spreadsheet error"),
        ("about forty", "not a number"),
        ("1e3", "not a number"),
        ("3 4", "not a number"),
        ("12.5.2026", "not a number"),
    ],
)
def test_what_is_no_number_says_why(text: str, reason: str) -> None:
    assert reason_of(text) == reason


def test_a_code_the_user_lists_is_missing() -> None:
    numbers = read("-999", "5", missing=("-999",))
    assert numbers.taken.tolist() == [False, True]


@pytest.mark.parametrize(("text", "value"), [("yes", 1), ("Ja", 1), ("x", 1), ("present", 1), ("no", 0), ("absent", 0)])
def test_signs_are_read_from_words(text: str, value: float) -> None:
    numbers = read(text)
    assert numbers.word[0]
    assert numbers.value[0] == value


def test_yes_or_no_knows_nothing_else() -> None:
    assert yes_or_no("sometimes") is None


@given(st.lists(st.floats(-500, 500).map(lambda x: round(x, 2)), min_size=1, max_size=20), st.sampled_from(".,"))
def test_written_numbers_come_back(values: list[float], sign: str) -> None:
    texts = [str(value).replace(".", sign) for value in values]
    assert read(*texts, decimal=sign).value.tolist() == values


@given(st.lists(st.text(max_size=12), max_size=12))
def test_any_text_is_a_number_missing_or_has_a_reason(texts: list[str]) -> None:
    numbers = read(*texts)
    without_value = np.isnan(numbers.value)
    assert (without_value == (~numbers.taken | (numbers.problem > 0))).all()


def test_one_comma_decides_for_the_column() -> None:
    assert decimal_sign(["12", "1,234", "3,5"]) == ","


def test_a_sign_made_harmless_for_spreadsheets_still_says_same() -> None:
    assert read("30", "'=").same.tolist() == [False, True]


@pytest.mark.parametrize("decimal", ["", ",", "."])
@pytest.mark.parametrize("missing", [(), ("999", "12.5", -9)])
@pytest.mark.parametrize("marks", [{}, {"12 5": "same"}, {"nt": "not_taken", "u": "same"}])
def test_many_texts_are_read_as_few_are(
    decimal: str, missing: tuple[str, ...], marks: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(8)
    odd = ["12,5", "35*", "same", "", "n/a", " 7", "7 ", "1.234.567", "1,234", "-3", "+4", "40°", "7.", ".5", "u", "nt"]
    odd += ["999", "12.5", "-9", "1e-3", "0" * 14 + "12", "5" * 70, "٣", "yes", "12–14", "9\n9", "1_000", "nan", "inf"]
    words = words_of_language("en")
    for _ in range(40):
        plain = [f"{one:.{int(rng.integers(0, 17))}f}" for one in rng.normal(50, 9, int(rng.integers(0, 9)))]
        texts = [*rng.choice(odd, int(rng.integers(0, 9))).tolist(), *plain]
        column = pd.Series(from_texts(rng.permutation(texts).tolist()) if texts else from_texts([]))
        found = []
        for many in (10**9, 0):
            monkeypatch.setattr(values, "_MANY", many)
            numbers = read_numbers(column, decimal=decimal, missing=missing, marks=marks, words=words)
            taken = taken_cells(column, missing=missing, marks=marks, words=words)
            arrays = [numbers.word, numbers.taken, numbers.problem, numbers.mark, taken]
            held = [*(one.tolist() for one in arrays), numbers.unit.astype(object).tolist(), numbers.reasons]
            found.append((numbers.value, held))
        np.testing.assert_array_equal(found[0][0], found[1][0])
        assert found[0][1] == found[1][1]
