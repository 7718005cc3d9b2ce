"""What every answer of the toolkit looks like: a tidy frame, a sentence, a figure, and files of each.

`Result` is what the front door hands out. Its `frame` has the same columns in every method (`FRAME_COLUMNS`, after the
columns of the groups), at full precision; `sentence()` says it in words; `plot()` draws it; `save()` writes it.
`Shown` is the part of it that records, models and audits share: they show and save themselves in the same way.
Rounding lives in the views here and in the rooms of the looks, nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, quantity_with_interval
from toolkit.result_views import NO_FORMULAS, for_reading, html_table, on_a_page, told_once

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FRAME_COLUMNS", "Estimate", "Result", "Shown", "html_table", "standard_frame"]

NUMBERS = ("estimate", "ci_low", "ci_high", "level", "statistic", "df", "p", "p_adjusted", "n_clients", "n_rows")
FRAME_COLUMNS = ("what", *NUMBERS, "unit", "method")


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """One number with its unit, interval, n and method: what every figure a user reads carries.

    Where a number is expected (``float(found)``), it is its value.

    Attributes
    ----------
    name : str
        What it is.
    value, ci_low, ci_high, se : float
        In `unit`, never rounded; the standard error is None where the method has none.
    confidence_level : float
        Of the interval.
    n, n_of : int, str
        How many of what it rests on.
    df, p : float, optional
        None where the method has none.
    unit, method : str
        In words.
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

    def __float__(self) -> float:
        return float(self.value)

    def sentence(self) -> str:
        """The estimate in one line of words."""
        return f"{self.name}: {self.with_interval()}; n = {self.n} {self.n_of}; {self.method})"

    def with_interval(self) -> str:
        """Value, unit and interval in three significant digits each; the bracket stays open for what follows."""
        return quantity_with_interval(self.value, self.ci_low, self.ci_high, self.unit, level=self.confidence_level)

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

    def standard_row(self, **more: Any) -> dict[str, Any]:
        """The estimate as a row for `standard_frame`; `more` adds or replaces (`statistic`, `n_rows` …)."""
        row = {
            "what": self.name,
            "estimate": self.value,
            "ci_low": self.ci_low,
            "ci_high": self.ci_high,
            "level": self.confidence_level,
            "df": self.df,
            "p": self.p,
            "unit": self.unit,
            "method": self.method,
        }
        counted = {"clients": "n_clients", "rows": "n_rows"}.get(self.n_of)
        if counted:
            row[counted] = self.n
        return row | more

    def __str__(self) -> str:
        return self.sentence()

    def _repr_html_(self) -> str:
        return html_table(pd.DataFrame([self.as_row()]), caption=self.name)


def standard_frame(rows: Iterable[Mapping[str, Any]], *, groups: Sequence[str] = ()) -> pd.DataFrame:
    """Rows as the frame every result has: columns of the groups, then `FRAME_COLUMNS`, then what a method adds.

    Parameters
    ----------
    rows
        One mapping a row, by column name. What a row leaves out is missing (NaN); an `Estimate`'s row comes from
        `Estimate.standard_row`.
    groups
        Names of the columns that say which group a row is about; they come first.

    Returns
    -------
    pandas.DataFrame
        `estimate`, `ci_low`, `ci_high` in `unit`; `level` the confidence level of the interval; `p_adjusted` is `p`
        after the correction for several groups (missing where there is one).

    Examples
    --------
    >>> standard_frame([{"what": "mean change", "estimate": 3.0, "unit": "deg"}])[["what", "estimate", "p"]].values
    array([['mean change', 3.0, nan]], dtype=object)
    """
    found = [dict(row) for row in rows]
    extra = [
        name
        for name in dict.fromkeys(key for row in found for key in row)
        if name not in FRAME_COLUMNS and name not in groups
    ]
    frame = pd.DataFrame(found, columns=[*groups, *FRAME_COLUMNS, *extra])
    return frame.astype({name: "float64" for name in NUMBERS if name not in ("n_clients", "n_rows")}).astype(
        {"n_clients": "Int64", "n_rows": "Int64"}
    )


