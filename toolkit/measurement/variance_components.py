"""Mean squares and variance components of crossed designs: people × readers × days × repeated readings.

Complete designs by the closed form over cell means; designs with gaps by fitting constants one after the other
(Henderson's method 3, 1953), which is unbiased too. Components may come out negative and are left so.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from toolkit.errors import NotEnoughError
from toolkit.measurement.clustered import Codes, Floats

Term = tuple[str, ...]
RESIDUAL: Term = ("residual",)
_LARGEST = 2500


@dataclass(frozen=True, kw_only=True, eq=False)
class MeanSquares:
    """One mean square a term with its df, and the matrix that turns mean squares into variance components."""

    terms: tuple[Term, ...]
    mean_squares: Floats
    df: Floats
    to_components: Floats
    complete: bool

    @property
    def components(self) -> Floats:
        """Variance components in the order of `terms`, unclipped."""
        return self.to_components @ self.mean_squares


def crossed_terms(factors: tuple[str, ...], *, replicated: bool) -> tuple[Term, ...]:
    """Main effects, interactions, residual; without repeated readings the highest interaction is the residual."""
    subsets = [c for size in range(1, len(factors) + 1) for c in combinations(factors, size)]
    return (*subsets, RESIDUAL) if replicated else (*subsets[:-1], RESIDUAL)


def mean_squares(value: Floats, codes: dict[str, Codes]) -> MeanSquares:
    """Mean squares of a crossed design; `codes` holds each factor as whole numbers from 0, people first."""
    factors = tuple(codes)
    sizes = tuple(int(code.max()) + 1 for code in codes.values())
    cells = np.ravel_multi_index(tuple(codes.values()), sizes)
    counts = np.bincount(cells, minlength=int(np.prod(sizes)))
    terms = crossed_terms(factors, replicated=bool((counts > 1).any()))
    if counts.min() == counts.max():
        means = np.bincount(cells, weights=value, minlength=len(counts)) / counts
        within = float(((value - means[cells]) ** 2).sum())
        return _complete(means.reshape(sizes), factors, terms, int(counts[0]), within)
    return _with_gaps(value, codes, sizes, terms)


def _complete(
    means: Floats, factors: tuple[str, ...], terms: tuple[Term, ...], repeats: int, within: float
) -> MeanSquares:
    """Closed form: each term's effect is a mean with the means of all parts of the term taken off."""
    sizes = dict(zip(factors, means.shape, strict=True))
    n = means.size * repeats
    squares, df = [], []
    for term in terms:
        named = factors if term == RESIDUAL else term
        if term == RESIDUAL and repeats > 1:
            squares.append(within)
            df.append(float(means.size * (repeats - 1)))
            continue
        effect = means.copy()
        for axis, factor in enumerate(factors):
            average = effect.mean(axis=axis, keepdims=True)
            effect = effect - average if factor in named else average
        per_effect = n / np.prod([sizes[factor] for factor in named])
        squares.append(float(per_effect * (effect**2).sum()))
        df.append(float(np.prod([sizes[factor] - 1 for factor in named])))
    expected = np.zeros((len(terms), len(terms)))
    for row, term in enumerate(terms):
        for column, other in enumerate(terms):
            if other == RESIDUAL:
                expected[row, column] = 1.0
            elif set(term) <= set(other) and term != RESIDUAL:
                expected[row, column] = n / np.prod([sizes[factor] for factor in other])
    return MeanSquares(
        terms=terms,
        mean_squares=np.array(squares) / np.array(df),
        df=np.array(df),
        to_components=np.asarray(np.linalg.inv(expected), dtype=np.float64),
        complete=True,
    )


def _with_gaps(value: Floats, codes: dict[str, Codes], sizes: tuple[int, ...], terms: tuple[Term, ...]) -> MeanSquares:
    """Henderson's method 3: each term adjusted for those before it, expected squares by traces."""
    n = len(value)
    size_of = dict(zip(codes, sizes, strict=True))
    grouped = [np.zeros(n, dtype=np.int64)]
    for term in terms[:-1]:
        joint = np.ravel_multi_index(tuple(codes[f] for f in term), tuple(size_of[f] for f in term))
        grouped.append(np.unique(joint, return_inverse=True)[1].astype(np.int64))
    columns = sum(int(code.max()) + 1 for code in grouped)
    if n > _LARGEST or columns > 2 * _LARGEST:
        raise NotEnoughError(
            f"This design has gaps and {n} readings; with gaps at most {_LARGEST} readings can be taken apart. "
            f"Keep the people read in full, or fewer readers."
        )
    left, squares, df, traces = np.column_stack([value, np.eye(n)]), [], [], []
    designs = [_dummies(code) for code in grouped]
    for place, design in enumerate(designs):
        basis = _basis(left[:, 1:] @ design)
        if place and basis.shape[1] == 0:
            raise NotEnoughError(
                f"With these gaps {' × '.join(terms[place - 1])} cannot be told apart from the rest. "
                f"Let the same people be read in more of the combinations."
            )
        if place:
            squares.append(float(((basis.T @ left[:, 0]) ** 2).sum()))
            df.append(float(basis.shape[1]))
            traces.append([float(((basis.T @ later) ** 2).sum()) for later in designs[1:]])
        left = left - basis @ (basis.T @ left)
    rest = n - 1 - sum(df)
    if rest < 1:
        raise NotEnoughError("Too many gaps: no reading is left to show the error. Have more combinations read.")
    squares.append(float((left[:, 0] ** 2).sum()))
    df.append(float(rest))
    expected = np.zeros((len(terms), len(terms)))
    for row, of_term in enumerate(traces):
        expected[row, :-1] = np.where(np.arange(len(of_term)) >= row, of_term, 0.0) / df[row]
    expected[:, -1] = 1.0
    return MeanSquares(
        terms=terms,
        mean_squares=np.array(squares) / np.array(df),
        df=np.array(df),
        to_components=np.asarray(np.linalg.inv(expected), dtype=np.float64),
        complete=False,
    )


def _dummies(code: Codes) -> Floats:
    """Indicator columns of the levels."""
    table = np.zeros((len(code), int(code.max()) + 1))
    table[np.arange(len(code)), code] = 1.0
    return table


def _basis(columns: Floats) -> Floats:
    """Orthonormal basis of the columns, those without substance left out."""
    left, strength, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, strength > 1e-8 * max(1.0, float(np.sqrt(len(columns))))], dtype=np.float64)
