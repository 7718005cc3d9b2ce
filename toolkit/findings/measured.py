"""What the readings are worth: measurement error measure by measure, and how two readings agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.records.coded_texts import as_texts
from toolkit.result import Estimate
from toolkit.stats.agreement import LimitsOfAgreement, limits_of_agreement_repeated
from toolkit.stats.published import published_sem
from toolkit.stats.reading_error import ReadingError, reading_error

SIGNS = "yes_no"


def pairs_before(rows: pd.DataFrame, *, measure: str) -> pd.DataFrame:
    """Both readings before of the same side in the same session: client, first, second; one row a pair."""
    kept = rows[rows["measure"] == measure].dropna(subset=["before", "before_2"])
    return pd.DataFrame(
        {
            "client": as_texts(kept["client"]).array,
            "first": kept["before"].to_numpy(dtype=float),
            "second": kept["before_2"].to_numpy(dtype=float),
        }
    )


def limits_before(rows: pd.DataFrame, *, measure: str, unit: str) -> LimitsOfAgreement:
    """Limits of agreement of second minus first reading; a client's several pairs belong together.

    Raises:
        NotEnoughError: a sign, fewer than three clients read twice, or differences all the same.
    """
    if unit == SIGNS:
        raise NotEnoughError("A sign is present or absent, so its two readings have no limits of agreement.")
    pairs = pairs_before(rows, measure=measure)
    n = pairs["client"].nunique()
    if n < 3:
        raise NotEnoughError(
            f"{n} client{'' if n == 1 else 's'} were read twice before anything was done; at least 3 are needed. Read "
            "each side twice before."
        )
    return limits_of_agreement_repeated(pairs["first"], pairs["second"], pairs["client"], unit=unit)


def agreement_parts(rows: pd.DataFrame, *, measure: str, unit: str) -> dict[str, Any]:
    """The keys `agreement` (None where it cannot be had) and `why_no_agreement` of a measure in findings.json."""
    try:
        limits = limits_before(rows, measure=measure, unit=unit)
    except NotEnoughError as problem:
        return {"agreement": None, "why_no_agreement": str(problem)}
    several = limits.n_pairs > limits.n_people
    found = {
        "mean_difference": _ends(limits.bias),
        "lower": _ends(limits.lower),
        "upper": _ends(limits.upper),
        "unit": unit,
        "n_clients": limits.n_people,
        "n_pairs": limits.n_pairs,
        "several_pairs_a_client": (
            "variance between and within clients put together, clients weighing the same in the mean"
            if several
            else "one pair a client"
        ),
        "method": f"mean ± {limits.multiplier:g} SD; Bland & Altman (2007), intervals by Zou (2013)",
    }
    return {"agreement": found, "why_no_agreement": ""}


def _ends(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "ci_low": found.ci_low, "ci_high": found.ci_high}


ENOUGH_CLIENTS = 10
ENOUGH_PAIRS = 20
TWO_READINGS = 1.96 * np.sqrt(2)


@dataclass(frozen=True, eq=False, kw_only=True)
class Ruler:
    """SEM and MDC95 of one measure in its unit; None where neither records nor publications give one.

    `own` holds the error from the records where it can be had, also where too few readings make another be used.
    """

    measure: str
    unit: str
    sem: float | None
    mdc95: float | None
    source: str
    own: ReadingError | None

    def as_dict(self) -> dict[str, object]:
        """The measure's line of findings.json."""
        own = self.own if self.source == "own records" else None
        row: dict[str, object] = {
            "measure": self.measure,
            "unit": self.unit,
            "n_clients": self.own.n_clients if self.own else 0,
            "n_pairs": self.own.n_pairs if self.own else 0,
        }
        for name, value in (("icc", None), ("sem", self.sem), ("mdc95", self.mdc95)):
            found = getattr(self.own, name, None) if name == "icc" else getattr(own, name, None)
            row[name] = found.value if found else value
            row[f"{name}_ci_low"] = found.ci_low if found else None
            row[f"{name}_ci_high"] = found.ci_high if found else None
        row["source"] = self.source
        row["method"] = self.own.method if self.own else "published figure"
        return row


def ruler_of(rows: pd.DataFrame, *, measure: str, unit: str) -> Ruler:
    """The measurement error to use for one measure.

    Own records are used where at least 10 clients gave 20 pairs of readings before; else a published SEM; else own
    records however few; else none.

    Args:
        rows: tidy wide rows of any measures.
    """
    own = _own(rows[rows["measure"] == measure], measure=measure, unit=unit)
    if own is not None and own.n_clients >= ENOUGH_CLIENTS and own.n_pairs >= ENOUGH_PAIRS:
        return _from_own(own)
    published = published_sem(measure)
    published = published.in_unit(unit) if published is not None else None
    if published is not None and published.unit == unit:
        source = f"published: {published.citation} ({published.status}; {published.derivation})"
        return Ruler(
            measure=measure,
            unit=unit,
            sem=published.value,
            mdc95=TWO_READINGS * published.value,
            source=source,
            own=own,
        )
    if own is not None:
        return _from_own(own)
    source = "not available: no second reading before, nothing published in the toolkit's list"
    return Ruler(measure=measure, unit=unit, sem=None, mdc95=None, source=source, own=None)


def _from_own(own: ReadingError) -> Ruler:
    return Ruler(
        measure=own.measure, unit=own.unit, sem=own.sem.value, mdc95=own.mdc95.value, source="own records", own=own
    )


def _own(rows: pd.DataFrame, *, measure: str, unit: str) -> ReadingError | None:
    pairs = rows.dropna(subset=["before", "before_2"])
    if pairs.empty:
        return None
    try:
        return reading_error(
            pairs["before"].to_numpy(),
            pairs["before_2"].to_numpy(),
            as_texts(pairs["client"]),
            measure=measure,
            unit=unit,
        )
    except NotEnoughError:
        return None
