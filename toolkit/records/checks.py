"""What rows say about each other: rows that come twice, rows that contradict, sides that do not fit."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from toolkit.records.ledger import Ledger, Why
from toolkit.records.mapping import DETAILS, READING_FIELDS
from toolkit.records.texts import from_texts, plain, row_keys

SAME_PLACE = (
    "session_id",
    "client",
    "date",
    "day",
    "region",
    "treated_side",
    "intervention",
    "measure",
    "measured_side",
)
_EVERYTHING = (*SAME_PLACE, "practitioner", "site", "order", *READING_FIELDS, *DETAILS)
_ONE_PER_SESSION = ("client", "date", "day", "practitioner", "order")


def set_repeats_aside(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Rows equal in everything: the first is kept, the others set aside with the file and row of the first."""
    shared = np.flatnonzero(_shared(row_keys(frame, SAME_PLACE)))
    if not len(shared):
        return frame
    some = frame.iloc[shared]
    codes = row_keys(some, _EVERYTHING)
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    origin = first[inverse]
    again = origin != np.arange(len(some))
    if not again.any():
        return frame
    files, rows = some["file"].astype(str).to_numpy(dtype=object), some["row"].to_numpy()
    reasons = tuple(f"the same as {files[mine]} row {rows[mine]}" for mine in origin[again])
    why = Why(column="(whole row)", reason=reasons, remedy="nothing to do: the first is kept")
    ledger.note(some.loc[again], why=why)
    kept: pd.DataFrame = frame.drop(index=some.index[again])
    return kept


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
    return frame.assign(session_id=from_texts(joined.tolist()))


def set_contradictions_aside(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Sessions with two clients, dates, practitioners or orders, and measured sides with two sets of readings."""
    for name in _ONE_PER_SESSION:
        why = Why(
            column=name,
            reason=f"one session with more than one {name}",
            remedy="correct the rows of this session, or give its parts session numbers of their own",
        )
        several = _differing_sessions(frame, name)
        if several.any():
            frame = ledger.take_out(
                frame, several, why=why, value=frame["session_id"].astype(str).to_numpy(dtype=object)
            )
    why = Why(
        column="(readings)",
        reason="the same session, measure and side stands in several rows that differ",
        remedy="keep the row that is right, or give two sessions of one day a session_id each",
    )
    return ledger.take_out(frame, _shared(row_keys(frame, SAME_PLACE)), why=why)


def _shared(keys: np.ndarray) -> np.ndarray:
    """True for keys that come more than once."""
    series = pd.Series(keys)
    return series.duplicated(keep=False).to_numpy() if not series.is_unique else np.zeros(len(keys), dtype=bool)


def _differing_sessions(frame: pd.DataFrame, name: str) -> np.ndarray:
    """True for all rows of sessions whose rows differ in a column."""
    session, code = row_keys(frame, ["session_id"]), row_keys(frame, [name])
    first = np.zeros(int(session.max(initial=0)) + 1, dtype=np.int64)
    first[session[::-1]] = code[::-1]
    odd = np.zeros(len(first), dtype=bool)
    odd[session[code != first[session]]] = True
    differing: np.ndarray = odd[session]
    return differing


def flag_copies(frame: pd.DataFrame, ledger: Ledger) -> None:
    """The same readings of one measured side under several regions or interventions: one change would count twice."""
    place = ("session_id", "measure", "measured_side", *READING_FIELDS)
    some = frame.loc[_shared(row_keys(frame, place[:3]))]
    copies = some.loc[_shared(row_keys(some, place))]
    what = "the same readings stand under another region or intervention of this session: join them with + in one row"
    ledger.flag(copies, column="region", value=copies["region"].astype(str).to_numpy(dtype=object), what=what)


def flag_near_clients(frame: pd.DataFrame, ledger: Ledger, *, told: Collection[str] = ()) -> None:
    """Propose clients that may be one ("C-012" and "C12", "124" and "124 (new)"); they are never merged alone.

    `told` are spellings the user has spoken of already.
    """
    counts = frame["client"].astype(str).value_counts()
    for names in near_clients(list(counts.index)):
        if any(plain(name) in told for name in names):
            continue
        main, *others = sorted(names, key=lambda name: (-counts[name], len(name)))
        quoted = " and ".join(f'"{name}"' for name in (main, *others))
        lines = ", ".join(f'"{name}" = "{main}"' for name in others)
        what = f"{quoted} may be one client; kept apart until columns.toml says [values.client] {lines}"
        ledger.flag(
            frame.loc[(frame["client"] == others[0]).to_numpy()].head(1), column="client", value=others[0], what=what
        )


def near_clients(names: Sequence[str]) -> list[list[str]]:
    """Groups of spellings that differ only in signs, leading zeros or a note in brackets.

    Example:
        >>> near_clients(["C-012", "C12", "C-013", "124", "124 (new)"])
        [['C-012', 'C12'], ['124', '124 (new)']]
    """
    groups: dict[str, list[str]] = {}
    for name in names:
        bare = re.sub(r"[(\[].*?[)\]]", " ", name).casefold()
        key = re.sub(r"[^a-z0-9\u00c0-\uffff]", "", re.sub(r"(?<!\d)0+(?=\d)", "", bare))
        groups.setdefault(key or name, []).append(name)
    return [found for found in groups.values() if len(found) > 1]
