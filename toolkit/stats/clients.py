"""From rows to clients: who counts once, how many readings are complete, and how much the rows repeat each other.

Every analysis of this room starts here. A client is the unit: the rows of one client (sides, sessions) are averaged,
so that a client of forty sessions weighs as much as a client of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pairs:
    """The rows with both readings, `change` turned so that better is positive; the incomplete are counted."""

    rows: pd.DataFrame
    n_rows: int
    n_missing: int

    @property
    def n_complete(self) -> int:
        """Rows that hold both readings."""
        return len(self.rows)


def direction(better: str) -> float:
    """+1 where a higher reading is better, -1 where a lower one is.

    Raises
    ------
    ToolkitError
        `better` is neither word.

    Examples
    --------
    >>> direction("lower")
    -1.0
    """
    if better == "higher":
        return 1.0
    if better == "lower":
        return -1.0
    raise ToolkitError(
        f"'better' is {better!r}: write 'higher' or 'lower', whichever means improvement (the codebook has it)."
    )


def _row_name(rows: pd.DataFrame, place: int) -> str:
    """How the user finds a row again: the spreadsheet's row where known, else the row's place in the table."""
    if "row" in rows.columns:
        return f"row {rows['row'].iloc[place]}"
    return f"row {place + 1} of the table"


def numbers(rows: pd.DataFrame, column: str) -> pd.Series[float]:
    """One column as numbers; empty stays empty, words among the numbers are refused with their row.

    Raises
    ------
    ToolkitError
        The column is not there, or holds text or an infinite value. The text itself is never repeated.
    """
    if column not in rows.columns:
        raise ToolkitError(f"There is no column '{column}'. The columns are: {', '.join(map(str, rows.columns))}.")
    read = pd.to_numeric(rows[column], errors="coerce").astype("float64")
    wrong = np.flatnonzero((read.isna() & rows[column].notna()).to_numpy() | np.isinf(read.to_numpy()))
    if len(wrong):
        raise ToolkitError(
            f"Column '{column}' holds something that is not a number in {len(wrong)} row(s), "
            f"first in {_row_name(rows, int(wrong[0]))}. Write plain numbers there, or leave the cell empty."
        )
    return read


def complete_pairs(
    rows: pd.DataFrame, *, first: str = "before", second: str = "after", better: str = "higher"
) -> Pairs:
    """The rows with both readings and a client, with their oriented change; rows without one are counted, not hidden.

    Parameters
    ----------
    rows
        One row a measured side of one session, of one measure; columns `client`, `first`, `second`, and `session_id`
        where there is one.
    first, second
        The columns to compare.
    better
        "higher" or "lower".

    Raises
    ------
    ToolkitError
        A column is missing, a client is empty, text stands among the numbers.
    NotEnoughError
        No row holds both readings.
    """
    turned = direction(better)
    if "client" not in rows.columns:
        raise ToolkitError("There is no column 'client': without it nobody can tell who was counted twice.")
    nameless = np.flatnonzero(rows["client"].isna().to_numpy())
    if len(nameless):
        raise ToolkitError(
            f"The client is empty in {len(nameless)} row(s), first in {_row_name(rows, int(nameless[0]))}. "
            "Give every row its client's pseudonym."
        )
    start, end = numbers(rows, first).to_numpy(), numbers(rows, second).to_numpy()
    both = ~(np.isnan(start) | np.isnan(end))
    if not both.any():
        raise NotEnoughError(
            f"None of the {len(rows)} row(s) holds both a '{first}' and a '{second}' reading: "
            "there is no change to look at. Record both readings."
        )
    session: Any = rows["session_id"].array if "session_id" in rows.columns else np.arange(len(rows))
    taken = pd.DataFrame(
        {
            "client": rows["client"].array[both],
            "session_id": session[both],
            "first": start[both],
            "second": end[both],
            "change": turned * (end - start)[both],
        },
        index=np.flatnonzero(both),
    )
    return Pairs(rows=taken, n_rows=len(rows), n_missing=len(rows) - len(taken))


def clients_of(pairs: Pairs) -> pd.DataFrame:
    """One row a client from complete pairs; see `clients_change`."""
    rows = pairs.rows
    code, names = pd.factorize(rows["client"], sort=True)
    n_rows = np.bincount(code)
    session = pd.factorize(rows["session_id"], use_na_sentinel=False)[0]
    visits = pd.unique(code.astype(np.int64) * (int(session.max()) + 1) + session)  # one number a client and session

    def mean(column: str) -> Floats:
        return np.asarray(np.bincount(code, weights=rows[column].to_numpy()) / n_rows, dtype=float)

    return pd.DataFrame(
        {
            "client": names,
            "change": mean("change"),
            "n_rows": n_rows,
            "n_sessions": np.bincount(visits // (int(session.max()) + 1)),
            "mean_first": mean("first"),
            "mean_second": mean("second"),
        }
    )


def clients_change(
    rows: pd.DataFrame, *, first: str = "before", second: str = "after", better: str = "higher"
) -> pd.DataFrame:
    """One row a client: the mean of the client's changes, turned so that better is positive.

    Parameters
    ----------
    rows
        One row a measured side of one session, of one measure (as `complete_pairs`).
    first, second
        The columns to compare.
    better
        "higher" or "lower".

    Returns
    -------
    pd.DataFrame
        Columns `client`, `change`, `n_rows`, `n_sessions`, `mean_first`, `mean_second`; all in the readings' unit. Only
        rows with both readings count.

    Raises
    ------
    ToolkitError
        A column is missing, a client is empty, text stands among the numbers.
    NotEnoughError
        No row holds both readings.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": ["A", "A", "B"], "before": [30, 32, 40], "after": [34, 38, 41]})
    >>> clients_change(rows)["change"].tolist()
    [5.0, 1.0]
    """
    return clients_of(complete_pairs(rows, first=first, second=second, better=better))


def same_throughout(values: Floats) -> bool:
    """Whether all values are one and the same, apart from the last digits that arithmetic leaves."""
    return bool(np.ptp(values) <= 1e-9 * max(1.0, float(np.max(np.abs(values)))))


def client_share(pairs: Pairs) -> float:
    """ICC of the changes: which share of their variance lies between clients (one-way ANOVA estimate; may be negative).

    0 where no client comes twice, or where the changes do not vary: then there is nothing to share.

    References
    ----------
    Donner & Koval (1980) Biometrics 36:19-25 (ANOVA estimator for unequal cluster sizes).
    """
    code = pd.factorize(pairs.rows["client"])[0]
    change = pairs.rows["change"].to_numpy()
    sizes = np.bincount(code).astype(float)
    n, k = float(sizes.sum()), len(sizes)
    if k < 2 or n <= k or same_throughout(change):
        return 0.0
    means = np.bincount(code, weights=change) / sizes
    between = float((sizes * (means - change.mean()) ** 2).sum()) / (k - 1)
    within = float(((change - means[code]) ** 2).sum()) / (n - k)
    typical = (n - float((sizes**2).sum()) / n) / (k - 1)
    return (between - within) / (between + (typical - 1) * within)


def design_effect(*, rows_per_client: float, icc: float) -> float:
    """By how much repeated clients inflate the variance of a mean over rows: 1 + (rows per client - 1) x ICC.

    References
    ----------
    Kish (1965) Survey Sampling; Donner & Klar (2000).

    Examples
    --------
    >>> round(design_effect(rows_per_client=10, icc=0.05), 3)
    1.45
    """
    return 1.0 + (rows_per_client - 1.0) * icc


def design_effect_of(pairs: Pairs) -> float:
    """The design effect of rows that repeat clients; unequal numbers of rows enter as their weighted mean."""
    sizes = np.bincount(pd.factorize(pairs.rows["client"])[0]).astype(float)
    return design_effect(rows_per_client=float((sizes**2).sum() / sizes.sum()), icc=client_share(pairs))
