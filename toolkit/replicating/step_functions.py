"""What each step of a sheet does to the rows: one function an operation, the step's words checked beforehand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import SheetError

MOST_ROWS = 2_000_000


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


def keep_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
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


def complete_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.dropna(subset=step.get("columns"))


def whole_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """Only people who have a value in every row of theirs, and as many rows as the fullest."""
    filled = frame[step["column"]].notna()
    per = filled.groupby(frame[step["person"]]).transform("sum")
    return pd.DataFrame(frame[per == per.max()])


def rows_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.iloc[int(step["first"]) - 1 : int(step["last"])]


def difference_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    if len(step["of"]) != 2:
        raise SheetError('a difference is of two columns: of = ["after", "before"] gives after minus before')
    first, second = (_numbers(frame, name) for name in step["of"])
    return frame.assign(**{step["into"]: first - second})


def combine_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
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


TRANSFORMS: Mapping[str, Callable[[pd.Series], pd.Series]] = {
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


def transform_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
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
        made[target] = TRANSFORMS[step["how"]](value)
    return frame.assign(**made)


def scale_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    value = _numbers(frame, step["column"]) * step.get("times", 1) / step.get("divided_by", 1) + step.get("plus", 0)
    return frame.assign(**{step.get("into", step["column"]): value})


def cut_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    if len(step["labels"]) != len(step["at"]) + 1:
        raise SheetError(f"{len(step['at'])} limits make {len(step['at']) + 1} groups: give as many labels")
    value = _numbers(frame, step["column"])
    place = np.searchsorted(np.sort(step["at"]), value.to_numpy(), side="right")
    words = np.array([str(label) for label in step["labels"]], dtype=object)[place]
    return frame.assign(**{step.get("into", step["column"]): pd.Series(words, index=frame.index).where(value.notna())})


def recode_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    words = step["words"]
    old = frame[step["column"]]
    made = old.astype(object)
    for word, new in words.items():
        made = made.where(~same_value(old, word), new)
    return frame.assign(**{step.get("into", step["column"]): made.infer_objects()})


def join_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    parts = frame[step["columns"]]
    made = parts.astype(str).agg(step.get("between", ":").join, axis=1).where(parts.notna().all(axis=1))
    return frame.assign(**{step["into"]: made})


def rename_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.rename(columns={step["column"]: step["into"]})


def stack_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    columns, labels = step["columns"], step.get("labels", step["columns"])
    labels = labels if isinstance(labels, list) else [labels]
    if len(labels) != len(columns):
        raise SheetError("labels needs one label a column")
    others = [name for name in frame.columns if name not in columns]
    long = frame.melt(id_vars=others, value_vars=columns, var_name=step["label"], value_name=step["into"])
    long[step["label"]] = long[step["label"]].map(dict(zip(columns, labels, strict=True)))
    return long


def unstack_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
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


def repeat_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    counts = _numbers(frame, step["by"])
    if not ((counts >= 0) & (counts % 1 == 0)).all() or counts.sum() > MOST_ROWS:
        raise SheetError(f'the column "{step["by"]}" holds something that is no count of people')
    return pd.DataFrame(frame.loc[frame.index.repeat(counts.astype(int))].drop(columns=step["by"]))


def summarise_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    grouped = frame.groupby(step["by"], sort=False, observed=True)
    if step["how"] == "count":
        made = grouped[step["column"]].count()
    else:
        made = frame.assign(**{step["column"]: _numbers(frame, step["column"])}).groupby(
            step["by"], sort=False, observed=True
        )[step["column"]].agg(step["how"])  # fmt: skip
    return pd.DataFrame(made.rename(step.get("into", step["column"])).reset_index())


def count_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """How many rows hold each combination of words; combinations that never occur are 0."""
    columns = step["columns"]
    levels = [list(dict.fromkeys(frame[name].dropna())) for name in columns]
    every = pd.MultiIndex.from_product(levels, names=columns)
    counted = frame.groupby(columns, sort=False, observed=True).size().reindex(every, fill_value=0)
    return counted.rename(step.get("into", "count")).reset_index()


def count_pairs_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
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


def sort_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.sort_values(step["by"], kind="stable")


def number_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    return frame.assign(**{step["into"]: frame.groupby(step["within"], sort=False).cumcount() + 1})


def previous_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    moved = frame.groupby(step["within"], sort=False)[step["column"]].shift(1)
    return frame.assign(**{step["into"]: moved})


def first_step(frame: pd.DataFrame, step: Mapping[str, Any]) -> pd.DataFrame:
    """Each person's first value of a column, beside every row of theirs."""
    value = frame.groupby(step["within"], sort=False)[step["column"]].transform("first")
    return frame.assign(**{step["into"]: value})
