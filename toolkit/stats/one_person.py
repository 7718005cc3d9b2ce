"""One client at a time: is the change more than reading error, and what do the readings do from visit to visit?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import quantity, unit_words
from toolkit.quantiles import normal_below
from toolkit.result import Result
from toolkit.stats.centre import normal_reach
from toolkit.stats.clients import clients_of, complete_pairs
from toolkit.stats.data import (
    By,
    Group,
    Part,
    answer,
    checked_level,
    groups_of,
    need_columns,
    plain_number,
    row_of_test,
)
from toolkit.stats.one_client import Cutoffs, clinical_cutoffs, nonoverlap
from toolkit.stats.one_client import reliable_change as reliable_change_of
from toolkit.stats.reading_error import reading_error
from toolkit.stats.single_case_course import RunChart, alternating_pairs_test, alternating_schedule_test, run_chart

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Seed = np.random.Generator | int | None
Drawn = Literal["pairs", "schedule"]


def reliable_change(
    data: Any,
    *,
    first: str = "before",
    second: str = "after",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    sem: Any = None,
    repeat: str = "before_2",
    clinical: tuple[float, float] | None = None,
    functional: tuple[float, float] | None = None,
    unit: str | None = None,
) -> Result:
    """Each client's change against the error of two readings: which clients changed by more than error explains.

    Parameters
    ----------
    data, first, second, client, by, better, level, unit
        As `stats.paired_test`.
    sem
        Standard error of measurement in the readings' unit (a number, an `Estimate` or a `Result`). Left out, it comes
        from the data's own repeated readings (`first`, `repeat`).
    repeat
        Column of the second reading taken before anything was done.
    clinical, functional
        Mean and SD of a clinical and of a functional population: the cut-off between them is then drawn, and
        `functional` says who ends on its better side.

    Returns
    -------
    Result
        A row a client: the mean change, its interval from reading error alone (normal, sqrt(2) SEM / sqrt(sessions)),
        `statistic` the change over that error (the reliable change index), `p` two-sided, `reliable`, `sem`.

    Raises
    ------
    ToolkitError
        The SEM is not above 0 or cannot be had, or a column is missing.
    NotEnoughError
        No row holds both readings.

    References
    ----------
    Jacobson & Truax (1991) Journal of Consulting and Clinical Psychology 59:12-19.

    Examples
    --------
    >>> data = pd.DataFrame({"client": ["A", "B"], "before": [32.5, 30], "after": [47.5, 31]})
    >>> found = reliable_change(data, sem=3.354, unit="points")
    >>> found.frame["reliable"].tolist(), round(float(found.frame["statistic"].iloc[0]), 2)
    ([True, False], 3.16)
    """
    level = checked_level(level)
    given = None if sem is None else plain_number(sem, "sem")
    lines = _cutoffs(clinical, functional)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, better=better, unit=unit)

    def computed(group: Group) -> Part:
        error = given if given is not None else _own_sem(group, first, repeat)
        if not error > 0:
            raise ToolkitError(f"The SEM is {error:g}: give a size above 0, in the readings' unit.")
        pairs = complete_pairs(group.rows, first=first, second=second, better=group.better)
        clients = clients_of(pairs)
        rows = [_own_change(row, error, group, level=level, lines=lines) for row in clients.to_dict("records")]
        up = sum(row["reliable"] and row["estimate"] > 0 for row in rows)
        down = sum(row["reliable"] and row["estimate"] < 0 for row in rows)
        says = (
            f"{group.name.replace('_', ' ')}: of {len(rows)} clients {up} changed for the better and {down} for the "
            f"worse by more than the error of two readings explains (SEM {quantity(error, group.unit)}). "
            "It does not say what caused a change."
        )
        return Part(rows=rows, says=says, detail=clients)

    return answer(groups, by_names, computed, title="Each client's change against reading error")


def _cutoffs(clinical: tuple[float, float] | None, functional: tuple[float, float] | None) -> Cutoffs | None:
    """The lines between two populations, where both are given."""
    if clinical is None and functional is None:
        return None
    if clinical is None or functional is None:
        raise ToolkitError("A cut-off needs both populations: clinical=(mean, SD) and functional=(mean, SD).")
    return clinical_cutoffs(
        mean_clinical=clinical[0], sd_clinical=clinical[1], mean_functional=functional[0], sd_functional=functional[1]
    )


def _own_change(
    client: dict[Any, Any], sem: float, group: Group, *, level: float, lines: Cutoffs | None
) -> dict[str, Any]:
    """One client's row: the mean of m changes has the error of one, over the root of m."""
    found = reliable_change_of(
        client["mean_first"],
        client["mean_second"],
        sem=sem / float(np.sqrt(client["n_sessions"])),
        unit=group.unit,
        better=group.better,
        criterion=normal_reach(level),
    )
    row = {
        "what": "change",
        "client": client["client"],
        "estimate": found.change,
        "ci_low": found.change - found.threshold,
        "ci_high": found.change + found.threshold,
        "level": level,
        "statistic": found.index,
        "p": float(2 * normal_below(-abs(found.index))),
        "n_clients": 1,
        "n_rows": client["n_rows"],
        "unit": group.unit,
        "method": "change over the error of two readings",
        "reliable": found.reliable,
        "sem": sem,
    }
    if lines is not None:
        high = group.better == "higher"
        there = client["mean_second"] > lines.c if high else client["mean_second"] < lines.c
        row |= {"cut_off": lines.c, "functional": bool(there)}
    return row


