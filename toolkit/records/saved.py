"""Records as a file, and the picture of their accounts."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.safe_text import safe_for_spreadsheets
from toolkit.writing import table_maker, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ENDINGS = (".csv", ".xlsx", ".parquet")


def save_readings(records: Any, path: Path, *, replace: bool = False) -> Path:
    """Write the readings of records, as the path's ending says.

    Raises
    ------
    ToolkitError
        The ending is another one, the folder does not exist, or the file is somebody else's.
    """
    ending = path.suffix.lower()
    if ending == ".csv":
        return write_file(path, table_maker(records.readings), replace=replace)
    if ending == ".parquet":
        return write_file(path, lambda place: records.readings.to_parquet(place, index=False), replace=replace)
    if ending == ".xlsx":
        return write_file(path, _workbook(records), replace=replace)
    raise ToolkitError(f"'{path.name}' ends in '{ending}', which nothing here writes. Choose {', '.join(_ENDINGS)}.")


def _workbook(records: Any) -> bytes:
    """Three sheets: the readings, what was set aside and why, what each column holds."""
    page = io.BytesIO()
    sheets = {"readings": records.readings, "set aside": records.set_aside, "columns": records.columns}
    with pd.ExcelWriter(page, engine="openpyxl") as book:
        for name, frame in sheets.items():
            safe_for_spreadsheets(frame).to_excel(book, sheet_name=name, index=False)
    return page.getvalue()


def accounts_figure(accounts: pd.DataFrame) -> Figure:
    """A bar a line of the accounts: readings kept, and set aside by reason."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 0.8 + 0.35 * len(accounts)), layout="constrained")
    axes = figure.subplots()
    place = range(len(accounts))[::-1]
    colours = ["#1f4e79" if what == "kept" else "0.6" for what in accounts["what"]]
    bars = axes.barh(list(place), accounts["readings"], color=colours)
    axes.bar_label(bars, padding=3)
    axes.set_yticks(list(place), list(accounts["what"]))
    axes.set_xlabel("Readings")
    axes.spines[["top", "right"]].set_visible(False)
    return figure
