"""Rounding for reading: numbers as words, a frame as a reader sees it, an accessible HTML table."""

from __future__ import annotations

import math
import re
from html import escape
from typing import Any

import pandas as pd

from toolkit.number_words import figure_text

NO_FORMULAS = "mathjax_ignore tex2jax_ignore"  # a dollar sign in a cell begins no formula
SAID_ONCE = ("what", "level", "n_clients", "n_rows", "unit", "method")
NO_BREAK = ";white-space:nowrap"
_MINUS = re.compile(r"(?<![\w.)])-(?=[\d.])")


def for_reading(frame: pd.DataFrame) -> pd.DataFrame:
    """A frame as a reader sees it: numbers rounded, columns in which nothing stands left out, what is missing empty."""
    kept = frame.loc[:, [bool(frame[name].notna().any()) and not _blank(frame[name]) for name in frame.columns]]
    return kept.map(lambda value: "" if _missing(value) else figure_text(value)).assign(
        **{name: [_p_text(value) for value in kept[name]] for name in ("p", "p_adjusted") if name in kept}
    )


def _blank(column: pd.Series) -> bool:
    return bool(column.dropna().astype(str).eq("").all())


def _missing(value: object) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))


def _p_text(value: Any) -> str:
    """A p value as papers print it."""
    if _missing(value):
        return ""
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def html_table(frame: pd.DataFrame, *, caption: str = "") -> str:
    """An accessible HTML table: header cells with scope, a caption, every value escaped and rounded for reading.

    Words stand on the left and have room, numbers stay on one line; a table wider than the page scrolls by itself.

    Example:
        >>> html_table(pd.DataFrame({"n": [3]})).count("<tr")
        2
    """
    looks = [_look(frame.iloc[:, place]) for place in range(frame.shape[1])]
    head = "".join(
        f'<th scope="col" style="{look.removesuffix(NO_BREAK)}">{escape(str(name)).replace("_", " ")}</th>'
        for name, look in zip(frame.columns, looks, strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row" style="{look}">{_cell(value)}</th>'
            if place == 0
            else f'<td style="{look}">{_cell(value)}</td>'
            for place, (value, look) in enumerate(zip(row, looks, strict=True))
        )
        + "</tr>"
        for row in frame.itertuples(index=False)
    )
    said = f'<caption style="text-align:left">{escape(caption)}</caption>' if caption else ""
    table = f"<table>{said}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    return f'<div class="{NO_FORMULAS}" style="overflow-x:auto">{table}</div>'


def _cell(value: object) -> str:
    return on_a_page(figure_text(value))


def on_a_page(said: str) -> str:
    """Words as HTML, with a true minus sign before numbers."""
    return escape(_MINUS.sub("−", said))


def _look(column: pd.Series) -> str:
    """How a column is set: words to the left and not too narrow, numbers to the right on one line."""
    texts = [figure_text(value) for value in column]
    longest = max(map(len, texts), default=0)
    if any(any(map(str.isalpha, text)) for text in texts):
        return f"text-align:left;vertical-align:top;min-width:{min(longest, 24) / 2 + 1:.0f}em"
    return f"text-align:right;vertical-align:top{NO_BREAK}"


def told_once(frame: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """A frame as a reader sees it without the columns that say the same in every row, and what they say.

    Examples
    --------
    >>> rows = pd.DataFrame({"estimate": ["3", "4"], "level": ["0.95", "0.95"], "unit": ["deg", "deg"]})
    >>> told_once(rows)[1]
    'In every row: level 0.95, unit deg.'
    """
    if len(frame) < 2:
        return frame, ""
    same = [name for name in SAID_ONCE if name in frame and frame[name].nunique(dropna=False) == 1]
    said = ", ".join(f"{name.replace('_', ' ')} {frame[name].iloc[0]}" for name in same)
    return frame.drop(columns=same), f"In every row: {said}." if said else ""
