"""Columns of texts as whole numbers: compared, counted, kept once, put below each other; no text is read twice.

Categories stand in the order of the alphabet, so that sorted codes are sorted texts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from toolkit.records.texts import all_differ, codes_of, row_keys


def with_categories(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column of texts as categories, in the order of the alphabet.

    Rows are then compared, grouped and copied by small whole numbers, and sorted as the texts would be.

    Example:
        >>> with_categories(pd.DataFrame({"client": ["b", "a", "b"]}))["client"].cat.codes.tolist()
        [1, 0, 1]
    """
    texts = [name for name in frame.columns if isinstance(frame[name].dtype, pd.StringDtype)]
    coded = {str(name): frame[name].astype("category") for name in texts}
    for column in coded.values():  # pandas keeps what it looked for twins with: a Python text for each category
        getattr(column.cat.categories, "_cache", {}).pop("_engine", None)
    return frame.assign(**coded)


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
    (codes, width), (groups, _) = codes_of(as_texts(column)), codes_of(as_texts(group))
    if all_differ(groups):
        return np.ones(len(column), dtype=np.intp)
    pairs = pd.unique(groups * width + codes)
    found: np.ndarray = np.bincount(pairs // width)[groups]
    return found


def repeated(frame: pd.DataFrame, columns: Sequence[str]) -> bool:
    """Are two rows equal in all `columns`?

    Example:
        >>> repeated(pd.DataFrame({"client": ["a", "b", "a"], "arm": [1, 1, 1]}), ["client", "arm"])
        True
    """
    return not all_differ(row_keys(frame, columns))


def each_once(frame: pd.DataFrame) -> pd.DataFrame:
    """The first of all rows that are equal in every column."""
    return first_of_each(frame, [str(name) for name in frame.columns])


def first_of_each(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """The first of all rows that are equal in these columns.

    Example:
        >>> first_of_each(pd.DataFrame({"client": ["a", "b", "a"], "visit": [1, 1, 2]}), ["client"])["visit"].tolist()
        [1, 1]
    """
    keys = row_keys(frame, columns)
    if all_differ(keys):
        return frame
    kept: pd.DataFrame = frame[~pd.Series(keys).duplicated().to_numpy()]
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
    codes = np.where(found, codes, -1).astype(np.int64)
    del texts, parts, number
    pa.default_memory_pool().release_unused()
    return codes, numbers
