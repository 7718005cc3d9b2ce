"""Quotation marks opened and not closed: they make one cell of the lines that follow, and rows would vanish."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from toolkit.errors import ExportError


def refuse_swallowed_lines(
    columns: Sequence[tuple[np.ndarray, list[str]]],
    broken: Sequence[tuple[int, str]],
    *,
    separator: str,
    file: str,
    first_row: int,
) -> None:
    """Refuse a table in which a cell holds line breaks and as many separators as a whole line.

    A comma with a space behind it is taken for prose and does not count.

    Args:
        columns: (place of each row's text, distinct texts) with the header line as row 0.
        broken: (row number from 1, text) of lines that do not fit the header.
        separator: the sign between cells.
        file: for the message.
        first_row: the header's row number.

    Raises:
        ExportError: naming the row where the mark is opened.
    """
    whole_line = len(columns) - 1
    if whole_line < 2:
        return
    found = [number for number, text in broken if _unspaced(text, separator) >= 2 * whole_line - 1]
    for codes, texts in columns:
        swallowing = [place for place, text in enumerate(texts) if _unspaced(text, separator) >= whole_line]
        if swallowing:
            found.append(int(np.flatnonzero(np.isin(codes, swallowing))[0]) + 1)
    if found:
        raise unclosed(file, min(found) + first_row - 1)


def _unspaced(text: str, separator: str) -> int:
    """How many separators without a space behind them stand in a text of several lines; 0 for one line."""
    return len(re.findall(re.escape(separator) + r"(?! )", text)) if "\n" in text or "\r" in text else 0


def unclosed(file: str, row: int) -> ExportError:
    """The error for a quotation mark that is opened and not closed."""
    return ExportError(
        f'{file}, row {row}: a quotation mark (") is opened and not closed, so that one cell holds the lines below it; '
        "expected one line a row. Remove the mark or close it."
    )
