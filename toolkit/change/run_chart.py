"""A client's readings in order, with limits from their own ups and downs: which stand out, where did they shift?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.change.paired_tests import checked_differences
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Shown, figure_text

LIMIT_FACTOR = 2.66  # 3 / d2 for moving ranges of two (d2 = 1.128): Shewhart's constant
LONG_RUN = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class RunChart(Shown):
    """Readings of one client in order, with centre and limits from the moving range.

    `points` holds `order`, `value`, `moving_range`, `outside` (beyond a limit) and `in_long_run` (eight or more in a
    row on one side of the centre). Centre and limits come from the first `n_baseline` readings.
    """

    unit: str
    centre: float
    lower_limit: float
    upper_limit: float
    n_baseline: int
    points: pd.DataFrame

    def sentence(self) -> str:
        """Whether any reading stands out."""
        outside, runs = int(self.points["outside"].sum()), int(self.points["in_long_run"].sum())
        said = "none lies outside them" if outside == 0 else f"{outside} lie(s) outside them"
        shift = f"; {runs} readings belong to a run of {LONG_RUN} or more on one side" if runs else ""
        return (
            f"{len(self.points)} readings of one client around {figure_text(self.centre)} {self.unit}, limits "
            f"{figure_text(self.lower_limit)} to {figure_text(self.upper_limit)} {self.unit} from the moving range of "
            f"the first {self.n_baseline}: {said}{shift}. A signal asks for a reason; it does not give one."
        )

    def table(self) -> pd.DataFrame:
        """One row a reading."""
        return self.points


def _in_long_run(side: np.ndarray[Any, np.dtype[np.float64]]) -> list[bool]:
    """For each reading whether it belongs to eight or more in a row on one side; one on the centre does not count."""
    off = pd.Series(side)[side != 0]
    long = off.groupby((off != off.shift()).cumsum()).transform("size") >= LONG_RUN
    return [bool(at) for at in long.reindex(range(len(side)), fill_value=False)]


def run_chart(values: Any, *, unit: str, n_baseline: int | None = None) -> RunChart:
    """A run chart of individuals with moving-range limits.

    Args:
        values: one client's readings in the order of time, in `unit`.
        unit: of the readings.
        n_baseline: how many of the first readings set centre and limits (at least five; all of them if left out).

    Raises:
        ToolkitError: something is not a number, or the baseline is longer than the readings.
        NotEnoughError: fewer than five readings in the baseline, or all of them the same.

    Source: Shewhart (1931); Wheeler (2000) Understanding Variation (individuals and moving range; runs of eight).

    Example:
        >>> chart = run_chart([30, 32, 31, 30, 33, 31, 45], unit="deg", n_baseline=6)
        >>> round(chart.upper_limit, 2), int(chart.points["outside"].sum())
        (35.95, 1)
    """
    read = checked_differences(values, fewest=1)
    base = len(read) if n_baseline is None else n_baseline
    if base > len(read):
        raise ToolkitError(f"A baseline of {base} readings was asked for, but there are {len(read)}.")
    if base < 5:
        raise NotEnoughError(f"{base} reading(s) to set the limits by: at least five are needed. Read more often.")
    moving = np.abs(np.diff(read))
    typical = float(moving[: base - 1].mean())
    if typical == 0:
        raise NotEnoughError(f"The first {base} readings are all the same: they give no limits. Check the instrument.")
    centre = float(read[:base].mean())
    low, high = centre - LIMIT_FACTOR * typical, centre + LIMIT_FACTOR * typical
    points = pd.DataFrame(
        {
            "order": np.arange(1, len(read) + 1),
            "value": read,
            "moving_range": np.concatenate([[np.nan], moving]),
            "outside": (read < low) | (read > high),
            "in_long_run": _in_long_run(np.sign(read - centre)),
        }
    )
    return RunChart(unit=unit, centre=centre, lower_limit=low, upper_limit=high, n_baseline=base, points=points)
