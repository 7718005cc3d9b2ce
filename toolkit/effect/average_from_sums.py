"""Whose average is it, from sums: weighed as the model weighs or every client the same, as `whose_average` has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from toolkit.effect.client_sums import (
    ByClient,
    Codes,
    Floats,
    added_within,
    distinct_counts,
    full,
    labelled,
    own_sums,
    solved,
)
from toolkit.effect.robust_from_sums import Clusters, robust
from toolkit.effect.whose_average import MANY_PRACTITIONERS, Average, flatters, moved_by_arm


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
    by_model = robust(partial(_clients, found, turned, None), n=n_clients, sites=found.sites, pooled=(whole, whole))
    weight = n / n_clients / found.counts.sum(axis=1)
    weighed = (found.at_sites(weight), found.at_sites(weight**2))
    equal = robust(partial(_clients, found, None, weight), n=n_clients, sites=found.sites, pooled=weighed)
    by_arm = [full(one) for one in found.by_arm]
    bread, beta = solved(by_arm[0] / spread[0] + by_arm[1] / spread[1])
    left = left_over(by_arm[0], beta) / spread[0] + left_over(by_arm[1], beta) / spread[1]
    plain = float(np.sqrt(bread[0, 0] * left / max(n - len(beta), 1)))
    if plain > by_model.se:
        by_model = replace(by_model, se=plain)
    if flatters(by_model, equal, either_way=either_way):
        return Average(found=equal, words="every client weighing the same")
    if found.cells.people >= MANY_PRACTITIONERS:
        clusters = _practitioners(found, turned)
        wider = robust(lambda: clusters, n=found.cells.people, sites=found.sites)
        if wider.se > by_model.se:
            return Average(found=wider, words="practitioners varying")
    return Average(found=by_model, words="clients varying")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Turned:
    """How a client's covariance is taken out of its rows: each arm's scale, and what moves from arm to arm."""

    root: Floats
    moved: Floats | None

    @classmethod
    def of(cls, found: ByClient, components: Components, spread: tuple[float, float]) -> _Turned:
        """From the model's variances; clients with the same counts are moved alike."""
        one = components
        residual = one.residual * np.array(spread)
        if one.intercept <= 0 and one.slope <= 0:
            return cls(root=np.sqrt(residual), moved=None)
        distinct, place = distinct_counts(found.counts)
        moved = moved_by_arm(distinct, (one.intercept, one.both, one.slope), residual)
        return cls(root=np.sqrt(residual), moved=moved[place])

    def within(self, found: ByClient, mine: slice) -> Floats:
        """What the sums of a client's arms, side by side, add to its cross-products, (clients, 2, 2)."""
        moved = np.asarray(self.moved)[mine]
        turned = moved.transpose(0, 2, 1)
        return np.asarray(moved + turned + turned @ (found.counts[mine][:, :, None] * moved))


def _pooled(found: ByClient, turned: _Turned | None) -> Floats:
    """Cross-products by site with clients' covariances taken out."""
    if turned is None:
        return np.asarray(found.by_arm[0] + found.by_arm[1])
    out: Floats = found.by_arm[0] / turned.root[0] ** 2 + found.by_arm[1] / turned.root[1] ** 2
    if turned.moved is None:
        return out
    for site, mine in found.chunks():
        sums = own_sums(found.products[mine], found.k) / turned.root[:, None]
        flat = sums.reshape(-1, sums.shape[-1])
        out[site] += flat.T @ (turned.within(found, mine) @ sums).reshape(flat.shape)
    return out


def _clients(found: ByClient, turned: _Turned | None, weight: Floats | None) -> Iterator[Clusters]:
    """Every client as a cluster, with its covariance taken out where there is one to take."""
    k = found.k
    for site, mine in found.chunks():
        products = found.products[mine]
        own = np.ones(len(products)) if weight is None else weight[mine]
        if turned is not None:
            products = products / (turned.root**2)[:, None]
        gram = labelled(products, k)
        if turned is not None and turned.moved is not None:
            sums = own_sums(found.products[mine], k) / turned.root[:, None]
            gram += sums.transpose(0, 2, 1) @ (turned.within(found, mine) @ sums)
        yield Clusters(site=site, place=mine, gram=gram, weight=own)


def _moved_within(found: ByClient, turned: _Turned, mine: Codes) -> Floats:
    """What taking the clients' covariances out adds to the cross-products of some cells."""
    cells, k = found.cells, found.k
    client, arm, ones = found.place[mine], cells.arm[mine], cells.products[mine, :k]
    sums = own_sums(found.products[client, :, :k], k) / turned.root[:, None]
    shift = np.einsum("gb,gbi->gi", np.asarray(turned.moved)[client, arm], sums)
    own = np.column_stack([ones[:, 0] * arm, ones]) / turned.root[arm][:, None]
    cross = own.T @ shift
    return np.asarray(cross + cross.T + (shift * ones[:, :1]).T @ shift)


def _practitioners(found: ByClient, turned: _Turned | None) -> list[Clusters]:
    """Every practitioner as a cluster, site by site."""
    cells, k = found.cells, found.k
    scale = np.ones(2) if turned is None else turned.root
    key = 2 * cells.practitioner + cells.arm
    products = added_within(cells.products, key, 2 * cells.people, cells.site).reshape(cells.people, 2, -1)
    gram = labelled(products / (scale**2)[:, None], k)
    if turned is not None and turned.moved is not None:
        order = np.argsort(cells.practitioner, kind="stable")
        ends = np.cumsum(np.bincount(cells.practitioner, minlength=cells.people))
        for person, (first, end) in enumerate(zip(np.r_[0, ends[:-1]], ends, strict=True)):
            gram[person] += _moved_within(found, turned, order[first:end])
    site = np.zeros(cells.people, dtype=np.intp)
    site[cells.practitioner] = cells.site
    places = [np.flatnonzero(site == one) for one in range(found.sites)]
    return [
        Clusters(site=one, place=at, gram=gram[at], weight=np.ones(len(at))) for one, at in enumerate(places) if len(at)
    ]
