"""The frames that records hand out: one row a measured side of a session, one row a reading, one row a client.

In these frames what is missing is missing (never an empty word), words are categories, and every column is documented
in `COLUMNS`.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.records.codebook import Codebook
from toolkit.safe_text import safe_for_spreadsheets
from toolkit.writing import table_maker, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure


COLUMNS: Mapping[str, str] = {
    "file": "file the row came from",
    "row": "row of the sheet, as a spreadsheet counts it",
    "session_id": "one visit of one client",
    "client": "pseudonym",
    "practitioner": "who treated",
    "site": "one clinic of several",
    "date": "date of the visit",
    "day": "whole days since the client's first visit",
    "visit": "1, 2, 3 … in the order of the client's visits",
    "region": "region treated, a codebook name or the user's own; several joined by ' + '",
    "treated_side": "left, right, both or none",
    "intervention": "what was done; measured_only is a session without treatment",
    "order": "technique_first or wait_first, where it was drawn",
    "measure": "what was read, a codebook name",
    "measured_side": "left, right or none",
    "unit": "unit of the readings of this row",
    "better": "which direction of the measure is an improvement: higher or lower (codebook)",
    "before": "first reading before, in `unit`; signs are 1 (present) and 0 (absent)",
    "before_2": "second reading before, in `unit`",
    "after_wait": "reading after a rest as long as the treatment, untreated, in `unit`",
    "after": "reading after the treatment, in `unit`",
    "examiner": "who took the reading after",
    "examiner_blinded": "whether the examiner knew what was done: yes, no or unknown",
    "side_drawn": "yes where the treated side was drawn at random",
    "comfort": "how comfortable it was, 0 to 10",
    "adverse_event": "none, or what happened",
    "position": "seated, prone, supine, side_lying or standing",
    "tissue_length": "lengthened, neutral or shortened",
    "head": "head of the device",
    "setting": "setting of the device",
    "minutes": "minutes of treatment",
    "time_of_day": "when the visit began, hours since midnight (9.5 is half past nine)",
    "marks": "marks kept with the readings: 'before:noted after:same'; noted, about, limit, range or same",
}
PHASES = ("before", "before_2", "after_wait", "after")
_PLAIN = ("session_id", "client")
_NUMBERS = ("row", "date", "day", "visit", *PHASES, "comfort", "minutes", "time_of_day")


def readings_frame(rows: pd.DataFrame, codebook: Codebook) -> pd.DataFrame:
    """The tidy rows as a reader expects them: missing is missing, words are categories, `better` beside the measure."""
    better = codebook.measures.set_index("measure")["better"].to_dict()
    frame = rows.assign(better=rows["measure"].astype(object).map(better))
    columns = [name for name in COLUMNS if name in frame.columns]
    found: dict[str, pd.Series] = {}
    for name in (*columns, *(name for name in frame.columns if name not in COLUMNS)):
        column = frame[name]
        if name in _NUMBERS or pd.api.types.is_numeric_dtype(column) or pd.api.types.is_datetime64_any_dtype(column):
            found[name] = column
            continue
        if name in _PLAIN:
            found[name] = column.astype("str").mask(column == "")
            continue
        words = column.astype("category")
        found[name] = words.cat.remove_categories([""]) if "" in words.cat.categories else words
    return pd.DataFrame(found)


def long_frame(readings: pd.DataFrame) -> pd.DataFrame:
    """One row a reading: what `readings` says of its side and session, then `phase` and `value`; only those taken."""
    about = [name for name in readings.columns if name not in PHASES]
    phases = [name for name in PHASES if name in readings.columns]
    long = readings.reset_index(names="_place").melt(
        id_vars=["_place", *about], value_vars=phases, var_name="phase", value_name="value"
    )
    long["phase"] = pd.Categorical(long["phase"], categories=phases, ordered=True)
    taken = long.dropna(subset=["value"]).sort_values(["_place", "phase"], kind="stable")
    return taken.drop(columns="_place").reset_index(drop=True)


def changes_frame(
    readings: pd.DataFrame, *, first: str = "before", second: str = "after", by: str | Sequence[str] | None = None
) -> pd.DataFrame:
    """One row a client and measure (and group of `by`): the mean change of its rows, better is positive.

    Raises
    ------
    ToolkitError
        A column is not there.
    """
    names = [] if by is None else [by] if isinstance(by, str) else list(by)
    absent = [name for name in (first, second, *names) if name not in readings.columns]
    if absent:
        raise ToolkitError(f"There is no column '{absent[0]}'. The columns are: {', '.join(readings.columns)}.")
    keys = list(dict.fromkeys(["client", "measure", "unit", "better", *names]))
    both = readings.dropna(subset=[first, second])
    turned = np.where(both["better"].astype(object) == "lower", -1.0, 1.0)
    grouped = both.assign(change=turned * (both[second] - both[first])).groupby(
        keys, observed=True, dropna=False, sort=True
    )
    return grouped.agg(
        change=("change", "mean"),
        mean_first=(first, "mean"),
        mean_second=(second, "mean"),
        n_rows=("change", "size"),
        n_sessions=("session_id", "nunique"),
    ).reset_index()


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
