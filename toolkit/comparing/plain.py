"""Values as JSON holds them: no NaN, no numpy, null where there is no number."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame's rows as plain values; None where there is no number."""
    return [{str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")]


def plain(value: Any) -> Any:
    """A value as JSON holds it."""
    if value is None or value is pd.NA:
        return None
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, (str, int, bool)) else str(value)
