"""Chance, and giving it many tries: one season's scatter, many measures and regions, interim looks.

The error that may be made in all is spent over the looks by a Lan–DeMets function of the O'Brien–Fleming type
(Lan & DeMets 1983): little at first, nearly all at the last planned look. Boundaries are found by integrating the
density of the partial sums look by look (Armitage, McPherson & Rowe 1969), on Gauss–Legendre nodes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from toolkit.effect.estimate import Attributable
from toolkit.explanations.case import Case, Explanation, Status, jackknife, without_each
from toolkit.number_words import amount
from toolkit.quantiles import normal_above, normal_density, normal_quantile
from toolkit.result import Estimate


def mean_over_clients(sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Mean of the clients' own means, every client weighing the same; then without each client."""
    return np.asarray(without_each(sums / counts) / without_each(np.ones(len(sums))))


def mean_over_rows(sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Mean over rows, a client of forty sessions weighing forty times; then without each client."""
    return np.asarray(without_each(sums) / without_each(counts))


def chance(case: Case) -> Explanation:
    """Half-width of the interval over the readings that were taken: one look, one question, nothing filled in."""
    name, close = "chance", "More clients: the half-width falls with the square root of their number."
    spread = _scatter(case)
    if spread is None:
        says = "Too few clients to say how far chance alone would reach."
        return Explanation(explanation=name, status="open", size=None, says=says, what_would_close_it=close)
    half, n, method = spread
    if half == 0:
        says = f"Every one of {n} clients shows the same change, so the records do not tell how far chance would reach."
        return Explanation(explanation=name, status="open", size=None, says=says, what_would_close_it=close)
    level = 1 - case.alpha
    size = Estimate(
        name="half-width of the interval",
        value=half,
        ci_low=half,
        ci_high=half,
        unit=case.unit,
        n=n,
        method=f"{100 * level:.4g} % interval: {method}",
        confidence_level=level,
    )
    says = f"Chance alone moves the result by about ± {amount(half, case.unit)} ({n} clients)."
    return Explanation(explanation=name, status="bounded", size=size, says=says, what_would_close_it=close)


def _scatter(case: Case) -> tuple[float, int, str] | None:
    """Half-width, clients and method: of the technique less its comparison, else of the change in the readings."""
    if case.complete is not None:
        found = case.complete.at_level(1 - case.alpha)
        half = (found.ci_high - found.ci_low) / 2
        if np.isfinite(half):
            return half, found.n_clients, found.method
    simple = jackknife(
        *case.sums,
        mean_over_clients,
        name="mean",
        unit=case.unit,
        method="client means",
        confidence_level=1 - case.alpha,
    )
    return None if simple is None else ((simple.ci_high - simple.ci_low) / 2, simple.n, simple.method)


NAME = "many measures and regions"
CLOSE = "Write one question sheet before looking; a declared question is judged alone."


def many_questions(case: Case) -> Explanation:
    """How many questions were judged together, and how many would stand out by chance."""
    found = case.attributable
    if case.n_questions <= 1 or found is None:
        says = (
            "Nothing was tested against a comparison here, so no test needs a correction."
            if found is None
            else "One question was tested, so there is nothing to correct for."
        )
        status: Status = "not_applicable" if found is None else "closed_by_design"
        return Explanation(explanation=NAME, status=status, size=None, says=says, what_would_close_it="")
    expected = case.n_questions * case.alpha
    says = (
        f"{case.n_questions} questions were tested together (Holm's correction; Holm 1979); if nothing moved in any, "
        f"about {expected:.2g} of them would fall below p = {case.alpha:.3g} by chance; {case.n_small_p} did."
    )
    alone = found.at_level(level_at_look(case.look, case.looks_planned, case.alpha))
    extra = (found.ci_high - found.ci_low - alone.ci_high + alone.ci_low) / 2
    size = None
    if np.isfinite(extra):
        size = Estimate(
            name="extra half-width of the interval",
            value=extra,
            ci_low=extra,
            ci_high=extra,
            unit=case.unit,
            n=found.n_clients,
            method=f"Holm's correction over {case.n_questions} questions, against one question alone",
        )
    return Explanation(explanation=NAME, status="adjusted", size=size, says=says, what_would_close_it=CLOSE)


Floats = NDArray[np.float64]


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    """Nodes and weights of Gauss and Legendre on -1 to 1; found when first asked for."""
    nodes, weights = np.polynomial.legendre.leggauss(160)
    return nodes, weights


def obrien_fleming_spending(fraction: float, *, alpha: float) -> float:
    """Error spent by a fraction of the information, O'Brien–Fleming type (Lan & DeMets 1983).

    Args:
        fraction: share of the planned information, 0 to 1.
        alpha: error of this side (or of both sides together, then the result is that of both).

    Example:
        >>> round(obrien_fleming_spending(0.5, alpha=0.05), 6)
        0.005575
    """
    if fraction >= 1:
        return alpha
    return float(2 * normal_above(-normal_quantile(alpha / 2) / np.sqrt(fraction)))


def _grid(low: float, high: float) -> tuple[Floats, Floats]:
    nodes, weights = _nodes()
    half = (high - low) / 2
    return low + half * (nodes + 1), half * weights


def _crossing(bounds: Sequence[float], fractions: Sequence[float]) -> Floats:
    """Probability of first crossing each upper bound, no effect being there."""
    out = [float(normal_above(bounds[0]))]
    root = np.sqrt(fractions)
    points, weights = _grid(-9 * root[0], bounds[0] * root[0])
    density = normal_density(points / root[0]) / root[0]
    for k in range(1, len(bounds)):
        step = np.sqrt(fractions[k] - fractions[k - 1])
        out.append(float(np.sum(weights * density * normal_above((bounds[k] * root[k] - points) / step))))
        ahead, ahead_weights = _grid(-9 * root[k], bounds[k] * root[k])
        kernel = normal_density((ahead[:, None] - points[None, :]) / step) / step
        points, weights, density = ahead, ahead_weights, kernel @ (weights * density)
    return np.array(out)


def spending_bounds(
    fractions: Sequence[float], *, alpha: float, spending: Callable[..., float] = obrien_fleming_spending
) -> list[float]:
    """Upper z boundaries, one a look, that spend one side's error as the spending function says.

    Args:
        fractions: share of the planned information at each look, rising.
        alpha: error of one side, for example 0.025.

    Example:
        >>> [round(z, 4) for z in spending_bounds([0.5, 1.0], alpha=0.025)]
        [2.9626, 1.9686]
    """
    bounds: list[float] = []
    spent = 0.0
    for k, fraction in enumerate(fractions):
        to_spend = spending(fraction, alpha=alpha) - spent
        spent += to_spend
        if k == 0:
            bounds.append(float(-normal_quantile(to_spend)))
            continue
        from scipy import optimize

        def excess(z: float, k: int = k, to_spend: float = to_spend) -> float:
            return float(_crossing([*bounds, z], fractions[: k + 1])[k] - to_spend)

        bounds.append(float(optimize.brentq(excess, 0.0, 10.0, xtol=1e-10)))
    return bounds


def fixed_shape_bounds(n_looks: int, *, alpha: float, power: float) -> list[float]:
    """Boundaries of a fixed shape at equally spaced looks: c·(K/k)^(½−power).

    `power` 0.5 gives the same boundary at every look (Pocock 1977), 0 a boundary that falls with √(K/k)
    (O'Brien & Fleming 1979).

    Example:
        >>> round(fixed_shape_bounds(2, alpha=0.025, power=0.5)[0], 4)
        2.1783
    """
    from scipy import optimize

    fractions = [(k + 1) / n_looks for k in range(n_looks)]
    shape = [(1 / fraction) ** (0.5 - power) for fraction in fractions]

    def excess(c: float) -> float:
        return float(_crossing([c * s for s in shape], fractions).sum() - alpha)

    c = optimize.brentq(excess, 0.5, 6.0, xtol=1e-11)
    return [float(c * s) for s in shape]


@lru_cache(maxsize=64)
def level_at_look(look: int, planned: int, alpha: float) -> float:
    """Confidence level of the interval at look k of K planned, equally spaced looks; `alpha` counts both sides.

    Beyond the plan it is the level of the last planned look.

    Example:
        >>> round(level_at_look(1, 1, 0.05), 6)
        0.95
    """
    look = min(max(look, 1), planned)
    bounds = spending_bounds([(k + 1) / planned for k in range(look)], alpha=alpha / 2)
    return round(float(1 - 2 * normal_above(bounds[-1])), 12)


def looking_again(case: Case) -> Explanation:
    """What testing more than once costs, as extra half-width of the interval."""
    name = "looking again and again"
    close = (
        "Say beforehand how many looks there will be, and keep to it; the look log beside the question sheet counts."
    )
    if case.look > case.looks_planned:
        says = f"This is look {case.look} and {case.looks_planned} were planned: the error allowed is used up."
        return Explanation(explanation=name, status="open", size=None, says=says, what_would_close_it=close)
    level = level_at_look(case.look, case.looks_planned, case.alpha)
    says = (
        f"Look {case.look} of {case.looks_planned} planned; the interval is drawn at {100 * level:.4g} % "
        "(O'Brien–Fleming-type spending)."
    )
    if case.looks_planned == 1:
        return Explanation(explanation=name, status="closed_by_design", size=None, says=says, what_would_close_it="")
    size = None
    found = case.attributable
    halves = [] if found is None else [_half_width(found, at) for at in (level, 1 - case.alpha)]
    if found is not None and np.isfinite(halves).all():
        extra = halves[0] - halves[1]
        size = Estimate(
            name="extra half-width of the interval",
            value=extra,
            ci_low=extra,
            ci_high=extra,
            unit=case.unit,
            n=found.n_clients,
            method=f"{100 * level:.4g} % against {100 * (1 - case.alpha):.4g} % interval; Lan–DeMets spending, "
            "O'Brien–Fleming type",
        )
        says += f" It is wider by {amount(extra, case.unit)} on each side than a single look would be."
    return Explanation(explanation=name, status="adjusted", size=size, says=says, what_would_close_it=close)


def _half_width(found: Attributable, level: float) -> float:
    at = found.at_level(level)
    return (at.ci_high - at.ci_low) / 2
