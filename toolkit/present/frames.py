"""What the figures ask of the frames they are given."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.present.words import is_missing, scale_of


def need_columns(frame: pd.DataFrame, columns: Sequence[str], *, what: str) -> None:
    """Refuse a frame that lacks a column, naming it.

    Raises:
        ToolkitError: a column is missing.
    """
    lacking = [column for column in columns if column not in frame.columns]
    if lacking:
        raise ToolkitError(
            f"The {what} needs the column(s) {', '.join(lacking)}, which its table does not have. "
            f"It draws from: {', '.join(columns)}."
        )


def maybe(value: object) -> float | None:
    """A number, or None where there is none."""
    return None if is_missing(value) else float(str(value))


def for_reading(frame: pd.DataFrame, columns: Sequence[str], *, unit: str) -> pd.DataFrame:
    """The frame with its numbers as they are shown: shares of a sign in percentage points, all others as they are."""
    if scale_of(unit) == 1.0:
        return frame
    numbers = {column: pd.to_numeric(frame[column]) * scale_of(unit) for column in columns if column in frame}
    return frame.assign(**numbers)
