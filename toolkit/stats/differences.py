"""Equal enough, two groups, three and more readings: the methods that compare beyond before and after."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, p_words, quantity_with_interval
from toolkit.result import Estimate, Result
from toolkit.stats.clients import clients_of, complete_pairs
from toolkit.stats.data import (
    By,
    Group,
    Part,
    answer,
    checked_level,
    frame_of,
    groups_of,
    names_of,
    need_columns,
    plain_number,
    row_of_test,
)
from toolkit.stats.equivalence_tests import (
    Equivalence,
    equivalence_of,
    paired_equivalence,
    paired_equivalence_from_summary,
    sd_of_difference,
    welch_equivalence,
)
from toolkit.stats.group_difference import baseline_adjusted
from toolkit.stats.repeated_readings import (
    friedman,
    greenhouse_geisser,
    kendall_w,
    person_by_reading,
    repeated_anova,
    repeated_anova_plain,
)
from toolkit.stats.two_group_tests import GroupDifference, mann_whitney, student_t, welch_t

Floats = npt.NDArray[np.float64]
TwoGroupsMethod = Literal["welch", "student", "mann_whitney", "baseline_adjusted"]
_CORES: dict[str, Callable[..., GroupDifference]] = {
    "welch": welch_t,
    "student": student_t,
    "mann_whitney": mann_whitney,
}


def equivalence(
    data: Any,
    *,
    margin: Any,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    group: str | None = None,
    reference: str | None = None,
    unit: str | None = None,
) -> Result:
    """Is the change small enough not to matter: two one-sided tests against minus and plus the margin.

    Parameters
    ----------
    data, first, second, client, by, better, unit
        As `stats.paired_test`; or an `Estimate` with a standard error, which is tested itself.
    margin
        The smallest change that matters, above 0, in the readings' unit; a number, an `Estimate` or a `Result`.
        Two numbers (low, high) where the bounds differ.
    level
        1 - alpha of the tests: 0.95 tests at 5 % each, which goes with the 90 % interval that is returned.
    group, reference
        Column of two groups: their changes are compared (Welch), other group minus `reference`.

    Returns
    -------
    Result
        One row a group of `by`: the mean change (or difference) with the interval of level 1 - 2 alpha, the larger of
        the two one-sided p, `equivalent` (p at most alpha), `low` and `high` (the bounds).

    Raises
    ------
    ToolkitError
        The margin is not above 0, or a column is missing.
    NotEnoughError
        Fewer than two clients, or no variation.

    References
    ----------
    Schuirmann (1987) Journal of Pharmacokinetics and Biopharmaceutics 15:657-680; Lakens (2017) Social Psychological
    and Personality Science 8:355-362.

    Examples
    --------
    >>> data = pd.DataFrame({"before": [30.0, 31, 35, 32, 36], "after": [30.1, 30.8, 35.3, 32.0, 35.9]})
    >>> bool(equivalence(data, margin=1, unit="deg", client=None).frame["equivalent"].iloc[0])
    True
    """
    alpha, (low, high) = 1 - checked_level(level), _bounds(margin)
    if isinstance(data, Estimate):
        found = equivalence_of(data, smallest_change_that_matters=high, alpha=alpha)
        part = _equivalence_part(found, None, None, what=data.name)
        return Result.of(part.rows, says=part.says, title="Equivalence", detail=found)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)
    said: dict[str, Any] = {"lower_bound": low, "upper_bound": high, "alpha": alpha}

    def computed(part: Group) -> Part:
        pairs = complete_pairs(part.rows, first=first, second=second, better=part.better)
        changes = clients_of(pairs)
        if group is None:
            found = paired_equivalence(changes["change"].to_numpy(), unit=part.unit, **said)
            return _equivalence_part(found, len(changes), pairs.n_complete)
        one, two = _changes_by_group(part, changes, group, reference)
        found = welch_equivalence(two[1], one[1], unit=part.unit, **said)
        return _equivalence_part(found, len(changes), pairs.n_complete, what=f"{two[0]} minus {one[0]}")

    return answer(groups, by_names, computed, title=f"Equivalence within {figure_text(low)} to {figure_text(high)}")


def equivalence_from_summary(
    *,
    mean: float,
    n: int,
    margin: Any,
    sd: float | None = None,
    sds: tuple[float, float] | None = None,
    r: float | None = None,
    level: float = 0.95,
    unit: str = "",
) -> Result:
    """The same two one-sided tests from what a paper prints of a paired difference.

    Parameters
    ----------
    mean, n
        Mean of the differences, and how many pairs.
    margin
        As `equivalence`.
    sd
        SD of the differences; or `sds` and `r`, the SDs of the two readings and their correlation.
    sds, r
        In place of `sd`.
    level
        1 - alpha of the tests.
    unit
        Unit of the readings.

    Returns
    -------
    Result
        As `equivalence`, one row.

    Raises
    ------
    ToolkitError
        Neither `sd` nor `sds` with `r`, or an impossible figure.

    References
    ----------
    Lakens (2017) Social Psychological and Personality Science 8:355-362.

    Examples
    --------
    >>> found = equivalence_from_summary(mean=0.08, sds=(1.17, 1.29), r=0.75, n=65, margin=0.35, unit="points")
    >>> round(float(found.frame["p"].iloc[0]), 3)
    0.008
    """
    if sd is None:
        if sds is None or r is None:
            raise ToolkitError("Give the SD of the differences (sd=), or both SDs and their correlation (sds=, r=).")
        sd = sd_of_difference(*sds, r=r)
    low, high = _bounds(margin)
    found = paired_equivalence_from_summary(
        mean_difference=mean,
        sd_difference=sd,
        n=n,
        lower_bound=low,
        upper_bound=high,
        unit=unit,
        alpha=1 - checked_level(level),
    )
    part = _equivalence_part(found, n, n)
    return Result.of(part.rows, says=part.says, title="Equivalence from a summary", detail=found)


def _bounds(margin: Any) -> tuple[float, float]:
    """The two bounds of a margin."""
    if isinstance(margin, tuple | list):
        if len(margin) != 2:
            raise ToolkitError(f"'margin' holds {len(margin)} numbers: give one, or a lower and an upper bound.")
        low, high = (plain_number(end, "margin") for end in margin)
        return low, high
    size = plain_number(margin, "margin")
    if not size > 0:
        raise ToolkitError(f"'margin' is {size:g}: give the smallest change that matters, above 0.")
    return -size, size


def _equivalence_part(found: Equivalence, n_clients: int | None, n_rows: int | None, what: str = "mean change") -> Part:
    row = found.difference.standard_row(n_clients=n_clients, n_rows=n_rows)
    nearer = found.t_lower if found.p_lower >= found.p_upper else found.t_upper
    row |= {"what": what, "statistic": nearer, "p": found.p, "equivalent": found.equivalent}
    return Part(rows=[row | {"low": found.lower_bound, "high": found.upper_bound}], says=found.sentence(), detail=found)


def _changes_by_group(
    part: Group, changes: pd.DataFrame, group: str, reference: str | None
) -> tuple[tuple[str, Floats], tuple[str, Floats]]:
    """Reference and other group with their clients' changes.

    Raises
    ------
    ToolkitError
        Not two groups, a client in both, or an unknown reference.
    """
    need_columns(part.rows, (group,))
    belongs = part.rows.dropna(subset=[group]).groupby("client", observed=True)[group].agg(["first", "nunique"])
    if (belongs["nunique"] > 1).any():
        n = int((belongs["nunique"] > 1).sum())
        raise ToolkitError(
            f"{n} client(s) stand in both groups of '{group}'. Two separate groups hold different clients; for the "
            "same clients under two conditions use compare, or mixed_model."
        )
    of = changes["client"].map(belongs["first"].astype(str))
    names = sorted(of.dropna().unique())
    if len(names) != 2:
        listed = ", ".join(names[:6])
        raise ToolkitError(f"'{group}' holds {len(names)} group(s) ({listed}): exactly two are compared here.")
    base = str(reference) if reference is not None else names[0]
    if base not in names:
        raise ToolkitError(f"'{base}' is not one of the groups of '{group}': {names[0]}, {names[1]}.")
    other = names[1] if base == names[0] else names[0]
    one, two = (changes.loc[of == name, "change"].to_numpy(dtype=float) for name in (base, other))
    return (base, one), (other, two)


def two_groups(
    data: Any,
    *,
    group: str,
    reference: str | None = None,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    method: TwoGroupsMethod = "welch",
    unit: str | None = None,
) -> Result:
    """Two groups of different clients compared: by their changes, or at `second` adjusted for `first`.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`; a client's rows are averaged first.
    group
        Column of the two groups.
    reference
        The group that is subtracted; the first by name if left out.
    method
        "welch" (mean changes, unequal variances), "student" (equal variances), "mann_whitney" (Hodges-Lehmann
        difference of changes, rank test) or "baseline_adjusted" (readings at `second` adjusted for `first`).

    Returns
    -------
    Result
        One row a group of `by`: other group minus `reference`, with interval and test; `n_reference` and `n_other`.

    Raises
    ------
    ToolkitError
        Not two groups, a client in both, or a column is missing.
    NotEnoughError
        Fewer than two clients in a group, or no variation.

    References
    ----------
    Welch (1947) Biometrika 34:28-35; Mann & Whitney (1947) Annals of Mathematical Statistics 18:50-60; Vickers & Altman
    (2001) BMJ 323:1123-1124.

    Examples
    --------
    >>> data = pd.DataFrame({"arm": list("aaabbb"), "before": [1, 2, 3, 1, 2, 3], "after": [2, 3, 5, 4, 4, 6]})
    >>> round(float(two_groups(data, group="arm", client=None)), 3)
    1.333
    """
    if method not in (*_CORES, "baseline_adjusted"):
        raise ToolkitError(f"There is no method '{method}'. Choose {', '.join(_CORES)} or baseline_adjusted.")
    level = checked_level(level)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(part: Group) -> Part:
        pairs = complete_pairs(part.rows, first=first, second=second, better=part.better)
        changes = clients_of(pairs)
        one, two = _changes_by_group(part, changes, group, reference)
        sizes = {"n_reference": len(one[1]), "n_other": len(two[1])}
        counted = {"n_clients": len(changes), "n_rows": pairs.n_complete, **sizes}
        if min(len(one[1]), len(two[1])) < 2:
            raise NotEnoughError(
                f"{len(one[1])} and {len(two[1])} client(s) in the two groups of '{group}': two each are needed."
            )
        if method == "baseline_adjusted":
            row, detail = _adjusted_for_first(part, changes, group, one[0], level)
        else:
            found = _CORES[method](one[1], two[1], unit=part.unit, level=level)
            row = found.difference.standard_row(statistic=found.test.statistic, df=found.test.df, p=found.test.p)
            row, detail = row | {"method": f"{found.test.method}; clients' changes"}, found
        row |= counted | {"what": f"{two[0]} minus {one[0]}"}
        return Part(rows=[row], says=_difference_said(row, one[0], two[0]), detail=detail)

    return answer(groups, by_names, computed, title=f"Two groups by {group}")


def _adjusted_for_first(
    part: Group, changes: pd.DataFrame, group: str, reference: str, level: float
) -> tuple[dict[str, Any], Any]:
    """Analysis of covariance of client means at the second reading, the first as covariate."""
    turned = 1.0 if part.better == "higher" else -1.0
    of = part.rows.dropna(subset=[group]).groupby("client", observed=True)[group].first().astype(str)
    people = pd.DataFrame(
        {
            "outcome": turned * changes["mean_second"],
            "baseline": turned * changes["mean_first"],
            "group": changes["client"].map(of),
        }
    ).dropna()
    found = baseline_adjusted(
        people,
        outcome="outcome",
        baseline="baseline",
        group="group",
        reference=reference,
        unit=part.unit,
        confidence_level=level,
    )
    row = found.difference.standard_row(statistic=found.difference.value / (found.difference.se or np.nan))
    return row | {"method": "analysis of covariance of client means", "slope": found.slope}, found


def _difference_said(row: dict[str, Any], reference: str, other: str) -> str:
    found = quantity_with_interval(row["estimate"], row["ci_low"], row["ci_high"], row["unit"], level=row["level"])
    return (
        f"{other} minus {reference}: {found}; {p_words(row['p'])}; "
        f"{row['n_other']} and {row['n_reference']} clients; {row['method']}). Groups that were not drawn at random "
        "may differ for other reasons."
    )


def repeated_measures(
    data: Any,
    *,
    readings: Any = None,
    client: str = "client",
    reading: str | None = None,
    value: str = "value",
    by: By = None,
    method: Literal["anova", "friedman"] = "anova",
) -> Result:
    """Three or more readings of the same clients: do they differ?

    Parameters
    ----------
    data
        A frame: one row a client (or session) with the readings side by side, or one row a reading.
    readings
        The columns that stand side by side, for example ``("before", "before_2", "after")``.
    client
        Column of clients; several values of a client and reading are averaged.
    reading, value
        Columns of the layout with one row a reading: which reading, and its number.
    by
        Column or columns: a test for each of their combinations.
    method
        "anova" (repeated-measures analysis of variance, with and without Greenhouse-Geisser's correction) or "friedman"
        (ranks, with Kendall's W).

    Returns
    -------
    Result
        "anova": two rows, corrected first, `statistic` is F, `df` and `df_2`, `epsilon`; "friedman": `statistic` is
        chi-squared, `estimate` is Kendall's W. Incomplete clients are left out and counted in a note.

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than two complete clients or three readings, or no variation.

    References
    ----------
    Greenhouse & Geisser (1959) Psychometrika 24:95-112; Friedman (1937) Journal of the American Statistical Association
    32:675-701; Kendall & Babington Smith (1939) Annals of Mathematical Statistics 10:275-287.

    Examples
    --------
    >>> data = pd.DataFrame({"client": [1, 2, 3], "a": [1, 2, 1], "b": [2, 2, 3], "c": [4, 5, 3]})
    >>> round(float(repeated_measures(data, readings=("a", "b", "c")).frame["statistic"].iloc[0]), 2)
    8.91
    """
    if method not in ("anova", "friedman"):
        raise ToolkitError(f"There is no method '{method}'. Choose anova or friedman.")
    frame = frame_of(data, columns=(client, value))
    if readings is not None:
        columns = list(names_of(readings))
        need_columns(frame, (client, *columns, *names_of(by)))
        kept = [name for name in (client, "measure", "unit", *names_of(by)) if name in frame.columns]
        frame = frame.melt(
            id_vars=list(dict.fromkeys(kept)), value_vars=columns, var_name="reading", value_name="value"
        )
        reading, value = "reading", "value"
    if reading is None:
        raise ToolkitError("Say which columns hold the readings (readings=), or which column says the reading.")
    need_columns(frame, (client, reading))
    groups, by_names = groups_of(frame, columns=(value,), client=client, by=by)
    find = _anova if method == "anova" else _friedman
    names = {"person": "client", "reading": reading, "value": value}
    return answer(groups, by_names, lambda group: find(group, names), title="Repeated readings")


def _incomplete(group: Group, names: dict[str, str]) -> tuple[int, tuple[str, ...]]:
    """How many clients are complete, and a note on the others."""
    complete = len(person_by_reading(group.rows, **names))
    left_out = group.rows["client"].nunique() - complete
    return complete, (f"{left_out} client(s) lack a reading and were left out.",) if left_out else ()


def _anova(group: Group, names: dict[str, str]) -> Part:
    n, notes = _incomplete(group, names)
    found, epsilon = repeated_anova(group.rows, **names), greenhouse_geisser(group.rows, **names)
    k = person_by_reading(group.rows, **names).shape[1]
    plain = repeated_anova_plain(group.rows, **names)
    more = {"n_clients": n, "epsilon": epsilon}
    rows = [
        row_of_test(found, **more, df_2=epsilon * (n - 1) * (k - 1)) | {"method": "Greenhouse-Geisser corrected"},
        row_of_test(plain, **more, df_2=float((n - 1) * (k - 1))) | {"method": "not corrected"},
    ]
    says = (
        f"{k} readings of {n} clients: F = {figure_text(found.statistic)}, {found.method}, {p_words(found.p)}. "
        "A difference between readings does not say what caused it."
    )
    return Part(rows=rows, says=says, detail=found, notes=notes)


def _friedman(group: Group, names: dict[str, str]) -> Part:
    n, notes = _incomplete(group, names)
    found = friedman(group.rows, **names)
    w = kendall_w(group.rows, **names)
    row = row_of_test(found, n_clients=n, estimate=w, unit="Kendall's W") | {"what": "Kendall's W"}
    says = (
        f"{int(float(found.df or 1.0)) + 1} readings of {n} clients: chi-squared {figure_text(found.statistic)}, df "
        f"{figure_text(found.df)}, {p_words(found.p)}; Kendall's W {figure_text(w)}."
    )
    return Part(rows=[row], says=says, detail=found, notes=notes)
