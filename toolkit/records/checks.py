"""What rows say about each other: rows that come twice, rows that contradict, sides that do not fit."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from toolkit.number_words import counted
from toolkit.records.codebook import Codebook
from toolkit.records.ledger import Ledger, Why
from toolkit.records.mapping import DETAILS, READING_FIELDS
from toolkit.records.readings import Rulers
from toolkit.records.texts import (
    all_differ,
    distinct,
    first_rows,
    from_texts,
    held_in,
    n_different,
    plain,
    row_keys,
    says,
    shared,
)

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
_TOLD = tuple(name for name in DETAILS if name != "time_of_day")  # who types a row again types it at another time
_EVERYTHING = (*SAME_PLACE, "practitioner", "site", "order", *READING_FIELDS, *_TOLD)
_ONE_PER_SESSION = ("client", "date", "day", "practitioner", "order")


def set_repeats_aside(frame: pd.DataFrame, ledger: Ledger) -> pd.DataFrame:
    """Rows equal in everything: the first is kept, the others set aside with the file and row of the first."""
    places = np.flatnonzero(shared(row_keys(frame, SAME_PLACE)))
    if not len(places):
        return frame
    some = frame.iloc[places]
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
    if n_different(row_keys(frame, ["session_id", "client"])) == n_different(row_keys(frame, ["session_id"])):
        return frame
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
    for name in () if all_differ(row_keys(frame, ["session_id"])) else _ONE_PER_SESSION:
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
    return ledger.take_out(frame, shared(row_keys(frame, SAME_PLACE)), why=why)


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
    some = frame.loc[shared(row_keys(frame, place[:3]))]
    copies = some.loc[shared(row_keys(some, place))]
    what = "the same readings stand under another region or intervention of this session: join them with + in one row"
    ledger.flag(copies, column="region", value=copies["region"].astype(str).to_numpy(dtype=object), what=what)


def flag_near_clients(frame: pd.DataFrame, ledger: Ledger, *, told: Collection[str] = ()) -> None:
    """Propose clients that may be one ("C-012" and "C12", "124" and "124 (new)"); they are never merged alone.

    `told` are spellings the user has spoken of already.
    """
    counts = _rows_of_clients(frame["client"])
    for names in near_clients(list(counts)):
        if any(plain(name) in told for name in names):
            continue
        main, *others = sorted(names, key=lambda name: (-counts[name], len(name)))
        quoted = " and ".join(f'"{name}"' for name in (main, *others))
        lines = ", ".join(f'"{name}" = "{main}"' for name in others)
        what = f"{quoted} may be one client; kept apart until columns.toml says [values.client] {lines}"
        ledger.flag(
            frame.loc[(frame["client"] == others[0]).to_numpy()].head(1), column="client", value=others[0], what=what
        )


def _rows_of_clients(column: pd.Series) -> dict[str, int]:
    """How many rows each client has: most first, those with as many in the order in which they come."""
    codes, names = distinct(column)
    counts = np.bincount(codes, minlength=len(names))
    there = np.flatnonzero(counts)
    there = there[np.lexsort((first_rows(codes)[there], -counts[there]))]
    return {names[place]: int(counts[place]) for place in there.tolist()}


def near_clients(names: Sequence[str]) -> list[list[str]]:
    """Groups of spellings that differ only in signs, leading zeros or a note in brackets.

    Example:
        >>> near_clients(["C-012", "C12", "C-013", "124", "124 (new)"])
        [['C-012', 'C12'], ['124', '124 (new)']]
    """
    groups: dict[str, list[str]] = {}
    lines = "\n".join(name.replace("\n", " ") for name in names)  # all at once: a pattern is costly to begin
    bare = re.sub(r"[(\[].*?[)\]]", " ", lines).casefold()
    keys = re.sub(r"[^a-z0-9\u00c0-\uffff\n]", "", re.sub(r"(?<!\d)0+(?=\d)", "", bare)).split("\n")
    for name, key in zip(names, keys, strict=False):
        groups.setdefault(key or name, []).append(name)
    return [found for found in groups.values() if len(found) > 1]


_TREATMENT = ("session_id", "region", "treated_side", "intervention", "measure")
_MISMATCH = {
    "same": "one side was treated and only the other measured",
    "opposite": "tissue on the treated side limits this movement to the opposite side, which was not measured",
}
_RELATIONS = ("same", "opposite", "either")
_FEWEST_CLIENTS = 8


def flag_sides(frame: pd.DataFrame, *, codebook: Codebook, rulers: Rulers, ledger: Ledger) -> None:
    """Flag measured sides that cannot show the treated side, missing sides, and sides that may be swapped.

    Args:
        frame: rows of one measured side each, texts categorical.
        codebook: its limits say which side a region acts on.
        rulers: which measures are read on each side.
        ledger: takes the flags.
    """
    _flag_missing_sides(frame, rulers, ledger)
    _flag_other_side_only(frame, codebook, ledger)
    _flag_swapped(frame, ledger)


def _flag_missing_sides(frame: pd.DataFrame, rulers: Rulers, ledger: Ledger) -> None:
    """A measure read on each side without a side; a treatment without a side."""
    sided = [name for name, is_sided in zip(rulers.names, rulers.sided, strict=True) if is_sided]
    without = says(frame["measure"], *sided) & says(frame["measured_side"], "none")
    what = f"{counted(without.sum(), 'row')} of measures that are read on each side name no measured side"
    ledger.flag(frame.loc[without].head(1), column="measured_side", value="none", what=what)
    untold = says(frame["treated_side"], "") & ~says(frame["intervention"], "measured_only")
    what = f"{counted(untold.sum(), 'row')} {'names' if untold.sum() == 1 else 'name'} no treated side"
    ledger.flag(frame.loc[untold].head(1), column="treated_side", value="", what=what)


def _flag_other_side_only(frame: pd.DataFrame, codebook: Codebook, ledger: Ledger) -> None:
    """One side treated, and the measured side on which that could show is missing from the session."""
    left, right = says(frame["treated_side"], "left"), says(frame["treated_side"], "right")
    on_left, on_right = says(frame["measured_side"], "left"), says(frame["measured_side"], "right")
    same, other = (left & on_left) | (right & on_right), (left & on_right) | (right & on_left)
    relation = _relations(frame, codebook)
    unfit = (other & (relation == _RELATIONS.index("same"))) | (same & (relation == _RELATIONS.index("opposite")))
    unfit &= ~says(frame["intervention"], "measured_only")
    if not unfit.any():
        return
    shows = (same | other) & ~unfit
    keys = row_keys(frame, _TREATMENT)
    lacking = unfit & ~held_in(keys, keys[shows])
    for kind, what in _MISMATCH.items():
        rows = frame.loc[lacking & (relation == _RELATIONS.index(kind)), ["file", "row", "measured_side"]]
        value = rows["measured_side"].to_numpy(dtype=object)
        ledger.flag(rows, column="measured_side", value=value, what=what)


def _relations(frame: pd.DataFrame, codebook: Codebook) -> np.ndarray:
    """The place in `_RELATIONS` for each row, by what the codebook says of its regions and measure; unknown = same."""
    region_codes, regions = distinct(frame["region"])
    measure_codes, measures = distinct(frame["measure"])
    table = np.zeros((max(len(regions), 1), max(len(measures), 1)), dtype=np.int8)
    for place, joined in enumerate(regions):
        for number, measure in enumerate(measures):
            found = {codebook.limits(region, measure) or "same" for region in joined.split(" + ")}
            told = found.pop() if len(found) == 1 and found != {"both"} else "either"
            table[place, number] = _RELATIONS.index(told)
    relations: np.ndarray = table.ravel()[region_codes.astype(np.int64) * table.shape[1] + measure_codes]
    return relations


def _flag_swapped(frame: pd.DataFrame, ledger: Ledger) -> None:
    """A practitioner whose clients' left-right differences turn round at some date: sides may have been swapped."""
    pairs = _left_minus_right(frame)
    for (practitioner, measure), group in pairs.groupby(["practitioner", "measure"], observed=True):
        found = _turning_point(group)
        if found is not None:
            when, count = found
            what = (
                f"left and right of {measure} may have been swapped from {when:%Y-%m-%d}: in {count} clients of "
                f"{practitioner} the difference between the sides turns round there"
            )
            first = group.loc[group["date"] >= when].head(1)
            ledger.flag(first, column="measured_side", value="", what=what)


