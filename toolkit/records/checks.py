"""What rows say about each other: rows that come twice, rows that contradict, sides that do not fit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.records.ledger import Ledger, Why
from toolkit.records.mapping import DETAILS, READING_FIELDS
from toolkit.records.texts import group_codes

SAME_PLACE = ("session_id", "client", "date", "day", "region", "treated_side", "intervention", "measure", "measured_side")
_EVERYTHING = (*SAME_PLACE, "practitioner", "site", "order", *READING_FIELDS, *DETAILS)
_ONE_PER_SESSION = ("client", "date", "day", "practitioner", "order")


def set_repeats_aside(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Rows equal in everything: the first is kept, the others set aside with the file and row of the first."""
    codes = group_codes(frame, _EVERYTHING)
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    mine = first[inverse]
    again = mine != np.arange(len(frame))
    if not again.any():
        return frame
    files, rows = frame["file"].astype(str).to_numpy(dtype=object), frame["row"].to_numpy()
    origin = mine[again]
    reasons = tuple(f"the same as {files[place]} row {rows[place]}" for place in origin)
    remedy = "nothing to do: the first is kept"
    ledger.note(frame.loc[again], why=Why(column="(whole row)", reason=reasons, remedy=remedy))
    return frame.loc[~again]


def own_sessions(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """session_id made unique where an export numbers the sessions of each client from 1."""
    pairs = frame[["session_id", "client"]].drop_duplicates()
    clients = pairs["session_id"].value_counts()
    if len(clients) < 2 or (clients > 1).mean() <= 0.5:
        return frame
    joined = frame["client"].astype(str) + " " + frame["session_id"].astype(str)
    first = str(frame["file"].iloc[0])
    what = "most session numbers stand for several clients: each client's sessions are taken as numbered on their own"
    ledger.flag_file(first, column="session_id", what=what)
    return frame.assign(session_id=pd.Categorical(joined))


def set_contradictions_aside(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Sessions with two clients, dates, practitioners or orders, and measured sides with two sets of readings."""
    session = group_codes(frame, ["session_id"])
    for name in _ONE_PER_SESSION:
        pair = group_codes(frame.assign(_session=session), ["_session", name])
        several = _has_several(session, pair)
        why = Why(
            column=name,
            reason=f"one session with more than one {name}",
            remedy="correct the rows of this session, or give its parts session numbers of their own",
        )
        kept = ~several[session] if len(several) else np.ones(len(frame), dtype=bool)
        if not kept.all():
            frame = ledger.take_out(frame, ~kept, why=why, value=frame["session_id"].astype(str).to_numpy())
            session = group_codes(frame, ["session_id"])
    return _readings_twice(frame, ledger)


def _has_several(group: np.ndarray, pair: np.ndarray) -> np.ndarray:
    """For each group, whether it holds more than one distinct pair."""
    _, first = np.unique(pair, return_index=True)
    return np.bincount(group[first], minlength=int(group.max(initial=-1)) + 1) > 1


def _readings_twice(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Two rows for the same session, region, intervention, measure and side with different content."""
    place = group_codes(frame, SAME_PLACE)
    several = np.bincount(place, minlength=1)[place] > 1 if len(frame) else np.zeros(0, dtype=bool)
    why = Why(
        column="(readings)",
        reason="the same session, measure and side stands in several rows that differ",
        remedy="keep the row that is right; a second reading before belongs into before_2",
    )
    return ledger.take_out(frame, several, why=why)
