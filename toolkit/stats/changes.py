"""Did the readings change, by how much, and for how many: the methods for two readings of the same clients."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text
from toolkit.result import Estimate, Result
from toolkit.stats.centre import hodges_lehmann_change, median_change, trimmed_mean_change
from toolkit.stats.centre import mean_change as mean_of
from toolkit.stats.clients import Pairs, client_share, clients_of, complete_pairs, design_effect_of, same_throughout
from toolkit.stats.data import (
    By,
    Group,
    Part,
    answer,
    checked_level,
    groups_of,
    refuse_sign,
    row_of_test,
)
from toolkit.stats.paired_tests import TestResult, paired_t, sign_flip_test, sign_test, wilcoxon_signed_rank

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Test = Literal["t", "wilcoxon", "sign", "sign_flip"]
Kind = Literal["mean", "median", "trimmed_mean", "hodges_lehmann"]
Seed = np.random.Generator | int | None

_NOT_A_CAUSE = "A change of readings does not say what caused it."


def paired_test(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    rng: Seed = None,
    test: Test = "t",
    unit: str | None = None,
) -> Result:
    """Test whether the readings of the same clients changed from `first` to `second`, every client counted once.

    A client who comes several times enters with the mean of the changes, so that forty sessions of one client weigh
    as much as one session of another. `icc` and `design_effect` say how far rows of one client resemble each other.

    Parameters
    ----------
    data
        A frame with one row a measured side of one session, `Records`, or two columns (first, second). Columns:
        `client`, `first`, `second`; with `session_id`, `unit` and `measure` where there are any.
    first, second
        The columns to compare; the change is second minus first, turned so that better is positive.
    client
        The column of clients; without one, every row is taken for another client, and a note says so.
    by
        Column or columns: a row for each of their combinations, p corrected by Holm.
    better
        "higher" or "lower"; a column `better` in the data decides where there is one.
    level
        Confidence level of the interval.
    rng
        Generator or seed, for "sign_flip" with more than 20 clients.
    test
        "t" (mean change), "wilcoxon" (signed ranks, exact with ties up to 300 clients; Hodges-Lehmann change), "sign"
        (median change) or "sign_flip" (permutation of signs; mean change).
    unit
        Unit of the readings, where the data have no column of it.

    Returns
    -------
    Result
        A row a group: the change with its interval, the test's `statistic`, `df` and `p`; and `sd_change` (SD of the
        clients' changes), `n_sessions`, `n_missing` (rows without a reading), `icc`, `design_effect`.

    Raises
    ------
    ToolkitError
        A column is missing or holds words, or an option is unknown.
    NotEnoughError
        Fewer than two clients with both readings, or changes that are all the same.

    References
    ----------
    Student (1908) Biometrika 6:1-25; Wilcoxon (1945) Biometrics Bulletin 1:80-83; Hodges & Lehmann (1963) Annals of
    Mathematical Statistics 34:598-611; Fisher (1935) The Design of Experiments, section 21 (permutation of signs).

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("AABC"), "before": [30, 32, 40, 35], "after": [34, 38, 41, 38]})
    >>> found = paired_test(data, unit="deg")
    >>> float(found), int(found.frame["n_clients"].iloc[0]), round(float(found.frame["p"].iloc[0]), 3)
    (3.0, 3, 0.122)
    """
    if test not in _TESTS:
        raise ToolkitError(f"There is no test '{test}'. Choose one of: {', '.join(_TESTS)}.")
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)
    names = {"first": first, "second": second}
    return answer(
        groups,
        by_names,
        lambda group: _tested(group, test=test, level=level, rng=rng, **names),
        title=f"Change from {first} to {second}",
    )


def _clients(group: Group, first: str, second: str) -> tuple[Pairs, pd.DataFrame]:
    """The group's complete pairs and its clients, at least two whose changes differ."""
    refuse_sign(group)
    pairs = complete_pairs(group.rows, first=first, second=second, better=group.better)
    clients = clients_of(pairs)
    if len(clients) < 2:
        raise NotEnoughError(
            f"{group.name}: only one client has both readings ({pairs.n_complete} row(s)). One client cannot show "
            "what happens to clients. Record more clients, or use stats.single_case."
        )
    changes = clients["change"].to_numpy(dtype=float)
    if same_throughout(changes):
        raise NotEnoughError(
            f"{group.name}: all {len(clients)} clients changed by exactly {changes[0]:.6g} {group.unit} on average. "
            "Without any variation there is no interval and no test. Real readings vary: check whether they were "
            "copied or rounded."
        )
    return pairs, clients


_TESTS: dict[str, tuple[str, Callable[..., TestResult]]] = {
    "t": ("mean", paired_t),
    "wilcoxon": ("hodges_lehmann", wilcoxon_signed_rank),
    "sign": ("median", sign_test),
    "sign_flip": ("mean", sign_flip_test),
}
_KINDS: dict[str, Callable[..., Estimate]] = {
    "mean": mean_of,
    "median": median_change,
    "trimmed_mean": trimmed_mean_change,
    "hodges_lehmann": hodges_lehmann_change,
}


