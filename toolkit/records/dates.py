"""Dates as people type them. Day-first and month-first are never guessed; a day after the 12th proves the order."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.coded_texts import as_texts
from toolkit.records.lexicon import LANGUAGES, fold, words_of_language
from toolkit.records.texts import clean_text, distinct
from toolkit.records.values import MISSING_WORDS

DATE_ORDERS = ("day_first", "month_first", "year_first", "spreadsheet_days")
_LONGEST = 60
EARLIEST = dt.date(1990, 1, 1)
_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?$")
_COMPACT = re.compile(r"^((?:19|20)\d{2})(\d{2})(\d{2})$")
_TWO_ORDERS = re.compile(r"^(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})(?:[T ,].*)?$")
_MONTH_WORD = re.compile(
    r"^(\d{1,2})(?:st|nd|rd|th|er|e|\.|°|º)?[-/. ]*(?:de |of )?([^\W\d]{3,})\.?(?: de)?[-/., ]*(\d{4}|\d{2})$"
)
_WORD_FIRST = re.compile(r"^([^\W\d]{3,})\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[-/., ]+(\d{4})$")
_NO_YEAR = re.compile(r"^(\d{1,2})(?:st|nd|rd|th|\.)?[-/. ]*(?:de |of )?([^\W\d]{3,})\.?$")
_NO_YEAR_WORD_FIRST = re.compile(r"^([^\W\d]{3,})\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?$")
_NO_YEAR_NUMBERS = re.compile(r"^(\d{1,2})([./])(\d{1,2})[./]?$")
_ARTICLE = re.compile(r"^(?:den|le|el|il|am|on|dnia|op|em)\s+(?=\d)", re.IGNORECASE)
_WEEKDAY = re.compile(
    r"^(?P<sure>[^\W\d]{2,}\.?,)\s+(?=\d)|^(?P<word>[^\W\d][^\W\d-]{1,14}(?:-[^\W\d]{4,6})?)\.?\s+(?=\d)"
)
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})(?:(?::|\s?h\s?)(?P<minute>\d{2})(?::\d{2}(?:\.\d{1,9})?)?)?"
    r"\s?(?:(?P<half>[ap]\.?m\.?)|(?P<word>uhr|h|o'clock))?",
    re.IGNORECASE,
)
_CLOCK_IN_DATE = re.compile(
    r"(?:\d|,)[ T](?P<hour>\d{1,2})[:h](?P<minute>\d{2})(?::\d{2})?(?:\s?(?P<half>[ap]\.?m\.?))?(?P<word>)",
    re.IGNORECASE,
)
_FIRST_SPREADSHEET_DAY = dt.date(1899, 12, 30)


@dataclass(frozen=True, kw_only=True, eq=False)
class Dates:
    """A column read as dates: `date` (datetime64, NaT where none), `taken`, `reason` per row ("" = fine)."""

    date: np.ndarray
    taken: np.ndarray
    reason: np.ndarray
    reasons: tuple[str, ...]
    order: str
    proof: str


def _bare(text: str) -> str:
    """A text without a weekday or an article before the date."""
    cleaned = clean_text(text)[: _LONGEST + 1]
    day = _WEEKDAY.match(cleaned)
    if day and (day["sure"] or fold(day["word"]) in _weekdays()):
        cleaned = cleaned[day.end() :]
    return _ARTICLE.sub("", cleaned)


@lru_cache(maxsize=1)
def _weekdays() -> frozenset[str]:
    """The days of the week in every language; no word that is a month's name too."""
    words = {phrase for name in LANGUAGES for phrase in words_of_language(name).own("weekday")}
    return frozenset(words - set(_months()))


