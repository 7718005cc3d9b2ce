"""Text cells that no spreadsheet will run: a cell that begins like a formula gets an apostrophe in front."""

from __future__ import annotations

import pandas as pd

_STARTS = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(value: object) -> object:
    """The value, with an apostrophe in front of a text that a spreadsheet would take for a formula.

    Numbers such as "-3.5" stay as they are.

    Example:
        >>> safe_cell("=2+3"), safe_cell("-3.5")
        ("'=2+3", '-3.5')
    """
    if not isinstance(value, str) or not value.startswith(_STARTS):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value


def safe_for_spreadsheets(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every text cell made safe, for writing to CSV."""
    return frame.map(safe_cell)
