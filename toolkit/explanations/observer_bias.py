"""The reader: one who hopes reads a little further; another reader or instrument shifts all readings at once.

Compared are re-measurements taken blind with those that were not, and the last digits before and after. The tipping
point says how far a reader would have to lean to explain all of the difference.

Two looks: examiners compared on the clients that both of them read, and a scan over time for a day on which first
readings of the same clients step up or down. Such a step cancels in a change within one session; it would not in a
comparison of one season with another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.rerandomisation import difference_interval
from toolkit.explanations.case import Case, Explanation, Status, first_readings, jackknife, told, without_each
from toolkit.number_words import amount
from toolkit.quantiles import standard_error, t_quantile
from toolkit.records.coded_texts import as_texts, written
from toolkit.records.texts import group_codes
from toolkit.result import Estimate

OBSERVER_BIAS = "a leaning reader"
ENOUGH_BLINDED = 0.8
FEWEST_FOR_OBSERVER_BIAS = 50
CLOSE_BLINDING = "Have somebody who does not know what was done take the reading after, in at least 80 of 100 sessions."


def digit_preference(case: Case, *, confidence_level: float = 0.99) -> Estimate | None:
    """How much more often readings end in 0 or 5 after than before, where they clearly do; None otherwise.

    Of readings that lie at most 1 beside such a number about a third end in it when nobody prefers it, because
    neighbouring numbers are about equally frequent. A sharp limit to what was treated can upset that before, so the
    share after must lie above a third by itself, and above the share before. Only whole numbers have a last digit.

    Returns:
        Share after less share before, interval by leaving out one client at a time.
    """
    pairs = case.technique.dropna(subset=["before", "after"])
    readings = pairs[["before", "after"]].to_numpy(dtype=float)
    if len(readings) < FEWEST_FOR_OBSERVER_BIAS or not np.array_equal(readings, np.round(readings)):
        return None
    digit = np.abs(readings) % 5
    near = np.isin(digit, (0, 1, 4))
    if near.sum(axis=0).min() < FEWEST_FOR_OBSERVER_BIAS:
        return None
    client = pd.factorize(as_texts(pairs["client"]))[0]
    ends, close = (np.column_stack([np.bincount(client, column) for column in one.T]) for one in (digit == 0, near))

    def share_after(ends: np.ndarray, close: np.ndarray) -> np.ndarray:
        return np.asarray(without_each(ends[:, 1]) / np.maximum(without_each(close[:, 1]), 1))

    def gap(ends: np.ndarray, close: np.ndarray) -> np.ndarray:
        before = without_each(ends[:, 0]) / np.maximum(without_each(close[:, 0]), 1)
        return np.asarray(share_after(ends, close) - before)

    found = [
        jackknife(
            ends,
            close,
            statistic,
            name="readings ending in 0 or 5, after less before",
            unit="yes_no",
            method="share of readings at most 1 beside such a number",
            confidence_level=confidence_level,
        )
        for statistic in (share_after, gap)
    ]
    after, more = found
    return more if after is not None and more is not None and after.ci_low > 1 / 3 and more.ci_low > 0 else None


def blinded_difference(case: Case) -> Estimate | None:
    """Mean change when the reader knew, less mean change when not; clients weighted equally, in both groups paired."""
    change = case.changes()
    knew = as_texts(change["examiner_blinded"])
    means = change["change"].groupby([knew, as_texts(change["client"])]).mean()
    groups = [means[means.index.get_level_values(0) == said].droplevel(0) for said in ("no", "yes")]
    if min(len(g) for g in groups) < 3:
        return None
    found = difference_interval(*groups)
    if found is None or found[2] == 0:
        return None
    n = len(groups[0].index.union(groups[1].index))
    return Estimate(
        name="knew less blind",
        value=float(groups[0].mean() - groups[1].mean()),
        ci_low=found[0],
        ci_high=found[1],
        unit=case.unit,
        n=n,
        df=n - 1,
        se=found[2],
        method="difference of means of client means, clients in both groups paired; who read blind was not drawn",
    )


def tipping_point(case: Case) -> float | None:
    """How far readers who knew (or of whom it is not said) must lean on technique readings to bring the limit to 0.

    The lower limit over the share of technique readings that were not blinded: blind readings cannot lean. None where
    the limit is not above 0 or all were blind.
    """
    if case.attributable is None or case.compared is None or not 0 < case.attributable.ci_low < np.inf:
        return None
    rows = case.compared.rows
    knew = rows.loc[(rows["arm"] == 1) & rows["y"].notna(), "blinded"] != "yes"
    share = float(knew.mean()) if len(knew) else 0.0
    return case.attributable.ci_low / share if share > 0 else None


def observer_bias(case: Case) -> Explanation:
    """Blinded against unblinded re-measurements, last digits, tipping point, and the allowance taken off."""
    share = case.blinded_share
    size = blinded_difference(case)
    says = []
    if share is None:
        says.append("Nobody wrote down whether the reader knew what was done.")
    else:
        says.append(
            f"{100 * share:.0f} % of the re-measurements were taken by a reader who did not know what was done."
        )
    if size is not None:
        says.append(
            f"Change found by readers who knew, less that found by readers who did not: {told(size)}, {size.n} clients."
        )
    digits = digit_preference(case)
    if digits is not None:
        says.append(f"Readings end in 0 or 5 more often after than before, by {told(digits)} of those near one.")
    tipping = tipping_point(case)
    if tipping is not None:
        says.append(
            f"Readers not known to be blind would have to lean by {amount(tipping, case.unit)} on every one of their "
            "readings after the technique to bring the lower limit to 0."
        )
    if share is not None and share >= ENOUGH_BLINDED:
        return Explanation(
            explanation=OBSERVER_BIAS, status="closed_by_design", size=size, says=" ".join(says), what_would_close_it=""
        )
    if case.allowance > 0 and case.attributable is not None:
        says.append(f"From the lower limit {amount(case.allowance, case.unit)} is taken off.")
        return Explanation(
            explanation=OBSERVER_BIAS,
            status="bounded",
            size=size,
            says=" ".join(says),
            what_would_close_it=CLOSE_BLINDING,
        )
    return Explanation(
        explanation=OBSERVER_BIAS, status="open", size=size, says=" ".join(says), what_would_close_it=CLOSE_BLINDING
    )


Floats = NDArray[np.float64]
EXAMINER_CHANGE = "change of examiner or instrument"
CLOSE_ONE_EXAMINER = "Keep examiner and instrument the same within a session, and write both down."
WITHIN = "Both readings of a session are by the same examiner as written down, so a step cancels in the change."
N_CANDIDATES = 40
N_DRAWS = 999
_NUMBERS_AT_ONCE = 4_000_000
FEWEST_FOR_A_SHIFT = 30
FEWEST_CLIENTS = 10


@dataclass(frozen=True, kw_only=True)
class Step:
    """The largest step in first readings: from the day `date` on they lie `size` higher. `p` is of the whole scan."""

    date: pd.Timestamp
    size: Estimate
    p: float


def examiner_change(case: Case) -> Explanation:
    """Largest difference between examiners in first readings of the same clients, and steps over time."""
    rows = case.rows.dropna(subset=["before"])
    rows = rows[written(rows["examiner"])]
    step = step_over_time(case.rows, unit=case.unit)
    stepped = step is not None and step.p < 0.05
    status, size, says = _by_examiner(rows, unit=case.unit)
    if step is not None and stepped:
        says += (
            f" From {step.date:%Y-%m-%d} on, first readings of the same clients lie higher by {told(step.size)}, "
            f"{step.size.n} clients (scan over dates, p = {step.p:.2g}). Was it the instrument, or the way of reading?"
        )
        status, size = ("adjusted" if status == "closed_by_design" else status), size or step.size
    closed = status == "closed_by_design"
    return Explanation(
        explanation=EXAMINER_CHANGE,
        status=status,
        size=size,
        says=says,
        what_would_close_it="" if closed else CLOSE_ONE_EXAMINER,
    )


def _by_examiner(rows: pd.DataFrame, *, unit: str) -> tuple[Status, Estimate | None, str]:
    """Status, size and words from who took the readings."""
    names = as_texts(rows["examiner"]).unique()
    if len(names) == 0:
        return "open", None, "Nobody wrote down who took the readings."
    if len(names) == 1:
        return "closed_by_design", None, "All readings are by one examiner."
    size = largest_step(rows, unit=unit)
    if size is None:
        return "adjusted", None, f"{WITHIN} Too few clients were read by two examiners to see a step between them."
    found = f"In first readings of the same clients, examiners differ by up to {told(size)}, {size.n} clients."
    return "adjusted", size, f"{WITHIN} {found}"


def largest_step(rows: pd.DataFrame, *, unit: str) -> Estimate | None:
    """Largest mean difference of two examiners over the clients that both read.

    Args:
        rows: tidy rows of one measure with client, examiner, before.

    Returns:
        The difference with its t interval, wide enough for all pairs of examiners (Bonferroni); None where no two
        examiners read the same 3 clients, or the difference never varies.
    """
    keys = [as_texts(rows["client"]), as_texts(rows["examiner"])]
    means = rows["before"].astype(float).groupby(keys).mean().unstack()
    gaps = [(means[one] - means[other]).dropna().to_numpy() for one, other in combinations(means.columns, 2)]
    gaps = [gap for gap in gaps if len(gap) >= 3 and np.ptp(gap) > 0]
    if not gaps:
        return None
    gap = max(gaps, key=lambda one: abs(float(one.mean())))
    value = abs(float(gap.mean()))
    se = standard_error(gap)
    reach = float(t_quantile(1 - 0.025 / len(gaps), len(gap) - 1)) * se
    return Estimate(
        name="largest step between two examiners",
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=len(gap),
        method=f"paired differences of client means; the largest of {len(gaps)} pair(s), interval for all (Bonferroni)",
        se=se,
        df=len(gap) - 1,
    )


def step_over_time(rows: pd.DataFrame, *, unit: str) -> Step | None:
    """The day on which first readings of the same clients step most, and how often chance alone steps as much.

    First readings are compared within clients and sides, the client's own course (weeks since the first visit, and the
    first visit itself, which is often a bad day) taken off. For each of up to 40 days the step is judged by its
    clients' scores; the largest is set against those after random changes of the clients' signs (score form of the wild
    bootstrap over clients; Kline & Santos 2012, from memory).

    Args:
        rows: tidy rows of one measure with client, measured_side, date, before.

    Returns:
        The step, `size` with an interval that holds for all days of the scan; None below 10 clients that came on
        both sides of some day, below 30 readings, or without dates.
    """
    frame = first_readings(rows).dropna(subset=["date", "weeks"])
    if len(frame) < FEWEST_FOR_A_SHIFT or frame["date"].nunique() < 3:
        return None
    groups = group_codes(frame, ["client", "side"])
    clients = pd.factorize(frame["client"])[0]
    days = frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    candidates = np.unique(np.quantile(days, np.linspace(0.1, 0.9, N_CANDIDATES), method="nearest"))
    weeks = frame["weeks"].to_numpy(dtype=float)
    columns = [frame["before"].to_numpy(dtype=float), weeks, (weeks == 0).astype(float)]
    before, *known = (_less_group_means(one, groups) for one in columns)
    course, _ = np.linalg.qr(np.column_stack(known))

    def cleared(values: Floats) -> Floats:
        return np.asarray(values - course @ (course.T @ values))

    def step(day: np.int64) -> Floats:
        return cleared(_less_group_means((days >= day).astype(float), groups))

    return _largest(cleared(before), step, clients, candidates, unit=unit)


def _less_group_means(values: Floats, groups: NDArray[np.intp]) -> Floats:
    """A column less its mean within each group."""
    return np.asarray(values - (np.bincount(groups, values) / np.bincount(groups))[groups])


def _largest(
    y: Floats, step: Callable[[Any], Floats], clients: NDArray[np.intp], candidates: NDArray[Any], *, unit: str
) -> Step | None:
    """The candidate day with the largest score, its p and its size; `step` gives a day's column, one at a time."""
    scores, weight = np.zeros((int(clients.max()) + 1, len(candidates))), np.zeros(len(candidates))
    for place, day in enumerate(candidates):
        column = step(day)
        scores[:, place], weight[place] = np.bincount(clients, weights=y * column), column @ column
    usable = ((np.abs(scores) > 1e-12).sum(axis=0) >= FEWEST_CLIENTS) & (weight > 1e-9)
    if not usable.any():
        return None
    scores, weight, candidates = scores[:, usable], weight[usable], candidates[usable]
    root = np.sqrt((scores**2).sum(axis=0))
    chance = _by_random_signs(scores / root)
    t = scores.sum(axis=0) / root
    place = int(np.argmax(np.abs(t)))
    p = float((1 + np.sum(chance >= abs(t[place]) - 1e-12)) / (N_DRAWS + 1))
    value = float(scores[:, place].sum() / weight[place])
    column = step(candidates[place])
    rest = np.bincount(clients, weights=(y - value * column) * column)
    se = float(np.sqrt(np.sum(rest**2)) / weight[place])
    reach = max(float(np.quantile(chance, 0.95)), 1.96) * se
    n = int((np.abs(scores[:, place]) > 1e-12).sum())
    size = Estimate(
        name="step in first readings",
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=n,
        method=f"largest of {len(candidates)} days, within clients and sides, course taken off; interval for all days",
        se=se,
    )
    return Step(date=pd.Timestamp(int(candidates[place]), unit="D"), size=size, p=p)


def _by_random_signs(scores: Floats) -> Floats:
    """The largest total over the days under each of many random changes of the clients' signs, some at a time."""
    rng, at_once = np.random.default_rng(0), max(1, _NUMBERS_AT_ONCE // len(scores))
    sizes = [min(at_once, N_DRAWS - first) for first in range(0, N_DRAWS, at_once)]
    signs = (rng.choice([-1.0, 1.0], size=(size, len(scores))) for size in sizes)
    return np.concatenate([np.abs(some @ scores).max(axis=1) for some in signs])
