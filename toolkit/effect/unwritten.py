"""What the whole file says of sessions that a question has no row of: other measures, numbers that are left out."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.records.coded_texts import among, below_each_other, each_once, first_of_each, repeated, running_numbers
from toolkit.records.texts import group_codes

FEWEST_GONE, MOST_GONE = 3, 0.5  # session numbers left out, and their share of those there: more is an extract


def with_unwritten(
    compared: Compared, rows: pd.DataFrame, *, region: str, intervention: str, lost: pd.DataFrame | None = None
) -> Compared:
    """The comparison with the sessions of its draw in which only other measures were read, and numbers left out.

    Parameters
    ----------
    compared
        A comparison of orders that were drawn; any other comes back as it is.
    rows
        Tidy rows of the whole file, of all measures.
    region, intervention
        What the question asks about ("any" region: all).
    lost
        Rows that were set aside whole: their numbers are there.
    """
    if compared.basis != "randomised_order":
        return compared
    same = (rows["intervention"] == intervention) & rows["order"].isin(("technique_first", "wait_first"))
    here = among(rows["session_id"], compared.rows["session_id"])
    if region != "any":
        same &= rows["region"] == region
    other = rows.loc[same.to_numpy() & ~here]
    named = ["session_id", "client"]
    sessions = each_once(rows[named])
    if lost is not None and not lost.empty:
        sessions = _with_others(sessions, each_once(lost[named].astype("str")))
    return replace(compared, unread=first_of_each(other, named), numbers_gone=numbers_left_out(sessions))


def _with_others(sessions: pd.DataFrame, others: pd.DataFrame) -> pd.DataFrame:
    """Sessions, each once, and those of a few others that are not among them; a session's name is a text again."""
    names = sessions["session_id"].astype("str")
    there = sessions[pd.Series(names).isin(others["session_id"]).to_numpy()].astype("str")
    known = set(zip(there["session_id"], there["client"], strict=True))
    new = [pair not in known for pair in zip(others["session_id"], others["client"], strict=True)]
    both = below_each_other([sessions[["client"]], others.loc[new, ["client"]]])
    return both.assign(session_id=pd.concat([names, others.loc[new, "session_id"]]).array)


def numbers_left_out(sessions: pd.DataFrame) -> int:
    """How many session numbers are not there, between the first and the last of each client (or of the clinic).

    0 where sessions bear no running numbers, where hardly one is left out, or so many that the file is an extract.

    Parameters
    ----------
    sessions
        client and session_id, one row a session.

    Examples
    --------
    >>> clients = [client for client in "abcd" for _ in range(4)]
    >>> numbers = [f"{client}-{number}" for client in "abcd" for number in (1, 2, 4, 5)]
    >>> numbers_left_out(pd.DataFrame({"client": clients, "session_id": numbers}))
    4
    """
    head, numbers = running_numbers(sessions["session_id"], digits=9, before=40, only_signs=False)
    if not len(numbers) or (numbers < 0).any():
        return 0
    of_client = sessions[["client"]].assign(head=head)
    for group in (head, group_codes(of_client, ["head", "client"])):
        if not repeated(pd.DataFrame({"number": numbers, "group": group}), ["number", "group"]):
            of = pd.Series(numbers).groupby(group).agg(["min", "max", "size"])
            gone = int((of["max"] - of["min"] + 1 - of["size"]).sum())
            return gone if FEWEST_GONE <= gone <= MOST_GONE * len(sessions) else 0
    return 0
