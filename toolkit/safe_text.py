"""Texts that nothing runs: cells no spreadsheet takes for a formula, lines no terminal takes for an order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_CONTROLS = dict.fromkeys(
    (*range(9), 11, 12, *range(14, 32), *range(127, 160), *range(0x202A, 0x202F), *range(0x2066, 0x206A)), "\ufffd"
)
_CONTROLS |= dict.fromkeys(range(0xD800, 0xE000), "\ufffd")  # halves of signs, from file names that are no UTF-8


def safe_cell(value: Any) -> Any:
    """The value as a cell that no spreadsheet or terminal runs: an apostrophe before a formula, no control characters.

    Numbers such as "-3.5" stay as they are.

    Examples
    --------
    >>> safe_cell("=2+3"), safe_cell("-3.5")
    ("'=2+3", '-3.5')
    """
    if not isinstance(value, str):
        return value
    text = printable(value)
    if not text.startswith(_STARTS):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def printable(text: str) -> str:
    """A text without characters that steer a terminal or turn the direction of writing; line breaks stay."""
    return text if text.isprintable() else text.translate(_CONTROLS)


def safe_for_spreadsheets(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every text cell and every header made safe, for writing to CSV."""
    words = {name: "object" for name in frame.columns if frame[name].dtype == "category"}
    return frame.astype(words).map(safe_cell).rename(columns=safe_cell)
