"""Further doubts that records can raise: readers by arm, coarser readings, copied ones, baselines, one practitioner.

Each asks one thing of the compared rows and says what it costs; `borne_out` puts them together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import Compared
from toolkit.effect.draw_check import redrawn
from toolkit.effect.many_sessions import robust_over_clients
from toolkit.effect.observer import copied_second_readings
from toolkit.quantiles import fisher_p, t_above

Floats = NDArray[np.float64]
LIMIT = 0.01
BASELINES_APART = 0.01
BOTH_ARMS = 3  # sessions that an examiner must have read in each arm to be told from the arm
RESTS_ON = 0.33  # share of the estimate that must be left without any one practitioner
FEWEST_WITH_BOTH, LEAST_SHARE_WITH_BOTH = 5, 0.2  # clients who must have had both of two that somebody chose
DIFFERENT_PEOPLE = "different people: {both} of {n} clients stand on both sides"
DIFFERENT_READERS = "The two were read by different examiners, so reader and technique cannot be told apart."
CHOSEN_BY_SECOND = "the second reading before (given the first)"
FEWEST_PEOPLE, MOST_PEOPLE = 3, 12  # practitioners of whom each is left out in turn
LONGER = 1.5  # ratio of minutes between the arms that is no longer the same length


def examiners_by_arm(compared: Compared) -> tuple[str, Compared]:
    """Did other examiners read one arm? What is said of it ("" for no), and the rows with examiners to adjust for.

    Association by redrawn labels at 1 %. Where no examiner read both arms, the words say that the two cannot be told
    apart; else each examiner becomes an adjusting column.
    """
    source = compared.source
    if source is None or "examiner" not in source or compared.basis in ("randomised_side", "other_side"):
        return "", compared
    examiner = source["examiner"].astype(str).fillna("")
    label = compared.rows["arm"].to_numpy(dtype=float)
    code, names = pd.factorize(examiner)
    if len(names) < 2 or len(label) < 10 or not 0 < label.mean() < 1:
        return "", compared
    member = (code[:, None] == np.arange(len(names))).astype(float)
    weight = 1 / np.sqrt(np.maximum(member.sum(axis=0), 1))
    by_chance = np.concatenate(
        [np.sum(((could @ member) * weight) ** 2, axis=1) for could in redrawn(label, seed=2, n_redraws=999)]
    )
    seen = float(np.sum((((label - label.mean()) @ member) * weight) ** 2))
    if (1 + (by_chance >= seen - 1e-12).sum()) / 1000 > LIMIT:
        return "", compared
    treated, waited = member[label == 1].sum(axis=0), member[label == 0].sum(axis=0)
    shared = (treated >= BOTH_ARMS) & (waited >= BOTH_ARMS)
    if not shared.any():
        return DIFFERENT_READERS, compared
    columns = {f"adjust examiner {k}": member[:, k] for k in range(1, len(names))}
    rows = pd.concat([compared.rows, pd.DataFrame(columns, index=compared.rows.index)], axis=1)
    return "", replace(compared, rows=rows)


def coarser_after(compared: Compared) -> tuple[float, str]:
    """What is taken off where one arm's readings after are rounded more coarsely than its readings before.

    Shares of multiples of 10, 5 and 2, after against before, by arm (Fisher, 1 %, 20 points): half the step for each
    arm in which they rise.
    """
    source = compared.source
    if source is None:
        return 0.0, ""
    needed, said = 0.0, []
    waits = compared.basis == "randomised_order"
    for arm, name in ((1, "after the technique"), (0, "after the comparison")):
        mine = (compared.rows["arm"] == arm).to_numpy()
        after = source["after_wait" if waits and arm == 0 else "after"].to_numpy(dtype=float)[mine]
        before = source["before"].to_numpy(dtype=float)[mine]
        rises = {step: _coarser(before, after, step) for step in (10.0, 5.0, 2.0)}
        step = max(rises, key=lambda step: rises[step])
        if rises[step] > 0:
            needed += step / 2
            said.append(f"{name} to {step:g}")
    return needed, f"readings are rounded more coarsely {' and '.join(said)}" if said else ""


def _coarser(before: Floats, after: Floats, step: float) -> float:
    """By how much the share of multiples rises, 0 where it does not clearly."""
    ends = np.nanmin(np.r_[before, after]), np.nanmax(np.r_[before, after])  # where an instrument or a joint stops
    before, after = (values[np.isfinite(values) & ~np.isin(values, ends)] for values in (before, after))
    if min(len(before), len(after)) < 10:
        return 0.0
    hits = [int(np.isclose(values / step, np.round(values / step), atol=1e-6).sum()) for values in (after, before)]
    shares = hits[0] / len(after), hits[1] / len(before)
    table = [[hits[0], len(after) - hits[0]], [hits[1], len(before) - hits[1]]]
    rise = shares[0] - shares[1]
    return rise if rise > 0.2 and fisher_p(table) < LIMIT else 0.0


def without_copied_rereadings(compared: Compared) -> tuple[Compared, str]:
    """Re-readings that only repeat the reading before, in the arm that has clearly more of them: taken for not taken.

    Of the comparison: nobody read again. Of the technique ("same"): what was worse than before was not written.
    """
    rows = compared.rows
    known = rows["y"].notna() & rows["base"].notna()
    same = known & ((rows["y"].abs() < 1e-9) | ((rows["y"] - rows["gap"].fillna(0.0)).abs() < 1e-9))
    at_end = rows["base"].isin((rows["base"].min(), rows["base"].max()))  # where an instrument or a joint stops
    for arm, name, other in ((0, "comparison", "technique"), (1, "technique", "comparison")):
        use = known & ~at_end if arm else known
        table = [[int((same & use & part).sum()), int((use & ~same & part).sum())] for part in _arms(rows, arm)]
        if min(sum(line) for line in table) < 5 or fisher_p(table) > LIMIT:
            continue
        shares = [line[0] / sum(line) for line in table]
        mine = rows[known & (rows["arm"] == arm)]
        if shares[0] - shares[1] < 0.1 or not _more_than_rounding_gives(mine):
            continue
        copied = same & (rows["arm"] == arm)
        said = (
            f"{int(copied.sum())} re-readings of the {name} repeat the reading before ({100 * shares[0]:.0f} %, of the "
            f"{other}'s {100 * shares[1]:.0f} %): taken for readings not taken."
        )
        return replace(compared, rows=rows.assign(y=rows["y"].mask(copied))), said
    return compared, ""


def _arms(rows: pd.DataFrame, arm: int) -> tuple[pd.Series, pd.Series]:
    """Which rows are of this arm, and which of the other."""
    return rows["arm"] == arm, rows["arm"] != arm


def _more_than_rounding_gives(rows: pd.DataFrame) -> bool:
    """Do more readings after repeat one of the readings before than the rounding gives?"""
    nothing = pd.Series(np.nan, index=rows.index)
    after = rows["base"] + rows["y"]
    first = rows["base"] + rows["gap"].fillna(0.0)
    return any(copied_second_readings(before, after, nothing) for before in (rows["base"], first))


def baselines_apart(compared: Compared) -> bool:
    """Do readings before differ by arm within clients, at 1 % for each of first, last and their difference?"""
    rows = compared.rows.dropna(subset=["base"])
    arm = rows["arm"].to_numpy(dtype=float)
    code = pd.factorize(rows["client"])[0]
    if len(rows) < 10 or np.ptp(arm) == 0:
        return False
    for values in (rows["base"], rows["base"] + rows["gap"].fillna(0.0), rows["gap"].fillna(0.0)):
        if _z(values.to_numpy(dtype=float), arm, code) < BASELINES_APART:
            return True
    return False


def _z(values: Floats, arm: Floats, code: NDArray[np.intp]) -> float:
    """p of a difference by arm within clients (clients' own means taken off); 1 where it cannot be had."""
    count = np.bincount(code)
    within = [one - (np.bincount(code, weights=one) / count)[code] for one in (values, arm)]
    if np.ptp(within[0]) < 1e-9 or np.ptp(within[1]) < 1e-9:
        return 1.0
    got = robust_over_clients(within[0], within[1][:, None], code, np.ones(len(values)))
    return 1.0 if got is None else float(2 * t_above(abs(got.value) / got.se, got.df))


def after_alone(compared: Compared) -> Compared:
    """The comparison of the readings after alone: under a draw right whatever was done to the readings before."""
    rows = compared.rows
    return replace(compared, rows=rows.assign(y=rows["y"] + rows["base"], base=0.0, gap=0.0))


def minutes_apart(compared: Compared) -> str:
    """Is it written down that one arm took clearly longer? In words, "" for no."""
    source = compared.source
    if source is None or "minutes" not in source or compared.basis in ("randomised_side", "other_side"):
        return ""
    minutes = source["minutes"].to_numpy(dtype=float)
    arm = compared.rows["arm"].to_numpy()
    one, other = (minutes[(arm == which) & np.isfinite(minutes)] for which in (1, 0))
    return longer_by(one, other)


def longer_by(one: Floats, other: Floats) -> str:
    """The same from the minutes of both arms, none missing.

    Examples
    --------
    >>> longer_by(np.full(9, 12.0), np.full(9, 6.0))
    'The two took differently long (12 and 6 minutes), so it may be the time.'
    """
    if min(len(one), len(other)) < 5:
        return ""
    middle = float(np.median(one)), float(np.median(other))
    low, high = sorted(middle)
    if high < LONGER * low:
        return ""
    cut = (low + high) / 2
    table = [[int((part > cut).sum()), int((part <= cut).sum())] for part in (one, other)]
    if fisher_p(table) > LIMIT:
        return ""
    return f"The two took differently long ({middle[0]:g} and {middle[1]:g} minutes), so it may be the time."


def different_people(compared: Compared) -> str:
    """Do hardly any clients stand in both arms of a comparison that nobody drew? In words, "" for no."""
    arms = compared.rows.groupby("client", sort=False)["arm"].nunique()
    both = int((arms > 1).sum())
    if not too_few_on_both(both, len(arms)):
        return ""
    return DIFFERENT_PEOPLE.format(both=both, n=len(arms))


def too_few_on_both(both: int, clients: int) -> bool:
    """Two treatments that somebody chose: fewer than five clients had both, or fewer than one in five?

    Examples
    --------
    >>> too_few_on_both(4, 10), too_few_on_both(5, 60), too_few_on_both(12, 60)
    (True, True, False)
    """
    return both < FEWEST_WITH_BOTH or both < LEAST_SHARE_WITH_BOTH * clients


def chosen_by_second_reading(compared: Compared) -> str:
    """Given the first reading before, does the second tell the arm? Then changes start where the choice was made."""
    rows = compared.rows.dropna(subset=["base", "gap"])
    rows = rows[rows["has_second"].astype(bool)]
    if len(rows) < 20 or np.ptp(rows["arm"]) == 0:
        return ""
    arm, base = rows["arm"].to_numpy(dtype=float), rows["base"].to_numpy(dtype=float)
    first = base + rows["gap"].to_numpy(dtype=float)
    code = pd.factorize(rows["client"])[0]
    count = np.bincount(code)
    for level in (0.0, 1.0):  # between all sessions, then within clients
        less = [one - level * (np.bincount(code, weights=one) / count)[code] for one in (arm, base, first)]
        columns = np.column_stack([less[1], less[2], np.ones(len(arm))] if level == 0 else less[1:])
        got = robust_over_clients(less[0], columns, code, np.ones(len(arm)))
        if got is not None and abs(got.value) > 2.58 * got.se:
            return CHOSEN_BY_SECOND
    return ""


def practitioners_left_out(compared: Compared) -> Iterator[tuple[str, Compared]]:
    """The comparison without each practitioner in turn (compared rows alone), where at least three worked in both arms.

    One at a time, as each is a copy of nearly all rows.
    """
    counts = compared.rows.groupby(["practitioner", "arm"], sort=False).size().unstack(fill_value=0)
    if counts.shape[1] < 2 or (counts.min(axis=1) >= BOTH_ARMS).sum() < FEWEST_PEOPLE or len(counts) > MOST_PEOPLE:
        return
    name = compared.rows["practitioner"]
    for one in counts.index[counts.min(axis=1) >= BOTH_ARMS]:
        kept = (name != one).to_numpy()
        yield str(one), replace(compared, rows=compared.rows[kept].reset_index(drop=True), source=None)