def _left_minus_right(frame: pd.DataFrame) -> pd.DataFrame:
    """Left minus right of the first reading before, for sessions with both sides."""
    columns = ["file", "row", "practitioner", "client", "measure", "date", "before"]
    keys = row_keys(frame, ["session_id", "region", "intervention", "measure"])
    told = (frame["date"].notna() & frame["before"].notna()).to_numpy()
    on_left, on_right = (told & says(frame["measured_side"], side) for side in ("left", "right"))
    both = held_in(keys, keys[on_left]) & held_in(keys, keys[on_right])
    left = frame.loc[on_left & both, columns].assign(key=keys[on_left & both])
    right = frame.loc[on_right & both, ["before"]].assign(key=keys[on_right & both])
    left, right = left.drop_duplicates("key"), right.drop_duplicates("key")
    pairs: pd.DataFrame = left.merge(right, on="key", suffixes=("", "_right"))
    pairs["difference"] = pairs["before"] - pairs["before_right"]
    return pairs


def _turning_point(group: pd.DataFrame) -> tuple[pd.Timestamp, int] | None:
    """(date, clients) at which clients' differences before and after are most clearly opposite; None when nowhere.

    The bound is a correlation below -0.6 whose t-value is beyond -5, in at least eight clients seen on both sides of
    the date: common practice, no source.
    """
    if group["client"].nunique() < _FEWEST_CLIENTS:
        return None
    best: tuple[float, pd.Timestamp, int] | None = None
    client = pd.factorize(group["client"])[0]
    dates, difference = group["date"].to_numpy(), group["difference"].to_numpy(dtype=float)
    for date in group["date"].quantile(np.linspace(0.1, 0.9, 17)).unique():
        later = dates >= np.datetime64(date)
        counts = [np.bincount(client[side], minlength=client.max() + 1) for side in (~later, later)]
        seen = (counts[0] > 0) & (counts[1] > 0)
        sums = [np.bincount(client[side], difference[side], minlength=len(seen)) for side in (~later, later)]
        earlier, after = (total[seen] / count[seen] for total, count in zip(sums, counts, strict=True))
        if seen.sum() < _FEWEST_CLIENTS or np.ptp(earlier) == 0 or np.ptp(after) == 0:
            continue
        r = float(np.corrcoef(earlier, after)[0, 1])
        strength = r * np.sqrt((seen.sum() - 2) / max(1 - r * r, 1e-12))
        if r < -0.6 and strength < -5 and (best is None or strength < best[0]):
            best = (strength, pd.Timestamp(date), int(seen.sum()))
    return None if best is None else best[1:]