def _tested(group: Group, *, test: Test, level: float, rng: Seed, first: str, second: str) -> Part:
    pairs, clients = _clients(group, first, second)
    changes = clients["change"].to_numpy(dtype=float)
    kind, run = _TESTS[test]
    found = _KINDS[kind](changes, unit=group.unit, confidence_level=level)
    tested = run(changes, rng=rng) if test == "sign_flip" else run(changes)
    row = row_of_test(tested, **found.standard_row(**_counts(pairs, clients))) | {
        "statistic": tested.statistic,
        "df": tested.df,
        "p": tested.p,
        "method": tested.method if test != "t" else f"{tested.method}, t interval",
    }
    says = _change_said(group, found, pairs, clients, f"{tested.name}: {_df_text(tested.df)}p {_p_text(tested.p)}")
    return Part(rows=[row], says=says, detail=tested, draw=lambda: _drawn(pairs, clients, found, group, first, second))


def _counts(pairs: Pairs, clients: pd.DataFrame) -> dict[str, Any]:
    """What stands beside every change: how much it rests on, and how alike a client's rows are."""
    return {
        "n_clients": len(clients),
        "n_rows": pairs.n_complete,
        "n_missing": pairs.n_missing,
        "n_sessions": int(clients["n_sessions"].sum()),
        "sd_change": float(clients["change"].std(ddof=1)),
        "icc": client_share(pairs),
        "design_effect": design_effect_of(pairs),
    }


def _df_text(df: float | None) -> str:
    return "" if df is None else f"df = {figure_text(df)}, "


def _p_text(p: float | None) -> str:
    return "not available" if p is None else "< 0.001" if p < 0.001 else f"= {p:.3f}"


def _change_said(group: Group, found: Estimate, pairs: Pairs, clients: pd.DataFrame, tested: str) -> str:
    """The change in words, without one on why."""
    missing = f" {pairs.n_missing} of {pairs.n_rows} rows lack a reading." if pairs.n_missing else ""
    return (
        f"{group.name.replace('_', ' ')}: {found.name} {found.with_interval()}; "
        f"{len(clients)} clients, {pairs.n_complete} rows, every client weighs the same; better is positive"
        f"{'; ' + tested if tested else ''}).{missing} {_NOT_A_CAUSE}"
    )


def _drawn(pairs: Pairs, clients: pd.DataFrame, found: Estimate, group: Group, first: str, second: str) -> Figure:
    """Every client's mean reading at the two times, and beside it the change with its interval."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 3.8), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=[2, 1])
    left.plot([0, 1], clients[["mean_first", "mean_second"]].T.to_numpy(), color="0.6", lw=0.8, marker="o", ms=3)
    left.set_xticks([0, 1], [first, second])
    left.set_xlim(-0.25, 1.25)
    left.set_ylabel(f"{group.name.replace('_', ' ')} ({group.unit})" if group.unit else group.name.replace("_", " "))
    left.set_title(f"{len(clients)} clients, {pairs.n_complete} rows", fontsize="medium")
    reach = [[found.value - found.ci_low], [found.ci_high - found.value]]
    right.scatter(np.linspace(-0.2, 0.2, len(clients)), np.sort(clients["change"]), color="0.6", s=9)
    if np.isfinite(reach).all():
        right.errorbar([0.5], [found.value], yerr=reach, fmt="o", color="#1f4e79", capsize=4)
    right.axhline(0, color="0.4", lw=0.9, ls="--", zorder=0)
    right.set_xticks([0, 0.5], ["each client", f"{100 * found.confidence_level:.4g} %\ninterval"])
    right.set_xlim(-0.4, 0.8)
    right.set_ylabel(f"change, better is positive ({group.unit})" if group.unit else "change, better is positive")
    for axes in (left, right):
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def mean_change(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    kind: Kind = "mean",
    unit: str | None = None,
) -> Result:
    """The change from `first` to `second` with its interval, every client weighing the same.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `paired_test`.
    kind
        "mean" (t interval), "median" (exact order statistics), "trimmed_mean" (20 % cut off at each end) or
        "hodges_lehmann" (median of the pairwise averages).

    Returns
    -------
    Result
        A row a group, columns as `paired_test`.

    Raises
    ------
    ToolkitError
        A column is missing or holds words, or the kind is unknown.
    NotEnoughError
        Fewer than two clients with both readings, or changes that are all the same.

    References
    ----------
    Thompson (1936) Annals of Mathematical Statistics 7:122-128 (median); Yuen (1974) Biometrika 61:165-170 (trimmed
    mean); Hodges & Lehmann (1963) Annals of Mathematical Statistics 34:598-611.

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("AABC"), "before": [30, 32, 40, 35], "after": [34, 38, 41, 38]})
    >>> round(float(mean_change(data, unit="deg", kind="median")), 1)
    3.0
    """
    if kind not in _KINDS:
        raise ToolkitError(f"There is no kind '{kind}'. Choose one of: {', '.join(_KINDS)}.")
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(group: Group) -> Part:
        pairs, clients = _clients(group, first, second)
        found = _KINDS[kind](clients["change"].to_numpy(dtype=float), unit=group.unit, confidence_level=level)
        return Part(
            rows=[found.standard_row(**_counts(pairs, clients))],
            says=_change_said(group, found, pairs, clients, ""),
            detail=found,
            draw=lambda: _drawn(pairs, clients, found, group, first, second),
        )

    return answer(groups, by_names, computed, title=f"Change from {first} to {second}")