def _own_sem(group: Group, first: str, repeat: str) -> float:
    """The SEM from the group's own repeated readings."""
    rows = group.rows
    if repeat not in rows.columns or not rows[repeat].notna().any():
        raise ToolkitError(
            f"{group.name}: give sem= (standard error of measurement), or a column '{repeat}' with a second reading "
            "taken before anything was done."
        )
    return reading_error(rows[first], rows[repeat], rows["client"], measure=group.name, unit=group.unit).sem.value


def single_case(
    data: Any,
    *,
    value: str = "before",
    client: str = "client",
    by: By = None,
    better: str = "higher",
    level: float = 0.95,
    rng: Seed = None,
    order: str | None = None,
    phase: str | None = None,
    treated: str | None = None,
    drawn: Drawn = "pairs",
    n_baseline: int | None = None,
    longest_run: int | None = None,
    unit: str | None = None,
) -> Result:
    """A client's readings from visit to visit: a run chart, the overlap of two phases, a schedule drawn by chance.

    Parameters
    ----------
    data
        A frame or `Records`, one row a reading in the order of time (or of `order`).
    value
        Column of the readings.
    client
        Column of clients: every client is judged alone, a group of rows each.
    by
        Further columns that make groups (side, region …).
    better
        "higher" or "lower".
    level
        Confidence level of the interval of the overlap.
    rng
        Generator or seed, where there are too many schedules to try each.
    order
        Column that says the order of the visits.
    phase
        Column with two words, the earlier phase first: how often a later reading beats an earlier one.
    treated
        Column of 1 and 0 (yes and no): a schedule of treated and untreated visits, drawn by chance.
    drawn
        How it was drawn: "pairs" (a coin for each two visits) or "schedule" (any order with as many treated).
    n_baseline
        How many first readings set the limits of the run chart; all of them if left out.
    longest_run
        The most visits of one kind in a row that the draw of a "schedule" allowed.
    unit
        Unit of the readings, where the data have no column of it.

    Returns
    -------
    Result
        Rows "centre of the readings" (`lower_limit`, `upper_limit`, `n_outside`, `n_in_long_run`); with `phase`
        "non-overlap of all pairs"; with `treated` the difference of treated and untreated visits with its p.

    Raises
    ------
    ToolkitError
        A column is missing, the phases are not two, or the schedule does not fit how it was drawn.
    NotEnoughError
        Too few readings for every one of the methods asked for.

    References
    ----------
    Wheeler (2000) Understanding Variation; Parker & Vannest (2009) Behavior Therapy 40:357-367; Edgington & Onghena
    (2007) Randomization Tests, chapter 11.

    Examples
    --------
    >>> data = pd.DataFrame({"client": "A", "before": [30, 32, 31, 33, 35, 36], "part": list("aaabbb")})
    >>> found = single_case(data, phase="part")
    >>> float(found.row("non-overlap of all pairs")["estimate"])
    1.0
    """
    level = checked_level(level)
    names = () if by is None else (by,) if isinstance(by, str) else tuple(by)
    groups, by_names = groups_of(data, columns=(value,), client=client, by=(client, *names), better=better, unit=unit)

    def computed(group: Group) -> Part:
        need_columns(group.rows, [name for name in (order, phase, treated) if name])
        rows = group.rows.dropna(subset=[value])
        rows = rows.sort_values(order, kind="stable") if order else rows
        read = rows[value].to_numpy(dtype=float)
        found, says, chart = [], [], None
        try:
            chart = run_chart(read, unit=group.unit, n_baseline=n_baseline)
            found.append(_chart_row(chart))
            says.append(chart.sentence())
        except NotEnoughError:
            if not (phase or treated):
                raise
        if phase:
            overlap = _overlap(rows, value, phase, better=group.better, level=level)
            found.append(overlap.standard_row(n_rows=len(rows)))
            says.append(overlap.sentence() + ".")
        if treated:
            tested = _scheduled(read, rows[treated], drawn=drawn, longest_run=longest_run, rng=rng)
            turned = 1.0 if group.better == "higher" else -1.0
            size = turned * (read[_kind(rows[treated])].mean() - read[~_kind(rows[treated])].mean())
            row = {"what": "treated minus untreated visits", "estimate": float(size), "unit": group.unit}
            found.append(row_of_test(tested) | row | {"n_rows": tested.n})
            says.append(f"Treated minus untreated visits {quantity(float(size), group.unit)}, p = {tested.p:.3f}.")
        drawing = None if chart is None else lambda: _chart_drawn(chart, rows[treated] if treated else None)
        return Part(rows=[row | {"n_clients": 1} for row in found], says=" ".join(says), detail=chart, draw=drawing)

    return answer(groups, by_names, computed, title="One client at a time")