class Shown:
    """How everything the toolkit hands out shows and saves itself, from its sentence and its frame."""

    def sentence(self) -> str:
        """What the result says, in one plain sentence that claims no more than the records allow."""
        raise NotImplementedError

    def table(self) -> pd.DataFrame:
        """The result's rows as a tidy frame at full precision."""
        raise NotImplementedError

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The result's rows as a tidy frame at full precision."""
        return self.table()

    def plot(self) -> Figure:
        """A matplotlib figure of the rows that have an estimate: each with its interval."""
        from toolkit.result_files import interval_figure

        return interval_figure(self.frame)

    def save(self, path: str | Path, *, replace: bool = False) -> Path:
        """Write the result to one file; its ending says what is written.

        Parameters
        ----------
        path
            ``.csv`` and ``.xlsx`` hold the frame at full precision; ``.docx`` and ``.tex`` a table rounded for
            reading, under the sentence; ``.png``, ``.svg`` and ``.pdf`` the figure.
        replace
            Write over an earlier output of the toolkit. What the toolkit did not make is never written over.

        Returns
        -------
        pathlib.Path
            The file written.

        Raises
        ------
        ToolkitError
            The ending is another one, the folder does not exist, or the file is somebody else's.
        """
        from toolkit.result_files import save

        return save(self, Path(path), replace=replace)

    def __str__(self) -> str:
        frame = self.frame
        shown = for_reading(frame) if "estimate" in frame else frame.map(figure_text)
        return f"{self.sentence()}\n\n{shown.to_string(index=False)}"

    def _repr_html_(self) -> str:
        frame = self.frame
        return f"<p>{escape(self.sentence())}</p>{html_table(for_reading(frame) if 'estimate' in frame else frame)}"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Result(Shown):
    """An answer: rows with the same columns in every method, one sentence, one figure.

    Attributes
    ----------
    rows : pandas.DataFrame
        What `frame` gives: one row a number (a group, a method); the groups' columns, `FRAME_COLUMNS`, then what the
        method adds.
        Full precision; better is positive; `estimate` and its limits are in `unit`.
    says : str
        The sentence, in plain words.
    title : str
        A few words, over figure and table.
    groups : tuple of str
        Columns of `frame` that name the group a row is about.
    notes : tuple of str
        What should be known beside the numbers.
    detail : object
        What was computed underneath: one typed result, or a mapping of group to result where there were groups.
    draw : callable, optional
        Draws the method's own figure; without it the rows are drawn with their intervals.

    Examples
    --------
    >>> found = Result.of([{"what": "mean change", "estimate": 3.0}], says="3 degrees.")
    >>> float(found), found.sentence()
    (3.0, '3 degrees.')
    """

    rows: pd.DataFrame
    says: str
    title: str = ""
    groups: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    detail: Any = None
    draw: Callable[[], Figure] | None = None

    @classmethod
    def of(cls, rows: Iterable[Mapping[str, Any]], *, says: str, groups: Sequence[str] = (), **more: Any) -> Result:
        """A result from plain rows (see `standard_frame`); `more` are the other attributes."""
        return cls(rows=standard_frame(rows, groups=groups), says=says, groups=tuple(groups), **more)

    def sentence(self) -> str:
        """What the result says, in plain words that claim no more than the records allow."""
        return self.says

    def table(self) -> pd.DataFrame:
        """The same as `frame`."""
        return self.rows

    def plot(self) -> Figure:
        """The result's figure: the method's own, or every row with its interval."""
        from toolkit.result_files import interval_figure

        figure = self.draw() if self.draw else interval_figure(self.frame, groups=self.groups, title=self.title)
        if not figure.get_label():
            figure.set_label(self.says)  # the words that stand for it where it cannot be seen
        return figure

    def row(self, what: str) -> pd.Series:
        """The first row whose `what` is this.

        Raises
        ------
        ToolkitError
            No row has that name; the names are said.
        """
        mine = self.frame.loc[self.frame["what"] == what]
        if mine.empty:
            names = ", ".join(f"'{name}'" for name in dict.fromkeys(self.frame["what"]))
            raise ToolkitError(f"The result has no row '{what}'. It has: {names}.")
        return mine.iloc[0]

    def __float__(self) -> float:
        if self.frame.empty:
            raise NotEnoughError("The result has no row, so it is no number.")
        return float(self.frame["estimate"].iloc[0])

    def __repr__(self) -> str:
        return str(self)

    def __str__(self) -> str:
        lines = [self.says, "", for_reading(self.frame).to_string(index=False), *self.notes]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        shown, once = told_once(for_reading(self.frame))
        notes = "".join(f"<p>{on_a_page(note)}</p>" for note in (once, *self.notes) if note and note not in self.says)
        return f'<p class="{NO_FORMULAS}">{on_a_page(self.says)}</p>{html_table(shown, caption=self.title)}{notes}'
