"""The search for the variance ratios: bounded quasi-Newton from several starts, tightened by Newton steps.

Near a zero variance the degrees of freedom depend on how tightly the search converged, so the result is polished on
the exact gradient, and a variance at zero is put exactly there when the likelihood falls away from it.

`minimise` is projected BFGS with backtracking (Nocedal & Wright 2006, chapters 3, 6 and 16) for one to six numbers.
Tried against scipy's bounded optimisers (1.17; five designs, same estimates to 1e-12): L-BFGS-B needs 1.2 to 1.5 times
the evaluations, and on two busy cores its linear algebra's threads make it twelve times slower (16 s for 1.4 s), which
simulated seasons would feel; TNC needs twice the evaluations; SLSQP stops before statsmodels' optimum in some designs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Generic, Protocol, TypeVar

import numpy as np
from scipy import linalg

from toolkit.mixed.cross_products import Array, CrossProducts
from toolkit.mixed.likelihood import Height, Point, evaluate

H = TypeVar("H", bound=Height)
Objective = Callable[[Array], tuple[float, Array]]


def minimise(
    objective: Objective, start: Array, *, lower: Array, upper: Array, tolerance: float = 1e-7, most: int = 300
) -> tuple[Array, float]:
    """Coordinates and value of a minimum between `lower` and `upper`; an infinite value is stepped back from."""
    x = np.clip(start, lower, upper)
    value, slope = objective(x)
    inverse, fresh, idle = np.eye(len(x)), True, 0
    for _ in range(most):
        free = ~(((x <= lower) & (slope > 0)) | ((x >= upper) & (slope < 0)))
        if not free.any() or np.abs(slope[free]).max() < tolerance:
            break
        direction = _direction(inverse, slope, free, fresh=fresh)
        found = _backtrack(objective, x, value, slope, direction, lower, upper)
        if found is None:
            if fresh:
                break
            inverse, fresh = np.eye(len(x)), True
            continue
        new, new_value, new_slope = found
        idle = idle + 1 if value - new_value <= 1e-13 * max(1.0, abs(value)) else 0
        inverse, fresh = _updated(inverse, new - x, new_slope - slope, fresh=fresh)
        x, value, slope = new, new_value, new_slope
        if idle == 3:
            break
    return x, value


def _direction(inverse: Array, slope: Array, free: np.ndarray, *, fresh: bool) -> Array:
    """Where to go: quasi-Newton on the free coordinates, else straight down, the first step not longer than one."""
    direction = np.zeros_like(slope)
    direction[free] = -(inverse[np.ix_(free, free)] @ slope[free])
    if slope @ direction >= 0:
        direction[free] = -slope[free]
        fresh = True
    length = float(np.sqrt(direction @ direction))
    return direction / max(1.0, 2 * length) if fresh else direction


def _backtrack(
    objective: Objective, x: Array, value: float, slope: Array, direction: Array, lower: Array, upper: Array
) -> tuple[Array, float, Array] | None:
    """The first point along the direction that is low enough, or None."""
    step = 1.0
    for _ in range(40):
        new = np.clip(x + step * direction, lower, upper)
        new_value, new_slope = objective(new)
        if np.isfinite(new_value) and new_value <= value + 1e-4 * float(slope @ (new - x)):
            return new, new_value, new_slope
        along = step * float(slope @ direction)
        rise = new_value - value - along
        shorter = -along / (2 * rise) if np.isfinite(new_value) and rise > 0 else 0.25
        step *= min(max(shorter, 0.1), 0.5)
    return None


def _updated(inverse: Array, moved: Array, turned: Array, *, fresh: bool) -> tuple[Array, bool]:
    """The inverse curvature after one step (BFGS), unchanged where the step shows no upward curvature."""
    product = float(moved @ turned)
    if product <= 1e-12 * float(np.sqrt((moved @ moved) * (turned @ turned))):
        return inverse, fresh
    if fresh:
        inverse = np.eye(len(moved)) * product / float(turned @ turned)
    through = inverse @ turned
    inverse = (
        inverse
        + (1 + float(turned @ through) / product) * np.outer(moved, moved) / product
        - (np.outer(through, moved) + np.outer(moved, through)) / product
    )
    return inverse, False


_SMALL = 0.05
_LARGEST = 1e5
_NOUGHT = 1e-6  # as good as zero: a search that ran against the edge stops a hair's breadth beside it


@dataclass(frozen=True, kw_only=True)
class Convergence:
    """What the search for the variance components says of itself."""

    converged: bool
    largest_gradient: float
    """Largest entry of the deviance's gradient by the relative standard deviations not at zero."""
    evaluations: int
    starts: int
    singular: bool
    """A variance component at zero, or a correlation of -1 or 1."""
    message: str

    def sentence(self) -> str:
        """The search's outcome in words."""
        return self.message


class Parts(Protocol):
    """What a search needs to know of a model's cross-products."""

    @property
    def k(self) -> int:
        """Random effects of each level of the large factor."""

    @property
    def correlated(self) -> bool:
        """May the two random effects of a level go together?"""

    @property
    def n_dense_factors(self) -> int:
        """How many further factors there are."""


def best_point(parts: CrossProducts, *, reml: bool) -> tuple[Point, Convergence]:
    """The highest likelihood found, and how the search went."""
    return highest(parts, partial(evaluate, parts, reml=reml))


