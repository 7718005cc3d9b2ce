"""What every method is given: a frame, records or two columns, made into groups of rows with both readings named.

`groups_of` reads the data once and splits it; `answer` runs one method over the groups and joins what came out into one
`Result`, with Holm's correction over the groups. A group that is too small keeps its row, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.multiplicity import holm_p
from toolkit.number_words import figure_text
from toolkit.result import Result, standard_frame

if TYPE_CHECKING:
    from matplotlib.figure import Figure

By = str | Sequence[str] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """The rows of one group: `client`, the two readings under their own names, and what else stood in the data."""

    key: dict[str, Any]
    rows: pd.DataFrame
    name: str
    unit: str
    better: str
    notes: tuple[str, ...] = ()

    def words(self) -> str:
        """The group as a sentence names it."""
        parts = ["not given" if pd.isna(value) else str(value).replace("_", " ") for value in self.key.values()]
        return ", ".join(parts) if parts else self.name.replace("_", " ")


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """What a method found in one group: rows for `standard_frame`, a sentence, notes and the typed result."""

    rows: Sequence[Mapping[str, Any]]
    says: str
    detail: Any = None
    notes: tuple[str, ...] = ()
    draw: Callable[[], Figure] | None = None


def checked_level(level: float) -> float:
    """A confidence level between 0 and 1.

    Raises
    ------
    ToolkitError
        It is not (95 instead of 0.95, say).
    """
    value = plain_number(level, "level")
    if not 0.0 < value < 1.0:
        raise ToolkitError(f"The confidence level is {value:g}: write it as a share, 0.95 for 95 %.")
    return value


def plain_number(value: Any, what: str) -> float:
    """A number: a plain one, or the value of an `Estimate` or of a `Result`.

    Raises
    ------
    ToolkitError
        It is something else.

    Examples
    --------
    >>> plain_number("5", "margin")
    Traceback (most recent call last):
        ...
    toolkit.errors.ToolkitError: 'margin' is '5': give a number.
    """
    if isinstance(value, str | bytes | bool):
        raise ToolkitError(f"'{what}' is {value!r}: give a number.")
    try:
        return float(value)
    except (TypeError, ValueError) as wrong:
        raise ToolkitError(f"'{what}' is {value!r}: give a number.") from wrong


def frame_of(data: Any, *, columns: Sequence[str]) -> pd.DataFrame:
    """The data as a frame: a frame, `Records` (its `readings`), two columns side by side, or a pair of columns.

    A frame or array of just two columns that bear other names is taken as `columns` (first, second).

    Raises
    ------
    ToolkitError
        It is none of these; what it is, is said.
    """
    if not isinstance(data, pd.DataFrame) and hasattr(data, "readings"):
        return pd.DataFrame(data.readings)
    if isinstance(data, pd.DataFrame):
        bare = len(columns) == 2 and data.shape[1] == 2 and not set(columns) & set(map(str, data.columns))
        return data.set_axis(list(columns), axis=1) if bare else data
    if isinstance(data, tuple | list) and len(data) == 2 and all(np.ndim(part) == 1 for part in data):
        first, second = (np.asarray(part, dtype=object) for part in data)
        if len(first) != len(second):
            raise ToolkitError(
                f"The two columns hold {len(first)} and {len(second)} values: pairs need as many of each."
            )
        return pd.DataFrame({columns[0]: first, columns[1]: second}).infer_objects()
    if isinstance(data, np.ndarray) and data.ndim == 2 and data.shape[1] == 2:
        return pd.DataFrame(data, columns=list(columns)[:2])
    raise ToolkitError(
        f"The data are {_what_it_is(data)}: give a frame with the columns '{columns[0]}' and '{columns[-1]}', "
        "the records that load_records returns, or two columns (first, second)."
    )


def _what_it_is(data: Any) -> str:
    shape = getattr(data, "shape", None)
    return f"a {type(data).__name__}" + (f" of shape {shape}" if shape else "")


def names_of(by: By) -> tuple[str, ...]:
    """`by` as a tuple of column names."""
    return () if by is None else (by,) if isinstance(by, str) else tuple(by)


def need_columns(frame: pd.DataFrame, names: Iterable[str]) -> None:
    """Refuse a frame that lacks a column, naming what is there.

    Raises
    ------
    ToolkitError
        A column is not there.
    """
    absent = [name for name in names if name not in frame.columns]
    if absent:
        listed = ", ".join(map(str, frame.columns[:30]))
        raise ToolkitError(f"There is no column '{absent[0]}'. The columns are: {listed}.")


def groups_of(
    data: Any,
    *,
    columns: Sequence[str],
    client: str | None,
    by: By = None,
    better: str = "higher",
    unit: str | None = None,
    numeric: bool = True,
) -> tuple[list[Group], tuple[str, ...]]:
    """The groups of the data in the order they first stand there, and the names of the columns that make them.

    Data with several measures are split by measure even where `by` does not say so: degrees and kilograms have no
    common mean. `better` and `unit` come from the data's own columns of that name where it has them (as
    `Records.readings` does).

    Raises
    ------
    ToolkitError
        A column is missing, or the readings stand in two units.
    NotEnoughError
        The data have no row.
    """
    frame = frame_of(data, columns=columns)
    need_columns(frame, columns)
    by_names = names_of(by)
    if "measure" in frame.columns and "measure" not in by_names and frame["measure"].nunique() > 1:
        by_names = ("measure", *by_names)
    need_columns(frame, by_names)
    if frame.empty:
        raise NotEnoughError("The data have no row, so there is nothing to compute.")
    frame, notes = _with_client(frame, client)
    if numeric:
        frame = frame.assign(**{name: _numbers(frame, name) for name in columns})
    if not by_names:
        split: Iterable[tuple[Any, pd.DataFrame]] = [((), frame)]
    else:
        split = frame.groupby(list(by_names), sort=False, observed=True, dropna=False)
    return [_group(key, rows, by_names, better=better, unit=unit, notes=notes) for key, rows in split], by_names


def groups_of_readings(
    data: Any, subject: str, reader: str, value: str, *, by: By, unit: str | None
) -> tuple[list[Group], tuple[str, ...]]:
    """Groups of a frame with one row a reading."""
    frame = frame_of(data, columns=(subject, reader, value))
    need_columns(frame, (subject, reader, value))
    return groups_of(frame, columns=(value,), client=subject, by=by, unit=unit)


def _group(
    key: Any, rows: pd.DataFrame, by: tuple[str, ...], *, better: str, unit: str | None, notes: tuple[str, ...]
) -> Group:
    named = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
    measure = one_word(rows, "measure") if "measure" in rows.columns else ""
    found = one_word(rows, "unit") if unit is None and "unit" in rows.columns else unit or ""
    return Group(
        key=named,
        rows=rows,
        name=measure or "the readings",
        unit=found,
        better=_direction(rows, better),
        notes=notes,
    )


def one_word(rows: pd.DataFrame, column: str) -> str:
    """The one word of a column.

    Raises
    ------
    ToolkitError
        It holds several.
    """
    words = [str(word) for word in rows[column].dropna().unique() if str(word)]
    if len(words) > 1:
        raise ToolkitError(
            f"The column '{column}' holds {len(words)} words ({', '.join(words[:4])}): they have no mean in common. "
            f"Keep one, or say by='{column}'."
        )
    return words[0] if words else ""


def _direction(rows: pd.DataFrame, better: str) -> str:
    """Which direction is better: as the data say (column `better`), else as asked."""
    if better not in ("higher", "lower"):
        raise ToolkitError(f"'better' is {better!r}: write 'higher' or 'lower', whichever means improvement.")
    said = one_word(rows, "better") if "better" in rows.columns else ""
    if said in ("higher", "lower"):
        if better == "lower" and said == "higher":
            raise ToolkitError(
                "better='lower' was asked, but the column 'better' says 'higher'. Drop the column to decide yourself."
            )
        return said
    return better


def _with_client(frame: pd.DataFrame, client: str | None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The frame with its clients in the column `client`; without one, every row is another client, and that is said."""
    if client is not None and client in frame.columns:
        empty = np.flatnonzero(frame[client].isna().to_numpy())
        if len(empty):
            raise ToolkitError(
                f"The client is empty in {len(empty)} row(s), first in row {int(empty[0]) + 1} of the table. "
                "Give every row its client's pseudonym."
            )
        return (frame if client == "client" else frame.assign(client=frame[client])), ()
    if client not in (None, "client"):
        raise ToolkitError(f"There is no column '{client}'. The columns are: {', '.join(map(str, frame.columns))}.")
    said = () if client is None else ("There is no column 'client': every row was taken for another client.",)
    return frame.assign(client=[f"row {place + 1}" for place in range(len(frame))]), said


