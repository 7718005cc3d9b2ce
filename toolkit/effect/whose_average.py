"""Whose average is it? The model's estimate, an interval that does not believe the model, clients weighing the same.

The mixed model weighs sessions by what it takes to be their scatter: clients' effects may vary, and so may the residual
scatter of each arm. Its standard error is then replaced by a cluster-robust one over clients (CR2, `cluster_robust`) on
the same weights, so that a variance which could not be estimated harms nobody; that of independent sessions counts
where it is wider. A model that finds no variation of effects weighs clients who come often more. Where that flatters
the technique against the average in which every client weighs the same, by more than the scatter of the difference
between the two, the latter is what counts. Where every client has one row, all rows weigh the same: least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from toolkit.effect.cluster_robust import Robust, cluster_robust, equal_clients, n_codes
from toolkit.errors import FitError
from toolkit.mixed.mixed_fit import MixedFit

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
FLATTERS = 1.64  # standard errors of the difference between the two averages: 5 % by chance
MANY_PRACTITIONERS = 8


@dataclass(frozen=True, kw_only=True)
class Average:
    """The estimate that counts, its standard error and df, and how clients weigh in it (in words)."""

    found: Robust
    words: str


def average(
    y: Floats,
    x: Floats,
    client: Codes,
    practitioner: Codes,
    fit: MixedFit,
    arm_variance: tuple[float, float],
    *,
    either_way: bool = False,
) -> Average:
    """The first column's effect, weighed as the model weighs or every client the same, with a robust interval.

    Parameters
    ----------
    y, x
        Outcome (n) and fixed columns (n × p), what was drawn first.
    client, practitioner
        Codes (n).
    fit
        The mixed model of the same rows.
    arm_variance
        Residual variance where the first column is 0 and where it is 1, relative to each other.
    either_way
        Are both arms treatments, so that a weighing that flatters either counts?
    """
    if n_codes(client) == len(client):  # a row each: all weigh the same
        outcome, columns, arm_variance = y, x, (1.0, 1.0)
    else:
        outcome, columns = whitened(y, x, client, fit, arm_variance)
    by_model = cluster_robust(outcome, columns, client, np.ones(len(y)))
    equal = cluster_robust(y, x, client, equal_clients(client))
    plain = _plain_error(y, x, arm_variance)
    if by_model is not None and plain > by_model.se:
        by_model = replace(by_model, se=plain)
    if by_model is None or equal is None:
        raise FitError("Nothing is left to judge the difference by: what was drawn can be told from the other columns.")
    if flatters(by_model, equal, either_way=either_way):
        return Average(found=equal, words="every client weighing the same")
    n_practitioners = n_codes(practitioner)
    if n_practitioners >= MANY_PRACTITIONERS:
        wider = cluster_robust(outcome, columns, practitioner, np.ones(len(y)))
        if wider is not None and wider.se > by_model.se:
            return Average(found=wider, words="practitioners varying")
    return Average(found=by_model, words="clients varying")


def _plain_error(y: Floats, x: Floats, arm_variance: tuple[float, float]) -> float:
    """Standard error of the first column were sessions independent: below it no robust one is believed."""
    root = np.sqrt(np.where(x[:, 0] == 1, arm_variance[1], arm_variance[0]))[:, None]
    outcome, columns = y / root[:, 0], x / root
    bread = np.linalg.pinv(columns.T @ columns)
    left = outcome - columns @ (bread @ (columns.T @ outcome))
    return float(np.sqrt(bread[0, 0] * (left @ left) / max(len(y) - x.shape[1], 1)))


def flatters(by_model: Robust, equal: Robust, *, either_way: bool = False) -> bool:
    """Does weighing by sessions make the technique look better than its average over clients, beyond chance?

    The standard error of their difference is what clients add to it (cluster-robust scores of both, client by client):
    the difference of two estimated variances would be a guess. `either_way`: or the other one, where both are
    treatments.
    """
    apart = float(np.sqrt(np.sum((by_model.scores - equal.scores) ** 2)))
    more = by_model.value - equal.value
    return (abs(more) if either_way else more) > FLATTERS * apart + 1e-9


def whitened(
    y: Floats, x: Floats, client: Codes, fit: MixedFit, arm_variance: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Outcome and columns with each client's covariance under the model taken out (columns first made 0 or 1)."""
    parts = {part.effect: part.variance for part in fit.components if part.group == "client"}
    intercept = next((v for name, v in parts.items() if name == "intercept"), 0.0)
    slope = next((v for name, v in parts.items() if name == "technique"), 0.0)
    both = next((v for name, v in parts.items() if name not in ("intercept", "technique")), 0.0)
    label = x[:, 0]
    residual = fit.residual_variance * np.where(label == 1, arm_variance[1], arm_variance[0])
    root = np.sqrt(residual)
    stack = np.column_stack([y, x]) / root[:, None]
    if intercept <= 0 and slope <= 0:
        return stack[:, 0], stack[:, 1:]
    arm = (label == 1).astype(np.intp)
    place = 2 * client + arm
    sums, counts = _sums(stack, place), np.bincount(place, minlength=2 * (int(client.max()) + 1)).astype(float)
    moved = moved_by_arm(
        counts.reshape(-1, 2), (intercept, both, slope), fit.residual_variance * np.array(arm_variance)
    )
    shift = (moved @ sums.reshape(-1, 2, stack.shape[1])).reshape(sums.shape)
    stack += shift[place]
    return stack[:, 0], stack[:, 1:]


def _sums(columns: Floats, place: Codes) -> Floats:
    """Sums of columns over the rows of each client and arm, shape (2 × clients, columns)."""
    length = 2 * (int(place.max()) // 2 + 1)
    return np.column_stack([np.bincount(place, weights=one, minlength=length) for one in columns.T])


def moved_by_arm(counts: Floats, variances: tuple[float, float, float], residual: Floats) -> Floats:
    """For each client the 2 × 2 matrix that takes sums by arm of scaled rows to what is added to each row of an arm.

    The inverse square root of a client's covariance scales what differs within an arm by the arm's residual SD alone;
    the means of both arms go by the inverse square root of a 2 × 2 matrix.
    """
    intercept, both, slope = variances
    shared = np.array([[intercept, intercept + both], [intercept + both, intercept + 2 * both + slope]])
    size = np.sqrt(counts)
    values, vectors = np.linalg.eigh(np.diag(residual) + size[:, :, None] * shared * size[:, None, :])
    root = (vectors / np.sqrt(np.maximum(values, 1e-12 * values.max(axis=1, keepdims=True)))[:, None, :]) @ (
        vectors.transpose(0, 2, 1)
    )
    sd = np.sqrt(residual)
    inverse = 1 / np.maximum(size, 1.0)  # an arm without rows moves nothing
    return np.asarray((root - np.diag(1 / sd)) * inverse[:, :, None] * (sd * inverse[:, None, :]))


def scatter_by_arm(left: Floats, label: Floats) -> tuple[float, float]:
    """Residual variance of both arms over that of all, drawn towards 1 where an arm has few sessions."""
    everyone = float(np.mean(left**2))
    found = []
    for arm in (0.0, 1.0):
        mine = left[label == arm]
        n = len(mine)
        found.append((float(np.sum(mine**2)) + 4 * everyone) / ((n + 4) * everyone) if n and everyone > 0 else 1.0)
    return found[0], found[1]