def highest(parts: Parts, height: Callable[[Array], H], *, near: Array | None = None) -> tuple[H, Convergence]:
    """The highest point of a likelihood, looked for from the usual starts or `near` where it is known to lie about."""
    counter = _Counter(height)
    if not parts.k:
        return counter(np.empty(0)), _report(np.zeros(0), np.zeros(0, dtype=bool), counter, starts=1)
    diagonal = _diagonal(parts)
    starts = _starts(parts, diagonal) if near is None else [near]
    best = min((_descend(counter, start, diagonal) for start in starts), key=lambda point: point.deviance)
    tried = len(starts)
    for _ in range(4):
        best = _settle_zeros(counter, best, diagonal)
        again = _leave_false_zero(best, diagonal)
        if again is None:
            break
        tried += 1
        moved = _descend(counter, again, diagonal)
        if moved.deviance >= best.deviance - 1e-9:
            break
        best = moved
    best = _polish(counter, best, diagonal)
    return best, _report(best.theta, diagonal, counter, starts=tried, gradient=best.gradient)


class _Counter(Generic[H]):
    """Evaluates the likelihood and counts how often."""

    def __init__(self, height: Callable[[Array], H]) -> None:
        self.height, self.evaluations = height, 0

    def __call__(self, theta: Array) -> H:
        self.evaluations += 1
        return self.height(theta)


def _diagonal(parts: Parts) -> np.ndarray:
    """Which entries of `theta` are relative standard deviations (not below zero)."""
    large = {1: [True], 2: [True, False, True] if parts.correlated else [True, True]}[parts.k]
    return np.array(large + [True] * parts.n_dense_factors)


def _starts(parts: Parts, diagonal: np.ndarray) -> list[Array]:
    """Where to begin: once for intercepts alone, from three sizes with a slope (more than one hollow is possible)."""
    sizes = (0.7,) if parts.k == 1 else (1.0, 0.3, 0.1)
    return [np.where(diagonal, size, 0.0) for size in sizes]


def _descend(counter: _Counter[H], start: Array, diagonal: np.ndarray) -> H:
    """One bounded quasi-Newton search."""
    seen: dict[str, H] = {}

    def deviance(theta: Array) -> tuple[float, Array]:
        try:
            point = counter(theta)
        except linalg.LinAlgError:
            return float("inf"), np.zeros_like(theta)
        if "best" not in seen or point.deviance < seen["best"].deviance:
            seen["best"] = point
        return point.deviance, point.gradient

    lower = np.where(diagonal, 0.0, -_LARGEST)
    minimise(deviance, start, lower=lower, upper=np.full(len(start), _LARGEST))
    if "best" not in seen:
        raise linalg.LinAlgError("nothing left to explain")
    return seen["best"]


def _variance_slope(point: Height, diagonal: np.ndarray, place: int) -> float:
    """Derivative of the deviance by the relative variance that belongs to entry `place` of theta."""
    return float(point.by_variance[int(diagonal[:place].sum())])


def _settle_zeros(counter: _Counter[H], best: H, diagonal: np.ndarray) -> H:
    """Put a small variance exactly at zero where the likelihood does not fall towards it."""
    for place in np.flatnonzero(diagonal & (best.theta < _SMALL) & (best.theta > 0)):
        trial = best.theta.copy()
        trial[place] = 0.0
        point = counter(trial)
        if point.deviance <= best.deviance + 1e-7 and _variance_slope(point, diagonal, int(place)) >= 0:
            best = point
    return best


def _leave_false_zero(best: Height, diagonal: np.ndarray) -> Array | None:
    """A new start where a variance sits at zero although the likelihood rises away from it (or a slope hides there)."""
    again = best.theta.copy()
    for place in np.flatnonzero(diagonal & (best.theta < _NOUGHT)):
        if _variance_slope(best, diagonal, int(place)) < -1e-8:
            again[place] = 0.05
    return None if np.array_equal(again, best.theta) else again


def _polish(counter: _Counter[H], best: H, diagonal: np.ndarray) -> H:
    """Newton steps on the exact gradient, its derivative by central differences, for entries not at zero."""
    free = ~diagonal | (best.theta > 0)
    if not diagonal[0] or best.theta[0] == 0:
        free &= diagonal
    places = np.flatnonzero(free)
    for _ in range(8):
        slope = best.gradient[places]
        if not places.size or np.abs(slope).max() < 1e-9:
            break
        curvature = np.empty((places.size, places.size))
        for column, place in enumerate(places):
            step = 1e-4 * max(abs(best.theta[place]), 1e-3)
            up, down = best.theta.copy(), best.theta.copy()
            up[place] += step
            down[place] -= step
            curvature[:, column] = (counter(up).gradient[places] - counter(down).gradient[places]) / (2 * step)
        try:
            factor = linalg.cho_factor((curvature + curvature.T) / 2)
        except linalg.LinAlgError:
            break
        target = best.theta.copy()
        target[places] -= linalg.cho_solve(factor, slope)
        if (target[diagonal] < 0).any():
            break
        point = counter(target)
        if np.abs(point.gradient[places]).max() >= np.abs(slope).max() or point.deviance > best.deviance + 1e-6:
            break
        best = point
    return best


def _report(
    theta: Array, diagonal: np.ndarray, counter: _Counter[H], *, starts: int, gradient: Array | None = None
) -> Convergence:
    """The search's own account."""
    free = ~diagonal | (theta > 0)
    largest = float(np.abs(gradient[free]).max()) if gradient is not None and free.any() else 0.0
    singular = bool((theta[diagonal] < 1e-4).any())
    converged = largest < 1e-3
    if not converged:
        message = f"the search did not settle (gradient {largest:.2g}): read the variance components with care"
    elif singular:
        message = (
            "converged at the edge: a variance is zero or a correlation one, the rows show no more of it than chance"
        )
    else:
        message = "converged"
    return Convergence(
        converged=converged,
        largest_gradient=largest,
        evaluations=counter.evaluations,
        starts=starts,
        singular=singular,
        message=message,
    )