def _numbers(frame: pd.DataFrame, column: str) -> pd.Series[float]:
    """One column as numbers; empty stays empty, words are refused with their row and never repeated."""
    read = pd.to_numeric(frame[column], errors="coerce").astype("float64")
    wrong = np.flatnonzero((read.isna() & frame[column].notna()).to_numpy() | np.isinf(read.to_numpy()))
    if len(wrong):
        at = f"row {frame['row'].iloc[wrong[0]]}" if "row" in frame else f"row {int(wrong[0]) + 1} of the table"
        raise ToolkitError(
            f"Column '{column}' holds something that is not a number in {len(wrong)} row(s), first in {at}. "
            "Write plain numbers there, or leave the cell empty."
        )
    return read


@dataclass
class _Joined:
    """What the groups gave, as it is gathered."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    details: dict[Any, Any] = field(default_factory=dict)
    refused: int = 0


def answer(
    groups: Sequence[Group], by: tuple[str, ...], compute: Callable[[Group], Part], *, title: str, method: str = ""
) -> Result:
    """One method over all groups, as one result.

    A group whose rows are too few for the method keeps a row with its counts, no estimate and the reason in `note`;
    where that is so of every group, the first reason is raised. p values of several groups are corrected by Holm,
    each number (`what`) for itself.

    Raises
    ------
    NotEnoughError
        No group had enough.
    """
    if not by:
        part = compute(groups[0])
        notes = tuple(dict.fromkeys((*groups[0].notes, *part.notes)))
        return Result(
            rows=standard_frame(part.rows), says=part.says, title=title, notes=notes, detail=part.detail, draw=part.draw
        )
    joined, why = _Joined(), None
    for group in groups:
        try:
            part = compute(group)
        except NotEnoughError as reason:
            why = why or reason
            joined.refused += 1
            n_clients = int(group.rows["client"].nunique())
            joined.rows.append(group.key | {"n_clients": n_clients, "n_rows": len(group.rows), "note": str(reason)})
            continue
        joined.rows += [group.key | dict(row) for row in part.rows]
        joined.said.append(f"{group.words()}: {part.says}")
        joined.notes += [*group.notes, *part.notes]
        joined.details[tuple(group.key.values())] = part.detail
    if why is not None and joined.refused == len(groups):
        raise why
    frame = _corrected(standard_frame(joined.rows, groups=by))
    return Result(
        rows=frame,
        says=_all_said(frame, joined, by, method or title),
        title=title,
        groups=by,
        notes=tuple(dict.fromkeys(joined.notes)),
        detail=joined.details,
        draw=part.draw if len(groups) == 1 else None,
    )


def _corrected(frame: pd.DataFrame) -> pd.DataFrame:
    """p values corrected by Holm over the groups, each number for itself."""
    out = frame["p_adjusted"].copy()
    for _, rows in frame.groupby("what", sort=False):
        if rows["p"].notna().sum() > 1:
            out.loc[rows.index] = out.loc[rows.index].fillna(pd.Series(holm_p(rows["p"]), index=rows.index))
    return frame.assign(p_adjusted=out)


MOST_SENTENCES, MOST_LISTED = 4, 12
SIGN = "yes_no"  # the unit of signs, which are there or not


def _all_said(frame: pd.DataFrame, joined: _Joined, by: tuple[str, ...], title: str) -> str:
    """Every group's sentence where they are few; else how many there are and what stands out after correction."""
    n = len(joined.said) + joined.refused
    one = joined.refused == 1
    without = f" {joined.refused} group{' has' if one else 's have'} no answer; the reason stands beside it."
    without = without if joined.refused else ""
    if n <= MOST_SENTENCES:
        return _without_repeats(joined.said) + without
    words = f"{title}: {n} groups by {' and '.join(name.replace('_', ' ') for name in by)}."
    first = frame.loc[frame["what"] == frame["what"].dropna().iloc[0]].dropna(
        subset=["estimate", "statistic"], how="all"
    )
    tested = first["p_adjusted"].fillna(first["p"]).dropna()
    if len(tested):
        words += (
            f" After correction for {len(tested)} tests (Holm), {int((tested < 0.05).sum())} have p below 0.05; the "
            f"smallest is {figure_text(float(tested.min()))}. A change of readings does not say what caused it."
        )
    elif len(first) <= MOST_LISTED:
        words += "".join(f" {_short(row, by)}." for row in first.to_dict("records"))
    return words + without


