"""A sealed schedule, accounted for line by line: kept, worked in the other order, not written down, reading missing."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.draw_check import DrawCheck

STATUSES = ("kept", "reading missing", "other order", "not written down", "not on the schedule")
MOST_UNKEPT = 0.2


@dataclass(frozen=True, eq=False, kw_only=True)
class Account:
    """Every line up to the last session that each client's records hold, and what is noted as opened after it.

    `lines`: client, session, drawn, written, status. `lost`: drawn sessions of which nothing is written down, as rows
    for `flow.flow_of`.
    """

    lines: pd.DataFrame
    lost: pd.DataFrame

    def count(self, status: str) -> int:
        """Lines with this status."""
        return int((self.lines["status"] == status).sum())

    @property
    def says(self) -> str:
        """The account in words."""
        told = ", ".join(f"{self.count(status)} {status}" for status in STATUSES if self.count(status))
        return f"Drawn and sealed: of {len(self.lines)} opened lines, {told}; the comparison goes by what was drawn."

    def instead_of(self, draw: DrawCheck) -> DrawCheck:
        """The draw check's outcome where a schedule speaks: sealed and kept, unless much was worked otherwise."""
        unkept = self.count("other order") + self.count("not on the schedule")
        kept = unkept <= MOST_UNKEPT * max(len(self.lines), 1)
        return replace(
            draw,
            verdict="sealed and kept" if kept else "looks drawn",
            patterns=(),
            says=self.says if kept else f"{self.says} Much was not worked as drawn, which dilutes any difference.",
        )


def by_schedule(compared: Compared, schedule: pd.DataFrame) -> tuple[Compared, Account]:
    """The comparison by what was drawn, whatever was written, and the account of the schedule.

    Parameters
    ----------
    compared
        First periods by the order written down.
    schedule
        client, session (1, 2, …), order, from the opened seals; `opened` (is it noted that the line was opened?) where
        that is known.

    Notes
    -----
    Sessions are matched by the number at the end of their session_id where it fits the schedule's lines, else by the
    client's visits in order. Sessions that no line covers are left out. A session worked in the other order stays in
    the arm that was drawn for it.
    """
    lines = schedule.assign(client=schedule["client"].astype(str), session=schedule["session"].astype(int))
    rows = compared.rows.assign(session=_numbers(compared.rows, lines))
    drawn = rows[["client", "session"]].merge(lines, on=["client", "session"], how="left")["order"].to_numpy()
    known = pd.notna(drawn)
    arm = np.where(drawn == "technique_first", 1.0, 0.0)
    kept = rows.assign(written=rows["arm"], arm=arm)[known]
    source = None if compared.source is None else compared.source[known].reset_index(drop=True)
    account = _account(rows, kept, lines)
    return replace(
        compared, rows=kept.drop(columns=["session", "written"]).reset_index(drop=True), source=source
    ), account


def _numbers(rows: pd.DataFrame, lines: pd.DataFrame) -> np.ndarray:
    """The number of each row's session on the schedule."""
    ends = rows["session_id"].astype(str).str.extract(r"(\d+)\s*$")[0].astype(float)
    per_client = rows.assign(number=ends).drop_duplicates(["client", "session_id"])
    distinct = not per_client.duplicated(["client", "number"]).any()
    if ends.notna().all() and distinct and ends.max() <= max(lines["session"].max(), 1):
        return ends.to_numpy(dtype=int)
    sessions = rows[["client", "session_id", "date"]].drop_duplicates(["client", "session_id"])
    sessions = sessions.sort_values(["client", "date", "session_id"], kind="stable")
    sessions["number"] = sessions.groupby("client").cumcount() + 1
    return rows.merge(sessions, on=["client", "session_id"], how="left")["number"].to_numpy(dtype=int)


def _account(rows: pd.DataFrame, kept: pd.DataFrame, lines: pd.DataFrame) -> Account:
    """The status of every line up to the client's last written session, and of sessions that no line covers."""
    last = rows.groupby("client")["session"].max()
    up_to = lines["session"] <= lines["client"].map(last).astype(float).fillna(0)
    noted = lines["opened"].astype(bool) if "opened" in lines else pd.Series(False, index=lines.index)
    due = lines[up_to | noted]
    held = kept.groupby(["client", "session"]).agg(y=("y", "mean"), written=("written", "first")).reset_index()
    both = due.merge(held, on=["client", "session"], how="left", indicator=True)
    written = both["written"].map({1.0: "technique_first", 0.0: "wait_first"})
    absent = (both["_merge"] == "left_only").to_numpy()
    status = np.select(
        [absent, (written != both["order"]).to_numpy(), both["y"].isna().to_numpy()],
        ["not written down", "other order", "reading missing"],
        "kept",
    )
    told = pd.DataFrame(
        {
            "client": both["client"],
            "session": both["session"],
            "drawn": both["order"],
            "written": written,
            "status": status,
        }
    )
    beyond = rows.merge(lines, on=["client", "session"], how="left")
    beyond = beyond[beyond["order"].isna()].drop_duplicates(["client", "session"])
    extra = beyond[["client", "session"]].assign(drawn="", written="", status=STATUSES[-1])
    gone = both[absent]
    practitioner = rows.groupby("client")["practitioner"].first().astype(str)
    lost = pd.DataFrame(
        {
            "client": gone["client"],
            "session_id": gone["client"] + " line " + gone["session"].astype(str),
            "practitioner": gone["client"].map(practitioner).fillna(""),
            "order": gone["order"],
            "reason": "drawn, and nothing written down",
        }
    )
    return Account(lines=pd.concat([told, extra], ignore_index=True), lost=lost)
