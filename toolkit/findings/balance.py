"""Were the compared sessions alike in what was known before? Differences in SDs, technique less comparison.

A drawn comparison differs by chance; in one that was not drawn, what differs may explain the result.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import Compared
from toolkit.findings.finding import Judged
from toolkit.quantiles import jackknife_covariance, t_quantile
from toolkit.records.coded_texts import as_texts, by_frequency, first_of_each, repeated
from toolkit.records.dates import visit_days

ALIKE = 0.1  # SD; after Austin (2009) Stat Med 28:3083-3107 (abstract read; the 0.1 itself from memory)
MOST_PRACTITIONERS = 5
METHOD = (
    "difference of session means over the mean SD of the two, each session once, interval by leaving out one client at "
    "a time"
)
FAR = 0.25  # SD: beyond this nobody is told that it is mere chance
SHARE = "share of sessions"
AFTER = ("no reading after", "re-measured by a reader who did not know")  # seen only once something was done
Floats = NDArray[np.float64]


def balance_parts(judged: Judged, rows: pd.DataFrame) -> dict[str, Any] | None:
    """The key `balance` of a finding: what differs, what that means, and one row a characteristic.

    Args:
        judged: the question. rows: all tidy rows of the records, for dates and visit numbers.

    Returns:
        None where nothing is compared.
    """
    compared = judged.compared
    if compared is None or compared.rows.groupby("arm")["session_id"].nunique().reindex([0.0, 1.0]).isna().any():
        return None
    known, units = known_before(compared, rows, unit=str(judged.question.unit), better=str(judged.question.better))
    found = [_difference(known, name, units[name]) for name in units]
    arms = known.groupby("arm")["session_id"].nunique()
    return {
        "drawn": compared.randomised,
        "against": compared.against,
        "says": _says(compared, found, believed=judged.borne is None or judged.borne.randomised),
        "n_technique_sessions": int(arms.loc[1.0]),
        "n_comparison_sessions": int(arms.loc[0.0]),
        "n_clients": int(known["client"].nunique()),
        "method": METHOD,
        "rows": found,
    }


def known_before(
    compared: Compared, rows: pd.DataFrame, *, unit: str, better: str
) -> tuple[pd.DataFrame, dict[str, str]]:
    """One row a session and arm with what is known of it, and the unit of each characteristic that varies.

    Both sides of one session share everything but their readings, so there only readings are set side by side.
    """
    sign = 1.0 if better == "higher" else -1.0
    frame = compared.rows.assign(
        **{
            "reading before": sign * compared.rows["base"],
            "first less last reading before": (sign * compared.rows["gap"]).where(compared.rows["has_second"]),
            "read twice before": compared.rows["has_second"].astype(float),
            AFTER[0]: compared.rows["y"].isna().astype(float),
            AFTER[1]: (compared.rows["blinded"] == "yes").astype(float),
        }
    )
    units = {"reading before": unit, "first less last reading before": unit, "read twice before": SHARE}
    if compared.basis not in ("randomised_side", "other_side"):
        frame = frame.merge(_clock(rows), on=["client", "session_id"], how="left")
        units |= {"weeks since the first visit": "weeks", "visit number": "visits"}
        for name in _practitioners(frame):
            frame[f"sessions by {name}"] = (frame["practitioner"] == name).astype(float)
            units[f"sessions by {name}"] = SHARE
    units |= dict.fromkeys(AFTER, SHARE)
    units = {name: of for name, of in units.items() if frame[name].nunique() > 1}
    keys = ["session_id", "client", "arm"]
    if not repeated(frame, keys):
        return frame[[*keys, *units]].astype(dict.fromkeys(units, float)), units
    return frame.groupby(keys, sort=False)[list(units)].mean().reset_index(), units


def overlap_scores(known: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """The chance of each session to be one of the comparison, from what was known before: group, score."""
    from toolkit.effect.allocation import scores, standardised

    complete = [name for name in names if known[name].notna().all() and name not in AFTER]
    arm = known["arm"].to_numpy(dtype=float)
    chance = scores(standardised(known[complete]), arm) if complete else np.full(len(known), arm.mean())
    return pd.DataFrame({"group": np.where(arm == 1, "technique", "comparison"), "score": 1 - chance})


def _clock(rows: pd.DataFrame) -> pd.DataFrame:
    """Each session's number and its weeks since the client's first visit, NaN where there are no dates."""
    client, session = as_texts(rows["client"]), as_texts(rows["session_id"])
    visit = rows["visit"].astype(float) if "visit" in rows else np.nan
    frame = pd.DataFrame(
        {
            "client": client,
            "session_id": session,
            "weeks since the first visit": visit_days(rows) / 7,
            "visit number": visit,
        }
    )
    return first_of_each(frame, ["session_id", "client"])


def _practitioners(frame: pd.DataFrame) -> list[str]:
    """The practitioners with most sessions; of two, one says it all."""
    most = by_frequency(frame.loc[frame["practitioner"] != "", "practitioner"])
    return most[:1] if len(most) == 2 else most[:MOST_PRACTITIONERS]


def _difference(known: pd.DataFrame, name: str, unit: str) -> dict[str, Any]:
    """One characteristic: both means, the difference in SDs with its interval."""
    kept = known.dropna(subset=[name])
    codes, clients = pd.factorize(kept["client"])
    sums = np.zeros((len(clients), 2, 3))
    values = kept[name].to_numpy(dtype=float)
    place = 2 * codes + kept["arm"].to_numpy(dtype=int)
    for power in range(3):
        sums[:, :, power] = np.bincount(place, weights=values**power, minlength=2 * len(clients)).reshape(-1, 2)
    total = sums.sum(axis=0)
    means = [float(total[arm, 1] / total[arm, 0]) if total[arm, 0] else None for arm in (1, 0)]
    lost = 0 if unit == SHARE else 1
    value = float(_in_sds(total[None], lost=lost)[0])
    low, high = _interval(value, _in_sds(total[None] - sums, lost=lost))
    return {
        "characteristic": name,
        "seen": "after" if name in AFTER else "before",
        "technique": means[0],
        "comparison": means[1],
        "unit": unit,
        "difference": value,
        "ci_low": low,
        "ci_high": high,
        "n_clients": len(clients),
        "n_technique": int(total[1, 0]),
        "n_comparison": int(total[0, 0]),
    }


def _in_sds(sums: Floats, *, lost: int) -> Floats:
    """Difference of the arms' means over the root of the mean of their variances (n − `lost`); NaN without a spread."""
    n = np.where(sums[..., 0] > lost, sums[..., 0], np.nan)
    mean = sums[..., 1] / n
    variance = np.maximum(sums[..., 2] / n - mean**2, 0.0) * n / (n - lost)
    spread = np.sqrt(variance.mean(axis=-1))
    return np.asarray((mean[..., 1] - mean[..., 0]) / np.where(spread > 1e-9, spread, np.nan))


