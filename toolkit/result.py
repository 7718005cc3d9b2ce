"""What every answer of the toolkit looks like: a number with its interval, and a table that shows itself.

A result is a small frozen dataclass at full precision. It says one plain sentence (`sentence()`), gives its
rows as a tidy frame (`table()`), and shows both as text and as an accessible HTML table. Rounding lives in the
views here and in `toolkit.looks`, nowhere else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd


def figure_text(value: Any, *, digits: int = 3) -> str:
    """A number as a reader sees it: three significant digits, a plain word where there is no number."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "not available"
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    if isinstance(value, int) or (float(value).is_integer() and abs(value) < 1e6):
        return f"{int(value)}"
    if math.isinf(value):
        return "no limit"
    return f"{value:.{digits}g}" if abs(value) < 10**digits else f"{value:.0f}"


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """One number with its unit, interval, n and method: what every figure a user reads carries.

    `value`, `se`, `ci_low` and `ci_high` are in `unit`, never rounded. `df` and `p` are None where the method has none.
    """

    name: str
    value: float
    ci_low: float
    ci_high: float
    unit: str
    n: int
    method: str
    n_of: str = "clients"
    confidence_level: float = 0.95
    se: float | None = None
    df: float | None = None
    p: float | None = None

    def sentence(self) -> str:
        """The estimate in one line of words."""
        return (
            f"{self.name}: {figure_text(self.value)} {self.unit} "
            f"({self.confidence_level:.0%} interval {figure_text(self.ci_low)} to {figure_text(self.ci_high)}; "
            f"n = {self.n} {self.n_of}; {self.method})"
        )

    def as_row(self) -> dict[str, Any]:
        """The estimate as one row of a tidy frame, at full precision."""
        return {
            "what": self.name,
            "value": self.value,
            "ci_low": self.ci_low,
            "ci_high": self.ci_high,
            "unit": self.unit,
            "n": self.n,
            "n_of": self.n_of,
            "df": self.df,
            "p": self.p,
            "method": self.method,
        }

    def __str__(self) -> str:
        return self.sentence()

    def _repr_html_(self) -> str:
        return html_table(pd.DataFrame([self.as_row()]), caption=self.name)


class Shown:
    """Mixin for results: `sentence()` and `table()` give both views, plain text and HTML, with the same rows."""

    def sentence(self) -> str:
        """What the result says, in one plain sentence that claims no more than the records allow."""
        raise NotImplementedError

    def table(self) -> pd.DataFrame:
        """The result's rows as a tidy frame at full precision."""
        raise NotImplementedError

    def __str__(self) -> str:
        shown = self.table().map(figure_text)
        return f"{self.sentence()}\n\n{shown.to_string(index=False)}"

    def _repr_html_(self) -> str:
        return f"<p>{escape(self.sentence())}</p>{html_table(self.table())}"


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