def _chart_row(chart: RunChart) -> dict[str, Any]:
    return {
        "what": "centre of the readings",
        "estimate": chart.centre,
        "n_rows": len(chart.points),
        "unit": chart.unit,
        "method": f"mean and moving-range limits of the first {chart.n_baseline} readings",
        "lower_limit": chart.lower_limit,
        "upper_limit": chart.upper_limit,
        "n_outside": int(chart.points["outside"].sum()),
        "n_in_long_run": int(chart.points["in_long_run"].sum()),
    }


def _overlap(rows: pd.DataFrame, value: str, phase: str, *, better: str, level: float) -> Any:
    """The non-overlap of the two phases, in the order they stand."""
    names = list(dict.fromkeys(rows[phase].dropna()))
    if len(names) != 2:
        raise ToolkitError(f"'{phase}' holds {len(names)} phase(s): exactly two are compared.")
    first, second = (rows.loc[rows[phase] == name, value].to_numpy(dtype=float) for name in names)
    return nonoverlap(first, second, better=better, confidence_level=level)


def _kind(column: pd.Series[Any]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Treated or not as True and False."""
    words = column.map(str).str.strip().str.lower()
    known = {"1": True, "1.0": True, "yes": True, "true": True, "0": False, "0.0": False, "no": False, "false": False}
    if not words.isin(known).all():
        raise ToolkitError("Say for each visit whether it was a treated one: 1 (yes) or 0 (no).")
    return words.map(known).to_numpy(dtype=bool)


def _scheduled(read: Any, treated: pd.Series[Any], *, drawn: Drawn, longest_run: int | None, rng: Seed) -> Any:
    """The randomisation test that fits how the schedule was drawn."""
    if drawn not in ("pairs", "schedule"):
        raise ToolkitError(f"There is no draw '{drawn}'. Choose pairs or schedule.")
    mask = _kind(treated).astype(int)
    if drawn == "pairs":
        return alternating_pairs_test(read, mask)
    return alternating_schedule_test(read, mask, longest_run=longest_run, rng=rng)


def _chart_drawn(chart: RunChart, treated: pd.Series[Any] | None) -> Figure:
    """The readings in order with centre and limits; treated visits filled."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.5, 3.4), layout="constrained")
    axes = figure.subplots()
    points = chart.points
    axes.plot(points["order"], points["value"], color="0.5", lw=1)
    filled = np.ones(len(points), dtype=bool) if treated is None else _kind(treated)
    blue = "#1f4e79"
    axes.scatter(points["order"], points["value"], s=28, c=np.where(filled, blue, "white"), edgecolors=blue, zorder=3)
    unit, edge = str(chart.unit or ""), axes.get_yaxis_transform()
    lines = (("average", chart.centre, "-"), ("limit", chart.lower_limit, "--"), ("limit", chart.upper_limit, "--"))
    for name, at, dash in lines:
        axes.axhline(at, color="0.2", lw=1.2 if dash == "-" else 1, ls=dash)
        axes.text(1.01, at, f"{name}\n{quantity(at, unit)}", transform=edge, va="center", fontsize=9)
    axes.set_xlabel("Visit" if treated is None else "Visit (filled: treated)")
    axes.set_ylabel(f"Reading ({unit_words(unit)})" if unit else "Reading")
    axes.spines[["top", "right"]].set_visible(False)
    return figure
