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
    found: np.ndarray = np.append(empty, True)[column.cat.codes.to_numpy()]  # -1 is missing
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


def with_categories(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column of texts as categories, in the order of the alphabet.

    Rows are then compared, grouped and copied by small whole numbers, and sorted as the texts would be.

    Example:
        >>> with_categories(pd.DataFrame({"client": ["b", "a", "b"]}))["client"].cat.codes.tolist()
        [1, 0, 1]
    """
    texts = [name for name in frame.columns if isinstance(frame[name].dtype, pd.StringDtype)]
    return frame.assign(**{str(name): frame[name].astype("category") for name in texts})


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
    total, size = np.zeros(len(frame), dtype=np.int64), 1
    for name in columns:
        codes, width = _codes(frame[name])
        if size <= _DENSE * len(frame) and _follows(codes, total, size):
            continue
        if size * width >= 2**62:
            total = pd.factorize(total)[0].astype(np.int64)
            size = int(total.max(initial=0)) + 1
        total, size = total * width + codes, size * width
        if size <= _DENSE * len(frame) and all_differ(total):
            break
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


def _codes(column: pd.Series) -> tuple[np.ndarray, int]:
    """(codes of a column from 0, missing values first; how many there may be)."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy().astype(np.int64) + 1, len(column.cat.categories) + 1
    values = column.to_numpy()
    if values.dtype == np.int64 and len(values) and values.min() >= 0 and values.max() <= _DENSE * len(values):
        return values, int(values.max()) + 1
    codes = np.asarray(pd.factorize(column, use_na_sentinel=True)[0], dtype=np.int64) + 1
    return codes, int(codes.max(initial=0)) + 1


def as_texts(column: pd.Series) -> pd.Series:
    """The column as texts: categories of texts stay what they are, anything else becomes a column of strings."""
    return column if _of_texts(column) else column.astype(str)


def _of_texts(column: pd.Series) -> bool:
    """Are these categories of texts?"""
    return isinstance(column.dtype, pd.CategoricalDtype) and isinstance(column.cat.categories.dtype, pd.StringDtype)


def written(column: pd.Series) -> np.ndarray:
    """True for rows in which something is written: neither blank nor missing.

    Example:
        >>> written(pd.Series(["a", " ", None])).tolist()
        [True, False, False]
    """
    codes, texts = pd.factorize(as_texts(column))
    there = [str(text).strip().lower() not in ("", "nan") for text in texts]
    found: np.ndarray = np.array([*there, False])[codes]
    return found


def same_texts(one: pd.Series, other: pd.Series) -> np.ndarray:
    """True for rows in which two columns, as long as each other, say the same.

    Example:
        >>> same_texts(pd.Series(["a", "b"]), pd.Series(["a", "a"], dtype="category")).tolist()
        [True, False]
    """
    codes = _codes_of_both(one, other)
    found: np.ndarray = codes[0] == codes[1]
    return found


def among(column: pd.Series, those: pd.Series) -> np.ndarray:
    """True for rows whose text is one of those of another column, however many there are.

    Example:
        >>> among(pd.Series(["a", "b"]), pd.Series(["b", "c"])).tolist()
        [False, True]
    """
    wanted, codes = _codes_of_both(those, column)
    held = np.zeros(max(int(wanted.max(initial=-1)), int(codes.max(initial=-1))) + 2, dtype=bool)
    held[wanted] = True
    found: np.ndarray = held[codes]
    return found


def _codes_of_both(one: pd.Series, other: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Codes of two columns of texts, equal where the texts are; −1 where one is missing."""
    one, other = as_texts(one), as_texts(other)
    coded = [isinstance(column.dtype, pd.CategoricalDtype) for column in (one, other)]
    if all(coded):
        texts, others = one.cat.categories, other.cat.categories
        first, second = one.cat.codes.to_numpy(), other.cat.codes.to_numpy()
        if texts is others or texts.equals(others):
            return first, second
        place = texts.get_indexer(others)
        return first, np.append(np.where(place < 0, len(texts), place), -1)[second]
    found = pd.factorize(pd.concat([one.astype(str), other.astype(str)], ignore_index=True))[0]
    return found[: len(one)], found[len(one) :]


def n_within(column: pd.Series, group: pd.Series) -> np.ndarray:
    """For each row, how many different texts the rows of its group have.

    Example:
        >>> n_within(pd.Series(["l", "r", "l"]), pd.Series(["S1", "S1", "S2"])).tolist()
        [2, 2, 1]
    """
    codes, groups = _codes(as_texts(column)), _codes(as_texts(group))
    if np.bincount(groups).max(initial=0) <= 1:
        return np.ones(len(column), dtype=np.intp)
    width = int(codes.max(initial=0)) + 1
    pairs = pd.unique(groups * width + codes)
    found: np.ndarray = np.bincount(pairs // width)[groups]
    return found


def repeated(frame: pd.DataFrame, columns: Sequence[str]) -> bool:
    """Are two rows equal in all `columns`?

    Example:
        >>> repeated(pd.DataFrame({"client": ["a", "b", "a"], "arm": [1, 1, 1]}), ["client", "arm"])
        True
    """
    if any(np.bincount(_codes(frame[name])).max(initial=0) <= 1 for name in columns[:1]):
        return False
    keys = row_keys(frame, columns)
    return len(pd.unique(keys)) < len(keys)


def each_once(frame: pd.DataFrame) -> pd.DataFrame:
    """The first of all rows that are equal in every column."""
    return first_of_each(frame, [str(name) for name in frame.columns])


def first_of_each(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """The first of all rows that are equal in these columns.

    Example:
        >>> first_of_each(pd.DataFrame({"client": ["a", "b", "a"], "visit": [1, 1, 2]}), ["client"])["visit"].tolist()
        [1, 1]
    """
    if not repeated(frame, columns):
        return frame
    kept: pd.DataFrame = frame[~pd.Series(row_keys(frame, columns)).duplicated().to_numpy()]
    return kept


def below_each_other(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames of the same columns below each other, renumbered; texts that are categories in one are so in the whole.

    Example:
        >>> one = pd.DataFrame({"client": pd.Series(["a"], dtype="category")})
        >>> below_each_other([one, pd.DataFrame({"client": ["b"]})])["client"].cat.categories.tolist()
        ['a', 'b']
    """
    found = [frame for frame in frames if len(frame)] or list(frames[:1])
    if len(found) == 1:
        return found[0].reset_index(drop=True)
    coded = {str(name) for frame in found for name in frame.columns if _of_texts(frame[name])}
    for name in coded:
        own = [frame[name] for frame in found if name in frame]
        own = [one if _of_texts(one) else one.astype("str").astype("category") for one in own]
        same = iter(_of_same_categories(own))
        found = [frame.assign(**{name: next(same)}) if name in frame else frame for frame in found]
    return pd.concat(found, ignore_index=True)


def _of_same_categories(columns: Sequence[pd.Series]) -> list[pd.Series]:
    """Columns of categories with the categories of all, in the order of the alphabet."""
    most = max((column.cat.categories for column in columns), key=len)
    others = [one.cat.categories for one in columns if one.cat.categories is not most]
    more = [one[most.get_indexer(one) < 0] for one in others]
    if not any(map(len, more)):
        texts, shift = most, np.arange(len(most) + 1)
    else:
        new = more[0].append(more[1:]).unique().sort_values()
        texts = most.union(new)
        shift = np.arange(len(most)) + np.searchsorted(new.to_numpy(dtype=object), most.to_numpy(dtype=object))
        shift = shift if most.is_monotonic_increasing else texts.get_indexer(most)
        shift = np.append(shift, -1)
    shift[-1] = -1
    dtype = pd.CategoricalDtype(texts)
    out = []
    for one in columns:
        place = shift if one.cat.categories is most else np.append(texts.get_indexer(one.cat.categories), -1)
        coded = pd.Categorical.from_codes(place[one.cat.codes.to_numpy()], dtype=dtype)
        out.append(one if one.cat.categories is texts else pd.Series(coded, index=one.index))
    return out


def by_frequency(column: pd.Series) -> list[str]:
    """The texts of a column, the most frequent first, equally frequent ones in the order of their first rows.

    Example:
        >>> by_frequency(pd.Series(["b", "a", "c", "a"]))
        ['a', 'b', 'c']
    """
    codes, texts = pd.factorize(as_texts(column))
    counts = np.bincount(codes[codes >= 0], minlength=len(texts))
    return [str(texts[place]) for place in np.argsort(-counts, kind="stable")]


def running_numbers(column: pd.Series, *, digits: int, before: int, only_signs: bool) -> tuple[np.ndarray, np.ndarray]:
    """(code of what stands before, the number) of texts that end in a number; number −1 where one does not.

    Parameters: at most so many `digits` and so many signs `before` them; `only_signs`: none of those is a digit.

    Example:
        >>> running_numbers(pd.Series(["S7", "S12", "T1", "x"]), digits=9, before=40, only_signs=False)[1].tolist()
        [7, 12, 1, -1]
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = pa.array(column.astype("str"), type=pa.large_string(), from_pandas=True)
    texts = texts.combine_chunks() if isinstance(texts, pa.ChunkedArray) else texts
    plain_digits = pc.all(pc.string_is_ascii(texts)).as_py() is not False
    digit = "0-9" if plain_digits else r"\p{Nd}"  # other digits than 0 to 9 are numbers too, but slower to find
    head = f"[^{digit}]{{0,{before}}}" if only_signs else f"[^\n]{{0,{before}}}?"
    parts = pc.extract_regex(texts, f"^(?P<head>{head})(?P<number>[{digit}]{{1,{digits}}})$")
    found = parts.is_valid().to_numpy(zero_copy_only=False)
    number = pc.struct_field(parts, "number").filter(parts.is_valid())
    numbers = np.full(len(column), -1, dtype=np.int64)
    numbers[found] = (
        pc.cast(number, pa.int64()).to_numpy() if plain_digits else [int(one) for one in number.to_pylist()]
    )
    codes = pc.dictionary_encode(pc.struct_field(parts, "head")).indices.to_numpy(zero_copy_only=False)
    return np.where(found, codes, -1).astype(np.int64), numbers


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
