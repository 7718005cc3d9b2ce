"""Comfort is not outcome: do sessions that feel better also move more, and who was comfortable yet did not move?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, quantity
from toolkit.result import Estimate, Shown
from toolkit.stats.centre import checked_level, normal_reach, two_sided_p
from toolkit.stats.clients import complete_pairs, numbers
from toolkit.stats.proportions import share_of


@dataclass(frozen=True, kw_only=True, eq=False)
class ComfortAgainstOutcome(Shown):
    """Comfort (0-10) beside the oriented change.

    `within`: repeated-measures correlation, do a client's comfortable sessions move more than the same client's others;
    `between`: correlation of client means. Either is None where the records do not allow it; `notes` says why.
    `shares`: the four groups of clients (comfortable or not, moved or not), Wilson intervals.
    """

    measure: str
    unit: str
    comfortable_from: float
    moved_from: float
    n_clients: int
    n_missing: int
    within: Estimate | None
    between: Estimate | None
    shares: dict[str, Estimate]
    clients: pd.DataFrame
    notes: tuple[str, ...] = ()

    def sentence(self) -> str:
        """How many were comfortable and moved, and how many were comfortable only."""
        both, only = self.shares["comfortable and moved"], self.shares["comfortable and did not move"]
        return (
            f"{self.measure}: of {self.n_clients} clients {figure_text(100 * both.value)} % were comfortable and moved "
            f"by {quantity(self.moved_from, self.unit)} or more; {figure_text(100 * only.value)} % "
            f"({100 * only.confidence_level:.4g} % interval {figure_text(100 * only.ci_low)} to "
            f"{figure_text(100 * only.ci_high)} %) were comfortable and did not. "
            "Comfort is worth having for itself; it is no evidence that a reading moved."
        )

    def table(self) -> pd.DataFrame:
        """The shares and the correlations as rows."""
        found = [*self.shares.values(), self.within, self.between]
        return pd.DataFrame([each.as_row() for each in found if each is not None])


def _correlation(r: float, *, df: float, error: float, name: str, n: int, method: str, level: float) -> Estimate:
    """A correlation with Fisher's interval and the t test on its df."""
    reach = normal_reach(level) * error
    turned = np.arctanh(np.clip(r, -1 + 1e-15, 1 - 1e-15))
    t = r * np.sqrt(df / max(1e-300, 1 - r * r))
    return Estimate(
        name=name,
        value=r,
        ci_low=float(np.tanh(turned - reach)),
        ci_high=float(np.tanh(turned + reach)),
        unit="correlation",
        n=n,
        method=method,
        confidence_level=level,
        df=df,
        p=two_sided_p(float(t), df),
    )


def repeated_measures_correlation(
    data: pd.DataFrame, *, client: str, x: str, y: str, confidence_level: float = 0.95
) -> Estimate:
    """Correlation of x and y within clients, the differences between clients taken out.

    Parameters
    ----------
    data
        One row an occasion; rows without x or y are left out, clients with one row add nothing.
    client, x, y
        Columns.
    confidence_level
        Of Fisher's interval on the error df.

    Raises
    ------
    ToolkitError
        A column is missing or text stands among the numbers.
    NotEnoughError
        Fewer than two clients with two rows, fewer than three error df, or no variation within clients.

    References
    ----------
    Bland & Altman (1995) BMJ 310:446; Bakdash & Marusich (2017) Frontiers in Psychology 8:456.

    Examples
    --------
    >>> data = pd.DataFrame({"who": list("AAABBB"), "x": [1, 2, 3, 4, 5, 6], "y": [2, 3, 4, 1, 2, 2]})
    >>> round(repeated_measures_correlation(data, client="who", x="x", y="y").value, 3)
    0.919
    """
    level = checked_level(confidence_level)
    both = np.column_stack([numbers(data, x), numbers(data, y)])
    code = pd.factorize(data[client])[0]
    taken = ~np.isnan(both).any(axis=1) & (code >= 0)
    taken &= np.bincount(code[taken], minlength=int(code.max(initial=-1)) + 1)[code] > 1
    code, both = np.unique(code[taken], return_inverse=True)[1], both[taken]
    k, n = int(code.max(initial=-1)) + 1, len(both)
    df = n - k - 1
    if k < 2 or df < 2:
        raise NotEnoughError(
            f"{k} client(s) with two or more occasions ({n} occasions): a correlation within clients needs at "
            "least two clients and more occasions. Record comfort at every session."
        )
    means = np.column_stack([np.bincount(code, weights=column) for column in both.T]) / np.bincount(code)[:, None]
    inside = both - means[code]
    xx, yy = (float(square) for square in (inside**2).sum(axis=0))
    if min(xx, yy) <= 1e-18 * n * max(1.0, float((both**2).max())):
        raise NotEnoughError("Within clients one of the two never varies: there is no correlation to look at.")
    return _correlation(
        float(inside.prod(axis=1).sum()) / float(np.sqrt(xx * yy)),
        df=float(df),
        error=1 / float(np.sqrt(df - 1)),
        name=f"correlation of {x} and {y} within clients",
        n=k,
        method=f"repeated-measures correlation, {n} occasions, Fisher interval",
        level=level,
    )


