"""From the data as they lie in a file to the rows a method needs: a fixed list of steps, written as data.

A step is one table, `{do = "keep", column = "group", is = "trained"}`. Nothing in it is evaluated: `do` names one of
the operations below, every other word is a column, a number, a text or a list of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import SheetError

Apply = Callable[[pd.DataFrame, Mapping[str, Any]], pd.DataFrame]
MOST_ROWS = 2_000_000


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
        if len(frame) > MOST_ROWS:
            raise SheetError(f'step {nth} ("{step["do"]}") makes {len(frame):,} rows: more than {MOST_ROWS:,}')
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


def same_value(column: pd.Series, wanted: Any) -> pd.Series:
    """Which rows hold a value: as it stands, or as a number where the sheet and the file write it differently."""
    listed = wanted if isinstance(wanted, list) else [wanted]
    found = column.isin(listed) | column.astype(str).isin([str(one) for one in listed])
    numbers = pd.to_numeric(
        pd.Series([one for one in listed if not isinstance(one, bool)], dtype=object), errors="coerce"
    )
    return found | pd.to_numeric(column, errors="coerce").isin(numbers.dropna())


def word_there(frame: pd.DataFrame, names: Sequence[str], word: Any) -> None:
    """Refuse a word that stands nowhere in these columns: a count of nobody is mostly a misspelling.

    Raises:
        SheetError: with the words that do stand there.
    """
    if not any(same_value(frame[name], word).any() for name in names):
        seen = ", ".join(str(one) for one in dict.fromkeys(value for name in names for value in frame[name].dropna()))
        raise SheetError(f'no row of {", ".join(names)} holds "{word}": the words are {seen[:200]}')


def _numbers(frame: pd.DataFrame, name: str) -> pd.Series:
    read = pd.to_numeric(frame[name], errors="coerce")
    words = frame.loc[read.isna() & frame[name].notna(), name]
    if len(words):
        raise SheetError(
            f'the column "{name}" holds "{words.iloc[0]}", which is no number: list such words under missing'
        )
    return read


def _keep(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    column = frame[step["column"]]
    here = pd.Series(True, index=frame.index)
    if "is" in step:
        here &= same_value(column, step["is"])
    if "not" in step:
        here &= ~same_value(column, step["not"]) & column.notna()
    limits = {key: step[key] for key in ("above", "at_least", "below", "at_most") if key in step}
    if limits:
        value = _numbers(frame, step["column"])
        tests = {
            "above": lambda limit: value > limit,
            "at_least": lambda limit: value >= limit,
            "below": lambda limit: value < limit,
            "at_most": lambda limit: value <= limit,
        }
        for key, limit in limits.items():
            here &= tests[key](limit)
    return frame[here]


def _complete(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.dropna(subset=step.get("columns"))


def _whole(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """Only people who have a value in every row of theirs, and as many rows as the fullest."""
    filled = frame[step["column"]].notna()
    per = filled.groupby(frame[step["person"]]).transform("sum")
    return pd.DataFrame(frame[per == per.max()])


def _rows(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.iloc[int(step["first"]) - 1 : int(step["last"])]


def _difference(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    if len(step["of"]) != 2:
        raise SheetError('a difference is of two columns: of = ["after", "before"] gives after minus before')
    first, second = (_numbers(frame, name) for name in step["of"])
    return frame.assign(**{step["into"]: first - second})


def _combine(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    columns = pd.DataFrame({name: _numbers(frame, name) for name in step["columns"]})
    how = step["how"]
    if how == "ratio":
        if columns.shape[1] != 2:
            raise SheetError("a ratio is of two columns")
        made = columns.iloc[:, 0] / columns.iloc[:, 1]
    elif how == "product":
        made = columns.prod(axis=1, skipna=False)
    elif how == "percent_change":
        made = 100 * (columns.iloc[:, 0] - columns.iloc[:, 1]) / columns.iloc[:, 1]
    else:
        made = getattr(columns, how)(axis=1, skipna=False)
    return frame.assign(**{step["into"]: made})


_TRANSFORMS: Mapping[str, Callable[[pd.Series], pd.Series]] = {
    "log": lambda x: pd.Series(np.log(x)),
    "log10": lambda x: pd.Series(np.log10(x)),
    "log2": lambda x: pd.Series(np.log2(x)),
    "exp": lambda x: pd.Series(np.exp(x)),
    "sqrt": lambda x: pd.Series(np.sqrt(x)),
    "square": lambda x: x**2,
    "absolute": lambda x: x.abs(),
    "negative": lambda x: -x,
    "reciprocal": lambda x: 1 / x,
    "rank": lambda x: x.rank(),
    "centre": lambda x: x - x.mean(),
    "standardise": lambda x: (x - x.mean()) / x.std(),
    "round": lambda x: x.round(),
}


def _transform(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    made = {}
    into = step.get("into", step["columns"])
    into = into if isinstance(into, list) else [into]
    if len(into) != len(step["columns"]):
        raise SheetError("into needs as many names as there are columns")
    for name, target in zip(step["columns"], into, strict=True):
        value = _numbers(frame, name)
        lowest = value.min()
        if step["how"].startswith("log") and lowest <= 0:
            raise SheetError(f'the column "{name}" holds {lowest:g}: logs need numbers above 0')
        if (step["how"] == "sqrt" and lowest < 0) or (step["how"] == "reciprocal" and (value == 0).any()):
            raise SheetError(f'the column "{name}" holds a number that has no {step["how"]}')
        made[target] = _TRANSFORMS[step["how"]](value)
    return frame.assign(**made)


def _scale(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    value = _numbers(frame, step["column"]) * step.get("times", 1) / step.get("divided_by", 1) + step.get("plus", 0)
    return frame.assign(**{step.get("into", step["column"]): value})


def _cut(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    if len(step["labels"]) != len(step["at"]) + 1:
        raise SheetError(f"{len(step['at'])} limits make {len(step['at']) + 1} groups: give as many labels")
    value = _numbers(frame, step["column"])
    place = np.searchsorted(np.sort(step["at"]), value.to_numpy(), side="right")
    words = np.array([str(label) for label in step["labels"]], dtype=object)[place]
    return frame.assign(**{step.get("into", step["column"]): pd.Series(words, index=frame.index).where(value.notna())})


def _recode(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    words = step["words"]
    old = frame[step["column"]]
    made = old.astype(object)
    for word, new in words.items():
        made = made.where(~same_value(old, word), new)
    return frame.assign(**{step.get("into", step["column"]): made.infer_objects()})


def _join(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    parts = frame[step["columns"]]
    made = parts.astype(str).agg(step.get("between", ":").join, axis=1).where(parts.notna().all(axis=1))
    return frame.assign(**{step["into"]: made})


def _rename(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.rename(columns={step["column"]: step["into"]})


def _stack(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    columns, labels = step["columns"], step.get("labels", step["columns"])
    labels = labels if isinstance(labels, list) else [labels]
    if len(labels) != len(columns):
        raise SheetError("labels needs one label a column")
    others = [name for name in frame.columns if name not in columns]
    long = frame.melt(id_vars=others, value_vars=columns, var_name=step["label"], value_name=step["into"])
    long[step["label"]] = long[step["label"]].map(dict(zip(columns, labels, strict=True)))
    return long


def _unstack(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    keep = step["rows"] if isinstance(step["rows"], list) else [step["rows"]]
    twice = frame.duplicated([*keep, step["columns"]])
    if twice.any():
        raise SheetError(
            f"{int(twice.sum())} row(s) repeat one {' and '.join(keep)} and {step['columns']}: "
            'average them first, {do = "summarise", by = […], column = "…", how = "mean"}'
        )
    wide = frame.pivot(index=keep, columns=step["columns"], values=step["values"]).reset_index()
    wide.columns = pd.Index([str(name) for name in wide.columns])
    return wide


def _repeat(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    counts = _numbers(frame, step["by"])
    if not ((counts >= 0) & (counts % 1 == 0)).all() or counts.sum() > MOST_ROWS:
        raise SheetError(f'the column "{step["by"]}" holds something that is no count of people')
    return pd.DataFrame(frame.loc[frame.index.repeat(counts.astype(int))].drop(columns=step["by"]))


def _summarise(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    grouped = frame.groupby(step["by"], sort=False, observed=True)
    if step["how"] == "count":
        made = grouped[step["column"]].count()
    else:
        made = frame.assign(**{step["column"]: _numbers(frame, step["column"])}).groupby(
            step["by"], sort=False, observed=True
        )[step["column"]].agg(step["how"])  # fmt: skip
    return pd.DataFrame(made.rename(step.get("into", step["column"])).reset_index())


def _count(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """How many rows hold each combination of words; combinations that never occur are 0."""
    columns = step["columns"]
    levels = [list(dict.fromkeys(frame[name].dropna())) for name in columns]
    every = pd.MultiIndex.from_product(levels, names=columns)
    counted = frame.groupby(columns, sort=False, observed=True).size().reindex(every, fill_value=0)
    return counted.rename(step.get("into", "count")).reset_index()


def _count_pairs(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """A 2 x 2 table of a sign read twice, as one row of four counts; one row a cluster with `by`."""
    word_there(frame, [step["first"], step["second"]], step["yes"])
    both = frame[[step["first"], step["second"]]].notna().all(axis=1)
    read = frame[both]
    yes_1, yes_2 = (same_value(read[step[name]], step["yes"]) for name in ("first", "second"))
    cells = pd.DataFrame(
        {
            "yes_yes": yes_1 & yes_2,
            "yes_no": yes_1 & ~yes_2,
            "no_yes": ~yes_1 & yes_2,
            "no_no": ~yes_1 & ~yes_2,
        }
    ).astype(int)
    if "by" not in step:
        return cells.sum().to_frame().T
    return cells.groupby(read[step["by"]], sort=False).sum().reset_index()


def _sort(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.sort_values(step["by"], kind="stable")


def _number(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.assign(**{step["into"]: frame.groupby(step["within"], sort=False).cumcount() + 1})


def _previous(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    moved = frame.groupby(step["within"], sort=False)[step["column"]].shift(1)
    return frame.assign(**{step["into"]: moved})


def _first(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """Each person's first value of a column, beside every row of theirs."""
    value = frame.groupby(step["within"], sort=False)[step["column"]].transform("first")
    return frame.assign(**{step["into"]: value})


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
        apply=_keep,
    ),
    Operation(
        name="complete",
        what="only rows without a gap, in all columns or in those named",
        keys={"columns": Key(kind="columns", what="where no gap may be; all if left out", needed=False)},
        example='{do = "complete", columns = ["before", "after"]}',
        apply=_complete,
    ),
    Operation(
        name="complete_people",
        what="one row a reading: only people who have a value at every reading",
        keys={"person": _COLUMN, "column": Key(kind="column", what="the reading's value")},
        example='{do = "complete_people", person = "subject", column = "value"}',
        apply=_whole,
    ),
    Operation(
        name="rows",
        what="the rows from one to another, counted from 1",
        keys={"first": Key(kind="number", what="first row kept"), "last": Key(kind="number", what="last row kept")},
        example='{do = "rows", first = 1, last = 20}',
        apply=_rows,
    ),
    Operation(
        name="difference",
        what="one column minus another",
        keys={"of": Key(kind="columns", what="two columns: the first minus the second"), "into": _INTO},
        example='{do = "difference", of = ["after", "before"], into = "change"}',
        apply=_difference,
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
        apply=_combine,
    ),
    Operation(
        name="transform",
        what="a function of each column",
        keys={
            "columns": _COLUMNS,
            "how": Key(kind="text", what="the function", choices=tuple(_TRANSFORMS)),
            "into": Key(kind="texts", what="names of the columns made; the same ones if left out", needed=False),
        },
        example='{do = "transform", columns = ["before", "after"], how = "log"}',
        apply=_transform,
    ),
    Operation(
        name="scale",
        what="a column times, divided by, plus a number",
        keys={"column": _COLUMN, "times": _LIMIT, "divided_by": _LIMIT, "plus": _LIMIT, "into": _OWN},
        example='{do = "scale", column = "reach_in", times = 2.54, into = "reach_cm"}',
        apply=_scale,
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
        apply=_cut,
    ),
    Operation(
        name="recode",
        what="other words or numbers for words",
        keys={"column": _COLUMN, "words": Key(kind="table", what="old word = new word or number"), "into": _OWN},
        example='{do = "recode", column = "pain", words = {none = 0, some = 1, severe = 2}, into = "pain_points"}',
        apply=_recode,
    ),
    Operation(
        name="join",
        what="several columns as one name",
        keys={
            "columns": _COLUMNS, "into": _INTO,
            "between": Key(kind="text", what='what stands between, ":" if left out', needed=False),
        },
        example='{do = "join", columns = ["site", "client"], into = "person"}',
        apply=_join,
    ),
    Operation(
        name="rename",
        what="another name for a column",
        keys={"column": _COLUMN, "into": _INTO},
        example='{do = "rename", column = "VAR00001", into = "flexion"}',
        apply=_rename,
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
        apply=_stack,
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
        apply=_unstack,
    ),
    Operation(
        name="repeat",
        what="a row that stands for several people becomes that many rows",
        keys={"by": Key(kind="column", what="the column of counts")},
        example='{do = "repeat", by = "count"}',
        apply=_repeat,
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
        apply=_summarise,
    ),
    Operation(
        name="count",
        what="how many rows hold each combination of words (a k x k table as rows)",
        keys={"columns": _COLUMNS, "into": Key(kind="text", what='name of the counts, "count"', needed=False)},
        example='{do = "count", columns = ["first_reader", "second_reader"]}',
        apply=_count,
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
        apply=_count_pairs,
    ),
    Operation(
        name="sort",
        what="rows in the order of columns",
        keys={"by": _COLUMNS},
        example='{do = "sort", by = ["subject", "day"]}',
        apply=_sort,
    ),
    Operation(
        name="number",
        what="number the rows within each person, from 1",
        keys={"within": _COLUMNS, "into": _INTO},
        example='{do = "number", within = ["subject"], into = "visit"}',
        apply=_number,
    ),
    Operation(
        name="previous",
        what="the value of the row before, within each person",
        keys={"column": _COLUMN, "within": _COLUMNS, "into": _INTO},
        example='{do = "previous", column = "score", within = ["subject"], into = "score_before"}',
        apply=_previous,
    ),
    Operation(
        name="baseline",
        what="each person's first value, beside every row of theirs",
        keys={"column": _COLUMN, "within": _COLUMNS, "into": _INTO},
        example='{do = "baseline", column = "score", within = ["subject"], into = "score_at_start"}',
        apply=_first,
    ),
)  # fmt: skip
OPERATIONS: Mapping[str, Operation] = MappingProxyType({operation.name: operation for operation in _ALL})
