"""What was drawn, one row a draw, and everything that was known before it.

The unit of a draw is a session; where the order of a client was drawn once, it is the client. Rows stand in the order
of their days, then of session numbers that run through the clinic, so that neither the order of rows in a file nor the
names of clients change anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import Compared
from toolkit.quantiles import binomial_p, poisson_above
from toolkit.records.coded_texts import as_texts, by_frequency, running_numbers

Floats = NDArray[np.float64]
FEWEST = 8  # sessions that share a value before it can tell anything
MOST_PRACTITIONERS = 8
_DRAWS_AT_ONCE = 20_000
WORDS_KNOWN_BEFORE = (
    "site",
    "practitioner",
    "region",
    "treated_side",
    "measured_side",
    "position",
    "tissue_length",
    "head",
    "setting",
)


def drawn_units(compared: Compared) -> pd.DataFrame:
    """One row a draw, in the order of time: label (1 = technique first, or left side treated), and what was known.

    Columns: label, client, practitioner, session_id, when (days), hour, visit, first, base, gap, previous (full change
    at the client's last session, less the mean of its order), previous_y, and the words of `WORDS_KNOWN_BEFORE` that
    are kept.
    """
    frame = _sessions(compared)
    readings = [] if frame["_number"].any() else ["first", "base", "y"]  # numbers are all different, or all nought
    frame = frame.sort_values(["when", "hour", "_number", *readings], kind="stable", ignore_index=True)
    client = frame.groupby("client", sort=False)
    frame["visit"] = client.cumcount() + 1
    for name in ("full", "y"):
        level = frame.groupby("label")[name].transform("mean")
        frame[f"previous_{name}"] = (frame[name] - level).groupby(frame["client"]).shift(1)
    frame["step"] = frame["first"] - client["first"].shift(1)
    frame["since"] = frame["when"] - client["when"].shift(1)
    return _once_a_client(frame)


def _sessions(compared: Compared) -> pd.DataFrame:
    """Compared rows as one row a session, with its label."""
    rows = compared.rows
    source = compared.source if compared.source is not None else pd.DataFrame(index=range(len(rows)))
    frame = rows[["client", "practitioner", "session_id", "arm", "base", "gap", "y"]].copy()
    frame["first"] = rows["base"] + rows["gap"]
    frame["when"] = _days(rows, source)
    frame["hour"] = source["time_of_day"].to_numpy(dtype=float) if "time_of_day" in source else np.nan
    whole = {"before", "after"} <= set(source.columns)
    frame["full"] = (source["after"] - source["before"]).to_numpy(dtype=float) if whole else rows["y"]
    words = [name for name in WORDS_KNOWN_BEFORE if name in source and name != "practitioner"]
    for name in words:
        frame[name] = as_texts(source[name]).array
    keys = ["client", "session_id"]
    if compared.basis in ("randomised_side", "other_side"):
        frame = _side_labels(frame, words)
    else:
        if frame.duplicated(keys).any():
            numbers = ["arm", "base", "gap", "y", "first", "full", "when", "hour"]
            means = frame.groupby(keys, sort=False)[numbers].mean()
            frame = means.join(frame.groupby(keys, sort=False)[["practitioner", *words]].first()).reset_index()
        frame["label"] = (frame["arm"] > 0.5).astype(float)
    return frame.assign(_number=_running_numbers(frame))


def _running_numbers(frame: pd.DataFrame) -> Floats:
    """Session numbers where they run through the clinic in the order of its days; else nothing to order a day by."""
    _, numbers = running_numbers(frame["session_id"], digits=15, before=20, only_signs=True)
    order = np.argsort(numbers, kind="stable")
    there = not len(numbers) or (numbers[order[0]] >= 0 and (np.diff(numbers[order]) > 0).all())
    if not there or (np.diff(frame["when"].to_numpy()[order]) < 0).any():
        return np.zeros(len(frame))
    return numbers.astype(float)


def _side_labels(frame: pd.DataFrame, words: list[str]) -> pd.DataFrame:
    """One row a session: was the left side treated? Readings are left less right, changes treated less untreated."""
    keys = ["client", "session_id"]
    left = frame["treated_side"] == "left" if "treated_side" in frame else frame["arm"] == 1
    frame = frame.assign(label=left.astype(float), _left=np.where(left == (frame["arm"] == 1), 1.0, -1.0))
    for name in ("base", "gap", "first"):
        frame[name] = frame[name] * frame["_left"]
    for name in ("y", "full"):
        frame[name] = frame[name] * np.where(frame["arm"] == 1, 1.0, -1.0)
    numbers = frame.groupby(keys, sort=False)[["base", "gap", "first", "y", "full"]].sum(min_count=2)
    keep = [name for name in words if name not in ("treated_side", "measured_side")]
    return numbers.join(
        frame.groupby(keys, sort=False)[["label", "when", "hour", "practitioner", *keep]].first()
    ).reset_index()


def _days(rows: pd.DataFrame, source: pd.DataFrame) -> Floats:
    """Days on the calendar; days since the first visit where there are no dates; visits where there are neither."""
    dates = pd.to_datetime(rows["date"])
    days = ((dates - dates.min()) / pd.Timedelta(days=1)).to_numpy(dtype=float)
    for name in ("day", "visit"):
        if np.isnan(days).all() and name in source:
            days = source[name].to_numpy(dtype=float, na_value=np.nan)
    return np.asarray(np.nan_to_num(days, nan=0.0))


def _once_a_client(frame: pd.DataFrame) -> pd.DataFrame:
    """Clients whose order was drawn once as one row; `per_client` says which rows those are."""
    once = drawn_once(frame["client"], frame["label"].to_numpy(dtype=float))
    frame = frame.assign(per_client=once)
    kept = ~once | (frame["visit"] == 1).to_numpy()
    return frame[kept].reset_index(drop=True)


def drawn_once(client: pd.Series | NDArray[np.intp], label: Floats) -> NDArray[np.bool_]:
    """Which sessions belong to clients for whom one order was drawn, once for all their sessions.

    Examples
    --------
    >>> client = np.repeat(np.arange(12), 4)
    >>> bool(drawn_once(client, np.repeat([0.0, 1.0] * 6, 4)).all())
    True
    """
    code = pd.factorize(client)[0]
    n = np.bincount(code)
    count, mean = n[code], (np.bincount(code, weights=label) / n)[code]
    first = np.zeros(len(code), dtype=bool)
    first[np.unique(code, return_index=True)[1]] = True
    return _drawn_once(first, label, (count > 1) & ((mean == 0) | (mean == 1)), count)


def clients_drawn_once(counts: Floats) -> NDArray[np.bool_]:
    """The same from how many sessions each client has with the one order and with the other, (clients, 2)."""
    total = counts.sum(axis=1)
    constant = (total > 1) & (counts.min(axis=1) == 0)
    return _drawn_once(
        np.ones(len(counts), dtype=bool), (counts[:, 1] > 0).astype(float), constant, total.astype(np.intp)
    )


def _drawn_once(
    first: NDArray[np.bool_], label: Floats, constant: NDArray[np.bool_], count: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Which rows belong to clients whose order was drawn once: more clients keep one order than a coin would leave.

    Both orders must have fallen to them about equally often, else the clients differ by something other than a coin.
    """
    several = first & (count > 1)
    expected = float(np.sum(2.0 ** (1.0 - count[several])))
    seen = int((several & constant).sum())
    if seen < 3 or poisson_above(seen, max(expected, 1e-9)) > 1e-3:
        return np.zeros(len(label), dtype=bool)
    if (several & ~constant).any():  # mixed: only those who came often enough to tell
        constant = constant & (count >= 3)
        several = several & (count >= 3)
    labels = label[several & constant]
    by_chance = float(np.sum(2.0 ** (1.0 - count[several]))) / 2
    both_ways = [poisson_above(int((labels == one).sum()), max(by_chance, 1e-9)) < 0.2 for one in (0, 1)]
    balanced = len(labels) > 0 and all(both_ways) and binomial_p(int(labels.sum()), len(labels)) > 0.01
    return constant if balanced else np.zeros(len(label), dtype=bool)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Elsewhere:
    """A column's standardised values where it says something, in their order, and what it is everywhere else."""

    here: Floats
    elsewhere: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Known:
    """What could predict a draw: for each thing its words and a standardised column, one row a draw.

    Most say yes or no: of these `held` has where it is yes, and `levels` what no and yes are once standardised. Others
    are nought in most draws (all but one practitioner's): of these `held` has where they are not, `levels` what.
    """

    words: list[str]
    held: list[Floats | NDArray[np.bool_]]
    levels: list[tuple[float, float] | _Elsewhere | None]

    def column(self, place: int, rows: slice = slice(None)) -> Floats:
        """One standardised column, of all draws or some."""
        held, levels = self.held[place][rows], self.levels[place]
        if isinstance(levels, _Elsewhere):
            found = np.full(len(held), levels.elsewhere)
            begin = int(np.count_nonzero(self.held[place][: rows.start or 0]))
            found[held] = levels.here[begin : begin + int(np.count_nonzero(held))]
            return found
        return np.asarray(held if levels is None else np.where(held, levels[1], levels[0]), dtype=float)

    def columns(self, rows: slice = slice(None)) -> Floats:
        """All standardised columns side by side, of all draws or some."""
        length = len(range(*rows.indices(len(self.held[0])))) if self.held else 0
        found = np.empty((length, len(self.held)), order="F")
        for place in range(len(self.held)):
            found[:, place] = self.column(place, rows)
        return found

    def products(self, label: Floats) -> tuple[Floats, Floats]:
        """Cross-products of the columns, and of a label with them, so many draws at a time."""
        size = len(self.held)
        gram, with_label = np.zeros((size, size)), np.zeros(size)
        for first in range(0, len(label), _DRAWS_AT_ONCE):
            rows = slice(first, first + _DRAWS_AT_ONCE)
            some = self.columns(rows)
            gram += some.T @ some
            with_label += label[rows] @ some
        return gram, with_label


def known_before_draw(units: pd.DataFrame) -> Known:
    """Everything that could predict a draw.

    A column is there where it varies and at least `FEWEST` draws share each of its values.
    """
    found = Known(words=[], held=[], levels=[])
    for words, values in _candidates(units):
        known = np.where(np.isfinite(values), values, np.nan)
        if np.isfinite(known).sum() < FEWEST:
            continue
        two = bool(((values == 0.0) | (values == 1.0)).all())
        if two and min(values.sum(), len(values) - values.sum()) < min(FEWEST, max(3, len(values) // 4)):
            continue
        mean = np.nanmean(known)
        centred = np.nan_to_num(known - mean)
        size = float(np.sqrt(centred @ centred))
        if size > 1e-9:
            nought, one = float((0.0 - mean) / size), float((1.0 - mean) / size)
            some = values != 0
            few = not two and 2 * np.count_nonzero(some) < len(values)
            found.words.append(words)
            found.held.append(values == 1 if two else some if few else centred / size)
            here = _Elsewhere(here=centred[some] / size, elsewhere=nought) if few else None
            found.levels.append((nought, one) if two else here)
    return found


def _candidates(units: pd.DataFrame) -> Iterator[tuple[str, Floats]]:
    """Words and values of all candidates, those of each practitioner alone at the end."""
    yield from _moments(units)
    yield from _readings(units)
    for name in WORDS_KNOWN_BEFORE:
        if name in units:
            shown = as_texts(units[name])
            for value in by_frequency(shown[shown != ""])[:MOST_PRACTITIONERS]:
                yield f"{name.replace('_', ' ')} {value}", (shown == value).to_numpy().astype(float)
    carried = by_frequency(units["practitioner"])
    for name in carried[: MOST_PRACTITIONERS if len(carried) > 1 else 0]:
        mine = (units["practitioner"] == name).to_numpy()
        if mine.sum() >= FEWEST:
            yield from _of_one(units, name, mine)


def _of_one(units: pd.DataFrame, name: str, mine: NDArray[np.bool_]) -> Iterator[tuple[str, Floats]]:
    """The leading candidates within one practitioner's sessions, nought elsewhere."""
    yield f"sessions of {name}", mine.astype(float)
    some = units[mine]
    for words, values in (*_moments(some, coarse=True), *_readings(some, coarse=True)):
        whole = np.zeros(len(units))
        shift = 0.0 if np.isin(values, (0.0, 1.0)).all() else np.nanmean(values) if np.isfinite(values).any() else 0.0
        whole[mine] = np.nan_to_num(values - shift)
        yield f"{words}, with {name}", whole


def _moments(units: pd.DataFrame, *, coarse: bool = False) -> Iterator[tuple[str, Floats]]:
    """When: visits, days, stretches of the calendar, weekdays, odd days and weeks, time since the last visit."""
    visit, when = units["visit"].to_numpy(dtype=float), units["when"].to_numpy(dtype=float)
    yield "later visits", visit
    yield "first visits", (visit == 1).astype(float)
    yield "visits up to the second", (visit <= 2).astype(float)
    yield "visits up to the third", (visit <= 3).astype(float)
    yield "later days", when
    cuts = np.quantile(when, np.linspace(0.1, 0.9, 3 if coarse else 9))
    for share, cut in zip(np.linspace(10, 90, len(cuts)), cuts, strict=True):
        yield f"the first {share:.0f} % of the days", (when <= cut).astype(float)
    if units["hour"].notna().any():
        yield from _hours(units)
    if coarse:
        return
    for low, high in pairwise(cuts):
        yield "one stretch of the calendar", ((when > low) & (when <= high)).astype(float)
    yield "second visits", (visit == 2).astype(float)
    day = (when - when.min()).astype(int)
    for number in range(7):
        yield "one day of the week", (day % 7 == number).astype(float)
    yield "every other day", (day % 2).astype(float)
    yield "every other week", ((day // 7) % 2).astype(float)
    yield "long gaps since the last visit", units["since"].to_numpy(dtype=float)
    yield "the first session of a day", np.asarray(~units["when"].duplicated(), dtype=float)


def _hours(units: pd.DataFrame) -> Iterator[tuple[str, Floats]]:
    """The time of day: along a line, its early and late quarters, and who came first to a practitioner."""
    hour = units["hour"].to_numpy(dtype=float)
    known = np.isfinite(hour)
    yield "later hours of the day", hour
    if known.sum() >= 3 * FEWEST:
        low, middle, high = np.quantile(hour[known], (0.25, 0.5, 0.75))
        for words, side in (
            ("the early hours of the day", hour <= low),
            ("the first half of the day", hour <= middle),
            ("the late hours of the day", hour >= high),
        ):
            yield words, np.where(known, side, np.nan)
    yield "who came first to a practitioner", np.asarray(~units.duplicated(["when", "practitioner"]), dtype=float)


def _readings(units: pd.DataFrame, *, coarse: bool = False) -> Iterator[tuple[str, Floats]]:
    """Readings before, as a height, against the client's last one, and what the last session moved."""
    first, base = (units[name].to_numpy(dtype=float) for name in ("first", "base"))
    yield "the first reading before", first
    yield "the last reading before", base
    yield "what the client's last session moved", units["previous_full"].to_numpy(dtype=float)
    if coarse:
        return
    yield "first less last reading before", units["gap"].to_numpy(dtype=float)
    yield "the reading before, against the client's last visit", units["step"].to_numpy(dtype=float)
    yield "what the client's last session moved at first", units["previous_y"].to_numpy(dtype=float)
    known = np.isfinite(first)
    if known.sum() >= 3 * FEWEST:
        low, high = np.quantile(first[known], (0.25, 0.75))
        yield "low readings before", (first <= low).astype(float)
        yield "high readings before", (first >= high).astype(float)
