"""A formula over tidy rows: its columns, factors and covariates, and rows of a grid for adjusted means."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import FitError
from toolkit.mixed.cross_products import Array
from toolkit.mixed.formula_grammar import read_formula

MOST_CELLS = 50_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class FormulaDesign:
    """What a formula made of the rows it could use."""

    formula: str
    outcome: str
    factors: dict[str, tuple[str, ...]]
    """Columns of words in the formula, with their levels."""
    covariates: dict[str, float]
    """Columns of numbers in the formula, with their means over the rows used."""
    rows: pd.DataFrame = field(repr=False)
    """The rows used."""
    spec: Any = field(repr=False)
    """How the fixed columns were coded, so that a grid is coded alike."""

    def grid(self) -> pd.DataFrame:
        """Every combination of the factors' levels, covariates at their means."""
        combinations = list(product(*self.factors.values())) or [()]
        frame = pd.DataFrame(combinations, columns=list(self.factors))
        for name, mean in self.covariates.items():
            frame[name] = mean
        return frame

    def terms(self) -> dict[str, tuple[str, ...]]:
        """Each term of the formula but the constant, with the columns of the rows it uses."""
        known = [*self.factors, *self.covariates]
        return {
            str(term): tuple(name for name in known if any(_mentions(str(part), name) for part in term.factors))
            for term in self.spec.terms
            if str(term) not in ("1", "0")
        }

    def columns_for(self, grid: pd.DataFrame) -> Array:
        """The fixed columns (dropped ones among them) of the rows of a grid."""
        return np.asarray(self.spec.get_model_matrix(grid, context=_further_functions()), dtype=float)

    def columns_of(self, term: str) -> list[str]:
        """The names of the fixed columns of one term."""
        names = [str(name) for name in self.spec.column_names]
        found = next(places for one, places in self.spec.term_indices.items() if str(one) == term)
        return [names[place] for place in found]

    def as_number(self, name: str) -> Array:
        """A column as numbers; of two words the second in sorted order is 1."""
        column = self.rows[name]
        if pd.api.types.is_numeric_dtype(column):
            return np.asarray(column, dtype=float)
        levels = sorted(column.unique())
        if len(levels) != 2:
            raise FitError(f"{name} has {len(levels)} levels: a slope or weight needs numbers, or exactly two levels.")
        return np.asarray(column == levels[1], dtype=float)


def formula_design(
    rows: pd.DataFrame, *, formula: str, also: Sequence[str] = ()
) -> tuple[FormulaDesign, Array, tuple[str, ...], Array, tuple[str, ...]]:
    """The design, fixed columns (n, p), their names, the outcome (n,), and notes on rows set aside.

    `also` names further columns that must have a value. Raises `FitError` for a formula that cannot be read, columns
    that are not there, or no rows left.
    """
    from formulaic import Formula
    from formulaic.errors import FormulaicError

    read = read_formula(formula)
    outcome = read.outcome
    try:
        parsed = Formula(formula)
    except FormulaicError as reason:
        raise FitError(f"The formula {formula!r} cannot be read. It needs an outcome, ~, and terms.") from reason
    used = list(dict.fromkeys([*read.columns, *also]))
    absent = [name for name in used if name not in rows.columns]
    if absent:
        raise FitError(f"No column {', '.join(absent)} in the rows. They have: {', '.join(map(str, rows.columns))}.")
    kept, notes = _complete(rows[used])
    if kept.empty:
        raise FitError(f"No row has a value in every column the model uses: {', '.join(used)}.")
    _not_too_wide(parsed.rhs, kept, formula)
    try:
        with np.errstate(all="ignore"):
            matrices = parsed.get_model_matrix(kept, context=_further_functions())
    except (FormulaicError, TypeError, ValueError, KeyError) as reason:
        raise FitError(f"A term of {formula!r} cannot be worked out: {_first_line(reason)}") from reason
    left, right = matrices.lhs, matrices.rhs
    if left.shape[1] != 1:
        raise FitError(f"The outcome {outcome} is not a column of numbers.")
    if len(right) < len(kept) or not (np.isfinite(left).all(axis=None) and np.isfinite(right).all(axis=None)):
        raise FitError(f"A term of {formula!r} has no value in some rows: log and sqrt need numbers above 0.")
    factors = _factors(right.model_spec, read.explaining, kept)
    covariates = {n: float(kept[n].mean()) for n in sorted(read.explaining) if n not in factors}
    design = FormulaDesign(
        formula=formula, outcome=outcome, factors=factors, covariates=covariates, rows=kept, spec=right.model_spec
    )
    names = tuple(str(name) for name in right.columns)
    return design, np.asarray(right, dtype=float), names, np.asarray(left, dtype=float)[:, 0], notes


