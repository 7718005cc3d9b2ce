"""From the data as they lie in a file to the rows a method needs: a fixed list of steps, written as data.

A step is one table, `{do = "keep", column = "group", is = "trained"}`. Nothing in it is evaluated: `do` names one of
the operations below, every other word is a column, a number, a text or a list of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating import step_functions as do

Apply = Callable[[pd.DataFrame, Mapping[str, Any]], pd.DataFrame]


@dataclass(frozen=True, kw_only=True)
class Key:
    """One word of a step: what it may hold (column, columns, text, texts, number, numbers, table, any), what for."""

    kind: str
    what: str
    needed: bool = True
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Operation:
    """One thing a step can do."""

    name: str
    what: str
    keys: Mapping[str, Key]
    example: str
    apply: Apply


def run_steps(frame: pd.DataFrame, steps: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The data after all steps, in their order.

    Args:
        frame: the data. steps: tables as a sheet holds them.

    Returns:
        A new frame, rows numbered from 0.

    Raises:
        SheetError: an unknown step or word, a missing column, no row left; the step's number and what to do.

    Example:
        >>> rows = pd.DataFrame({"arm": ["a", "b"], "pre": [3, 4], "post": [5, 4]})
        >>> run_steps(rows, [{"do": "difference", "of": ["post", "pre"], "into": "gain"}])["gain"].tolist()
        [2, 0]
    """
    for nth, step in enumerate(steps, start=1):
        frame = _one(frame, step, nth).reset_index(drop=True)
        if frame.empty:
            raise SheetError(f'step {nth} ("{step["do"]}") leaves no row: look at the values of its column')
        if len(frame) > do.MOST_ROWS:
            raise SheetError(f'step {nth} ("{step["do"]}") makes {len(frame):,} rows: more than {do.MOST_ROWS:,}')
    return frame


def _one(frame: pd.DataFrame, step: Mapping[str, Any], nth: int) -> pd.DataFrame:
    if not isinstance(step, Mapping) or step.get("do") not in OPERATIONS:
        said = step.get("do") if isinstance(step, Mapping) else step
        raise SheetError(f"step {nth} does {said!r}, which is not known: use one of {', '.join(OPERATIONS)}")
    operation = OPERATIONS[step["do"]]
    given = {key: value for key, value in step.items() if key != "do"}
    unknown = [key for key in given if key not in operation.keys]
    absent = [key for key, word in operation.keys.items() if word.needed and key not in given]
    if unknown or absent:
        what = f'does not know "{unknown[0]}"' if unknown else f'needs "{absent[0]}"'
        raise SheetError(f"step {nth} ({operation.name}) {what}: write {operation.example}")
    for key, value in given.items():
        _check(frame, operation, key, value, nth)
    try:
        return operation.apply(frame, given)
    except (ValueError, TypeError, KeyError, OverflowError) as fault:
        text = str(fault).splitlines()[0][:120] if str(fault) else type(fault).__name__
        raise SheetError(f"step {nth} ({operation.name}) cannot be done on these data ({text})") from fault


def _check(frame: pd.DataFrame, operation: Operation, key: str, value: Any, nth: int) -> None:
    """One word of a step against what it may hold; columns must be there."""
    word = operation.keys[key]
    many = word.kind in ("columns", "texts", "numbers", "labels")
    listed = value if isinstance(value, list) else [value]
    kinds: dict[str, Any] = {"column": str, "columns": str, "text": str, "texts": str}
    number = word.kind in ("number", "numbers")
    fits = all(
        isinstance(one, (int, float)) and not isinstance(one, bool) if number else isinstance(one, kinds[word.kind])
        for one in listed
        if number or word.kind in kinds
    )
    if word.kind == "table":
        fits = isinstance(value, Mapping)
    if not fits or (isinstance(value, list) and not many and word.kind != "any") or (many and not listed):
        names = {"column": "one column", "columns": "a list of columns", "text": "one text", "texts": "a list of texts"}
        names |= {"number": "a number", "numbers": "a list of numbers", "table": "a table {…}"}
        wanted = names.get(word.kind, "one value or a list")
        raise SheetError(f"step {nth} ({operation.name}): {key} = {value!r} should be {wanted}")
    if word.choices and value not in word.choices:
        raise SheetError(f"step {nth} ({operation.name}): {key} is one of {', '.join(word.choices)}, not {value!r}")
    if word.kind in ("column", "columns"):
        for name in listed:
            if name not in frame.columns:
                there = ", ".join(map(str, frame.columns))
                raise SheetError(f'step {nth} ({operation.name}): there is no column "{name}", only {there}')


