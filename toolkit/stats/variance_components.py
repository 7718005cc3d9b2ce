"""Variance components of crossed designs, and the ratio of an effect's variance to the error, complete or with gaps.

Complete designs by the closed form over cell means; designs with gaps by fitting constants one after the other
(Henderson's method 3, 1953), which is unbiased too. Components may come out negative and are left so.

The effect's adjusted values are turned into independent squares with known eigenvalues; the ratio then solves one F
equation, whose limits are exact for normal values (Wald 1947; Harville & Fenech 1985). May come out negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from toolkit.errors import NotEnoughError
from toolkit.stats.clustered import Codes, Floats, pooled_df
from toolkit.stats.ratings import Ratings

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


@dataclass(frozen=True, kw_only=True, eq=False)
class VarianceRatio:
    """What the data say of θ = effect variance / error variance: independent squares with known eigenvalues."""

    squares: Floats
    eigenvalues: Floats
    ms_error: float
    df_error: float

    @property
    def rank(self) -> int:
        return len(self.squares)

    @property
    def mean_square(self) -> float:
        """The effect's mean square, adjusted for the other effect where there are gaps."""
        return float(self.squares.sum() / self.rank)

    @property
    def typical_size(self) -> float:
        """Readings an effect's level rests on, on average (k or n in a complete design)."""
        return float(self.rank / (1 / self.eigenvalues).sum())

    def solve(self, f: float) -> float:
        """The θ at which the effect's standardised mean square is `f` times the error mean square; may be negative."""

        def excess(theta: float) -> float:
            return float((self.squares / (1 + theta * self.eigenvalues)).sum() / self.rank - f * self.ms_error)

        if np.ptp(self.eigenvalues) <= 1e-9 * self.eigenvalues.max():
            return float((self.mean_square / (f * self.ms_error) - 1) / self.eigenvalues.mean())
        lowest = -1 / self.eigenvalues.max()
        low = lowest * (1 - 1e-9)
        if excess(low) <= 0:
            return float(low)
        from scipy import optimize

        high = 1.0
        while excess(high) > 0:
            high *= 4
        return float(optimize.brentq(excess, low, high, xtol=1e-14, rtol=1e-13))


def one_way(study: Ratings) -> VarianceRatio:
    """Subjects against everything else, whoever read."""
    return variance_ratio(study.value, study.subject, study.n_subjects)


def variance_ratio(value: Floats, group: Codes, n_groups: int) -> VarianceRatio:
    """One-way layout: θ of the groups, unequal sizes allowed; centred first, so that large constants lose no digits."""
    value = value - value[0]
    size = np.bincount(group, minlength=n_groups).astype(float)
    means = np.bincount(group, weights=value, minlength=n_groups) / size
    squared = ((value - means[group]) ** 2).sum()
    design = np.diag(size) - np.outer(size, size) / size.sum()
    return _ratio(design, size * (means - value.mean()), float(squared), len(value) - n_groups)


def two_way(study: Ratings) -> VarianceRatio:
    """Subjects with the readers' differences taken off."""
    counts = study.counts()
    by_reader = counts.sum(axis=0)
    value = study.value - study.value[0]
    reader_means = np.bincount(study.reader, weights=value) / by_reader
    design = np.diag(counts.sum(axis=1)) - (counts / by_reader) @ counts.T
    left = value - reader_means[study.reader]
    adjusted = np.bincount(study.subject, weights=left).astype(float)
    rank_guess = len(value) - study.n_readers
    return _ratio(design, adjusted, float((left**2).sum()), rank_guess, fitted_after=True)


def _ratio(
    design: Floats, adjusted: Floats, squares_left: float, df_left: int, *, fitted_after: bool = False
) -> VarianceRatio:
    """Eigenvalues and independent squares of an effect; the error is what the fit leaves.

    `fitted_after`: `squares_left` still holds the effect's own squares, which are taken off here.
    """
    eigenvalues, squares = _independent_squares(design, adjusted)
    if not len(eigenvalues):
        raise NotEnoughError(
            "No two people share a reader, so people cannot be told from their readers. Let at least two readers read "
            "the same people; for readings whose reader does not matter use `within_person`."
        )
    error = squares_left - float(squares.sum()) if fitted_after else squares_left
    df = df_left - len(eigenvalues) if fitted_after else df_left
    if df < 1:
        raise NotEnoughError(
            "Too many gaps: after people and readers are told apart no reading is left to show the error. "
            "Let more people be read by more than one reader."
        )
    scale = squares_left + float(squares.sum())
    if error <= 1e-12 * scale:
        raise NotEnoughError(
            "The readings of each person are identical (or differ between readers by a constant only), so there is no "
            "error to judge. Readings copied from one another look like this: take them anew, unseen."
        )
    return VarianceRatio(squares=squares, eigenvalues=eigenvalues, ms_error=error / df, df_error=float(df))


def _independent_squares(design: Floats, adjusted: Floats) -> tuple[Floats, Floats]:
    """Positive eigenvalues of the effect's design and its independent squares; in an even design all are alike."""
    n = len(design)
    even = float(design[0, 0]) * n / (n - 1)
    if np.allclose(design, even * (np.eye(n) - 1 / n), rtol=0, atol=1e-9 * even):
        squares = float((adjusted**2).sum()) / even
        return np.full(n - 1, even), np.full(n - 1, squares / (n - 1))
    values, vectors = np.linalg.eigh(design)
    positive = values > 1e-9 * max(float(values.max()), 1.0)
    return values[positive], (vectors[:, positive].T @ adjusted) ** 2 / values[positive]


def effective_error_df(study: Ratings, df_error: float) -> float:
    """Error df as a jackknife over subjects sees them, at most the plain ones (which suppose normal errors)."""
    counts = study.counts()
    by_reader, by_subject = counts.sum(axis=0), counts.sum(axis=1)
    left = study.value - study.value[0]
    left = left - (np.bincount(study.reader, weights=left) / by_reader)[study.reader]
    design = np.diag(by_subject) - (counts / by_reader) @ counts.T
    effects = np.linalg.lstsq(design, np.bincount(study.subject, weights=left), rcond=1e-9)[0]
    own = effects[study.subject]
    left = left - own + (np.bincount(study.reader, weights=own) / by_reader)[study.reader]
    squares = np.bincount(study.subject, weights=left**2) * study.n_subjects / (study.n_subjects - 1)
    return min(df_error, pooled_df(squares, by_subject - 1))


def turned(study: Ratings) -> Ratings:
    """The same study with subjects and readers exchanged, to see the readers' own differences."""
    return Ratings(
        value=study.value,
        subject=study.reader,
        reader=study.subject,
        n_subjects=study.n_readers,
        n_readers=study.n_subjects,
        n_set_aside=study.n_set_aside,
    )