def proven_order(texts: Iterable[str]) -> tuple[str, str]:
    """(order, the value that proves it) of dates such as 25/04/2026.

    The order is "" when no such date stands there, "either" when none decides, "both" when values contradict.

    Example:
        >>> proven_order(["03/04/2026", "25/04/2026"])
        ('day_first', '25/04/2026')
    """
    day_first = month_first = seen = ""
    for text in texts:
        found = _TWO_ORDERS.match(text)
        if found is None:
            continue
        first, second = int(found.group(1)), int(found.group(2))
        seen = seen or text
        if first > 12 >= second:
            day_first = day_first or text
        elif second > 12 >= first:
            month_first = month_first or text
    if day_first and month_first:
        return "both", f"{day_first} and {month_first}"
    if day_first:
        return "day_first", day_first
    if month_first:
        return "month_first", month_first
    return ("either", seen) if seen else ("", "")


def read_dates(column: pd.Series, *, header: str, file: str, order: str = "", year: str = "") -> Dates:
    """Read a categorical column of texts as dates.

    Args:
        column: categorical texts.
        header: the column's header, for messages.
        file: the file's name, for messages.
        order: "day_first", "month_first", "year_first", "spreadsheet_days", or "" (ISO dates, months in words, or an
            order that the values themselves prove).
        year: of dates that name none, for example "2024"; "2023|2024" where the sheet names two.

    Raises:
        ExportError: dates that can be read in two ways, and no order set.
    """
    codes, texts = distinct(column)
    cleaned = [with_year(_bare(text), year) for text in texts]
    used = set(np.unique(codes).tolist())
    chosen, proof = order, ""
    if not order:
        chosen, proof = _settle_order([cleaned[place] for place in used], header=header, file=file)
    today = dt.date.today()
    years = _year_of_each([cleaned[place] for place in _first_places(codes)], year, header=header, file=file)
    read = [_read_one(_with_year(text, years), chosen, today) for text in cleaned]
    reasons = tuple(dict.fromkeys(["", *(reason for _, _, reason in read)]))
    dates = np.array([day for day, _, _ in read] or [], dtype="datetime64[s]")
    taken = np.array([is_taken for _, is_taken, _ in read], dtype=bool)
    reason = np.array([reasons.index(why) for _, _, why in read], dtype=np.int16)
    if not texts:
        return Dates(
            date=np.array([], dtype="datetime64[s]"), taken=taken, reason=reason, reasons=("",), order="", proof=""
        )
    return Dates(
        date=dates[codes], taken=taken[codes], reason=reason[codes], reasons=reasons, order=chosen, proof=proof
    )


def _first_places(codes: np.ndarray) -> list[int]:
    """The distinct codes in the order in which the rows first show them."""
    places, first = np.unique(codes, return_index=True)
    return [int(place) for place in places[np.argsort(first)]]


def _year_of_each(texts: list[str], year: str, *, header: str, file: str) -> dict[str, int]:
    """text → year, for dates without one: the sheet's year; of two the second from where the months begin again.

    Raises:
        ExportError: such dates stand there, and no year is known.
    """
    bare = {text: parts for text in texts if (parts := _day_and_month(text))}
    if not bare:
        return {}
    years = [int(one) for one in year.split("|") if one.strip().isdigit()]
    if not years:
        raise ExportError(
            f'{file}, column "{header}": "{next(iter(bare))}" names no year, and no title does. Write year = 2024 '
            "(the year meant) into columns.toml beside the export."
        )
    found: dict[str, int] = {}
    place, last = 0, 0
    for text, (_, month) in bare.items():
        if month < last - 5 and place + 1 < len(years):
            place += 1
        found[text], last = years[place], month
    return found


def _with_year(text: str, years: dict[str, int]) -> str:
    """A date without a year as an ISO date."""
    parts = _day_and_month(text) if text in years else None
    return f"{years[text]}-{parts[1]:02d}-{parts[0]:02d}" if parts else text


def with_year(text: str, year: str) -> str:
    """A date in numbers that lacks its year ("8.1.", "08/01") with the sheet's one year; any other text as it is.

    Example:
        >>> with_year("8.1.", "2024"), with_year("8.1.", "2023|2024"), with_year("2024-01-08", "2024")
        ('8.1.2024', '8.1.', '2024-01-08')
    """
    found = _NO_YEAR_NUMBERS.match(text) if year.isdigit() else None
    return f"{found[1]}{found[2]}{found[3]}{found[2]}{year}" if found else text


