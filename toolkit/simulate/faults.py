"""One thing done wrong in a simulated clinic: an order not drawn, sessions that vanish, a reader who knows.

Each fault makes a technique that does nothing look as if it did; `FAULTS` says in words what is done. The first kind
needs to know its sessions before they happen (`chosen_order`), the second works on the sheet afterwards
(`written_down`). Sessions that are favoured (`favoured`) gain by being measured again, whatever is done.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.simulate.dials import ClinicDials

FAULTS: dict[str, str] = {
    "turns": "the two orders take turns from visit to visit",
    "coin begun late": "the coin is thrown from the third visit on; before, everyone is treated first",
    "coin begun late by one": "one practitioner throws the coin from the third visit on only",
    "early in the year": "in the first part of the year everyone is treated first",
    "stiff first": "who reads worse than half of all is treated first",
    "by practitioner": "one practitioner always treats first",
    "after a good session": "who moved well last time is treated first",
    "some clients always": "a quarter of the clients is always treated first",
    "order left blank": "the order is not written where the technique moved nothing",
    "same typed": "“same” is typed for the reading after, where the technique moved nothing",
    "entered twice": "technique sessions that moved nothing stand twice in the sheet, with other readings",
    "no gain, not written": "technique sessions that moved nothing are not written down",
    "no gain, half not written": "half of the technique sessions that moved nothing are not written down",
    "hurt, not written": "a quarter of the sides is hurt, and the reading after is not written there",
    "good waits left empty": "the reading after waiting is left empty where it moved",
    "impossible number": "an impossible number stands for the reading after, where the technique moved nothing",
    "one arm blind": "the reader knows what was done after the technique, and not after waiting",
    "leaning where not blind": "half of the readings are not blind, and lean",
    "second reading copied": "the second reading before is the first one again, and the reader leans a little",
    "second reading remembered": "the second reading before leans on the first one, and the reader leans a little",
    "one client": "one client comes nine times as often as all others together, and alone moves",
    "compared late": "sessions that are only measured come late in the course, when nothing moves any more",
    "sides in turn": "left and right are treated in turn, and the side whose turn it is gains by being measured",
    "worse side": "the side that reads worse is treated, and called drawn",
    "no change typed": "“same”, the reading before, is typed for the reading after where the technique moved nothing",
    "client left blank": "the client is not written where the technique moved nothing",
    "another measure": "sessions in which the technique moved nothing are written under another measure",
    "row left empty": "no reading at all is written where the technique moved nothing",
    "mornings first": "who comes in the morning moves more, and is treated first; the hours are written down",
    "order invented": "the order is written afterwards, to suit the readings",
    "good waits not written": "wait sessions that moved are not written down",
    "no gain, counts kept": "technique sessions that moved nothing are not written, nor as many wait sessions",
}
ONLY_A_SCHEDULE_SHOWS = ("order invented", "good waits not written", "no gain, counts kept")
_MORNING = 11.0  # o'clock
_GAIN = 4.0  # what a favoured session gains by being measured again


def favoured(people: pd.DataFrame, visit: int, before: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Which sessions the fault would have treated first: known before the draw."""
    n, fault = len(people), dials.fault
    if fault in ("turns", "sides in turn"):
        return np.full(n, visit % 2 == 1)
    if fault in ("coin begun late", "coin begun late by one", "compared late"):
        early = np.full(n, visit <= 2)
        return early & (people["practitioner"] == "p1").to_numpy() if fault.endswith("by one") else early
    if fault == "early in the year":
        return (people["start_day"] + (visit - 1) * 10.5 < 90).to_numpy()
    if fault == "stiff first":
        sign = 1.0 if dials.better == "higher" else -1.0
        return np.asarray(sign * (before - np.median(before)) < 0)
    if fault == "by practitioner":
        return (people["practitioner"] == "p1").to_numpy()
    if fault == "after a good session":
        return (people["moved_last"] > 2.0).to_numpy()
    if fault == "some clients always":
        return (people["number"] % 4 == 0).to_numpy()
    if fault == "mornings first":
        return _hours(people["number"].to_numpy(), np.full(n, visit)) < _MORNING
    return np.zeros(n, dtype=bool)


