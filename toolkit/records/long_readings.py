"""From one row a reading to one row a measured side: readings of one session, measure and side are joined.

Of repeated readings the first two before count (before, before_2), the first after the wait and the first after;
further repeats are set aside with that reason. Averaging them would make the reading after steadier than the one
before, and the measurement error of single readings would no longer describe it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.records.checks import SAME_PLACE
from toolkit.records.layouts import WIDE_COLUMNS, only_paired
from toolkit.records.ledger import Ledger, Why
from toolkit.records.mapping import READING_FIELDS
from toolkit.records.texts import constant, from_texts, group_codes, rows_where

_COLUMN = {("before", 0): "before", ("before", 1): "before_2", ("after_wait", 0): "after_wait", ("after", 0): "after"}


def join_readings(readings: pd.DataFrame, ledger: Ledger) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(rows of one measured side each with `wide_id`, members: wide_id, file and row of every reading joined).

    Args:
        readings: columns of the wide layout's context, phase, reading (0 = no number given), value.
        ledger: takes repeats, contradictions and readings that are not used.
    """
    frame = _numbered(readings)
    frame = _without_repeats(frame, ledger)
    frame = frame.assign(wide_id=group_codes(frame, SAME_PLACE))
    frame = _without_extras(frame, ledger)
    members = frame[["wide_id", "file", "row"]].astype({"file": "str"})
    return only_paired(_wide(frame), ledger), members


def _numbered(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with readings that carry no number counted in their order within a file."""
    blank = frame["reading"].to_numpy() == 0
    if not blank.any():
        return frame
    group = group_codes(frame, ["file", *SAME_PLACE, "phase"])
    counted = pd.Series(group).groupby(group).cumcount().to_numpy() + 1
    return frame.assign(reading=np.where(blank, counted, frame["reading"]))


def _without_repeats(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Equal readings under one number: the first is kept; different ones: all are set aside."""
    key = group_codes(frame, [*SAME_PLACE, "phase", "reading"])
    same = group_codes(frame.assign(_key=key), ["_key", "value"])
    _, first, inverse = np.unique(same, return_index=True, return_inverse=True)
    again = first[inverse] != np.arange(len(frame))
    several = np.bincount(key[~again], minlength=int(key.max(initial=0)) + 1)[key] > 1
    files, rows = frame["file"].astype(str).to_numpy(dtype=object), frame["row"].to_numpy()
    reasons = tuple(f"the same as {files[place]} row {rows[place]}" for place in first[inverse][again & ~several])
    repeat = Why(column="(whole row)", reason=reasons, remedy="nothing to do: the first is kept")
    ledger.note(frame.loc[again & ~several], why=repeat)
    contradiction = Why(
        column="value",
        reason="the same reading stands in several rows with different values",
        remedy="keep the row that is right, or number repeated readings 1, 2, 3 in the column reading",
    )
    once: pd.DataFrame = ledger.take_out(frame, several, why=contradiction).loc[~again[~several]]
    return once


def _without_extras(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """The frame with `target`, the column each reading goes to; further repeats are set aside."""
    frame = frame.sort_values("reading", kind="stable")
    place = frame.groupby(group_codes(frame, ["wide_id", "phase"])).cumcount().to_numpy()
    phases = frame["phase"].astype(str).to_numpy(dtype=object)
    target = np.array(
        [_COLUMN.get(pair, "") for pair in zip(phases.tolist(), place.tolist(), strict=True)], dtype="U10"
    )
    why = Why(
        column="reading",
        reason="a further repeat of the reading: the first counts (the first two before)",
        remedy="nothing to do",
    )
    frame = frame.assign(target=target)
    kept = ledger.take_out(frame.drop(columns="wide_id"), target == "", why=why)
    return frame.loc[kept.index].sort_index()


def _joined_marks(frame: pd.DataFrame, row: np.ndarray, length: int) -> pd.Categorical:
    """The marks of the readings joined into each row, under the names of their phases."""
    texts = np.full(length, "", dtype=object)
    marked = rows_where(frame["marks"], bool)
    targets = frame["target"].to_numpy()
    for place in np.flatnonzero(marked).tolist():
        said = str(frame["marks"].iloc[place]).replace("value:", f"{targets[place]}:")
        texts[row[place]] = f"{texts[row[place]]} {said}".strip()
    return from_texts(texts.tolist()) if length else constant("", 0)


def _wide(frame: pd.DataFrame) -> pd.DataFrame:
    """One row a `wide_id`: context from the reading after where there is one (who re-measured), else from the first."""
    ids, first, inverse = np.unique(frame["wide_id"].to_numpy(), return_index=True, return_inverse=True)
    told = first.copy()
    after = np.flatnonzero((frame["target"] == "after").to_numpy())
    told[inverse[after]] = after
    wide = frame.iloc[told].reset_index(drop=True)
    wide["file"], wide["row"] = frame["file"].iloc[first].to_numpy(), frame["row"].to_numpy()[first]
    wide["readings"] = np.bincount(inverse, minlength=len(ids))
    target, value = frame["target"].to_numpy(), frame["value"].to_numpy()
    for name in READING_FIELDS:
        column = np.full(len(ids), np.nan)
        chosen = target == name
        column[inverse[chosen]] = value[chosen]
        wide[name] = column
    wide["marks"] = _joined_marks(frame, inverse, len(ids))
    return wide[[*WIDE_COLUMNS, "wide_id"]]
