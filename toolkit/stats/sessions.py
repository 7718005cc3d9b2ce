"""What was done in the sessions and what went with it: dose, combinations, comfort, ratings on a scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.mixed.combinations import combination_model
from toolkit.mixed.dose import WAYS, dose_model
from toolkit.result import Result
from toolkit.stats import comfort, ordinal
from toolkit.stats.data import By, Group, Part, answer, checked_level, frame_of, groups_of, need_columns, plain_number

Better = Literal["higher", "lower"]
_TIDY = ("client", "session_id", "region", "intervention", "before", "after")


def dose_response(
    data: Any,
    *,
    ways: Sequence[str] = WAYS,
    measure: str | None = None,
    better: Better = "higher",
    level: float = 0.95,
) -> Result:
    """How the change goes with the way of working: minutes, setting, head, position … in one mixed model.

    Region and intervention are held alike. Settings were chosen, not drawn: a question for a trial, not an answer.

    Parameters
    ----------
    data
        Tidy rows (`Records`, or a frame with its columns).
    ways
        Columns that say how it was done; those that do not vary are left out and named.
    measure
        Which measure, where the data hold several.
    better
        "higher" or "lower"; a column `better` in the data decides where there is one.
    level
        Confidence level of the intervals.

    Returns
    -------
    Result
        A row a difference: `what` names way, level and what it is compared with; p is corrected by Holm over all rows.

    Raises
    ------
    NotEnoughError
        No way of working varies.
    ToolkitError
        A column or the measure is missing.

    References
    ----------
    Kenward & Roger (1997) Biometrics 53:983-997; Holm (1979) Scandinavian Journal of Statistics 6:65-70.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(6)
    >>> data = pd.DataFrame({"client": np.repeat(np.arange(20), 4), "practitioner": "a", "session_id": np.arange(80),
    ...     "measure": "lunge", "region": "calf", "intervention": "press", "unit": "deg", "before": 35.0,
    ...     "minutes": np.tile([2.0, 4.0], 40)})
    >>> data["after"] = data["before"] + data["minutes"] + rng.normal(0, 1, 80)
    >>> dose_response(data).frame["what"].tolist()
    ['one more in minutes']
    """
    rows, name, turned = _one_measure(data, measure, better)
    found = dose_model(rows, measure=name, ways=ways, better=turned, confidence_level=checked_level(level))
    lines = [
        {
            "what": f"{row['way']} {row['level']} against {row['compared_with']}"
            if row["level"]
            else f"one more in {row['way']}",
            "estimate": row["difference"],
            **_tested(row, found.unit, level),
            "n_clients": row["n_clients"],
            "n_sessions": row["n_sessions"],
        }
        for row in found.rows.to_dict("records")
    ]
    return Result.of(lines, says=found.sentence(), title=f"Ways of working: {name}", notes=found.notes, detail=found)


def _tested(row: dict[Any, Any], unit: str, level: float) -> dict[str, Any]:
    """Interval, test and words of a row of one of the models."""
    return {
        "ci_low": row["ci_low"],
        "ci_high": row["ci_high"],
        "level": level,
        "df": row["df"],
        "p": row["p"],
        "p_adjusted": row["p_holm"],
        "se": row["se"],
        "unit": unit,
        "method": "linear mixed model, Kenward–Roger; Holm",
    }


def combinations(data: Any, *, measure: str | None = None, better: Better = "higher", level: float = 0.95) -> Result:
    """What each region and each intervention adds to the change where sessions hold several at once.

    Parameters
    ----------
    data
        Tidy rows; `region` and `intervention` may hold several values joined by " + ".
    measure, better, level
        As `dose_response`.

    Returns
    -------
    Result
        A row a region, intervention or pair of interventions that can be told apart; `kind`, and `inflation` (how much
        larger the variance is because others were done at the same time). Notes name what always went together.

    Raises
    ------
    NotEnoughError
        Every session was treated alike.
    ToolkitError
        A column or the measure is missing.

    References
    ----------
    Kenward & Roger (1997) Biometrics 53:983-997; Marquardt (1970) Technometrics 12:591-612 (variance inflation).

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(5)
    >>> done = np.tile(["press", "press + stretch", "measured_only"], 30)
    >>> data = pd.DataFrame({"client": np.repeat(np.arange(18), 5), "practitioner": "a", "measure": "lunge",
    ...     "session_id": np.arange(90), "region": "calf", "intervention": done, "unit": "deg",
    ...     "before": rng.normal(35, 4, 90)})
    >>> data["after"] = data["before"] + 2.0 * (done != "measured_only") + rng.normal(0, 1, 90)
    >>> combinations(data).frame["what"].tolist()
    ['press', 'stretch']
    """
    rows, name, turned = _one_measure(data, measure, better)
    found = combination_model(rows, measure=name, better=turned, confidence_level=checked_level(level))
    lines = [
        {
            "what": row["what"],
            "estimate": row["adds"],
            **_tested(row, found.unit, level),
            "n_clients": row["n_clients"],
            "n_sessions": row["n_sessions"],
            "kind": row["kind"],
            "inflation": row["inflation"],
        }
        for row in found.rows.to_dict("records")
    ]
    return Result.of(lines, says=found.sentence(), title=f"What each adds: {name}", notes=found.notes, detail=found)


def _one_measure(data: Any, measure: str | None, better: Better) -> tuple[pd.DataFrame, str, Better]:
    """Tidy rows of one measure as the models want them, its name, and which direction is better."""
    frame = frame_of(data, columns=_TIDY)
    need_columns(frame, _TIDY)
    frame = frame.astype(dict.fromkeys(frame.select_dtypes("category").columns, object))
    if "measure" not in frame.columns:
        frame = frame.assign(measure="the readings")
    names = [str(name) for name in frame["measure"].dropna().unique()]
    if measure is None and len(names) > 1:
        raise ToolkitError(f"The data hold {len(names)} measures: say measure= one of {', '.join(names)}.")
    name = measure or names[0]
    if name not in names:
        raise ToolkitError(f"No row holds the measure {name}. There are: {', '.join(names)}.")
    rows = frame[frame["measure"] == name]
    words: set[Any] = set(rows["better"].dropna()) if "better" in rows.columns else set()
    turned: Better = "lower" if words == {"lower"} else "higher" if words == {"higher"} else better
    absent = {key: word for key, word in {"practitioner": "one", "unit": ""}.items() if key not in rows.columns}
    rows = rows.assign(**absent)
    texts = [str(key) for key in rows.columns if not pd.api.types.is_numeric_dtype(rows[key]) and key != "date"]
    return rows.assign(**{key: rows[key].astype(object).fillna("") for key in texts}), name, turned


def comfort_and_change(
    data: Any,
    *,
    moved_from: Any,
    comfortable_from: float = 7.0,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    unit: str | None = None,
) -> Result:
    """Comfort beside the change: do comfortable sessions move more, and who was comfortable and did not move?

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`; the data need a column `comfort` (0 to 10).
    moved_from
        Mean change from which a client counts as moved: a number, an `Estimate` or a `Result`.
    comfortable_from
        Mean comfort from which a client counts as comfortable.

    Returns
    -------
    Result
        Rows: the shares of the four groups of clients (Wilson intervals), and the correlation of comfort and change
        within clients and between clients, where the data allow them.

    Raises
    ------
    ToolkitError
        A column is missing, or a comfort lies outside 0 to 10.
    NotEnoughError
        No row holds both readings and a comfort.

    References
    ----------
    Bland & Altman (1995) BMJ 310:446; Bakdash & Marusich (2017) Frontiers in Psychology 8:456.

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("ABCD"), "before": [30, 34, 39, 31], "after": [40, 36, 45, 32],
    ...                      "comfort": [8, 9, 5, 9]})
    >>> found = comfort_and_change(data, moved_from=5, unit="deg")
    >>> float(found.row("comfortable and did not move")["estimate"])
    0.5
    """
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)
    moved, level = plain_number(moved_from, "moved_from"), checked_level(level)

    def computed(group: Group) -> Part:
        need_columns(group.rows, ("comfort",))
        found = comfort.comfort_against_outcome(
            group.rows,
            measure=group.name,
            unit=group.unit,
            better=group.better,
            moved_from=moved,
            comfortable_from=comfortable_from,
            first=first,
            second=second,
            confidence_level=level,
        )
        parts = [*found.shares.values(), *(one for one in (found.within, found.between) if one is not None)]
        return Part(
            rows=[one.standard_row(n_clients=found.n_clients) for one in parts],
            says=found.sentence(),
            detail=found,
            notes=found.notes,
        )

    return answer(groups, by_names, computed, title="Comfort beside the change")


def scale_change(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    lowest: float = 0.0,
    highest: float = 10.0,
) -> Result:
    """The change on a bounded scale (pain, comfort): how many rated better, by ranks, no mean needed.

    Parameters
    ----------
    data, first, second, client, by, better, level
        As `stats.paired_test`.
    lowest, highest
        The ends of the scale.

    Returns
    -------
    Result
        Rows: probability of improvement (with Wilcoxon's p), typical change (Hodges-Lehmann), rank-biserial
        correlation; `n_better`, `n_worse`, `n_unchanged`, `at_best` (began at the best end).

    Raises
    ------
    ToolkitError
        A rating lies outside the scale, or a column is missing.
    NotEnoughError
        Fewer than two clients rated twice.

    References
    ----------
    Conover (1999) Practical Nonparametric Statistics; Kerby (2014) Comprehensive Psychology 3:1.

    Examples
    --------
    >>> data = pd.DataFrame({"client": list("ABCDEF"), "before": [6, 5, 7, 4, 3, 8], "after": [4, 5, 3, 3, 4, 5]})
    >>> round(float(scale_change(data, better="lower")), 2)
    0.75
    """
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better)
    said: dict[str, Any] = {"first": first, "second": second, "confidence_level": checked_level(level)}

    def computed(group: Group) -> Part:
        found = ordinal.scale_change(
            group.rows, measure=group.name, better=group.better, lowest=lowest, highest=highest, **said
        )
        counts = {"n_better": found.n_better, "n_worse": found.n_worse, "n_unchanged": found.n_unchanged}
        counts |= {"at_best": found.at_best, "n_clients": found.n_clients, "n_rows": found.n_rows}
        head = found.probability.standard_row(statistic=found.wilcoxon.statistic, p=found.wilcoxon.p, **counts)
        more = [one for one in (found.typical, found.rank_biserial) if one is not None]
        rows = [head, *(one.standard_row(**counts) for one in more)]
        return Part(rows=rows, says=found.sentence(), detail=found)

    return answer(groups, by_names, computed, title=f"Ratings from {first} to {second}")
