"""Measurement error over many clinics: the engine sums pairs of readings by client, the rest follows from the sums."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, RegistryError
from toolkit.registering.held import Held
from toolkit.result import Result
from toolkit.stats.clustered import ClientSums
from toolkit.stats.reading_error import ReadingError, error_of_sums

SIGNS = "yes_no"


def pair_sums(table: Any) -> Any:
    """One row a measure and client: pairs read twice before, sums and squares of their difference and of their mean."""
    pairs = table.filter(table.before.notnull(), table.before_2.notnull())
    pairs = pairs.mutate(_apart=pairs.before_2 - pairs.before, _middle=(pairs.before + pairs.before_2) / 2)
    by_client = pairs.group_by(["measure", "client"]).agg(
        n=lambda t: t.count(),
        apart=lambda t: t["_apart"].sum(),
        apart_within=lambda t: t["_apart"].var(how="pop") * t.count(),
        middle=lambda t: t["_middle"].sum(),
        middle_within=lambda t: t["_middle"].var(how="pop") * t.count(),
    )
    return by_client.drop("client")


def errors_in(found: Held, measure: str | None = None, *, needed: bool = True) -> dict[str, ReadingError | str]:
    """The reading error of each measure, or the sentence why there is none."""
    table = found.readings if measure is None else found.readings.filter(found.readings.measure == measure)
    sums = found.engine.frame(pair_sums(table))
    if measure is not None and sums.empty:
        if not needed:
            return {}
        raise RegistryError(f"No side was read twice before for “{measure}”, so its error cannot be told.")
    out: dict[str, ReadingError | str] = {}
    for name, mine in sums.groupby("measure", sort=True):
        unit = found.codebook.measure(str(name)).unit
        if unit == SIGNS:
            continue
        out[str(name)] = _error(mine, measure=str(name), unit=unit)
    return out


def _error(mine: pd.DataFrame, *, measure: str, unit: str) -> ReadingError | str:
    if len(mine) < 2:
        return f"{measure}: one client was read twice; at least two are needed."
    size = mine["n"].to_numpy(dtype=float)
    difference, mean = (
        ClientSums(
            size=size,
            sums=mine[name].to_numpy(dtype=float),
            within=np.maximum(mine[f"{name}_within"].to_numpy(dtype=float), 0.0),
        )
        for name in ("apart", "middle")
    )
    if not difference.within.any() and np.ptp(difference.sums / size) == 0:
        return (
            f"{measure}: in all pairs the second reading differs from the first by the same amount: copied, not read."
        )
    try:
        return error_of_sums(difference, mean, measure=measure, unit=unit)
    except NotEnoughError as problem:
        return f"{measure}: {problem}"


def measured(found: Held, measure: str | None = None) -> Result:
    """SEM, MDC95 and ICC of each measure as a result."""
    errors = errors_in(found, measure)
    told = {name: one for name, one in errors.items() if isinstance(one, ReadingError)}
    if not told:
        why = "; ".join(str(one) for one in errors.values()) or "no side was read twice before anything was done"
        raise NotEnoughError(f"No measurement error can be told: {why}.")
    rows = [
        {"measure": name, **estimate.standard_row(n_rows=error.n_pairs)}
        for name, error in told.items()
        for estimate in (error.sem, error.mdc95, error.icc)
    ]
    first = next(iter(told.values()))
    notes = [one for one in errors.values() if isinstance(one, str)]
    return Result.of(
        rows,
        says=" ".join(part for part in (first.sentence(), found.what_is_left_out()) if part),
        groups=("measure",),
        title="Measurement error",
        notes=tuple(notes),
        detail=told,
    )
