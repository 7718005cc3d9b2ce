"""Re-randomisation: what the estimate would be, had the coin fallen otherwise.

For few clients a model's degrees of freedom are a guess; the drawn order is not. Each redraw shuffles the drawn
labels among the sessions of the same client (clients seen once are shuffled among themselves; where no client has
both labels, whole clients are), or flips the drawn side of each session. The p-value counts how often a redraw does
as well as the records; the interval holds every effect that the same test would not reject (test inversion;
Edgington & Onghena 2007, Randomization Tests, ch. 13, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.quantiles import t_quantile


def difference_interval(
    one: pd.Series, other: pd.Series, *, confidence_level: float = 0.95
) -> tuple[float, float, float] | None:
    """Interval and standard error of a difference of two means of client means; some clients may stand in both.

    Args:
        one, other: client means, indexed by client.

    Returns:
        Lower limit, upper limit, standard error (linearised variance, t with clients − 1 df); None below 3 clients
        or where one side has none.
    """
    clients = one.index.union(other.index)
    n = len(clients)
    if n < 3 or min(len(one), len(other)) < 1:
        return None
    influence = ((one - one.mean()) / len(one)).reindex(clients, fill_value=0.0) - (
        (other - other.mean()) / len(other)
    ).reindex(clients, fill_value=0.0)
    se = float(np.sqrt(n / (n - 1) * np.sum(influence.to_numpy() ** 2)))
    reach = float(t_quantile((1 + confidence_level) / 2, n - 1)) * se
    value = float(one.mean() - other.mean())
    return value - reach, value + reach, se


Floats = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True, eq=False, kw_only=True)
class Redrawn:
    """Estimate and two-sided p from redraws; `edges` (sorted): the effect at which each redraw does as well.

    Redraws that equal what was drawn stand at both ends, as −infinity and +infinity.
    """

    value: float
    p: float
    edges: Floats
    n_draws: int


def shuffled_labels(arm: Floats, client: Codes, *, n_draws: int, rng: np.random.Generator) -> Floats:
    """`n_draws` rows of redrawn 0/1 labels, shuffled within client where a client has several sessions.

    Args:
        arm: drawn labels (n sessions).
        client: client codes (n sessions).
    """
    counts = np.bincount(client)
    mixed = np.bincount(client, weights=arm)
    if not ((mixed > 0) & (mixed < counts)).any():  # the order was drawn once for each client
        per_client = mixed / np.maximum(counts, 1)
        drawn_again = rng.random((n_draws, len(counts))).argsort(axis=1)
        return np.asarray(per_client[drawn_again][:, client])
    stratum = np.where(counts[client] > 1, client + 1, 0)
    order = np.argsort(stratum, kind="stable")
    keys = stratum[order][None, :] + rng.random((n_draws, len(arm)))
    picked = np.argsort(keys, axis=1)  # shuffles inside each stratum, which occupies the same places
    out = np.empty((n_draws, len(arm)))
    out[:, order] = arm[order][picked]
    return out


def flipped_sides(n: int, *, n_draws: int, rng: np.random.Generator) -> Floats:
    """`n_draws` rows of +1/−1: the treated side of each session drawn again."""
    return np.asarray(rng.integers(0, 2, (n_draws, n)) * 2.0 - 1.0)


def less_client_mean(values: Floats, client: Codes, ratio: float) -> Floats:
    """Values (… × n) less the share of their client's mean that a random intercept with this variance ratio removes.

    Args:
        ratio: between-client over residual variance; 0 leaves the values as they are.
    """
    counts = np.bincount(client).astype(float)
    share = 1.0 - 1.0 / np.sqrt(1.0 + ratio * counts)
    flat = np.atleast_2d(values)
    indicator = np.zeros((len(counts), flat.shape[1]))
    indicator[client, np.arange(flat.shape[1])] = 1.0
    means = flat @ (indicator.T / counts)
    return np.asarray((flat - (means * share) @ indicator).reshape(values.shape))


def redraw(
    y: Floats,
    label: Floats,
    redrawn: Floats,
    covariates: Floats,
    client: Codes,
    *,
    ratio: float,
) -> Redrawn:
    """Estimate of the label's effect, its p, and what its interval is read from, from redrawn labels.

    Args:
        y: changes (n). label: what was drawn (n). redrawn: what could have been drawn (draws × n).
        covariates: columns that do not depend on the draw (n × k; k may be 0). client: codes (n).
        ratio: between-client over residual variance, for weighing clients' means.
    """
    stack = less_client_mean(np.vstack([y, label, covariates.T]), client, ratio)
    basis, _ = np.linalg.qr(stack[2:].T) if covariates.shape[1] else (np.zeros((len(y), 0)), None)

    def clear(rows: Floats) -> Floats:
        return np.asarray(rows - (rows @ basis) @ basis.T)

    outcome, drawn = clear(stack[:2])
    could = clear(less_client_mean(redrawn, client, ratio))
    size = np.einsum("ij,ij->i", could, could)
    could, size = could[size > 1e-9], size[size > 1e-9]
    value = float(drawn @ outcome / (drawn @ drawn))
    slopes = could @ outcome / size
    overlap = could @ drawn / size
    more = (1 + np.sum(slopes >= value - 1e-12)) / (1 + len(slopes))
    less = (1 + np.sum(slopes <= value + 1e-12)) / (1 + len(slopes))
    free = overlap < 1 - 1e-9  # a redraw equal to what was drawn does as well whatever the effect: no limit can pass it
    same = np.full(int((~free).sum()), np.inf)
    edges = np.concatenate([-same, np.sort((value - slopes[free]) / (1 - overlap[free])), same])
    return Redrawn(value=value, p=float(min(1.0, 2 * min(more, less))), edges=edges, n_draws=len(slopes))


def interval_from_edges(edges: Floats, *, alpha: float) -> tuple[float, float]:
    """The interval's limits: as many redraws as alpha/2 allows are left outside at each end.

    Args:
        edges: sorted (see `Redrawn`).
        alpha: error of both sides together. Too few redraws for it: no limit (±infinity).

    Example:
        >>> interval_from_edges(np.arange(99.0), alpha=0.1)
        (4.0, 94.0)
    """
    n_draws = len(edges) - int(np.isneginf(edges).sum())
    outside = int(np.floor((n_draws + 1) * alpha / 2 + 1e-9)) - 1
    if outside < 0 or 2 * outside >= len(edges):
        return -np.inf, np.inf
    return float(edges[outside]), float(edges[len(edges) - 1 - outside])
