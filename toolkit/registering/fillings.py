"""What missing readings are taken to be, from totals by day and from how often each change stands."""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.effect.missing_readings import LOWER, UPPER, harsher_arm
from toolkit.registering.cells import Filled
from toolkit.registering.compared import ComparedTable
from toolkit.registering.held import Held


def by_arm(days: pd.DataFrame) -> pd.DataFrame:
    """Of each arm (1, 0): rows, changes with their sum, squares and ends, means before, the share read blind."""
    whole = days[days["whole"]].groupby("arm")
    every = days.groupby("arm")
    found = pd.DataFrame({name: every[name].sum() for name in ("n", "base", "base_n", "gap", "gap_n")})
    found = found.reindex([1, 0], fill_value=0)
    for name, one in (("y_n", "n"), ("y", "y"), ("y_squares", "y_squares"), ("blind", "blind")):
        found[name] = whole[one].sum().reindex([1, 0], fill_value=0)
    found["nothing"] = 1 - found["base_n"] / found["n"].clip(lower=1)
    found["blind"] = found["blind"] / found["y_n"].clip(lower=1)
    return found.assign(y_low=every["y_low"].min(), y_high=every["y_high"].max())


def fillings(found: Held, compared: ComparedTable, about: pd.DataFrame) -> Filled | None:
    """What missing readings are taken to be; see `missing_readings.filling`. Of two treatments neither comes first."""
    if not (about["n"] - about["y_n"]).any():
        return None
    rows = compared.table.filter(compared.table.y.notnull())
    if not compared.both_treated:
        rows = rows.filter(rows.arm == 0)
    counted = found.engine.frame(rows.group_by(["arm", "y"]).agg(n=rows.count()))
    against, favour = _one_way(about, counted, arm=1)
    ways = {"y_against": against, "y_favour": favour}
    if compared.both_treated:
        turned = [(one[1], one[0]) for one in _one_way(about, counted, arm=0)]
        ways |= {"y_turned_against": turned[0], "y_turned_favour": turned[1]}
    base, gap = (float(about[name].sum() / about[f"{name}_n"].sum()) for name in ("base", "gap"))
    return Filled(ways=ways, base=base, gap=gap)


def _one_way(about: pd.DataFrame, counted: pd.DataFrame, *, arm: int) -> list[tuple[float, float]]:
    """Against one arm and for it: what a missing change in that arm is taken to be, and in the other."""
    n = about["n"].loc[[arm, 1 - arm]].to_numpy(dtype=int)
    missing = n - about["y_n"].loc[[arm, 1 - arm]].to_numpy(dtype=int)
    other = counted[counted["arm"] == 1 - arm]
    quantile = {one: quantile_of_counts(other["y"], other["n"], one) for one in {*LOWER, *UPPER}}
    against, favour = [quantile[one] for one in LOWER], [quantile[one] for one in UPPER]
    count = float(about["y_n"].sum())
    mean = about["y"].sum() / count
    spread = float(np.sqrt(max(about["y_squares"].sum() - count * mean**2, 0.0) / (count - 1)))
    least, most = float(about["y_low"].min()) - spread, float(about["y_high"].max()) + spread
    harsher = harsher_arm(missing, n, float(about["nothing"].loc[arm]))
    if harsher == "technique":
        against[0], favour[0] = least, most
    elif harsher == "comparison":
        against[1], favour[1] = most, least
    return [(against[0], against[1]), (favour[0], favour[1])]


def quantile_of_counts(values: pd.Series, counts: pd.Series, share: float) -> float:
    """A quantile of values that stand so many times, interpolated as numpy does.

    Examples
    --------
    >>> quantile_of_counts(pd.Series([3.0, 1.0]), pd.Series([1, 3]), 0.75)
    1.5
    """
    order = np.argsort(values.to_numpy(), kind="stable")
    sorted_values, ends = values.to_numpy()[order], np.cumsum(counts.to_numpy()[order])
    place = share * (int(ends[-1]) - 1)
    below = int(np.floor(place))
    low, high = (sorted_values[np.searchsorted(ends, at, side="right")] for at in (below, min(below + 1, ends[-1] - 1)))
    return float(low + (high - low) * (place - below))