def day_and_month_told(text: str) -> tuple[int, int, int]:
    """The three numbers of a date such as 03/04/2026, the year in full.

    Example:
        >>> day_and_month_told("03/04/26")
        (3, 4, 2026)
    """
    found = _TWO_ORDERS.match(text)
    first, second, year = (int(part) for part in found.groups()) if found else (1, 1, 2000)
    return first, second, year + 2000 if year < 100 else year


def lacks_year_word(text: str) -> bool:
    """Whether a date names its month in words and no year.

    Example:
        >>> lacks_year_word("8 jan"), lacks_year_word("8 jan 2024")
        (True, False)
    """
    return _day_and_month(text) is not None


def lacks_year(text: str) -> bool:
    """Whether a text may be a day and a month in numbers.

    Example:
        >>> lacks_year("8.1."), lacks_year("45")
        (True, False)
    """
    return _NO_YEAR_NUMBERS.match(clean_text(text)) is not None


def _day_and_month(text: str) -> tuple[int, int] | None:
    """(day, month) of a date whose month is a word and that names no year ("8 jan", "Mar 5")."""
    if found := _NO_YEAR.match(text):
        day, word = int(found.group(1)), found.group(2)
    elif found := _NO_YEAR_WORD_FIRST.match(text):
        day, word = int(found.group(2)), found.group(1)
    else:
        return None
    month = month_number(word)
    return (day, month) if month and 1 <= day <= 31 else None


def month_number(word: str) -> int | None:
    """The month that a word of any language names.

    Example:
        >>> month_number("mrt"), month_number("Październik"), month_number("soleus")
        (3, 10, None)
    """
    return _months().get(fold(word))


@lru_cache(maxsize=1)
def _months() -> dict[str, int]:
    """The months of every language."""
    return {
        phrase: int(number) for name in LANGUAGES for phrase, number in words_of_language(name).own("month").items()
    }


def _settle_order(texts: list[str], *, header: str, file: str) -> tuple[str, str]:
    """The order the values prove, with the proof; an error when they can be read both ways."""
    found, proof = proven_order(texts)
    if found == "either":
        raise ExportError(
            f'{file}, column "{header}": "{proof}" may be read day first or month first, and no date of the column '
            'decides it. Write date_order = "day_first" or date_order = "month_first" into columns.toml beside '
            "the export."
        )
    if found == "both":
        raise ExportError(
            f'{file}, column "{header}": {proof} cannot be in the same order: one is day first, the other month first. '
            'Correct the dates, or write date_order = "day_first" (or "month_first") into columns.toml: dates that '
            "do not fit are then set aside."
        )
    return found, proof


def _read_one(text: str, order: str, today: dt.date) -> tuple[np.datetime64, bool, str]:
    """(date or NaT, whether anything was written, reason) of one text."""
    nothing = np.datetime64("NaT", "s")
    if text.casefold() in MISSING_WORDS:
        return nothing, False, ""
    parts = _parts(text, order) if len(text) <= _LONGEST else None
    if parts is None and re.fullmatch(r"[34]\d{4}(?:\.\d+)?", text):
        return (
            nothing,
            True,
            'a number, not a date (date_order = "spreadsheet_days" reads a spreadsheet\'s day numbers)',
        )
    if parts is None:
        return nothing, True, "not a date the toolkit can read"
    try:
        day = dt.date(*parts)
    except ValueError:
        return nothing, True, "no such day in the calendar"
    if day < EARLIEST:
        return nothing, True, "a date before 1990"
    if day > today + dt.timedelta(days=1):
        return nothing, True, "a date in the future"
    return np.datetime64(day, "s"), True, ""