def _complete(rows: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Rows with a value in every column (an empty word is no value), numbers as floats, and a note on the others."""
    empty = rows.isna()
    for name in rows.columns:
        if not pd.api.types.is_numeric_dtype(rows[name]):
            codes, words = pd.factorize(rows[name])
            blank = np.append([not str(word).strip() for word in words], False)
            empty[name] |= blank[codes]
    without = empty.any(axis=1)
    kept = rows[~without].copy()
    for name in kept.columns:
        if pd.api.types.is_extension_array_dtype(kept[name]) and pd.api.types.is_numeric_dtype(kept[name]):
            kept[name] = kept[name].astype(float)
    if not without.any():
        return kept, ()
    where = ", ".join(f"{name} in {int(count)}" for name, count in empty.sum().items() if count)
    return kept, (f"{int(without.sum())} of {len(rows)} rows were set aside for a missing value ({where})",)


def _further_functions() -> dict[str, Any]:
    """What the grammar knows beside the library's own functions."""
    from formulaic.transforms import TRANSFORMS

    return {"sqrt": np.sqrt, "factor": TRANSFORMS["C"]}


def _first_line(reason: Exception) -> str:
    """What a library says of a fault, without its colours and its long lists."""
    lines = [line for line in re.sub(r"\x1b\[[0-9;]*m", "", str(reason)).splitlines() if line.strip()]
    return lines[0][:200] if lines else type(reason).__name__


def _not_too_wide(terms: Any, rows: pd.DataFrame, formula: str) -> None:
    """Refuse a formula whose columns would fill the memory: words with very many levels, multiplied."""
    levels = {str(name): 1 if pd.api.types.is_numeric_dtype(rows[name]) else int(rows[name].nunique()) for name in rows}
    width = 0
    for term in terms:
        parts = [str(part) for part in term.factors]
        coded = [
            int(rows[name].nunique()) if part.startswith(("C(", "factor(")) else count
            for part in parts
            for name, count in levels.items()
            if _mentions(part, name)
        ]
        width += math.prod(coded)
    if width * len(rows) > MOST_CELLS:
        raise FitError(
            f"{formula!r} makes {width:,} columns of {len(rows):,} rows, more than is worked out. Group the words "
            "into fewer levels, or name who belongs together under groups."
        )


def _factors(spec: Any, names: Sequence[str], rows: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """The formula's columns that are coded as categories, with their levels in the rows."""
    coded = [str(expression) for expression, (kind, _) in spec.encoder_state.items() if "CATEGORICAL" in str(kind)]
    found: dict[str, tuple[str, ...]] = {}
    for name in _in_order(names, coded):
        if any(_mentions(expression, name) for expression in coded):
            found[name] = tuple(sorted(rows[name].unique()))
    return found


def _mentions(expression: str, name: str) -> bool:
    """Whether a term's text uses a column."""
    return re.search(rf"(?<![\w.]){re.escape(name)}(?![\w.])", expression) is not None


def _in_order(names: Iterable[str], coded: list[str]) -> list[str]:
    """Names in the order the formula uses them, so that results do not depend on the order of a set."""
    joined = " ".join(coded)
    return sorted(names, key=lambda name: (joined.find(name), name))
