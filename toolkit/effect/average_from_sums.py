"""Whose average is it, from sums: weighed as the model weighs or every client the same, as `whose_average` has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from toolkit.effect.client_sums import (
    ByClient,
    Codes,
    Floats,
    added_within,
    full,
    in_order,
    labelled,
    own_sums,
    solved,
)
from toolkit.effect.cluster_robust import Robust
from toolkit.effect.robust_from_sums import Clusters, Local, Solution, first_scores, robust
from toolkit.effect.whose_average import FLATTERS, MANY_PRACTITIONERS, Average, flatters, moved_by_arm


@dataclass(frozen=True, kw_only=True)
class Components:
    """Variances of the mixed model: client intercept, covariance with the effect, effect, residual."""

    intercept: float
    both: float
    slope: float
    residual: float
    theta: Floats


def left_over(whole: Floats, beta: Floats) -> float:
    """Sum of squares that is left over."""
    contrast = np.r_[-beta, 1.0]
    return float(contrast @ whole @ contrast)


def average_from_sums(
    found: ByClient, components: Components, spread: tuple[float, float], *, either_way: bool
) -> Average:
    """Weighed as the model weighs or every client the same, as `whose_average.average`."""
    n, n_clients = found.cells.n, len(found.counts)
    once = n == n_clients  # a session each: all weigh the same
    spread = (1.0, 1.0) if once else spread
    turned = _Turned.of(found, components, spread) if not once else None
    whole = _pooled(found, turned)
    by_model = robust(_clients(found, turned), Solution.of(whole, whole), n=n_clients)
    by_arm = [full(one) for one in found.by_arm]
    bread, beta = solved(by_arm[0] / spread[0] + by_arm[1] / spread[1])
    left = left_over(by_arm[0], beta) / spread[0] + left_over(by_arm[1], beta) / spread[1]
    plain = float(np.sqrt(bread[0, 0] * left / max(n - len(beta), 1)))
    if plain > by_model.se:
        by_model = replace(by_model, se=plain)
    equal = _equal_where_flattered(found, by_model, either_way=either_way)
    if equal is not None:
        return Average(found=equal, words="every client weighing the same")
    if found.cells.people >= MANY_PRACTITIONERS:
        wider = robust(_practitioners(found, turned), Solution.of(whole, whole), n=found.cells.people)
        if wider.se > by_model.se:
            return Average(found=wider, words="practitioners varying")
    return Average(found=by_model, words="clients varying")


def _equal_where_flattered(found: ByClient, by_model: Robust, *, either_way: bool) -> Robust | None:
    """The average in which every client weighs the same, where the model's flatters against it; else None.

    Most often that is clear before CR2 has adjusted every client's score.
    """
    n_clients = len(found.counts)
    weight = found.cells.n / n_clients / found.counts.sum(axis=1)
    fit = Solution.of(found.at_sites(weight), found.at_sites(weight**2))
    more = by_model.value - float(fit.beta[0])
    if more <= 0 and not either_way:
        return None
    near, far = np.concatenate(
        [_first_scores(found, fit.sites[site], weight, mine) for site, mine in found.chunks()], 1
    )
    apart, slack = np.sqrt(np.sum((by_model.scores - near) ** 2)), np.sqrt(np.sum(far**2))
    if abs(more) <= FLATTERS * (apart - slack):
        return None
    equal = robust(_equal_clients(found, weight), fit, n=n_clients)
    return equal if flatters(by_model, equal, either_way=either_way) else None


def _first_scores(found: ByClient, local: Local, weight: Floats, mine: slice) -> Floats:
    """What some clients of a site add where all weigh the same, before it is adjusted, and how far that is off."""
    k, asked = found.k, local.first_asked
    both = asked[:, k + 1 :]
    treated = both.copy()
    treated[:, :k] += asked[:, 1 : k + 1]
    treated[:, 0] += asked[:, 0]
    values = both @ found.products[:, 0, mine] + treated @ found.products[:, 1, mine]
    return np.stack(first_scores(values, weight[mine]))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Turned:
    """How a client's covariance is taken out of its rows: each arm's scale, and what moves from arm to arm.

    `moved` (d, 2, 2) of each distinct pair of counts; what they add to cross-products, in its own directions: `sizes`
    (d, 2) and `ways` (2 directions, 2 arms, d), of sums as they are.
    """

    root: Floats
    moved: Floats | None
    sizes: Floats
    ways: Floats

    @classmethod
    def of(cls, found: ByClient, components: Components, spread: tuple[float, float]) -> _Turned:
        """From the model's variances; clients with the same counts are moved alike."""
        one = components
        root = np.sqrt(one.residual * np.array(spread))
        if one.intercept <= 0 and one.slope <= 0:
            return cls(root=root, moved=None, sizes=np.empty((0, 2)), ways=np.empty((2, 2, 0)))
        distinct = found.alike[0]
        moved = moved_by_arm(distinct, (one.intercept, one.both, one.slope), root**2)
        back = moved.transpose(0, 2, 1)
        sizes, vectors = np.linalg.eigh(moved + back + back @ (distinct[:, :, None] * moved))
        return cls(root=root, moved=moved, sizes=sizes, ways=vectors.transpose(2, 1, 0) / root[:, None])

    def added(self, found: ByClient, mine: slice) -> tuple[Floats, Floats]:
        """Two combinations of both arms' sums (2, k + 1, g), and what their products are multiplied by (2, g)."""
        at = found.alike[1][mine]
        sums, ways = own_sums(found.products[:, :, mine], found.k), self.ways[:, :, at]
        return ways[:, 0, None] * sums[0] + ways[:, 1, None] * sums[1], self.sizes.T[:, at]


