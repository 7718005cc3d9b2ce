"""Shape and spread of clients' changes, several groups of clients, error in percent: further methods of the door."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text, p_words, quantity
from toolkit.result import Result
from toolkit.stats.clients import clients_of, complete_pairs
from toolkit.stats.data import By, Group, Part, answer, checked_level, groups_of, need_columns, row_of_test
from toolkit.stats.group_means import Correction
from toolkit.stats.group_means import group_contrasts as contrasts_of_groups
from toolkit.stats.spread import normal_scores, pitman_morgan, sd_of_change, shapiro_wilk, within_person_cv

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def normality(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    unit: str | None = None,
) -> Result:
    """Do clients' changes look as if drawn from a normal distribution? Shapiro and Wilk's test and a Q-Q figure.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`; a client's rows are averaged first. The test has no interval, so `level` only sets alpha
        (1 - level) in the sentence.

    Returns
    -------
    Result
        One row a group: `statistic` is W (1 = as normal as can be), `p`. `.plot()` draws the Q-Q figure.

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than three clients, or changes that are all the same.

    References
    ----------
    Shapiro & Wilk (1965) Biometrika 52:591-611; Royston (1995) Applied Statistics 44:547-551.

    Examples
    --------
    >>> data = pd.DataFrame({"before": [0.0] * 11, "after": [148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236]})
    >>> round(float(normality(data, client=None).frame["statistic"].iloc[0]), 2)
    0.79
    """
    alpha = 1 - checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(group: Group) -> Part:
        pairs = complete_pairs(group.rows, first=first, second=second, better=group.better)
        changes = clients_of(pairs)["change"].to_numpy(dtype=float)
        test = shapiro_wilk(changes)
        found = (
            "are not shaped like a normal distribution" if test.p <= alpha else "give no sign against a normal shape"
        )
        few = "; with few clients hardly any departure is found" if len(changes) < 20 else ""
        says = (
            f"The changes of {len(changes)} clients {found} (W = {figure_text(test.statistic)}, "
            f"{p_words(test.p)}; Shapiro-Wilk){few}. Look at the figure."
        )
        row = row_of_test(test, n_clients=len(changes), n_rows=pairs.n_complete) | {"what": "normality of the changes"}
        return Part(rows=[row], says=says, detail=test, draw=lambda: qq_figure(changes, unit=group.unit))

    return answer(groups, by_names, computed, title=f"Normality of the change from {first} to {second}")


def qq_figure(values: Any, *, unit: str = "") -> Figure:
    """A Q-Q figure: each change beside the one a normal distribution would have at its place, with the straight line.

    Parameters
    ----------
    values
        One number a client, at least 3.
    unit
        Unit of the values, for the axis.

    Returns
    -------
    matplotlib.figure.Figure
        Points near the line: near normal.

    Raises
    ------
    NotEnoughError
        Fewer than three values.

    References
    ----------
    Wilk & Gnanadesikan (1968) Biometrika 55:1-17.

    Examples
    --------
    >>> len(qq_figure([1, 2, 4, 3]).axes)
    1
    """
    from matplotlib.figure import Figure

    points = normal_scores(values)
    figure = Figure(figsize=(4.5, 4.5), layout="constrained")
    axes = figure.add_subplot()
    axes.plot(points["expected"], points["line"], color="#555555", linewidth=1)
    axes.plot(points["expected"], points["value"], marker="o", linestyle="none", color="#005a8c")
    axes.set_xlabel("Normal quantile (SD from the mean)")
    axes.set_ylabel(f"Change{f' ({unit})' if unit else ''}")
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def spread_of_change(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    unit: str | None = None,
) -> Result:
    """How unlike clients' changes are (their SD), and whether readings spread more or less after (Pitman-Morgan).

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`; a client's rows are averaged first.

    Returns
    -------
    Result
        Two rows a group: the SD of the changes with its interval, and the ratio of the two SDs (`second` over `first`)
        with the t, df and p of Pitman and Morgan.

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than three clients, or no variation.

    References
    ----------
    Pitman (1939) Biometrika 31:9-12; Morgan (1939) Biometrika 31:13-19.

    Examples
    --------
    >>> data = pd.DataFrame({"before": [1.0, 2, 3, 4, 5], "after": [1.0, 3, 2, 6, 9]})
    >>> round(float(spread_of_change(data, client=None, unit="deg").frame["statistic"].iloc[1]), 2)
    3.47
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(group: Group) -> Part:
        pairs = complete_pairs(group.rows, first=first, second=second, better=group.better)
        clients = clients_of(pairs)
        one, two = (clients[name].to_numpy(dtype=float) for name in ("mean_first", "mean_second"))
        spread = sd_of_change(clients["change"].to_numpy(dtype=float), unit=group.unit, level=level)
        test = pitman_morgan(one, two)
        counted = {"n_clients": len(clients), "n_rows": pairs.n_complete}
        ratio = float(two.std(ddof=1) / one.std(ddof=1)) if one.std(ddof=1) > 0 else float("nan")
        rows = [
            spread.standard_row(**counted),
            row_of_test(test, **counted) | {"what": f"SD of {second} over SD of {first}", "estimate": ratio},
        ]
        says = (
            f"Clients' changes spread with an SD of {quantity(spread.value, group.unit)} ({100 * level:.4g} % "
            f"interval {figure_text(spread.ci_low)} to {figure_text(spread.ci_high)}; {len(clients)} clients); "
            f"{second} spreads {figure_text(ratio)} times as much as {first} "
            f"({p_words(test.p)}, Pitman-Morgan)."
        )
        return Part(rows=rows, says=says, detail=(spread, test))

    return answer(groups, by_names, computed, title="Spread of the changes")


