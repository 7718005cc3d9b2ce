"""Nothing leaves after the draw: every session that was drawn, by arm, from the rows of the file to the estimate.

What was drawn and has no usable change, for whatever reason, comes back as a row without one and enters the bound:
rows set aside whole, sessions without an order or written elsewhere, and those that the count of a fair draw misses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import Compared
from toolkit.quantiles import fisher_p
from toolkit.records.coded_texts import below_each_other, repeated

ARMS = (1.0, 0.0)
TOO_FEW = ((200, -1.28), (70, -1.64), (0, -2.33))  # from so many sessions on: z of the number treated first
CLEARLY_TOO_FEW = -2.33
NUMBERS_GONE = -1.0  # the same where session numbers are left out
MOST_ELSEWHERE = 0.5  # of the sessions here: what is more is no leftover
UNLIKE = 0.01
FEWEST_UNREAD = 3
STEPS = (
    "drawn",
    "row set aside whole",
    "order not written",
    "written elsewhere",
    "not there, by the count",
    "no reading before",
    "no reading after",
    "in the estimate",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Flow:
    """How many sessions of each arm came how far.

    `steps`: one row a step and arm: step, arm ("technique", "comparison"), n, why; counted when asked for, from
    `parts` (rows, set aside whole, without an order, written elsewhere, not there by the count). `complete`: the
    comparison with every lost session back as a row (`y` missing), those without an order where readings put them.
    """

    parts: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]
    complete: Compared
    n_lost: tuple[int, int]

    @cached_property
    def steps(self) -> pd.DataFrame:
        """Sessions by step and arm."""
        return _steps(*self.parts)

    @property
    def says(self) -> str:
        """The losses by arm, in words."""
        gone = self.complete.numbers_gone
        return _says(self.steps) + f" {gone} session numbers are left out in the file." * bool(gone)

    def count(self, step: str, arm: str) -> int:
        """Sessions of one step and arm."""
        of = self.steps
        return int(of.loc[(of["step"] == step) & (of["arm"] == arm), "n"].sum())


def flow_of(
    compared: Compared, *, lost: pd.DataFrame | None = None, share: float | None = None, counted: bool = True
) -> Flow:
    """Account for every drawn session, and bring back those that have no change.

    Parameters
    ----------
    compared
        The compared rows.
    lost
        Rows of the same question that were set aside whole: client, session_id, practitioner, date, order (or
        intervention by arm, as `arm`), reason.
    share
        Share of technique first that was meant to be drawn; a half where it is not said.
    counted
        Ask the count for sessions that are not there? Not where a schedule already tells.
    """
    rows = compared.rows.assign(uncounted=False, why="")
    gone = _set_aside(compared, lost)
    unclear = _without_order(compared)
    moved = below_each_other([_elsewhere(compared), _unread(compared)])
    missing = _nothing(compared)
    if counted:
        missing = _missing_by_count(compared, below_each_other([rows, gone, unclear, moved]), share)
    parts = [part for part in (rows, gone, unclear, moved, missing) if len(part)]
    everything = below_each_other(parts) if len(parts) > 1 else rows
    n_lost = tuple(int((everything["y"].isna() & (everything["arm"] == arm)).sum()) for arm in ARMS)
    return Flow(
        parts=(rows, gone, unclear, moved, missing),
        complete=replace(compared, rows=everything, source=None),
        n_lost=(n_lost[0], n_lost[1]),
    )


def _set_aside(compared: Compared, lost: pd.DataFrame | None) -> pd.DataFrame:
    """Rows set aside whole as compared rows without a change; sessions that are there anyway are not lost."""
    if lost is None or lost.empty or compared.basis == "other_side":
        return _nothing(compared)
    there = set(zip(compared.rows["client"], compared.rows["session_id"], strict=True))
    nobody = (lost["client"].astype(str) == "").to_numpy()  # each is somebody's, nobody knows whose
    unnamed = [f"? {place}" for place in range(len(lost))]
    lost = lost.assign(client=np.where(nobody, unnamed, lost["client"].astype(str)))
    keys = zip(lost["client"].astype(str), lost["session_id"].astype(str), strict=True)
    fresh = lost[[key not in there for key in keys]].drop_duplicates(["client", "session_id"])
    if compared.basis == "randomised_side":
        fresh = pd.concat([fresh.assign(arm=1.0), fresh.assign(arm=0.0)])
    elif "arm" not in fresh:
        fresh = fresh.assign(arm=fresh["order"].map({"technique_first": 1.0, "wait_first": 0.0}))
    fresh = fresh.dropna(subset=["arm"])
    return _as_missing(compared, fresh, why=fresh["reason"].astype(str).to_numpy())


def _nothing(compared: Compared) -> pd.DataFrame:
    """No rows, with the columns that lost ones have."""
    return compared.rows.iloc[:0].assign(uncounted=False, why="")


def _as_missing(compared: Compared, fresh: pd.DataFrame, *, why: object, uncounted: bool = False) -> pd.DataFrame:
    """Compared rows without base or change for these sessions."""
    frame = pd.DataFrame(
        {
            "client": fresh["client"].astype(str).to_numpy(),
            "practitioner": fresh["practitioner"].astype(str).to_numpy(),
            "session_id": fresh["session_id"].astype(str).to_numpy(),
            "arm": fresh["arm"].to_numpy(dtype=float),
            "date": pd.to_datetime(fresh["date"]).to_numpy() if "date" in fresh else pd.NaT,
            "has_second": compared.has_second_baseline,
            "blinded": "unknown",
            "y": np.nan,
            "why": why,
            "uncounted": uncounted,
        }
    )
    return frame.reindex(columns=[*compared.rows.columns, "uncounted", "why"])


def _without_order(compared: Compared) -> pd.DataFrame:
    """Sessions without an order where their readings put them: a reading after waiting says that they waited."""
    blank = compared.unclear
    if blank is None or blank.empty:
        return _nothing(compared)
    return _with_readings(compared, blank, blank["after_wait"].notna().to_numpy(), why="order not written")


def _elsewhere(compared: Compared) -> pd.DataFrame:
    """Sessions written under another region or intervention, where their orders are not those of the same draw.

    A few sessions of the same clients, one order far oftener among them than here (Fisher, 1 %): what did not suit may
    have been written there. Many sessions are another question of its own.
    """
    there = compared.elsewhere
    if there is None or not 3 <= len(there) <= MOST_ELSEWHERE * len(compared.rows):
        return _nothing(compared)
    first, here = (there["order"] == "technique_first").to_numpy(), compared.rows["arm"].to_numpy() == 1
    if fisher_p([[int(part.sum()), int((~part).sum())] for part in (first, here)]) > UNLIKE:
        return _nothing(compared)
    return _with_readings(compared, there, ~first, why="written under another region or intervention")


def _unread(compared: Compared) -> pd.DataFrame:
    """Sessions of the same draw that only other measures were read in, where their orders are not those from here."""
    there = compared.unread
    if there is None or len(there) < FEWEST_UNREAD:
        return _nothing(compared)
    first, here = (there["order"] == "technique_first").to_numpy(), compared.rows["arm"].to_numpy() == 1
    if fisher_p([[int(part.sum()), int((~part).sum())] for part in (first, here)]) > UNLIKE:
        return _nothing(compared)
    return _as_missing(compared, there.assign(arm=first.astype(float)), why="only another measure was written")


def _with_readings(compared: Compared, fresh: pd.DataFrame, waited: NDArray[np.bool_], *, why: str) -> pd.DataFrame:
    """Tidy rows as compared rows with their readings, in the arm that is said."""
    blank, sign = fresh, _sign(compared)
    base = blank["before_2"].fillna(blank["before"])
    outcome = blank["after"].where(~waited, blank["after_wait"])
    frame = _as_missing(compared, blank.assign(arm=np.where(waited, 0.0, 1.0)), why=why)
    return frame.assign(
        base=(sign * base).to_numpy(dtype=float),
        gap=(sign * (blank["before"].fillna(blank["before_2"]) - base)).to_numpy(dtype=float),
        has_second=blank["before_2"].notna().to_numpy(),
        y=(sign * (outcome - base)).to_numpy(dtype=float),
    )


def _sign(compared: Compared) -> float:
    """+1 where compared readings stand as they were read, −1 where they were turned round."""
    if compared.source is None:
        return 1.0
    read = compared.source["before_2"].fillna(compared.source["before"]).to_numpy(dtype=float)
    return -1.0 if np.nansum(read * compared.rows["base"].to_numpy(dtype=float)) < 0 else 1.0


def _missing_by_count(compared: Compared, rows: pd.DataFrame, share: float | None) -> pd.DataFrame:
    """As many technique-first sessions as a fair draw would have had more, where there are fewer than chance leaves."""
    empty = _nothing(compared)
    if compared.basis == "randomised_protocol":
        return _fewer_of_one(compared, rows)
    if compared.basis != "randomised_order":
        return empty
    sessions = rows.drop_duplicates(["client", "session_id"])
    n = len(sessions)
    first = int((sessions["arm"] == 1).sum())
    wanted = 0.5 if share is None else share
    if n < 10:
        return empty
    z = (first - n * wanted) / np.sqrt(n * wanted * (1 - wanted))
    per_client = sessions.groupby("client")["arm"].agg(["min", "max", "size"])
    once = ((per_client["min"] == per_client["max"]) & (per_client["size"] > 1)).sum() > 0.8 * len(per_client)
    usual = next(limit for sessions, limit in TOO_FEW if n >= sessions)
    if once or z > (max(usual, NUMBERS_GONE) if compared.numbers_gone else usual):
        return empty
    short = round((n - first) * wanted / (1 - wanted)) - first
    short = min(short, compared.numbers_gone) if z > usual else short
    waits = sessions[sessions["arm"] == 0]
    like = waits.iloc[np.linspace(0, len(waits) - 1, short).astype(int)]
    like = like.assign(arm=1.0, session_id=[f"{name} (not there {k})" for k, name in enumerate(like["session_id"], 1)])
    return _as_missing(compared, like, why="fewer than a fair draw gives", uncounted=bool(z > CLEARLY_TOO_FEW))


def _fewer_of_one(compared: Compared, rows: pd.DataFrame) -> pd.DataFrame:
    """Two treatments drawn session by session: as many sessions of the rarer one as the other has more.

    Only where there are clearly fewer than a coin gives (one honest draw in ten); where clients were drawn, sessions
    tell nothing.
    """
    sessions = rows.drop_duplicates(["client", "session_id"])
    per_client = sessions.groupby("client")["arm"].agg(["min", "max", "size"])
    by_client = ((per_client["min"] == per_client["max"]) & (per_client["size"] > 1)).sum() > 0.8 * len(per_client)
    n, first = len(sessions), int((sessions["arm"] == 1).sum())
    z = (2 * first - n) / np.sqrt(max(n, 1))
    if n < 10 or by_client or not -abs(z) <= CLEARLY_TOO_FEW or not 0.2 <= first / n <= 0.8:
        return _nothing(compared)
    rarer = 1.0 if z < 0 else 0.0
    there = sessions[sessions["arm"] != rarer]
    like = there.iloc[np.linspace(0, len(there) - 1, abs(n - 2 * first)).astype(int)]
    names = [f"{name} (not there {k})" for k, name in enumerate(like["session_id"], 1)]
    return _as_missing(compared, like.assign(arm=rarer, session_id=names), why="fewer than a fair draw gives")


def _steps(
    rows: pd.DataFrame, gone: pd.DataFrame, unclear: pd.DataFrame, moved: pd.DataFrame, missing: pd.DataFrame
) -> pd.DataFrame:
    """Counts of sessions by step and arm."""
    lines = []
    there, *others = (_once(part) for part in (rows, gone, unclear, moved))
    for arm, name in zip(ARMS, ("technique", "comparison"), strict=True):
        mine = there[there["arm"] == arm]
        lost = [int((part["arm"] == arm).sum()) for part in others]
        counts = {
            "row set aside whole": lost[0],
            "order not written": lost[1],
            "written elsewhere": lost[2],
            "not there, by the count": int((missing["arm"] == arm).sum()),
            "no reading before": int(mine["base"].isna().sum()),
            "no reading after": int((mine["base"].notna() & mine["y"].isna()).sum()),
            "in the estimate": int(mine["y"].notna().sum()),
        }
        counts = {"drawn": sum(counts.values()), **counts}
        why = "; ".join(f"{n} × {text}" for text, n in gone.loc[gone["arm"] == arm, "why"].value_counts().items())
        lines += [
            {"step": step, "arm": name, "n": n, "why": why if step == "row set aside whole" else ""}
            for step, n in counts.items()
        ]
    return pd.DataFrame(lines)


def _once(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a session and arm: the sides of a session averaged."""
    if not repeated(rows, ["session_id", "client", "arm"]):
        return rows[["arm", "base", "y"]]
    return rows.groupby(["client", "session_id", "arm"], sort=False)[["base", "y"]].mean().reset_index()


def _says(steps: pd.DataFrame) -> str:
    """The losses by arm, in words."""
    lost = steps[~steps["step"].isin(("drawn", "in the estimate")) & (steps["n"] > 0)]
    drawn = steps[steps["step"] == "drawn"].set_index("arm")["n"]
    head = f"{drawn['technique']} technique and {drawn['comparison']} comparison sessions are accounted for"
    if lost.empty:
        return f"{head}; none was lost."
    told = "; ".join(f"{row.n} {row.arm}: {row.step}" for row in lost.itertuples())
    return f"{head}. Lost on the way: {told}."
