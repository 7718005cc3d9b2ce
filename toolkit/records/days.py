"""Days since the client's first visit: from the dates, as given where there is no date."""

from __future__ import annotations

from typing import Any

import pandas as pd


def days_since_first(dates: pd.Series[Any], client: Any) -> pd.Series[float]:
    """Whole days since each client's earliest date; missing where there is no date.

    Examples
    --------
    >>> days_since_first(pd.Series(pd.to_datetime(["2026-03-11", "2026-03-04", None])), ["A", "A", "B"]).tolist()
    [7.0, 0.0, nan]
    """
    when = pd.to_datetime(dates)
    who = pd.Series(client, index=when.index) if not isinstance(client, pd.Series) else client
    return (when - when.groupby(who).transform("min")).dt.days.astype(float)


def visit_days(rows: pd.DataFrame) -> pd.Series[float]:
    """The same for tidy rows: from `date`, else from `day` where the rows have it."""
    days = days_since_first(rows["date"], rows["client"].astype(str))
    return days.fillna(rows["day"].astype(float)) if "day" in rows else days