_COLUMN = Key(kind="column", what="the column")
_COLUMNS = Key(kind="columns", what="the columns")
_INTO = Key(kind="text", what="name of the column that is made")
_OWN = Key(kind="text", what="name of the column that is made; the same column if left out", needed=False)
_LIMIT = Key(kind="number", what="a limit", needed=False)

_ALL = (
    Operation(
        name="keep",
        what="only rows with these values (is), without them (not), or within limits",
        keys={
            "column": _COLUMN,
            "is": Key(kind="any", what="one value or a list", needed=False),
            "not": Key(kind="any", what="one value or a list", needed=False),
            "above": _LIMIT, "at_least": _LIMIT, "below": _LIMIT, "at_most": _LIMIT,
        },
        example='{do = "keep", column = "group", is = ["a", "b"]}',
        apply=do.keep_step,
    ),
    Operation(
        name="complete",
        what="only rows without a gap, in all columns or in those named",
        keys={"columns": Key(kind="columns", what="where no gap may be; all if left out", needed=False)},
        example='{do = "complete", columns = ["before", "after"]}',
        apply=do.complete_step,
    ),
    Operation(
        name="complete_people",
        what="one row a reading: only people who have a value at every reading",
        keys={"person": _COLUMN, "column": Key(kind="column", what="the reading's value")},
        example='{do = "complete_people", person = "subject", column = "value"}',
        apply=do.whole_step,
    ),
    Operation(
        name="rows",
        what="the rows from one to another, counted from 1",
        keys={"first": Key(kind="number", what="first row kept"), "last": Key(kind="number", what="last row kept")},
        example='{do = "rows", first = 1, last = 20}',
        apply=do.rows_step,
    ),
    Operation(
        name="difference",
        what="one column minus another",
        keys={"of": Key(kind="columns", what="two columns: the first minus the second"), "into": _INTO},
        example='{do = "difference", of = ["after", "before"], into = "change"}',
        apply=do.difference_step,
    ),
    Operation(
        name="combine",
        what="mean, sum, … of several columns in each row",
        keys={
            "columns": _COLUMNS,
            "how": Key(
                kind="text", what="what is made; percent_change = 100 (first - second) / second",
                choices=("mean", "median", "sum", "min", "max", "std", "product", "ratio", "percent_change"),
            ),
            "into": _INTO,
        },
        example='{do = "combine", columns = ["trial_1", "trial_2"], how = "mean", into = "reading"}',
        apply=do.combine_step,
    ),
    Operation(
        name="transform",
        what="a function of each column",
        keys={
            "columns": _COLUMNS,
            "how": Key(kind="text", what="the function", choices=tuple(do.TRANSFORMS)),
            "into": Key(kind="texts", what="names of the columns made; the same ones if left out", needed=False),
        },
        example='{do = "transform", columns = ["before", "after"], how = "log"}',
        apply=do.transform_step,
    ),
    Operation(
        name="scale",
        what="a column times, divided by, plus a number",
        keys={"column": _COLUMN, "times": _LIMIT, "divided_by": _LIMIT, "plus": _LIMIT, "into": _OWN},
        example='{do = "scale", column = "reach_in", times = 2.54, into = "reach_cm"}',
        apply=do.scale_step,
    ),
    Operation(
        name="group",
        what="numbers into groups: below the first limit, from it to the next, …",
        keys={
            "column": _COLUMN,
            "at": Key(kind="numbers", what="the limits; a value on a limit belongs above it"),
            "labels": Key(kind="any", what="one label a group, in rising order"),
            "into": _OWN,
        },
        example='{do = "group", column = "age", at = [40, 60], labels = ["young", "middle", "old"], into = "ages"}',
        apply=do.cut_step,
    ),
    Operation(
        name="recode",
        what="other words or numbers for words",
        keys={"column": _COLUMN, "words": Key(kind="table", what="old word = new word or number"), "into": _OWN},
        example='{do = "recode", column = "pain", words = {none = 0, some = 1, severe = 2}, into = "pain_points"}',
        apply=do.recode_step,
    ),
    Operation(
        name="join",
        what="several columns as one name",
        keys={
            "columns": _COLUMNS, "into": _INTO,
            "between": Key(kind="text", what='what stands between, ":" if left out', needed=False),
        },
        example='{do = "join", columns = ["site", "client"], into = "person"}',
        apply=do.join_step,
    ),
    Operation(
        name="rename",
        what="another name for a column",
        keys={"column": _COLUMN, "into": _INTO},
        example='{do = "rename", column = "VAR00001", into = "flexion"}',
        apply=do.rename_step,
    ),
    Operation(
        name="stack",
        what="from wide to long: several columns become rows",
        keys={
            "columns": _COLUMNS,
            "into": Key(kind="text", what="column of the values"),
            "label": Key(kind="text", what="column that says which it was"),
            "labels": Key(kind="any", what="one label a column; the columns' names if left out", needed=False),
        },
        example='{do = "stack", columns = ["rater_1", "rater_2"], into = "value", label = "rater"}',
        apply=do.stack_step,
    ),
    Operation(
        name="unstack",
        what="from long to wide: one row a person, one column a reading",
        keys={
            "rows": Key(kind="columns", what="what stays one row (the person, or person and side)"),
            "columns": Key(kind="column", what="its words become columns"),
            "values": Key(kind="column", what="what stands in them"),
        },
        example='{do = "unstack", rows = ["subject"], columns = "phase", values = "reading"}',
        apply=do.unstack_step,
    ),
    Operation(
        name="repeat",
        what="a row that stands for several people becomes that many rows",
        keys={"by": Key(kind="column", what="the column of counts")},
        example='{do = "repeat", by = "count"}',
        apply=do.repeat_step,
    ),
    Operation(
        name="summarise",
        what="one row a group: the mean, sum, … of a column",
        keys={
            "by": Key(kind="columns", what="the groups"),
            "column": _COLUMN,
            "how": Key(
                kind="text", what="what is made",
                choices=("mean", "median", "sum", "std", "var", "min", "max", "first", "last", "count"),
            ),
            "into": _OWN,
        },
        example='{do = "summarise", by = ["subject"], column = "reading", how = "mean"}',
        apply=do.summarise_step,
    ),
    Operation(
        name="count",
        what="how many rows hold each combination of words (a k x k table as rows)",
        keys={"columns": _COLUMNS, "into": Key(kind="text", what='name of the counts, "count"', needed=False)},
        example='{do = "count", columns = ["first_reader", "second_reader"]}',
        apply=do.count_step,
    ),
    Operation(
        name="count_pairs",
        what="a sign read twice as the four counts yes_yes, yes_no, no_yes, no_no; one row a cluster with by",
        keys={
            "first": _COLUMN, "second": _COLUMN,
            "yes": Key(kind="any", what="the word (or words) that count as yes"),
            "by": Key(kind="column", what="the clusters", needed=False),
        },
        example='{do = "count_pairs", first = "heel_lifts_before", second = "heel_lifts_after", yes = "yes"}',
        apply=do.count_pairs_step,
    ),
    Operation(
        name="sort",
        what="rows in the order of columns",
        keys={"by": _COLUMNS},
        example='{do = "sort", by = ["subject", "day"]}',
        apply=do.sort_step,
    ),
    Operation(
        name="number",
        what="number the rows within each person, from 1",
        keys={"within": _COLUMNS, "into": _INTO},
        example='{do = "number", within = ["subject"], into = "visit"}',
        apply=do.number_step,
    ),
    Operation(
        name="previous",
        what="the value of the row before, within each person",
        keys={"column": _COLUMN, "within": _COLUMNS, "into": _INTO},
        example='{do = "previous", column = "score", within = ["subject"], into = "score_before"}',
        apply=do.previous_step,
    ),
    Operation(
        name="baseline",
        what="each person's first value, beside every row of theirs",
        keys={"column": _COLUMN, "within": _COLUMNS, "into": _INTO},
        example='{do = "baseline", column = "score", within = ["subject"], into = "score_at_start"}',
        apply=do.first_step,
    ),
)  # fmt: skip
OPERATIONS: Mapping[str, Operation] = MappingProxyType({operation.name: operation for operation in _ALL})
