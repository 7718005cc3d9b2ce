"""How two readings before of the same side agree: the pairs of one measure and their limits of agreement."""

from __future__ import annotations

from typing import Any

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.measurement.agreement import LimitsOfAgreement, limits_of_agreement_repeated
from toolkit.result import Estimate

SIGNS = "yes_no"


def pairs_before(rows: pd.DataFrame, *, measure: str) -> pd.DataFrame:
    """Both readings before of the same side in the same session: client, first, second; one row a pair."""
    kept = rows[rows["measure"] == measure].dropna(subset=["before", "before_2"])
    return pd.DataFrame(
        {
            "client": kept["client"].astype(str).to_numpy(),
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
    return limits_of_agreement_repeated(pairs["second"], pairs["first"], pairs["client"], unit=unit)


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