def _parts(text: str, order: str) -> tuple[int, int, int] | None:
    """(year, month, day) of one text, None when it is no date."""
    if found := _ISO.match(text) or _COMPACT.match(text):
        return int(found.group(1)), int(found.group(2)), int(found.group(3))
    if found := _TWO_ORDERS.match(text):
        first, second, year = int(found.group(1)), int(found.group(2)), int(found.group(3))
        year += 2000 if year < 100 else 0
        if order == "day_first":
            return year, second, first
        return (year, first, second) if order == "month_first" else None
    if order == "spreadsheet_days" and re.fullmatch(r"\d{5}(?:\.\d+)?", text):
        day = _FIRST_SPREADSHEET_DAY + dt.timedelta(days=int(float(text)))
        return day.year, day.month, day.day
    return _with_month_word(text)


def _with_month_word(text: str) -> tuple[int, int, int] | None:
    """(year, month, day) of "3 March 2026" or "March 3, 2026"."""
    if found := _MONTH_WORD.match(text):
        day, word, year = int(found.group(1)), found.group(2).casefold(), int(found.group(3))
    elif found := _WORD_FIRST.match(text):
        day, word, year = int(found.group(2)), found.group(1).casefold(), int(found.group(3))
    else:
        return None
    month = month_number(word)
    return (year + (2000 if year < 100 else 0), month, day) if month else None


def looks_like_dates(text: str) -> bool:
    """Whether one text is a date in any order, ambiguous or not.

    Example:
        >>> looks_like_dates("03/04/2026"), looks_like_dates("L")
        (True, False)
    """
    cleaned = _bare(text)
    if _TWO_ORDERS.match(cleaned):
        return True
    parts = _parts(cleaned, "")
    if parts is None:
        return _day_and_month(cleaned) is not None
    return 1 <= parts[1] <= 12 and 1 <= parts[2] <= 31


def hour_of(text: str, *, within_date: bool = False) -> float | None:
    """The time of day in one text, hours since midnight; None where it is no time of day.

    Parameters
    ----------
    text
        A cell: "9:30", "09:30:00", "14h15", "2 pm", "9 Uhr".
    within_date
        The cell holds a date, and perhaps a time after it; midnight sharp is then no time.

    Examples
    --------
    >>> hour_of("9:30"), hour_of("2 pm"), hour_of("14h15"), hour_of("35"), hour_of("25:00")
    (9.5, 14.0, 14.25, None, None)
    >>> hour_of("2026-03-04 16:45", within_date=True), hour_of("2026-03-04 00:00:00", within_date=True)
    (16.75, None)
    """
    found = (_CLOCK_IN_DATE.search(text) if within_date else _CLOCK.fullmatch(text.strip())) if len(text) < 60 else None
    if found is None:
        return None
    hours, minutes, half = int(found["hour"]), int(found["minute"] or 0), (found["half"] or "").casefold()[:1]
    if minutes > 59 or hours > (12 if half else 23) or not (found["minute"] or found["word"] or half):
        return None
    hours = hours % 12 + 12 * (half == "p") if half else hours
    return None if within_date and hours == minutes == 0 else hours + minutes / 60


def days_since_first(dates: pd.Series[Any], client: Any) -> pd.Series[float]:
    """Whole days since each client's earliest date; missing where there is no date.

    Examples
    --------
    >>> days_since_first(pd.Series(pd.to_datetime(["2026-03-11", "2026-03-04", None])), ["A", "A", "B"]).tolist()
    [7.0, 0.0, nan]
    """
    when = pd.to_datetime(dates)
    who = pd.Series(client, index=when.index) if not isinstance(client, pd.Series) else client
    return (when - when.groupby(who).transform("min")).dt.days.astype(float)


def visit_days(rows: pd.DataFrame) -> pd.Series[float]:
    """The same for tidy rows: from `date`, else from `day` where the rows have it."""
    days = days_since_first(rows["date"], as_texts(rows["client"]))
    return days.fillna(rows["day"].astype(float)) if "day" in rows else days