def _between_clients(clients: pd.DataFrame, *, level: float) -> Estimate:
    """Pearson's correlation of client means with Fisher's interval."""
    n = len(clients)
    if n < 4:
        raise NotEnoughError(f"{n} client(s): a correlation between clients needs at least four.")
    if np.ptp(clients["comfort"]) == 0 or np.ptp(clients["change"]) == 0:
        raise NotEnoughError("Between clients one of the two never varies: there is no correlation to look at.")
    return _correlation(
        float(np.corrcoef(clients["comfort"], clients["change"])[0, 1]),
        df=float(n - 2),
        error=1 / float(np.sqrt(n - 3)),
        name="correlation of comfort and change between clients",
        n=n,
        method="Pearson correlation of client means, Fisher interval",
        level=level,
    )


def comfort_against_outcome(
    rows: pd.DataFrame,
    *,
    measure: str,
    unit: str,
    better: str,
    moved_from: float,
    comfortable_from: float = 7.0,
    first: str = "before",
    second: str = "after",
    confidence_level: float = 0.95,
) -> ComfortAgainstOutcome:
    """Comfort beside the change: correlation within and between clients, and the four groups of clients.

    Parameters
    ----------
    rows
        One row a measured side of one session; with `client`, `session_id`, `first`, `second`, `comfort`.
    measure, unit
        For the words.
    better
        "higher" or "lower".
    moved_from
        Mean change in `unit` from which a client counts as moved (the MDC, or what matters).
    comfortable_from
        Mean comfort from which a client counts as comfortable.
    first, second
        Columns to compare.
    confidence_level
        Of the intervals.

    Raises
    ------
    ToolkitError
        A column is missing, comfort lies outside 0-10, text stands among the numbers.
    NotEnoughError
        No row holds both readings and a comfort.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [40, 36, 45, 32],
    ...                      "comfort": [8, 9, 5, 9]})
    >>> found = comfort_against_outcome(rows, measure="lunge", unit="deg", better="higher", moved_from=5)
    >>> found.shares["comfortable and did not move"].value
    0.5
    """
    level = checked_level(confidence_level)
    comfort = numbers(rows, "comfort")
    if ((comfort < 0) | (comfort > 10)).any():
        raise ToolkitError(f"{int(((comfort < 0) | (comfort > 10)).sum())} row(s) hold a comfort outside 0 to 10.")
    if not comfort.notna().any():
        raise NotEnoughError(f"{measure}: no row holds a comfort from 0 to 10. Ask for it at every session.")
    pairs = complete_pairs(rows[comfort.notna()], first=first, second=second, better=better)
    both = pairs.rows.assign(comfort=comfort[comfort.notna()].reset_index(drop=True).reindex(pairs.rows.index))
    clients = both.groupby("client", observed=True)[["comfort", "change"]].mean().reset_index()
    easy, moved = clients["comfort"] >= comfortable_from, clients["change"].round(10) >= moved_from
    groups = {
        "comfortable and moved": easy & moved,
        "comfortable and did not move": easy & ~moved,
        "not comfortable and moved": ~easy & moved,
        "not comfortable and did not move": ~easy & ~moved,
    }
    notes: list[str] = []
    within = between = None
    sessions = (
        both.groupby(["client", "session_id"], observed=True, dropna=False)[["comfort", "change"]].mean().reset_index()
    )
    try:
        within = repeated_measures_correlation(
            sessions, client="client", x="comfort", y="change", confidence_level=level
        )
    except NotEnoughError as why:
        notes.append(str(why))
    try:
        between = _between_clients(clients, level=level)
    except NotEnoughError as why:
        notes.append(str(why))
    return ComfortAgainstOutcome(
        measure=measure,
        unit=unit,
        comfortable_from=comfortable_from,
        moved_from=moved_from,
        n_clients=len(clients),
        n_missing=len(rows) - pairs.n_complete,
        within=within,
        between=between,
        shares={
            name: share_of(int(inside.sum()), len(clients), name=name, confidence_level=level)
            for name, inside in groups.items()
        },
        clients=clients.assign(comfortable=easy, moved=moved),
        notes=tuple(notes),
    )
