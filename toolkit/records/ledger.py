"""The accounts of an export: which rows and readings were set aside, which were only flagged, and why.

Every row that comes in is either kept or set aside with a reason and a remedy; `Ledger` collects the entries while
the export is read, and never loses one. An entry of scope "row" takes a whole row of the sheet with it, one of
scope "reading" only one reading (the other readings of that row may be kept).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

SET_ASIDE_COLUMNS = ["file", "row", "column", "value", "reason", "remedy", "scope", "readings"]
FLAG_COLUMNS = ["file", "row", "column", "value", "what"]
_MOST_FLAGS_OF_A_KIND = 1000


@dataclass(frozen=True, kw_only=True)
class Why:
    """Why something was set aside, in the column where it was seen, and what the practitioner can do about it.

    `reason` is one text for all rows, or one a row.
    """

    column: str
    reason: str | tuple[str, ...]
    remedy: str


@dataclass
class Ledger:
    """Collects entries while an export is read. `where` frames carry the columns file, row and readings.

    `sheets`: each sheet's raw rows with its mapping and words, for what lost rows still tell (see `lost_rows`).
    """

    entries: list[pd.DataFrame] = field(default_factory=list)
    flagged: list[pd.DataFrame] = field(default_factory=list)
    sheets: list[Any] = field(default_factory=list)

    def take_out(self, where: pd.DataFrame, mask: np.ndarray, *, why: Why, value: Any = "") -> pd.DataFrame:
        """Set the masked rows of `where` aside for one reason and return the others.

        Args:
            where: rows with columns file, row and readings (how many readings go with the row).
            mask: boolean array, one per row of `where`; True = set aside.
            why: column, reason and remedy.
            value: what stood in the cell: one text, or an array with one per row of `where`.
        """
        if not mask.any():
            return where
        self.note(where.loc[mask], why=why, value=_chosen(value, mask))
        return where.loc[~mask]

    def note(self, where: pd.DataFrame, *, why: Why, value: Any = "") -> None:
        """Write one entry for each row of `where` (file, row, readings) without changing it."""
        if not len(where):
            return
        reasons = why.reason if isinstance(why.reason, str) else list(why.reason)
        entry = pd.DataFrame({"file": where["file"].astype(str).to_numpy(), "row": where["row"].to_numpy()})
        entry["column"], entry["value"] = why.column, value
        entry["reason"], entry["remedy"], entry["scope"] = reasons, why.remedy, "row"
        entry["readings"] = where["readings"].to_numpy()
        if "wide_id" in where:
            entry["wide_id"] = where["wide_id"].to_numpy()
        self.entries.append(entry)

    def flag(self, where: pd.DataFrame, *, column: str, value: Any, what: str) -> None:
        """Note something worth knowing about kept rows (file, row); at most 1,000 lines of one kind, then a count."""
        if not len(where):
            return
        shown = where.iloc[:_MOST_FLAGS_OF_A_KIND]
        values = value if isinstance(value, str) else np.asarray(value, dtype=object)[:_MOST_FLAGS_OF_A_KIND]
        entry = pd.DataFrame({"file": shown["file"].astype(str).to_numpy(), "row": shown["row"].to_numpy()})
        entry["column"], entry["value"], entry["what"] = column, values, what
        self.flagged.append(entry)
        if len(where) > len(shown):
            more = f"{what} ({len(where) - len(shown)} further rows not listed)"
            self.flag_file(str(shown["file"].iloc[-1]), column=column, what=more)

    def flag_file(self, file: str, *, column: str, what: str, row: int = 0, value: str = "") -> None:
        """Note something about a whole file or column; row 0 means no row in particular."""
        line = {"file": file, "row": row, "column": column, "value": value, "what": what}
        self.flagged.append(pd.DataFrame([line]))

    def set_aside_frame(self) -> pd.DataFrame:
        """Every entry so far in one frame (with wide_id where an entry is about a row made from several)."""
        return _stacked(self.entries, SET_ASIDE_COLUMNS)

    def flag_frame(self) -> pd.DataFrame:
        """Every flag so far in one frame: file, row, column, value, what."""
        return _stacked(self.flagged, FLAG_COLUMNS)[FLAG_COLUMNS]


def _chosen(value: Any, mask: np.ndarray) -> Any:
    """The values of the masked rows, or the one value for all."""
    return value if isinstance(value, str) else np.asarray(value, dtype=object)[mask]


def _stacked(frames: Sequence[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    """The frames below each other; an empty frame with these columns when there is none."""
    if not frames:
        return pd.DataFrame(
            {name: pd.Series(dtype="int64" if name in ("row", "readings") else "str") for name in columns}
        )
    return pd.concat(frames, ignore_index=True)