def _interval(value: float, left_out: Floats) -> tuple[float, float]:
    """95 % interval from leaving out one client at a time; NaN below 3 clients or where one carries an arm alone."""
    n = len(left_out)
    if n < 3 or not np.isfinite(left_out).all():
        return float("nan"), float("nan")
    reach = float(t_quantile(0.975, n - 1)) * float(np.sqrt(jackknife_covariance(left_out)[0, 0]))
    return value - reach, value + reach


def _says(compared: Compared, found: list[dict[str, Any]], *, believed: bool = True) -> str:
    """What differs, and what that means for the result."""
    before, after = ([row for row in found if row["seen"] == when] for when in ("before", "after"))
    listed = _apart(before)
    later = f" Once something was done: {_named(after)}." if _stand_out(after) else ""
    if not compared.randomised:
        return (
            f"What is compared ({compared.against}) was not drawn at random, so what differs here may be what explains "
            f"the result, and so may what nobody wrote down. {listed}{later}"
        )
    drawn = "The order" if compared.basis == "randomised_order" else "The treated side"
    not_chance = " That came after the draw, so it need not be chance." if later else ""
    if not believed:
        return f"{drawn} is written as drawn, which the records do not bear out. {listed}{later}"
    if any(abs(row["difference"]) > FAR for row in _stand_out(before)):
        return f"{drawn} is written as drawn at random; chance alone seldom leaves so much apart. {listed}{later}"
    return f"{drawn} was drawn at random, so what differed before differs by chance. {listed}{later}{not_chance}"


def _stand_out(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Characteristics that differ by more than the limit with an interval that leaves out 0, or share no spread."""
    return [
        row
        for row in found
        if _wholly(row) or (abs(row["difference"]) > ALIKE and (row["ci_low"] > 0 or row["ci_high"] < 0))
    ]


def _wholly(row: dict[str, Any]) -> bool:
    """Whether every session of one arm has one value and every session of the other another."""
    return bool(np.isnan(row["difference"]) and min(row["n_technique"], row["n_comparison"]) > 1)


def _apart(found: list[dict[str, Any]]) -> str:
    """What differs clearly, in words."""
    if _stand_out(found):
        return f"Clearly apart: {_named(found)}."
    sized = [row for row in found if abs(row["difference"]) > ALIKE]
    if not sized:
        return f"Nothing differs by more than {ALIKE:g} SD."
    most = max(sized, key=lambda row: abs(row["difference"]))
    return (
        f"Nothing differs clearly, but {most['n_clients']} clients cannot rule out a difference; the largest: "
        f"{_sized(most)}."
    )


def _named(found: list[dict[str, Any]]) -> str:
    """Each characteristic that stands out, with by how much."""
    return "; ".join(
        f"{row['characteristic']} (wholly apart)" if _wholly(row) else _sized(row) for row in _stand_out(found)
    )


def _sized(row: dict[str, Any]) -> str:
    """A characteristic with its difference, interval and clients."""
    said = f"{row['characteristic']} ({row['difference']:+.2f} SD)"
    if np.isnan(row["ci_low"]):
        return f"{said}, no interval from {row['n_clients']} clients"
    return f"{said}, 95 % interval {row['ci_low']:+.2f} to {row['ci_high']:+.2f}, {row['n_clients']} clients"