def _pooled(found: ByClient, turned: _Turned | None) -> Floats:
    """Cross-products by site with clients' covariances taken out."""
    if turned is None:
        return np.asarray(found.by_arm[0] + found.by_arm[1])
    out: Floats = found.by_arm[0] / turned.root[0] ** 2 + found.by_arm[1] / turned.root[1] ** 2
    for site, mine in found.chunks() if turned.moved is not None else ():
        for sums, size in zip(*turned.added(found, mine), strict=True):
            out[site] += (size * sums) @ sums.T
    return out


def _clients(found: ByClient, turned: _Turned | None) -> Iterator[Clusters]:
    """Every client as a cluster, with its covariance taken out where there is one to take."""
    k = found.k
    for site, mine in found.chunks():
        if turned is None:
            yield Clusters(site=site, place=mine, packed=labelled(found.products[:, :, mine], k))
            continue
        packed = labelled(found.products[:, :, mine] / (turned.root**2)[:, None], k)
        for sums, size in zip(*turned.added(found, mine), strict=True) if turned.moved is not None else ():
            sized, first = size * sums, 0
            for column in range(k + 1):
                packed[first : first + k + 1 - column] += sized[column] * sums[column:]
                first += k + 1 - column
        yield Clusters(site=site, place=mine, packed=packed)


def _equal_clients(found: ByClient, weight: Floats) -> Iterator[Clusters]:
    """Every client as a cluster, weighed."""
    for site, mine in found.chunks():
        packed = labelled(found.products[:, :, mine], found.k)
        yield Clusters(site=site, place=mine, packed=packed, weight=weight[mine])


def _practitioners(found: ByClient, turned: _Turned | None) -> list[Clusters]:
    """Every practitioner as a cluster, site by site."""
    cells, k = found.cells, found.k
    scale = np.ones(2) if turned is None else turned.root
    key = 2 * cells.practitioner + cells.arm
    products = added_within(cells.products, key, 2 * cells.people, cells.site)
    packed = labelled(products.reshape(len(products), -1, 2).transpose(0, 2, 1) / (scale**2)[:, None], k)
    if turned is not None and turned.moved is not None:
        rows, columns = np.triu_indices(k + 1)
        order = in_order(cells.practitioner)
        ends = np.cumsum(np.bincount(cells.practitioner, minlength=cells.people))
        for person, (first, end) in enumerate(zip(np.r_[0, ends[:-1]], ends, strict=True)):
            packed[:, person] += _moved_within(found, turned, order[first:end])[rows, columns]
    site = np.zeros(cells.people, dtype=np.intp)
    site[cells.practitioner] = cells.site
    places = [np.flatnonzero(site == one) for one in range(found.sites)]
    return [Clusters(site=one, place=at, packed=packed[:, at]) for one, at in enumerate(places) if len(at)]


def _moved_within(found: ByClient, turned: _Turned, mine: Codes) -> Floats:
    """What taking the clients' covariances out adds to the cross-products of some cells."""
    cells, k = found.cells, found.k
    client, arm, ones = found.place[mine], cells.arm[mine], cells.products[:k, mine]
    sums = own_sums(found.products[:k, :, client], k)
    moved = np.asarray(turned.moved)[found.alike[1][client], arm].T / turned.root[:, None]
    shift = moved[0] * sums[0] + moved[1] * sums[1]
    own = np.vstack([ones[0] * arm, ones]) / turned.root[arm]
    cross = own @ shift.T
    return np.asarray(cross + cross.T + (shift * ones[0]) @ shift.T)
