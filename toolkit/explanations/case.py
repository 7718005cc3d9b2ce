"""What every explanation looks at, and what it answers.

An *explanation* is another explanation of the change. Each file of this room holds one: it takes a `Case` and gives a
`Explanation` with a size in the measure's unit where one can be had, what it says, and what would close it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.estimate import Attributable
from toolkit.number_words import with_interval
from toolkit.quantiles import jackknife_covariance, t_quantile
from toolkit.records.coded_texts import as_texts
from toolkit.records.dates import visit_days
from toolkit.records.texts import keep_rows
from toolkit.result import Estimate

_OF_A_CHANGE = (
    *("client", "practitioner", "session_id", "date", "visit", "measured_side"),
    *("before", "before_2", "after_wait", "after", "comfort", "examiner_blinded"),
)
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
        """Technique rows with both readings: `_OF_A_CHANGE`, as far as they are there, and the oriented `change`."""
        there = (self.technique[first].notna() & self.technique[second].notna()).to_numpy()
        kept = keep_rows(self.technique[[name for name in _OF_A_CHANGE if name in self.technique]], there)
        return kept.assign(change=self.sign * (kept[second] - kept[first]))

    @cached_property
    def sums(self) -> tuple[np.ndarray, np.ndarray]:
        """Sum of changes from `before` to `after` and number of rows of each client."""
        return client_sums(self.changes())


def told(found: Estimate) -> str:
    """An estimate with its unit and interval, as a sentence holds it."""
    return with_interval(
        found.value, found.ci_low, found.ci_high, found.unit, signed=False, level=found.confidence_level
    )


def first_readings(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with a first reading, on the client's clock: client, side, before, date, weeks since the first visit.

    Weeks come from the dates, else from `day`; NaN where there is neither.
    """
    kept = rows.dropna(subset=["before"])
    client = as_texts(kept["client"])
    dates = pd.to_datetime(kept["date"])
    side = as_texts(kept["measured_side"]) if "measured_side" in kept else ""
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
    grouped = changes.groupby(as_texts(changes["client"]), sort=False)["change"].agg(["sum", "count"])
    return grouped["sum"].to_numpy(dtype=float), grouped["count"].to_numpy(dtype=float)


def without_each(parts: np.ndarray) -> np.ndarray:
    """The total of what each client adds, then the totals without each client in turn.

    Example:
        >>> without_each(np.array([1.0, 2.0, 4.0])).tolist()
        [7.0, 6.0, 5.0, 3.0]
    """
    total = parts.sum(axis=0)
    return np.concatenate([total[None], total - parts])


def jackknife(
    sums: np.ndarray,
    counts: np.ndarray,
    statistic: Callable[[np.ndarray, np.ndarray], np.ndarray],
    *,
    name: str,
    unit: str,
    method: str,
    confidence_level: float = 0.95,
) -> Estimate | None:
    """A statistic of clients' sums and counts with an interval that leaves one client out at a time.

    `statistic` gives its value, then its values without each client: made of totals (`without_each`).
    Method: delete-one-cluster jackknife, t with clients − 1 df (Efron & Stein 1981, from memory). None below 3 clients.
    """
    n = len(sums)
    if n < 3:
        return None
    values = statistic(sums, counts)
    value = float(values[0])
    se = float(np.sqrt(jackknife_covariance(values[1:])[0, 0]))
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
