"""Columns of repeated texts: each distinct text is looked at once, however many rows repeat it."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from toolkit.records.arrow_texts import (
    arrow_of,
    as_strings,
    empty_texts,
    longest_text,
    of_categories,
    of_one_kind,
    only_visible,
)

_DENSE = 4
"""Whole numbers up to so many times the rows are counted in a table; larger ones are looked up."""
_INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f"))


def clean_text(text: str) -> str:
    """Text without invisible characters, with single spaces, trimmed.

    Example:
        >>> clean_text(" Anna\\u200b  K. ")
        'Anna K.'
    """
    if text.isascii():
        return " ".join(text.split())
    return " ".join(text.translate(_INVISIBLE).split())


def words_of(text: str) -> tuple[str, ...]:
    """The words of a list written as one text, between bars where there are any, else between spaces.

    Example:
        >>> words_of("left side|links"), words_of("l r")
        (('left side', 'links'), ('l', 'r'))
    """
    return tuple(text.split("|") if "|" in text else text.split())


def distinct(column: pd.Series) -> tuple[np.ndarray, list[str]]:
    """(position of each row's text, the distinct texts) of a categorical column; missing rows point at ""."""
    categories: list[str] = column.cat.categories.tolist()
    codes = column.cat.codes.to_numpy()
    if (codes < 0).any():
        categories.append("")
        codes = np.where(codes < 0, len(categories) - 1, codes)
    return codes, categories


def first_texts(column: pd.Series, most: int) -> list[str]:
    """The first distinct texts of a categorical column, at most so many."""
    texts: list[str] = column.cat.categories[:most].tolist()
    return texts


def is_empty(column: pd.Series, *, spaces: bool = False) -> np.ndarray:
    """True for rows of a categorical column that say nothing; where told, also for those that are but spaces."""
    categories = column.cat.categories
    if (held := arrow_of(categories)) is None:
        empty = np.array([not text or (spaces and text.isspace()) for text in categories], dtype=bool)
    else:
        empty = empty_texts(held, spaces=spaces)
    codes = column.cat.codes.to_numpy()
    if not empty.any() and codes.min(initial=0) >= 0:
        return np.zeros(len(column), dtype=bool)
    found: np.ndarray = np.append(empty, True)[codes]  # -1 is missing
    return found


def longest(column: pd.Series) -> int:
    """The characters of the longest text of a categorical column."""
    categories = column.cat.categories
    if (held := arrow_of(categories)) is None:
        return max(map(len, categories), default=0)
    return longest_text(held)


def categorical(codes: np.ndarray, texts: Iterable[str]) -> pd.Categorical:
    """A categorical whose row i is texts[codes[i]]; the texts are distinct already."""
    return of_categories(codes, pd.Index(list(texts), dtype="object"))


def from_codes(codes: np.ndarray, texts: Sequence[str]) -> pd.Categorical:
    """A categorical whose row i is texts[codes[i]]; equal texts become one category."""
    if len(set(texts)) == len(texts):
        return categorical(codes, texts)
    places, unique = pd.factorize(np.asarray(texts, dtype=object))
    return categorical(np.asarray(places)[codes], list(unique))


def from_texts(texts: Sequence[str]) -> pd.Categorical:
    """A categorical of one text a row."""
    codes, unique = pd.factorize(np.asarray(texts, dtype=object))
    return categorical(np.asarray(codes), list(unique))


def change_texts(column: pd.Series, change: Callable[[str], str]) -> pd.Categorical:
    """The column with `change` applied to every distinct text."""
    codes, texts = distinct(column)
    return from_codes(codes, [change(text) for text in texts])


def constant(text: str, length: int) -> pd.Categorical:
    """A column of `length` rows that all say `text`."""
    return categorical(np.zeros(length, dtype=np.int8), [text])


def cleaned(texts: list[str]) -> list[str]:
    """Every text cleaned (see `clean_text`); at once where all are clean already, which is the usual case."""
    joined = "\x00".join(texts)
    unclean = any(sign in joined for sign in ("  ", " \x00", "\x00 ", "\t", "\n", "\r"))
    if joined.isascii() and not unclean and joined == joined.strip():
        return texts
    return [clean_text(text) for text in texts]


def cleaned_column(column: pd.Series) -> pd.Series | pd.Categorical:
    """A categorical column with every text cleaned (see `clean_text`); itself where all are clean already."""
    held = arrow_of(column.cat.categories)
    if held is not None and only_visible(held):
        return column
    codes, texts = distinct(column)
    clean = cleaned(texts)
    return column if clean is texts else from_codes(codes, clean)


def plain_strings(column: pd.Series, held: dict[tuple[str, int], Any] | None = None) -> pd.Series:
    """A categorical column as an ordinary column of strings.

    Args:
        column: categorical texts.
        held: columns of one text made before, by text and length; a frame has many, and they share what they hold.
    """
    codes, categories = column.cat.codes.to_numpy(), column.cat.categories
    strings = as_strings(categories)
    low = int(codes.min()) if len(codes) else 0
    if len(codes) and low == codes.max():
        key = ("" if low < 0 else str(strings[low]), len(codes))
        kept = {} if held is None else held
        if key not in kept:
            kept[key] = as_strings([key[0]]).take(np.zeros(len(codes), dtype=np.int64))
        return pd.Series(kept[key].copy(), index=column.index)
    if low < 0:
        codes, texts = distinct(column)
        strings = as_strings(texts)
    if len(codes) == len(strings) and (codes == np.arange(len(codes))).all():
        return pd.Series(strings, index=column.index)
    return pd.Series(strings.take(codes), index=column.index)


def keep_rows(frame: pd.DataFrame, keep: np.ndarray) -> pd.DataFrame:
    """The rows marked True; when all are, without copying them."""
    if keep.all():
        return frame.copy(deep=False)
    kept: pd.DataFrame = frame.loc[keep]
    return kept


def says(column: pd.Series, *words: str) -> np.ndarray:
    """True for rows of a categorical column that say one of the words."""
    return rows_where(column, lambda text: text in words)


def rows_where(column: pd.Series, test: Callable[[str], bool]) -> np.ndarray:
    """True for rows whose text passes `test`."""
    codes, texts = distinct(column)
    if not texts:
        return np.zeros(len(column), dtype=bool)
    passed: np.ndarray = np.array([test(text) for text in texts], dtype=bool)[codes]
    return passed


def plain(text: str) -> str:
    """A text as it is compared: no case, accents composed, underscores, hyphens and slashes as spaces.

    Example:
        >>> plain(" Upper_Trapezius ")
        'upper trapezius'
    """
    folded = unicodedata.normalize("NFKC", clean_text(text)).casefold()
    for sign in "_-–—/.":
        folded = folded.replace(sign, " ")
    return " ".join(folded.split())


def row_keys(frame: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """One whole number per row: equal exactly where all `columns` are equal (missing equals missing)."""
    total, size = codes_of(frame[columns[0]])
    for name in columns[1:]:
        if size <= _DENSE * len(frame) and all_differ(total):
            break
        codes, width = codes_of(frame[name])
        if size <= _DENSE * len(frame) and _follows(codes, total, size):
            continue
        if size * width >= 2**62:
            total = pd.factorize(total)[0].astype(np.int64)
            size = int(total.max(initial=0)) + 1
        total, size = total * width + codes, size * width
    return total


def _follows(codes: np.ndarray, keys: np.ndarray, size: int) -> bool:
    """Whether rows that agree in their keys agree in their codes too: these then tell nothing new."""
    told = np.zeros(size, dtype=codes.dtype)
    told[keys] = codes
    return bool((told[keys] == codes).all())


def _counts(keys: np.ndarray) -> np.ndarray | None:
    """How often each key from 0 on comes; None where the largest is too large to count them so."""
    most = int(keys.max(initial=0))
    return np.bincount(keys, minlength=1) if most <= _DENSE * len(keys) else None


def all_differ(keys: np.ndarray) -> bool:
    """Whether no whole number from 0 on comes twice.

    Example:
        >>> all_differ(np.array([3, 0, 4])), all_differ(np.array([3, 0, 3]))
        (True, False)
    """
    counts = _counts(keys)
    return bool(pd.Series(keys).is_unique if counts is None else counts.max(initial=0) <= 1)


def shared(keys: np.ndarray) -> np.ndarray:
    """True for whole numbers from 0 on that come more than once.

    Example:
        >>> shared(np.array([3, 0, 3])).tolist()
        [True, False, True]
    """
    counts = _counts(keys)
    if counts is not None:
        several: np.ndarray = (counts > 1)[keys]
        return several
    series = pd.Series(keys)
    return series.duplicated(keep=False).to_numpy() if not series.is_unique else np.zeros(len(keys), dtype=bool)


def n_different(keys: np.ndarray) -> int:
    """How many different whole numbers from 0 on there are.

    Example:
        >>> n_different(np.array([3, 0, 3]))
        2
    """
    counts = _counts(keys)
    return int(len(pd.unique(keys)) if counts is None else np.count_nonzero(counts))


def held_in(keys: np.ndarray, those: np.ndarray) -> np.ndarray:
    """True for whole numbers from 0 on that are among others.

    Example:
        >>> held_in(np.array([3, 0, 9]), np.array([9, 3])).tolist()
        [True, False, True]
    """
    most = int(max(keys.max(initial=0), those.max(initial=0)))
    if most > _DENSE * len(keys):
        return np.asarray(pd.Series(keys).isin(those).to_numpy(), dtype=bool)
    held = np.zeros(most + 1, dtype=bool)
    held[those] = True
    found: np.ndarray = held[keys]
    return found


def group_codes(frame: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """The number of each row's group, 0, 1, 2 … in order of appearance; a group is equal in all `columns`."""
    keys = row_keys(frame, columns)
    counts = _counts(keys)
    if counts is None:
        return pd.factorize(keys)[0].astype(np.int64)
    there = np.flatnonzero(counts)
    came = first_rows(keys)[there]
    number = np.empty(len(counts), dtype=np.int64)
    number[there if (came[1:] > came[:-1]).all() else there[np.argsort(came)]] = np.arange(len(there))
    found: np.ndarray = number[keys]
    return found


def first_rows(keys: np.ndarray) -> np.ndarray:
    """For each whole number from 0 on its first place; 0 for those that do not come.

    Example:
        >>> first_rows(np.array([2, 0, 2])).tolist()
        [1, 0, 0]
    """
    first = np.zeros(int(keys.max(initial=-1)) + 1, dtype=np.int64)
    first[keys[::-1]] = np.arange(len(keys) - 1, -1, -1)
    return first


def codes_of(column: pd.Series) -> tuple[np.ndarray, int]:
    """(codes of a column from 0, missing values first; how many there may be)."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.add(column.cat.codes.to_numpy(), 1, dtype=np.int64), len(column.cat.categories) + 1
    values = column.to_numpy()
    if values.dtype == np.int64 and len(values) and values.min() >= 0 and values.max() <= _DENSE * len(values):
        return values, int(values.max()) + 1
    codes = np.asarray(pd.factorize(column, use_na_sentinel=True)[0], dtype=np.int64) + 1
    return codes, int(codes.max(initial=0)) + 1


def stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The frames below each other; categorical columns stay categorical with the categories of all."""
    if len(frames) == 1:
        return frames[0].reset_index(drop=True)
    columns: dict[Hashable, object] = {}
    for name in frames[0].columns:
        parts = [frame[name] for frame in frames]
        if isinstance(parts[0].dtype, pd.CategoricalDtype):
            columns[name] = pd.api.types.union_categoricals(of_one_kind(parts))
        else:
            columns[name] = np.concatenate([part.to_numpy() for part in parts])
    return pd.DataFrame(columns)


def listed(words: Iterable[str], *, most: int = 12) -> str:
    """Words in quotation marks, the first dozen, and how many more there are."""
    all_words = list(words)
    shown = ", ".join(f'"{word}"' for word in all_words[:most])
    return f"{shown} and {len(all_words) - most} more" if len(all_words) > most else shown


def cell_text(value: Any) -> str:
    """One cell's value as text: whole numbers without a point, dates in ISO form, yes/no for truth values.

    Example:
        >>> cell_text(34.0), cell_text(True), cell_text(pd.Timestamp("2026-03-04"))
        ('34', 'yes', '2026-03-04')
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (float, np.floating)):
        number = float(value)
        if np.isnan(number):
            return ""
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).removesuffix("T00:00:00").replace("T", " ")
    return str(value)
