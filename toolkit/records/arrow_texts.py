"""Columns of texts as Arrow holds them: each distinct text once; where nearly all differ, without Python's copies.

A column of session numbers has as many texts as rows. As Python's own texts they cost more than all other columns
together, so that from `MANY` distinct texts on the categories of a column stay Arrow's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

MANY = 50_000
"""Distinct texts of a column from which on they stay Arrow's."""
_TRIED = 1_000
_BLOCK = 50_000
_LONGEST = 64
_ODD = np.uint64(0x9E3779B97F4A7C15)


def encoded(column: Any) -> pd.Categorical:
    """A pyarrow chunked array of texts as a categorical, its distinct texts in the order in which they come."""
    head = column.slice(0, _TRIED)
    if len(column) > MANY and len(head.unique()) == len(head) and _all_differ(whole := column.combine_chunks()):
        return of_categories(np.arange(len(whole), dtype=np.int32), as_index(whole))
    found = column.dictionary_encode()
    if len({tuple(map(_address, chunk.dictionary.buffers())) for chunk in found.chunks}) > 1:
        found = found.unify_dictionaries()
    texts = found.chunk(0).dictionary if found.num_chunks else column.combine_chunks()
    codes, start = np.empty(len(column), dtype=_kind(len(texts))), 0
    for chunk in found.chunks:
        codes[start : start + len(chunk)] = chunk.indices.to_numpy()
        start += len(chunk)
    return of_categories(codes, as_index(texts) if len(texts) > MANY else pd.Index(texts.to_pylist(), dtype="object"))


def _address(buffer: Any) -> int:
    """Where a buffer lies, 0 where there is none."""
    return 0 if buffer is None else int(buffer.address)


def encoded_strings(strings: Any) -> pd.Categorical:
    """An array of pandas' strings, none of them missing, as a categorical (see `encoded`)."""
    import pyarrow as pa

    held = pa.array(strings)
    return encoded(held if isinstance(held, pa.ChunkedArray) else pa.chunked_array([held]))


def as_index(texts: Any) -> pd.Index:
    """Arrow's texts as the categories of a column, without making Python's of them."""
    index: pd.Index = pd.Index(as_strings(texts))
    return index


def as_strings(texts: Any) -> Any:
    """Texts, Arrow's or Python's, as an array of pandas' strings."""
    return pd.array(texts, dtype="str")


def of_categories(codes: np.ndarray, categories: pd.Index) -> pd.Categorical:
    """A categorical of codes and texts that are known to be there and to differ; neither is looked at again.

    pandas looks up every text once more to see whether they differ, which costs a fifth of a second per million.
    """
    unseen = getattr(pd.CategoricalDtype, "_from_fastpath", None) or pd.CategoricalDtype
    kind = _kind(len(categories))
    column: pd.Categorical = pd.Categorical.from_codes(
        codes.astype(kind, copy=False), dtype=unseen(categories), validate=False
    )
    return column


def _kind(count: int) -> type[np.signedinteger[Any]]:
    """The smallest whole numbers that tell so many texts apart."""
    return np.int8 if count < 128 else np.int16 if count < 32_768 else np.int32


def of_one_kind(columns: Sequence[pd.Series]) -> list[pd.Series]:
    """Categorical columns whose categories are all Arrow's where those of one are."""
    if len({column.cat.categories.dtype == object for column in columns}) < 2:
        return list(columns)
    return [
        pd.Series(of_categories(column.cat.codes.to_numpy(), column.cat.categories.astype("str")), index=column.index)
        for column in columns
    ]


def arrow_of(categories: pd.Index) -> Any:
    """The Arrow array behind categories that stayed Arrow's; None for Python's own texts."""
    import pyarrow as pa

    held = None if categories.dtype == object else pa.array(categories.array)
    return held.combine_chunks() if isinstance(held, pa.ChunkedArray) else held


def empty_texts(texts: Any, *, spaces: bool) -> np.ndarray:
    """True for empty texts; where told, also for those that are but spaces."""
    from pyarrow import compute

    empty: np.ndarray = compute.equal(compute.binary_length(texts), 0).to_numpy(zero_copy_only=False)
    if spaces:
        unsure = compute.invert(compute.match_substring_regex(texts, "[!-~]"))
        for place in compute.indices_nonzero(unsure).to_pylist():
            empty[place] = empty[place] or texts[place].as_py().isspace()
    return empty


def only_visible(texts: Any) -> bool:
    """True where every sign of every text is visible and of ASCII: no space to be cleaned away."""
    offsets = _offsets(texts)
    signs = np.frombuffer(texts.buffers()[2] or b"", dtype=np.uint8)[offsets[0] : offsets[-1]]
    return bool(signs.min(initial=126) >= 33 and signs.max(initial=33) <= 126)


def holds_line_breaks(column: Any) -> bool:
    """Whether a line break stands anywhere in a chunked array of texts."""
    held = (np.frombuffer(chunk.buffers()[2] or b"", dtype=np.uint8) for chunk in column.chunks)
    return any(bool((signs == ord(sign)).any()) for signs in held for sign in "\n\r")


def longest_text(texts: Any) -> int:
    """The characters of the longest text."""
    from pyarrow import compute

    return int(compute.max(compute.utf8_length(texts)).as_py() or 0)


def _all_differ(texts: Any) -> bool:
    """True where all texts are certain to differ; of long or very like ones it may say False."""
    blocks = range(0, len(texts), _BLOCK)
    hashes = np.concatenate([_hashes(texts.slice(start, _BLOCK)) for start in blocks] or [np.zeros(0)])
    hashes.sort()
    return len(hashes) == len(texts) and bool((hashes[1:] != hashes[:-1]).all())


def _offsets(texts: Any) -> np.ndarray:
    """Where each text begins, and the last one ends, in what the array holds."""
    kind = np.int64 if str(texts.type).startswith("large") else np.int32
    if not len(texts):
        return np.zeros(1, dtype=kind)
    return np.frombuffer(texts.buffers()[1], dtype=kind)[texts.offset : texts.offset + len(texts) + 1]


def _hashes(texts: Any) -> np.ndarray:
    """A number for each text, the same for the same text; none at all where a text is too long to be worth it."""
    offsets = _offsets(texts)
    lengths = np.diff(offsets)
    longest = int(lengths.max(initial=0))
    if longest > _LONGEST or texts.null_count:
        return np.zeros(0, dtype=np.uint64)
    held = memoryview(texts.buffers()[2])[int(offsets[0]) : int(offsets[-1])]
    padded = np.frombuffer(bytes(held) + bytes(longest + 16), dtype=np.uint8)
    words = np.ndarray(shape=(len(padded) - 7,), dtype="<u8", buffer=padded, strides=(1,))  # eight bytes from each on
    starts = offsets[:-1].astype(np.int64) - int(offsets[0])
    found = np.zeros(len(texts), dtype=np.uint64)
    for place in range(0, max(longest, 1), 8):
        unused = np.clip(8 - (lengths - place), 0, 8).astype(np.uint64) * np.uint64(8)
        kept = unused % np.uint64(64)
        word = np.where(unused < 64, (words[starts + place] << kept) >> kept, np.uint64(0))
        mixed = word if not place else (found ^ (found >> np.uint64(29))) * _ODD + word
        found = np.where(lengths > place, mixed, found)
    return found
