"""What every explanation looks at, and what it answers.

An *explanation* is another explanation of the change. Each file of this room holds one: it takes a `Case` and gives a
`Explanation` with a size in the measure's unit where one can be had, what it says, and what would close it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.estimate import Attributable
from toolkit.quantiles import jackknife_covariance, t_quantile
from toolkit.records.dates import visit_days
from toolkit.result import Estimate, figure_text

Status = Literal["closed_by_design", "adjusted", "bounded", "open", "not_applicable"]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """One other explanation. `size` is in the measure's unit, better = positive; None where none can be had."""

    explanation: str
    status: Status
    size: Estimate | None
    says: str
    what_would_close_it: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Case:
    """One question's records and what has been found so far.

    `rows`: all tidy rows of the measure; `technique`: those of the technique whose reading belongs to the treated side;
    `compared`, `complete`, `attributable`: technique against comparison, without and with the missing-reading bound
    (None = nothing to compare with). `sem`: standard error of measurement and where it comes from. `n_questions`: how
    many are judged together, `look` of `looks_planned` at `alpha`. `allowance`: leaning allowance in the unit.
    """

    rows: pd.DataFrame
    technique: pd.DataFrame
    measure: str
    unit: str
    better: str
    compared: Compared | None
    complete: Attributable | None
    attributable: Attributable | None
    sem: float | None
    sem_source: str
    allowance: float
    blinded_share: float | None
    n_questions: int = 1
    n_small_p: int = 0
    look: int = 1
    looks_planned: int = 1
    alpha: float = 0.05

    @property
    def sign(self) -> float:
        """+1 where a rise is better, −1 where a fall is."""
        return 1.0 if self.better == "higher" else -1.0

    def changes(self, *, first: str = "before", second: str = "after") -> pd.DataFrame:
        """Technique rows with both readings: client, practitioner, session_id, date and the oriented `change`."""
        kept = self.technique.dropna(subset=[first, second])
        return kept.assign(change=self.sign * (kept[second] - kept[first]))


def _figure(value: float | None) -> str:
    """Two significant digits below ten, three from there on: as exact as readings of the body are."""
    return figure_text(value, digits=2 if value is not None and abs(value) < 10 else 3)


_UNIT_SIGNS = {"deg": "°", "yes_no": " percentage points"}


def amount(value: float | None, unit: str) -> str:
    """A number with its unit as a sentence holds it: two digits below ten; signs (0 and 1) in percentage points.

    Example:
        >>> amount(2.345, "deg"), amount(0.12, "yes_no"), amount(None, "mm")
        ('2.3°', '12 percentage points', 'not available')
    """
    if value is None or not np.isfinite(value):
        return _figure(value)
    name, rest = next(((known, unit[len(known) :]) for known in _UNIT_SIGNS if unit.startswith(known)), ("", ""))
    sign = _UNIT_SIGNS[name] + rest if name else f" {unit}"
    return f"{_figure(value * (100 if name == 'yes_no' else 1))}{sign}"


def span(low: float | None, high: float | None, unit: str) -> str:
    """Two limits with one unit, as a sentence holds them.

    Example:
        >>> span(-0.664, 0.52, "deg"), span(1.0, float("inf"), "mm")
        ('-0.66 to 0.52°', '1 to no limit')
    """
    scale = 100 if unit.startswith("yes_no") else 1
    first = _figure(None if low is None else low * scale)
    return f"{first if low is None or np.isfinite(low) else 'no limit'} to {_limit(high, unit)}"


def _limit(value: float | None, unit: str) -> str:
    return "no limit" if value is not None and np.isinf(value) else amount(value, unit)


def told(found: Estimate) -> str:
    """An estimate with its unit and interval, as a sentence holds it."""
    scale = 100 if found.unit.startswith("yes_no") else 1
    low, high = (_figure(end * scale) for end in (found.ci_low, found.ci_high))
    return f"{amount(found.value, found.unit)} ({100 * found.confidence_level:.4g} % interval {low} to {high})"


def first_readings(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with a first reading, on the client's clock: client, side, before, date, weeks since the first visit.

    Weeks come from the dates, else from `day`; NaN where there is neither.
    """
    kept = rows.dropna(subset=["before"])
    client = kept["client"].astype(str)
    dates = pd.to_datetime(kept["date"])
    side = kept["measured_side"].astype(str) if "measured_side" in kept else ""
    return pd.DataFrame(
        {
            "client": client,
            "side": side,
            "before": kept["before"].astype(float),
            "date": dates,
            "weeks": visit_days(kept) / 7.0,
        }
    )


def client_sums(changes: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Sum of changes and number of rows of each client."""
    grouped = changes.groupby(changes["client"].astype(str), sort=False)["change"].agg(["sum", "count"])
    return grouped["sum"].to_numpy(dtype=float), grouped["count"].to_numpy(dtype=float)


def jackknife(
    sums: np.ndarray,
    counts: np.ndarray,
    statistic: Callable[[np.ndarray, np.ndarray], float],
    *,
    name: str,
    unit: str,
    method: str,
    confidence_level: float = 0.95,
) -> Estimate | None:
    """A statistic of clients' sums and counts with an interval that leaves one client out at a time.

    Method: delete-one-cluster jackknife, t with clients − 1 df (Efron & Stein 1981, from memory). None below 3 clients.
    """
    n = len(sums)
    if n < 3:
        return None
    keep = ~np.eye(n, dtype=bool)
    left_out = np.array([statistic(sums[row], counts[row]) for row in keep])
    value = statistic(sums, counts)
    se = float(np.sqrt(jackknife_covariance(left_out)[0, 0]))
    reach = float(t_quantile((1 + confidence_level) / 2, n - 1)) * se
    return Estimate(
        name=name,
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=n,
        method=f"{method}, interval by leaving out one client at a time",
        confidence_level=confidence_level,
        se=se,
        df=n - 1,
    )
