"""What the figures draw: the frames they are given, and what they ask of them.

The audit fills it, the report reads it. A figure whose data are missing is left out and the report says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.looks.words import is_missing, scale_of


@dataclass(frozen=True, kw_only=True, eq=False)
class AgreementPairs:
    """Two readings of the same side by the same ruler, and what was computed from them.

    `pairs` has the columns client, first, second. `lines` has the columns line (a name in words), value, ci_low,
    ci_high: the mean difference (second − first) and the limits of agreement, in the measure's unit.
    """

    pairs: pd.DataFrame
    lines: pd.DataFrame


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotData:
    """Frames to draw from.

    before_after: by finding id; one row a client, columns client, first, second (the client's mean readings, in the
        measure's unit), change (oriented so that better is positive), beyond_mdc (True, False, or NA where unknown).
    sessions: by finding id; one row a session's side, columns client, change (oriented), from the same reading on.
    agreement: by measure; pairs of readings and their limits of agreement.
    balance: by finding id; columns characteristic, difference (in SDs, technique − comparison), ci_low, ci_high.
    overlap: by finding id, where the comparison was not drawn; one row a session, columns group, score (the chance to
        be one of the comparison, from what was known before).
    draws: by finding id, where something was drawn; one row a draw, columns label (1 = technique first), visit, when.
    """

    before_after: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    sessions: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    agreement: Mapping[str, AgreementPairs] = field(default_factory=dict)
    balance: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    overlap: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    draws: Mapping[str, pd.DataFrame] = field(default_factory=dict)


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