def group_contrasts(
    data: Any,
    *,
    group: str,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    adjustment: Correction = "tukey",
    against: str | None = None,
    unit: str | None = None,
) -> Result:
    """Several groups of different clients: every difference of two groups' mean changes, p corrected.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`; a client's rows are averaged first.
    group
        Column of the groups; every client belongs to one.
    adjustment
        "tukey", "holm", "bonferroni", "dunnett" (needs `against`) or "none".
    against
        Compare with this group only.

    Returns
    -------
    Result
        One row a difference: `what` says which minus which, interval, t (`statistic`), df, `p` plain, `p_adjusted`.

    Raises
    ------
    ToolkitError
        A column is missing, a client stands in two groups, an unknown correction or group.
    NotEnoughError
        Fewer than two groups, or no variation within them.

    References
    ----------
    Kramer (1956) Biometrics 12:307-310; Holm (1979) Scand J Stat 6:65-70; Dunnett (1955) J Am Stat Assoc 50:1096-1121.

    Examples
    --------
    >>> data = pd.DataFrame({"way": list("aabbcc"), "before": [0.0] * 6, "after": [1.0, 2, 4, 5, 4, 6]})
    >>> group_contrasts(data, group="way", client=None).frame["what"].tolist()
    ['b minus a', 'c minus a', 'c minus b']
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(part: Group) -> Part:
        need_columns(part.rows, (group,))
        pairs = complete_pairs(part.rows, first=first, second=second, better=part.better)
        changes = clients_of(pairs)
        known = part.rows.dropna(subset=[group]).groupby("client", observed=True)[group].agg(["first", "nunique"])
        if (known["nunique"] > 1).any():
            n = int((known["nunique"] > 1).sum())
            raise ToolkitError(f"{n} client(s) stand in several groups of '{group}': give each client one group.")
        people = changes.assign(group=changes["client"].map(known["first"].astype(str)))
        found = contrasts_of_groups(
            people, value="change", group="group", adjustment=adjustment, against=against, level=level
        )
        rows = [
            {
                **{str(key): row[key] for key in row if key not in ("first", "second")},
                "what": f"{row['second']} minus {row['first']}",
                "level": level,
                "unit": part.unit,
                "n_clients": len(people),
                "n_rows": pairs.n_complete,
                "method": f"pooled SD, {adjustment}",
            }
            for row in found.to_dict("records")
        ]
        clear = [row["what"] for row in rows if row["p_adjusted"] <= 1 - level]
        says = (
            f"{len(rows)} differences of {people['group'].nunique()} groups ({len(people)} clients), p corrected "
            f"({adjustment}): {', '.join(clear) if clear else 'none'} told apart. Groups that were not drawn at random "
            "may differ for other reasons."
        )
        return Part(rows=rows, says=says, detail=found)

    return answer(groups, by_names, computed, title=f"Differences between the groups of {group}")


def percent_error(
    data: Any,
    *,
    first: str = "before",
    second: str = "before_2",
    client: str = "client",
    by: By = None,
    level: float = 0.95,
) -> Result:
    """Measurement error in percent: the coefficient of variation within a client, from logs of two readings.

    It fits where the error grows in proportion to the reading (strength, pressure).

    Parameters
    ----------
    data, client, by, level
        As `stats.paired_test`.
    first, second
        Two readings of the same thing with nothing between, above 0.

    Returns
    -------
    Result
        One row a group, in percent.

    Raises
    ------
    SheetError
        A reading that is not above 0.
    NotEnoughError
        Nobody read twice, or readings that are all the same.

    References
    ----------
    Bland & Altman (1996) BMJ 313:106.

    Examples
    --------
    >>> data = pd.DataFrame({"before": [10.0, 20], "before_2": [11.0, 22]})
    >>> round(float(percent_error(data, client=None)), 2)
    6.97
    """
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by)

    def computed(part: Group) -> Part:
        both = part.rows[[first, second]].dropna()
        pair = np.arange(len(both))
        rows = pd.DataFrame({"subject": np.tile(pair, 2), "value": both.to_numpy(dtype=float).T.ravel()})
        found = within_person_cv(rows, level=level)
        counted = {"n_clients": int(part.rows.loc[both.index, "client"].nunique()), "n_rows": len(both)}
        says = (
            f"Two readings of the same thing differ by an error of {figure_text(found.value)} % "
            f"({100 * level:.4g} % interval {figure_text(found.ci_low)} to {figure_text(found.ci_high)} %; "
            f"{len(both)} pairs of {counted['n_clients']} clients; every pair taken as independent)."
        )
        return Part(rows=[found.standard_row(**counted)], says=says, detail=found)

    return answer(groups, by_names, computed, title="Measurement error in percent")