def _without_repeats(said: Sequence[str]) -> str:
    """Sentences one after the other; what all of them end in is said once, at the end."""
    ends = {one.rpartition(". ")[2] for one in said}
    if len(said) < 2 or len(ends) > 1 or not all(". " in one for one in said):
        return " ".join(said)
    end = ends.pop()
    return " ".join([*(one.removesuffix(f" {end}") for one in said), end])


def _short(row: Mapping[Any, Any], by: tuple[str, ...]) -> str:
    """One number of one group in a few words."""
    named = ", ".join("not given" if pd.isna(row[name]) else str(row[name]).replace("_", " ") for name in by)
    limits = f" ({figure_text(row['ci_low'])} to {figure_text(row['ci_high'])})" if pd.notna(row["ci_low"]) else ""
    return f"{named}: {row['what']} {figure_text(row['estimate'])}{limits} {row['unit']}".rstrip()


def refuse_sign(group: Group) -> None:
    """Refuse a sign where a number is measured.

    Raises
    ------
    NotEnoughError
        The readings are there or not.
    """
    if group.unit == SIGN:
        raise NotEnoughError(
            f"{group.name}: a sign is there or not, so it has no mean. Use stats.signs_change or kappa."
        )


def row_of_test(test: Any, **more: Any) -> dict[str, Any]:
    """A test's row: what it is called, its statistic, df, p and method; `more` adds or replaces."""
    row = {"what": test.name, "statistic": test.statistic, "df": test.df, "p": test.p, "method": test.method}
    return row | more
