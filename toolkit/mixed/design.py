"""From columns to what a model can use: groups with enough levels, fixed columns that can be told apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import linalg

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array, Codes

_MOST_DENSE_LEVELS = 3000


@dataclass(frozen=True, kw_only=True, eq=False)
class Groups:
    """Grouping factors that stay in the model; the large one is eliminated in closed form, the others are dense."""

    large: str | None
    codes: dict[str, Codes]
    levels: dict[str, list[str]]
    notes: tuple[str, ...]

    @property
    def dense(self) -> list[str]:
        """The names of the dense factors, in the order they were given."""
        return [name for name in self.codes if name != self.large]


@dataclass(frozen=True, kw_only=True, eq=False)
class FixedColumns:
    """Fixed columns of full rank: x = q @ r, and the columns that were left out because others already say them."""

    x: Array
    q: Array
    scale: Array
    """r^-1: takes coefficients of q to those of x."""
    log_determinant: float
    """log |det r|."""
    names: tuple[str, ...]
    dropped: tuple[str, ...]
    aliases: Array
    """What each dropped column is made of, as weights of the kept ones, shape (dropped, kept)."""

    def notes(self) -> tuple[str, ...]:
        """For each dropped column, which others already say it."""
        said = []
        for name, row in zip(self.dropped, self.aliases, strict=True):
            parts = [kept for kept, weight in zip(self.names, row, strict=True) if abs(weight) > 1e-6]
            said.append(
                f"{name} cannot be told apart from {' together with '.join(parts)}, so it was left out"
                if parts
                else f"{name} is zero in every row, so it was left out"
            )
        return tuple(said)


def usable_groups(groups: Mapping[str, Any], *, n: int, slope_group: str | None) -> Groups:
    """The grouping factors as codes, without those that cannot be estimated (each named in `notes`).

    Raises `FitError` where codes are missing, of the wrong length, or two factors are both very large.
    """
    codes: dict[str, Codes] = {}
    levels: dict[str, list[str]] = {}
    notes: list[str] = []
    for name, labels in groups.items():
        code, names = _coded(name, labels, n)
        if len(names) < 2:
            notes.append(f"{name}: one level only ({names[0]}), so it was left out of the model")
        elif len(names) == n:
            notes.append(f"{name}: one row for each level, so it cannot be told from the residual and was left out")
        else:
            twin = next((other for other, known in codes.items() if _same_split(known, code)), None)
            if twin is not None:
                notes.append(f"{name}: divides the rows exactly as {twin} does, so it was left out")
            else:
                codes[name], levels[name] = code, names
    large = slope_group if slope_group in codes else max(codes, key=lambda name: len(levels[name]), default=None)
    heavy = [name for name in codes if name != large and len(levels[name]) > _MOST_DENSE_LEVELS]
    if heavy:
        raise FitError(
            f"{heavy[0]} has {len(levels[heavy[0]])} levels and {large} has {len(levels[str(large)])}: only one "
            f"grouping factor may have more than {_MOST_DENSE_LEVELS}. Leave one out, or group its levels."
        )
    return Groups(large=large, codes=codes, levels=levels, notes=tuple(notes))


def _coded(name: str, labels: Any, n: int) -> tuple[Codes, list[str]]:
    """Labels as codes 0, 1, 2 … and the level names in sorted order."""
    values = labels if isinstance(labels, pd.Categorical) else np.asarray(labels)
    if values.shape != (n,):
        raise FitError(f"{name}: {values.shape[0] if values.ndim else 0} labels for {n} rows.")
    if isinstance(values, np.ndarray) and values.dtype.kind in "iu":
        code, distinct = _factorised(values)
        return code, [str(value) for value in distinct]
    code, found = pd.factorize(values, use_na_sentinel=True)
    names = [str(value) for value in found]
    missing = int((code < 0).sum()) + sum(int((code == place).sum()) for place, text in enumerate(names) if not text)
    if missing:
        raise FitError(f"{name}: {missing} row(s) without a label. Set those rows aside first.")
    order = sorted(range(len(names)), key=names.__getitem__)
    rank = np.empty(len(names), dtype=np.intp)
    rank[order] = np.arange(len(names))
    return rank[code], [names[place] for place in order]


def _factorised(values: np.ndarray) -> tuple[Codes, np.ndarray]:
    """Each whole number's place among the distinct ones, and these in order; quick where they lie close together."""
    low, high = (int(values.min()), int(values.max())) if values.size else (0, 0)
    if high - low < 4 * len(values) + 100:
        present = np.zeros(high - low + 1, dtype=bool)
        present[values - low] = True
        places = np.cumsum(present) - 1
        return places[values - low].astype(np.intp), np.flatnonzero(present) + low
    distinct, code = np.unique(values, return_inverse=True)
    return code.astype(np.intp).reshape(-1), distinct


def _same_split(one: Codes, other: Codes) -> bool:
    """Whether two factors divide the rows in the same way."""
    if one.max() != other.max():
        return False
    first = np.empty(int(one.max()) + 1, dtype=np.intp)
    first[one] = other
    return bool((first[one] == other).all() and len(np.unique(first)) == len(first))


def _orthonormal(x: Array) -> tuple[Array, Array]:
    """Orthonormal columns and triangular factor: from the Gram matrix, twice, where the columns are plainly apart
    (many times quicker), else by Householder reflections.
    """
    norms = np.sqrt(np.einsum("np,np->p", x, x))
    if (norms > 0).all():
        gram = (x.T @ x) / np.outer(norms, norms)
        factor, failed = linalg.lapack.dpotrf(gram, lower=0, clean=1)
        if not failed and factor.diagonal().min() > 1e-4:
            first = x @ (linalg.lapack.dtrtri(factor, lower=0)[0] / norms[:, None])
            again, failed = linalg.lapack.dpotrf(first.T @ first, lower=0, clean=1)
            if not failed:
                return first @ linalg.lapack.dtrtri(again, lower=0)[0], again @ (factor * norms)
    q, r = linalg.qr(x, mode="economic", check_finite=False)
    return q, r


def full_rank(x: Array, names: tuple[str, ...], *, tolerance: float = 1e-7) -> FixedColumns:
    """Keep the first columns that can be told apart, name the others; raises `FitError` where none is left."""
    kept = list(range(x.shape[1]))
    while True:
        part = x if len(kept) == x.shape[1] else x[:, kept]
        q, r = _orthonormal(part)
        norms = np.sqrt(np.einsum("np,np->p", part, part))
        weak = np.flatnonzero(np.abs(np.diag(r)) <= tolerance * np.maximum(norms, np.finfo(float).tiny))
        if not weak.size:
            break
        kept.pop(int(weak[0]))
        if not kept:
            raise FitError("No fixed column is left: every column is constant zero.")
    dropped = [place for place in range(x.shape[1]) if place not in kept]
    scale = linalg.lapack.dtrtri(r, lower=0)[0]
    return FixedColumns(
        x=part,
        q=np.ascontiguousarray(q),
        scale=scale,
        log_determinant=float(np.log(np.abs(np.diag(r))).sum()),
        names=tuple(names[place] for place in kept),
        dropped=tuple(names[place] for place in dropped),
        aliases=(scale @ (q.T @ x[:, dropped])).T,
    )