def _hours(client: np.ndarray, visit: np.ndarray) -> np.ndarray:
    """When each session begins: from 8 to 17 o'clock, another hour at each visit."""
    return np.asarray(8.0 + (7 * client + 3 * visit) % 10)


def chosen_order(first: np.ndarray, wanted: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Who is treated first: what the coin said, but for the fault."""
    if dials.fault in ("turns", "stiff first"):
        return wanted
    return np.asarray(first | wanted)


def gain_of(wanted: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """What each session gains by being measured again, whatever is done (of two sides, the one whose turn it is)."""
    return np.full(len(wanted), _GAIN) if dials.fault == "sides in turn" else _GAIN * wanted


def treated_sides(side: np.ndarray, wanted: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Which side is treated: what the coin said, but for the fault."""
    return np.where(wanted, "left", "right") if dials.fault == "sides in turn" else side


def swap_sides(
    rows: dict[str, np.ndarray], other: dict[str, np.ndarray], effect: np.ndarray, dials: ClinicDials
) -> None:
    """Treat the side that reads worse: both sides change places where the other one does, in place."""
    if dials.fault != "worse side":
        return
    sign = 1.0 if dials.better == "higher" else -1.0
    swap = sign * (other["before"] - rows["before"]) < 0
    for name in ("before", "before_2", "after", "taken_after"):
        mine, theirs = rows[name].copy(), other[name].copy()
        moved = sign * effect * (1 - dials.spill_over) if "after" in name else 0.0
        rows[name] = np.where(swap, theirs + moved, mine)
        other[name] = np.where(swap, mine - moved, theirs)
    for name in ("treated_side", "measured_side"):
        turned = np.where(rows[name] == "left", "right", "left")
        rows[name] = np.where(swap, turned, rows[name])
    other["treated_side"] = rows["treated_side"].copy()
    other["measured_side"] = np.where(rows["treated_side"] == "left", "right", "left").astype(object)


def client_effects(effect: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Effects of the clients, where one client is unlike the others."""
    if dials.fault != "one client":
        return effect
    return effect + np.where(np.arange(len(effect)) == 0, 8.0, 0.0)


def who_is_blind(blind: np.ndarray, first: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Which re-measurements are blind, where the fault says it by what was done."""
    if dials.fault == "one arm blind":
        return ~first
    return blind


def hurt(effect: np.ndarray, dials: ClinicDials, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Where a quarter of the sides is hurt: each session's effect (the same on average), and which sessions hurt."""
    if dials.fault != "hurt, not written":
        return effect, np.zeros(len(effect), dtype=bool)
    hurts = rng.random(len(effect)) < 0.25
    return effect + np.where(hurts, -6.0, 2.0), hurts


def second_readings(before: np.ndarray, second: np.ndarray, dials: ClinicDials) -> np.ndarray:
    """Second readings before, copied or drawn towards the first."""
    if dials.fault == "second reading copied":
        return before.copy()
    if dials.fault == "second reading remembered":
        return np.asarray(np.round(0.8 * before + 0.2 * second, 1))
    return second


def written_down(rows: pd.DataFrame, dials: ClinicDials, rng: np.random.Generator) -> pd.DataFrame:
    """The sheet as the fault leaves it."""
    change = _WRITTEN.get(dials.fault)
    return rows if change is None else change(rows, 1.0 if dials.better == "higher" else -1.0, rng)


def _first_change(rows: pd.DataFrame, sign: float) -> pd.Series:
    """What the first period showed, from the last reading before."""
    waited = rows["order"] == "wait_first"
    read = rows["after_wait"].where(waited, rows["after"])
    return sign * (read - rows["before_2"].fillna(rows["before"]))


def _no_gain(rows: pd.DataFrame, sign: float) -> pd.Series:
    return (rows["order"] == "technique_first") & (_first_change(rows, sign) < 1.0)


def _blank_order(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(order=rows["order"].where(~_no_gain(rows, sign), ""))


def _same_typed(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(after=rows["after"].astype(object).where(~_no_gain(rows, sign), "same as always"))


def _no_change_typed(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(after=rows["after"].astype(object).where(~_no_gain(rows, sign), "same"))


def _client_blank(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(client=rows["client"].where(~_no_gain(rows, sign), ""))


def _another_measure(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(measure=rows["measure"].where(~_no_gain(rows, sign), "cervical_rotation"))


def _row_empty(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    kept = ~_no_gain(rows, sign)
    return rows.assign(**{name: rows[name].where(kept) for name in ("before", "before_2", "after_wait", "after")})


def _with_hours(rows: pd.DataFrame, _sign: float, _: np.random.Generator) -> pd.DataFrame:
    numbers = rows["session_id"].astype(str).str.extract(r"(\d+)-(\d+)$").astype(int)
    return rows.assign(time_of_day=_hours(numbers[0].to_numpy(), numbers[1].to_numpy()))


def _entered_twice(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    again = rows[_no_gain(rows, sign)]
    return pd.concat([rows, again.assign(after=again["after"] + 2.0)], ignore_index=True)


def _no_gain_gone(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows[~_no_gain(rows, sign)].reset_index(drop=True)


def _half_gone(rows: pd.DataFrame, sign: float, rng: np.random.Generator) -> pd.DataFrame:
    return rows[~(_no_gain(rows, sign) & (rng.random(len(rows)) < 0.5))].reset_index(drop=True)


def _hurt_blank(rows: pd.DataFrame, _sign: float, _: np.random.Generator) -> pd.DataFrame:
    left = (rows["order"] == "technique_first") & rows["hurts"].astype(bool)
    return rows.assign(after=rows["after"].where(~left))


def _good_waits_empty(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    good = (rows["order"] == "wait_first") & (_first_change(rows, sign) > 1.0)
    return rows.assign(after_wait=rows["after_wait"].where(~good))


def _impossible(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    return rows.assign(after=rows["after"].where(~_no_gain(rows, sign), 999.0))


def _invented(rows: pd.DataFrame, sign: float, rng: np.random.Generator) -> pd.DataFrame:
    """Good first periods are called treated, the others waiting, in seven of ten sessions."""
    change = _first_change(rows, sign)
    read = rows["after_wait"].where(rows["order"] == "wait_first", rows["after"])
    good = change > change.median()
    order = np.where(good == (rng.random(len(rows)) < 0.7), "technique_first", "wait_first")
    waits = order == "wait_first"
    return rows.assign(order=order, after_wait=read.where(waits), after=read.where(~waits, read))


def _good_waits_gone(rows: pd.DataFrame, sign: float, _: np.random.Generator) -> pd.DataFrame:
    good = (rows["order"] == "wait_first") & (_first_change(rows, sign) > 2.0)
    return rows[~good].reset_index(drop=True)


def _counts_kept(rows: pd.DataFrame, sign: float, rng: np.random.Generator) -> pd.DataFrame:
    lost = _no_gain(rows, sign)
    waits = np.flatnonzero(rows["order"] == "wait_first")
    also = rng.choice(waits, size=min(int(lost.sum()), max(len(waits) - 5, 0)), replace=False)
    return rows.drop(index=rows.index[also]).loc[lambda r: ~lost.reindex(r.index)].reset_index(drop=True)


_WRITTEN = {
    "order left blank": _blank_order,
    "same typed": _same_typed,
    "no change typed": _no_change_typed,
    "client left blank": _client_blank,
    "another measure": _another_measure,
    "row left empty": _row_empty,
    "mornings first": _with_hours,
    "entered twice": _entered_twice,
    "no gain, not written": _no_gain_gone,
    "no gain, half not written": _half_gone,
    "hurt, not written": _hurt_blank,
    "good waits left empty": _good_waits_empty,
    "impossible number": _impossible,
    "order invented": _invented,
    "good waits not written": _good_waits_gone,
    "no gain, counts kept": _counts_kept,
}
