"""Dates: never guessed between day first and month first."""

import pandas as pd
import pytest

from toolkit.errors import ExportError
from toolkit.records.dates import Dates, proven_order, read_dates
from toolkit.records.texts import from_texts


def read(*texts: str, order: str = "") -> Dates:
    return read_dates(pd.Series(from_texts(texts)), header="Visit", file="a.csv", order=order)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-04",
        "2026/3/4",
        "2026-03-04 10:30",
        "20260304",
        "4 March 2026",
        "4. März 2026",
        "04-Mar-2026",
        "March 4, 2026",
        "Wed 4 Mar 2026",
    ],
)
def test_dates_that_read_one_way_are_read(text: str) -> None:
    assert pd.Timestamp(read(text).date[0]) == pd.Timestamp("2026-03-04")


def test_an_ambiguous_column_names_the_column_and_the_setting() -> None:
    with pytest.raises(ExportError, match=r'column "Visit".*"03/04/2026".*date_order = "day_first"'):
        read("03/04/2026", "05/04/2026")


def test_an_order_that_was_set_is_used() -> None:
    assert pd.Timestamp(read("03/04/2026", order="month_first").date[0]) == pd.Timestamp("2026-03-04")


def test_a_day_after_the_twelfth_proves_the_order() -> None:
    dates = read("03/04/2026", "25/04/2026")
    assert (dates.order, dates.proof, pd.Timestamp(dates.date[0]).month) == ("day_first", "25/04/2026", 4)


def test_two_proofs_that_contradict_are_refused() -> None:
    with pytest.raises(ExportError, match="cannot be in the same order"):
        read("25/04/2026", "04/25/2026")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("1900-01-01", "a date before 1990"),
        ("2999-12-31", "a date in the future"),
        ("2026-02-30", "no such day in the calendar"),
        ("46000", 'a number, not a date (date_order = "spreadsheet_days" reads a spreadsheet\'s day numbers)'),
        ("soon", "not a date the toolkit can read"),
    ],
)
def test_an_impossible_date_says_why(text: str, reason: str) -> None:
    dates = read(text)
    assert dates.reasons[dates.reason[0]] == reason


def test_spreadsheet_day_numbers_are_read_only_when_set() -> None:
    # 46000 is 9 December 2025 in the 1900 date system: 45658 is 1 January 2025 (from memory), and 342 days later.
    assert pd.Timestamp(read("46000", order="spreadsheet_days").date[0]) == pd.Timestamp("2025-12-09")


def test_dots_do_not_decide_the_order() -> None:
    assert proven_order(["03.04.2026"]) == ("either", "03.04.2026")
