"""Re-randomisation: what the estimate would be, had the coin fallen otherwise.

For few clients a model's degrees of freedom are a guess; the drawn order is not. Each redraw shuffles the drawn
labels among all sessions (where blocks kept each client even, among those of the same client; where no client has both
labels, among whole clients), or flips the drawn side of each session. The p-value counts how often a redraw does
as well as the records, by estimates over their own standard errors; the interval holds every effect that the same
test would not reject (test inversion;
Edgington & Onghena 2007, Randomization Tests, ch. 13, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    influence = np.zeros(n)
    for part, sign in ((one, 1.0), (other, -1.0)):
        influence[clients.get_indexer(part.index)] += sign * ((part - part.mean()) / len(part)).to_numpy()
    se = float(np.sqrt(n / (n - 1) * np.sum(influence**2)))
    reach = float(t_quantile((1 + confidence_level) / 2, n - 1)) * se
    value = float(one.mean() - other.mean())
    return value - reach, value + reach, se


Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
EVEN = 0.5  # mean square of a client's surplus of one label, over the number of sessions, that blocks stay below
CLIENTS = 0.5  # share of the squared standard error that takes clients whole; the rest takes sessions one by one


@dataclass(frozen=True, eq=False, kw_only=True)
class Redrawn:
    """Estimate and two-sided p from redraws; `limits` gives the interval of every effect that is not rejected.

    Each redraw's estimate is `slopes` less effect × `overlap`, its squared standard error a parabola in the effect
    (`spread`: constant, linear and square part), so that a test of any effect costs one pass over the redraws.
    """

    value: float
    se: float
    p: float
    n_draws: int
    slopes: Floats
    overlap: Floats
    spread: tuple[Floats, Floats, Floats]

    def share_as_high(self, effect: float) -> tuple[float, float]:
        """Shares of redraws whose studentised estimate is at least, and at most, the records', were this the effect."""
        constant, linear, square = self.spread
        own = (self.value - effect) / self.se
        error = np.sqrt(np.maximum(constant - 2 * effect * linear + effect**2 * square, 1e-300))
        redrawn = (self.slopes - effect * self.overlap) / error
        slack = 1e-9 * (1 + abs(own))
        n = len(redrawn)
        high, low = (redrawn >= own - slack).sum(), (redrawn <= own + slack).sum()
        return float((1 + high) / (1 + n)), float((1 + low) / (1 + n))

    def limits(self, alpha: float) -> tuple[float, float]:
        """The interval's limits, alpha/2 left outside at each end; no limit (±infinity) where redraws are too few."""
        return self._limit(alpha / 2, upwards=False), self._limit(alpha / 2, upwards=True)

    def _limit(self, tail: float, *, upwards: bool) -> float:
        """The effect at which the test stops rejecting, found by halving."""

        def rejected(effect: float) -> bool:
            return self.share_as_high(effect)[int(upwards)] <= tail

        way = 1.0 if upwards else -1.0
        inside, step = self.value, self.se
        outside = inside + way * step
        while not rejected(outside):
            step *= 2
            outside = self.value + way * step
            if step > 1e4 * self.se:
                return way * np.inf
        for _ in range(40):
            middle = (inside + outside) / 2
            inside, outside = (inside, middle) if rejected(middle) else (middle, outside)
        return float(inside)


def shuffled_labels(
    arm: Floats, client: Codes, *, n_draws: int, rng: np.random.Generator, whole: NDArray[np.bool_] | None = None
) -> Floats:
    """`n_draws` rows of redrawn 0/1 labels: whole clients where each has one, within clients that blocks kept even.

    Else over all sessions, as a coin for each session would have it (their number stays what it is). Where some clients
    were drawn whole and others session by session, each among their own.

    Args:
        arm: drawn labels (n sessions).
        client: client codes (n sessions).
        whole: sessions of clients who were drawn whole (none).
    """
    if whole is not None and whole.any() and not whole.all():
        out = np.empty((n_draws, len(arm)))
        for part in (whole, ~whole):
            code = np.unique(client[part], return_inverse=True)[1]
            out[:, part] = shuffled_labels(arm[part], code, n_draws=n_draws, rng=rng)
        return out
    counts = np.bincount(client)
    mixed = np.bincount(client, weights=arm)
    if not ((mixed > 0) & (mixed < counts)).any():  # the order was drawn once for each client
        per_client = mixed / np.maximum(counts, 1)
        drawn_again = rng.random((n_draws, len(counts))).argsort(axis=1)
        return np.asarray(per_client[drawn_again][:, client])
    uneven = float(np.sum((2 * mixed - counts) ** 2)) / len(arm)  # 1 for a coin
    if uneven > EVEN:
        return np.asarray(rng.permuted(np.tile(arm, (n_draws, 1)), axis=1))
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
    weight: Floats | None = None,
) -> Redrawn:
    """Estimate of the label's effect, its p, and what its interval is read from, from redrawn labels.

    Estimates are compared by their size over their own cluster-robust standard error (studentised), so that arms and
    clients may scatter differently (Janssen 1997, Statistics & Probability Letters 36:9-21; from memory).

    Args:
        y: changes (n). label: what was drawn (n). redrawn: what could have been drawn (draws × n).
        covariates: columns that do not depend on the draw (n × k; k may be 0). client: codes (n).
        ratio: between-client over residual variance, for weighing clients' means. weight: of each session (1).
    """
    root = np.ones(len(y)) if weight is None else np.sqrt(weight)
    stack = less_client_mean(np.vstack([y, label, covariates.T]), client, ratio) * root
    basis, _ = np.linalg.qr(stack[2:].T) if covariates.shape[1] else (np.zeros((len(y), 0)), None)

    def clear(rows: Floats) -> Floats:
        return np.asarray(rows - (rows @ basis) @ basis.T)

    outcome, drawn = clear(stack[:2])
    could = clear(less_client_mean(redrawn, client, ratio) * root)
    size = np.einsum("ij,ij->i", could, could)
    could, size = could[size > 1e-9], size[size > 1e-9]
    value, se = _slope(outcome, drawn, client)
    slopes, overlap = could @ outcome / size, could @ drawn / size
    member = np.zeros((len(y), int(client.max()) + 1))
    member[np.arange(len(y)), client] = 1.0
    parts = [could * (one - times[:, None] * could) for one, times in ((outcome, slopes), (drawn, overlap))]
    by_client = [one @ member for one in parts]
    square = size**2
    spread = tuple(
        (
            CLIENTS * np.einsum("ij,ij->i", by_client[one], by_client[other])
            + (1 - CLIENTS) * np.einsum("ij,ij->i", parts[one], parts[other])
        )
        / square
        for one, other in ((0, 0), (0, 1), (1, 1))
    )
    found = Redrawn(
        value=value,
        se=se,
        p=1.0,
        n_draws=len(slopes),
        slopes=slopes,
        overlap=overlap,
        spread=(spread[0], spread[1], spread[2]),
    )
    return replace(found, p=float(min(1.0, 2 * min(found.share_as_high(0.0)))))


def _slope(outcome: Floats, drawn: Floats, client: Codes) -> tuple[float, float]:
    """Estimate and cluster-robust standard error of what was drawn."""
    size = float(drawn @ drawn)
    value = float(drawn @ outcome / size)
    scores = drawn * (outcome - value * drawn)
    whole = np.bincount(client, weights=scores)
    squared = CLIENTS * float(whole @ whole) + (1 - CLIENTS) * float(scores @ scores)
    return value, max(float(np.sqrt(squared)) / size, 1e-12)
