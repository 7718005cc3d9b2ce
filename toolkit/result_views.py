"""Rounding for reading: numbers as words, a frame as a reader sees it, an accessible HTML table."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import pandas as pd

from toolkit.number_words import figure_text


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

    Example:
        >>> html_table(pd.DataFrame({"n": [3]})).count("<tr>")
        2
    """
    head = "".join(f'<th scope="col">{escape(str(name)).replace("_", " ")}</th>' for name in frame.columns)
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row">{escape(figure_text(value))}</th>'
            if place == 0
            else f"<td>{escape(figure_text(value))}</td>"
            for place, value in enumerate(row)
        )
        + "</tr>"
        for row in frame.itertuples(index=False)
    )
    said = f"<caption>{escape(caption)}</caption>" if caption else ""
    return f"<table>{said}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
