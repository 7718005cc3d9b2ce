"""What a reliability study or a set of repeated readings must hold before anything is computed from it.

Every check either returns clean values or says in words what is missing, where, and what to do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError, ToolkitError

Floats = npt.NDArray[np.float64]


def numbers(values: npt.ArrayLike, *, name: str) -> Floats:
    """The values as floats, NaN where a reading was not taken; a text among them is named by its position.

    Examples
    --------
    >>> numbers([1, None, 3], name="first")
    array([ 1., nan,  3.])
    """
    given = np.asarray(values)
    if given.dtype.kind in "fiu" and not np.isinf(given).any():
        return given.astype(np.float64).ravel()
    column = pd.Series(np.asarray(values, dtype=object).ravel())
    blank = column.isna() | column.map(lambda value: isinstance(value, str) and not value.strip())
    read = pd.to_numeric(column.mask(blank), errors="coerce").astype(float)
    wrong = np.flatnonzero((read.isna() & ~blank) | np.isinf(read))
    if len(wrong):
        raise SheetError(
            f"`{name}`: {len(wrong)} of {len(column)} values are not numbers, the first at position {wrong[0] + 1} "
            f"(counting from 1). Correct them, or leave the cell empty where no reading was taken."
        )
    return np.asarray(read, dtype=np.float64)


def level(confidence_level: float) -> float:
    """The confidence level, which must lie between 0 and 1 (0.95 = 95 %)."""
    if not 0 < confidence_level < 1:
        raise ToolkitError(
            f"The confidence level must lie between 0 and 1 (for 95 % write 0.95), not {confidence_level}."
        )
    return confidence_level


def same_length(**columns: npt.ArrayLike) -> None:
    """Raise unless all columns have the same number of values."""
    lengths = {name: len(np.asarray(values)) for name, values in columns.items()}
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"`{name}` has {n}" for name, n in lengths.items())
        raise SheetError(f"The columns must be equally long, one line a pair of readings: {told} values.")


def columns_present(frame: pd.DataFrame, wanted: Sequence[str]) -> None:
    """Raise unless the frame has every wanted column."""
    missing = [name for name in wanted if name not in frame.columns]
    if missing:
        raise SheetError(
            f"Column {', '.join(repr(name) for name in missing)} is not there; the columns are "
            f"{', '.join(repr(str(name)) for name in frame.columns)}. Rename it, or say which column to use."
        )


def enough_people(n: int, *, what: str, needed: int = 2) -> None:
    """Raise unless at least `needed` people have what the method asks for."""
    if n < needed:
        people = "1 person" if n == 1 else f"{n} people"
        raise NotEnoughError(
            f"{people} with {what}: at least {needed} are needed, because measurement error is judged against how much "
            f"people differ. Read more people twice."
        )


def must_vary(values: Floats, *, what: str, remedy: str) -> None:
    """Raise when all values are the same number."""
    if np.ptp(values) <= 1e-12 * max(1.0, float(np.abs(values).max())):
        raise NotEnoughError(f"{what}: {remedy}")
