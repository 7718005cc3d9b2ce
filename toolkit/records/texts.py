"""Columns of repeated texts: each distinct text is looked at once, however many rows repeat it."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Hashable, Iterable, Sequence

import numpy as np
import pandas as pd

from toolkit.records.raw_table import clean_text


def distinct(column: pd.Series) -> tuple[np.ndarray, list[str]]:
    """(position of each row's text, the distinct texts) of a categorical column; missing rows point at ""."""
    categories = [str(text) for text in column.cat.categories]
    codes = column.cat.codes.to_numpy()
    if (codes < 0).any():
        categories.append("")
        codes = np.where(codes < 0, len(categories) - 1, codes)
    return codes, categories


def from_codes(codes: np.ndarray, texts: Sequence[str]) -> pd.Categorical:
    """A categorical whose row i is texts[codes[i]]; equal texts become one category."""
    places, unique = pd.factorize(np.asarray(texts, dtype=object))
    kept = np.asarray(places)[codes] if len(texts) else codes
    return pd.Categorical.from_codes(kept, categories=pd.Index(list(unique), dtype="str"))


def change_texts(column: pd.Series, change: Callable[[str], str]) -> pd.Categorical:
    """The column with `change` applied to every distinct text."""
    codes, texts = distinct(column)
    return from_codes(codes, [change(text) for text in texts])


def constant(text: str, length: int) -> pd.Categorical:
    """A column of `length` rows that all say `text`."""
    return pd.Categorical.from_codes(np.zeros(length, dtype=np.int8), categories=pd.Index([text], dtype="str"))


def rows_where(column: pd.Series, test: Callable[[str], bool]) -> np.ndarray:
    """True for rows whose text passes `test`."""
    codes, texts = distinct(column)
    if not texts:
        return np.zeros(len(column), dtype=bool)
    return np.array([test(text) for text in texts], dtype=bool)[codes]


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


def group_codes(frame: pd.DataFrame, columns: Sequence[str]) -> np.ndarray:
    """One whole number per row: equal exactly where all `columns` are equal (missing equals missing)."""
    if not columns:
        return np.zeros(len(frame), dtype=np.int64)
    total = np.zeros(len(frame), dtype=np.int64)
    for name in columns:
        codes = _codes(frame[name])
        total = total * (int(codes.max(initial=0)) + 1) + codes
        if int(total.max(initial=0)) > 2**40:
            total = pd.factorize(total)[0].astype(np.int64)
    return pd.factorize(total)[0].astype(np.int64)


def _codes(column: pd.Series) -> np.ndarray:
    """Codes of a column, from 0, missing values first."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy().astype(np.int64) + 1
    return np.asarray(pd.factorize(column, use_na_sentinel=True)[0], dtype=np.int64) + 1


def stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The frames below each other; categorical columns stay categorical with the categories of all."""
    if len(frames) == 1:
        return frames[0].reset_index(drop=True)
    columns: dict[Hashable, object] = {}
    for name in frames[0].columns:
        parts = [frame[name] for frame in frames]
        if isinstance(parts[0].dtype, pd.CategoricalDtype):
            columns[name] = pd.api.types.union_categoricals(parts)
        else:
            columns[name] = np.concatenate([part.to_numpy() for part in parts])
    return pd.DataFrame(columns)


def listed(words: Iterable[str], *, most: int = 12) -> str:
    """Words in quotation marks, the first dozen, and how many more there are."""
    all_words = list(words)
    shown = ", ".join(f'"{word}"' for word in all_words[:most])
    return f"{shown} and {len(all_words) - most} more" if len(all_words) > most else shown
