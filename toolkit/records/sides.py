"""Sides that do not fit together: flagged for the reader to look at, never set aside.

Tissue on one side limits some movements towards the same side and others towards the opposite side (general anatomy,
from the codebook's limits). Treating the left and reading only where the left cannot show is worth knowing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.ledger import Ledger
from toolkit.records.readings import Rulers
from toolkit.records.texts import distinct, row_keys, says

_TREATMENT = ("session_id", "region", "treated_side", "intervention", "measure")
_MISMATCH = {
    "same": "one side was treated and only the other measured",
    "opposite": "tissue on the treated side limits this movement to the opposite side, which was not measured",
}
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
    what = f"{without.sum()} row(s) of measures that are read on each side name no measured side"
    ledger.flag(frame.loc[without].head(1), column="measured_side", value="none", what=what)
    untold = says(frame["treated_side"], "") & ~says(frame["intervention"], "measured_only")
    what = f"{untold.sum()} row(s) name no treated side"
    ledger.flag(frame.loc[untold].head(1), column="treated_side", value="", what=what)


def _flag_other_side_only(frame: pd.DataFrame, codebook: Codebook, ledger: Ledger) -> None:
    """One side treated, and the measured side on which that could show is missing from the session."""
    left, right = says(frame["treated_side"], "left"), says(frame["treated_side"], "right")
    on_left, on_right = says(frame["measured_side"], "left"), says(frame["measured_side"], "right")
    same, other = (left & on_left) | (right & on_right), (left & on_right) | (right & on_left)
    relation = _relations(frame, codebook)
    unfit = (other & (relation == "same")) | (same & (relation == "opposite"))
    unfit &= ~says(frame["intervention"], "measured_only")
    if not unfit.any():
        return
    shows = (same | other) & ~unfit
    keys = pd.Series(row_keys(frame, _TREATMENT))
    lacking = unfit & ~keys.isin(keys[shows]).to_numpy()
    for kind, what in _MISMATCH.items():
        rows = frame.loc[lacking & (relation == kind)]
        value = rows["measured_side"].astype(str).to_numpy(dtype=object)
        ledger.flag(rows, column="measured_side", value=value, what=what)


def _relations(frame: pd.DataFrame, codebook: Codebook) -> np.ndarray:
    """same, opposite or either for each row, by what the codebook says of its regions and measure; unknown = same."""
    region_codes, regions = distinct(frame["region"])
    measure_codes, measures = distinct(frame["measure"])
    table = np.empty((max(len(regions), 1), max(len(measures), 1)), dtype=object)
    for place, joined in enumerate(regions):
        for number, measure in enumerate(measures):
            found = {codebook.limits(region, measure) or "same" for region in joined.split(" + ")}
            table[place, number] = found.pop() if len(found) == 1 and found != {"both"} else "either"
    relations: np.ndarray = table[region_codes, measure_codes]
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
    key = row_keys(frame, ["session_id", "region", "intervention", "measure"])
    told = (frame["date"].notna() & frame["before"].notna()).to_numpy()
    some = frame[columns].assign(key=key)
    left = some.loc[told & says(frame["measured_side"], "left")]
    right = some.loc[told & says(frame["measured_side"], "right"), ["key", "before"]]
    left = left.loc[left["key"].isin(right["key"])]
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
