"""The one estimate from sums alone: what `estimate` says of a drawn comparison, without its rows.

Model, robust interval and the average in which every client weighs the same follow from cells (`client_sums`). Clients
and practitioners belong to sites, so the model is fitted site by site (`mixed.nested`) and its cost does not hang on
the number of rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from toolkit.effect.client_sums import (
    ONE,
    ByClient,
    Codes,
    Floats,
    added_within,
    by_client,
    full,
    labelled,
    own_sums,
    pairs_of,
    solved,
    square,
    vector_at_site,
)
from toolkit.effect.estimate import TOLD
from toolkit.effect.robust_from_sums import Clusters, robust
from toolkit.effect.whose_average import MANY_PRACTITIONERS, Average, flatters, moved_by_arm
from toolkit.errors import NotEnoughError
from toolkit.mixed.nested import NestedProducts, height
from toolkit.mixed.search import highest

TIME = ("first_visit", "log_visit", "day_rank")  # taken in where those before them do not tell them already
LEAST = 1e-12
MANY_CLIENTS = 2_000  # from which on a likelihood has one summit, and a search may begin near another fit's


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """The treatment effect, the model in words, and where the likelihood was highest."""

    average: Average
    method: str
    theta: Floats


@dataclass(frozen=True, kw_only=True)
class _Components:
    """Variances of the mixed model: client intercept, covariance with the effect, effect, residual."""

    intercept: float
    both: float
    slope: float
    residual: float
    theta: Floats


def estimate_from_sums(found: ByClient, *, near: Floats | None = None, either_way: bool = False) -> Found:
    """The treatment effect with its standard error and df, and the model in words.

    Parameters
    ----------
    found
        Sessions summed up by client and arm (`by_client`).
    near
        `theta` of a fit of nearly the same sessions: the search begins there.
    either_way
        Are both arms treatments, so that a weighing that flatters either counts?

    Raises
    ------
    NotEnoughError, FitError
        As for `estimate`.
    """
    n, n_clients = found.cells.n, len(found.counts)
    if n_clients < 3 or n < 5:
        raise NotEnoughError(f"{n} sessions of {n_clients} clients can be compared; at least 5 of 3 are needed.")
    found = _without_told(found)
    slope = bool(((found.counts >= 2).all(axis=1)).sum() >= 5)
    spread = _scatter_by_arm(found)
    components = _components(found, slope=slope, near=near if n_clients >= MANY_CLIENTS else None)
    average = _average(found, components, spread, either_way=either_way)
    said = f"mixed model, clients and practitioners random{'; effect varying between clients' if slope else ''}"
    method = f"{said}; cluster-robust interval (CR2), {average.words}; from sums over clients"
    return Found(average=average, method=method, theta=components.theta)


def _without_told(found: ByClient) -> ByClient:
    """The sums without columns that do not vary, and without those of time that the columns before them tell."""
    names = found.cells.names
    gram = full(found.by_arm[0] + found.by_arm[1])[1:, 1:]
    sites, kept = np.arange(len(names) - 1, len(gram) - 1), [0]
    for place, name in enumerate(names[1:-1], 1):
        squares = gram[place, place] - gram[0, place] ** 2 / gram[0, 0]
        left = squares
        if name in TIME:
            known = np.r_[kept, sites].astype(np.intp)
            cross = gram[known, place]
            left = gram[place, place] - cross @ np.linalg.lstsq(gram[np.ix_(known, known)], cross, rcond=None)[0]
        if squares > LEAST and left > TOLD * squares:
            kept.append(place)
    if len(kept) == len(names) - 1:
        return found
    at = np.r_[kept, len(names) - 1]
    rows, columns = pairs_of(len(at))
    products = found.cells.products[:, square(len(names))[at[rows], at[columns]]]
    return by_client(replace(found.cells, products=products, names=tuple(names[place] for place in at)))


def _scatter_by_arm(found: ByClient) -> tuple[float, float]:
    """Residual variance of both arms over that of all, as `whose_average.scatter_by_arm`."""
    by_arm = [full(one) for one in found.by_arm]
    _, beta = solved(by_arm[0] + by_arm[1])
    left = [_left(one, beta) for one in by_arm]
    counts = found.counts.sum(axis=0)
    everyone = sum(left) / counts.sum()
    ratios = [float((one + 4 * everyone) / ((n + 4) * everyone)) for one, n in zip(left, counts, strict=True)]
    return ratios[0], ratios[1]


def _left(whole: Floats, beta: Floats) -> float:
    """Sum of squares that is left over."""
    contrast = np.r_[-beta, 1.0]
    return float(contrast @ whole @ contrast)


def _components(found: ByClient, *, slope: bool, near: Floats | None) -> _Components:
    """Variances of the mixed model."""
    clients = bool(found.counts.sum(axis=1).max() > 1)
    if not clients:  # nobody came twice: practitioners are the one grouping there is
        cells = found.cells
        found = by_client(replace(cells, client=cells.practitioner, practitioner=np.zeros_like(cells.client)))
    parts, spread = _parts(found, slope=slope)
    point, _ = highest(parts, partial(height, parts), near=near)
    sigma2 = point.rss / (parts.n - parts.p)
    g = sigma2 * point.relative_covariance
    if not clients or not parts.k:
        return _Components(intercept=0.0, both=0.0, slope=0.0, residual=sigma2, theta=point.theta)
    rest = (float(g[0, 1] / spread), float(g[1, 1] / spread**2)) if parts.k == 2 else (0.0, 0.0)
    return _Components(intercept=float(g[0, 0]), both=rest[0], slope=rest[1], residual=sigma2, theta=point.theta)


def _parts(found: ByClient, *, slope: bool) -> tuple[NestedProducts, float]:
    """The mixed model's cross-products and the scale of the effect's column; least squares is taken off y."""
    k, n, counts = found.k, found.cells.n, found.counts
    whole = found.by_arm[0] + found.by_arm[1]
    _, beta = solved(full(whole))
    several = 1 < found.cells.people < n
    can_slope = slope and bool((counts > 0).all(axis=1).any()) and 2 * len(counts) < n
    order = 2 if can_slope else 1 if 1 < len(counts) < n else 0
    spread = float(np.sqrt(counts[:, 1].sum() / n)) if can_slope else 1.0
    contrast = np.tile(np.eye(k + 1), (found.sites, 1, 1))
    contrast[:, :k, k] = -vector_at_site(beta, k)
    scale = np.r_[1 / np.sqrt(np.diag(full(whole))[:k]), 1.0]
    contrast = contrast * scale
    people = _people(found) if several else _nobody(found)
    size = int(people.number.max(initial=-1)) + 1
    joint = np.zeros((found.sites, k + 1 + size, k + 1 + size))
    joint[:, : k + 1, : k + 1] = contrast.transpose(0, 2, 1) @ whole @ contrast
    if several:
        site, at = people.site, k + 1 + people.number
        sums = np.einsum("pi,pij->pj", people.sums, contrast[site])
        joint[site, at, : k + 1] = joint[site, : k + 1, at] = sums
        joint[site, at, at] = people.sums[:, ONE]
    grouped, starts, block_of, gram, counted = _grouped(found, people, contrast, order, size, spread)
    return (
        NestedProducts(
            n=n,
            p=k + found.sites - 1,
            k=order,
            shared=k,
            one=ONE,
            joint=joint,
            practitioners=several,
            grouped=grouped,
            starts=starts,
            block_of=block_of,
            blocks=gram,
            counts=counted,
        ),
        spread,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _People:
    """Practitioners: their site, number within it, sums of [label, one, kept, y]; and for each cell the number."""

    site: Codes
    number: Codes
    sums: Floats
    of_cell: Codes


def _nobody(found: ByClient) -> _People:
    none = np.empty(0, dtype=np.intp)
    return _People(site=none, number=none, sums=np.empty((0, found.k + 1)), of_cell=none)


def _people(found: ByClient) -> _People:
    cells, k = found.cells, found.k
    site = np.zeros(cells.people, dtype=np.intp)
    site[cells.practitioner] = cells.site
    order = np.argsort(site, kind="stable")
    number = np.empty(cells.people, dtype=np.intp)
    number[order] = np.arange(cells.people) - np.searchsorted(site[order], site[order])
    ones = cells.products[:, :k]
    own = np.column_stack([ones[:, 0] * cells.arm, ones])
    sums = added_within(own, cells.practitioner, cells.people, cells.site)
    return _People(site=site, number=number, sums=sums, of_cell=number[cells.practitioner])


def _grouped(
    found: ByClient, people: _People, contrast: Floats, order: int, size: int, spread: float
) -> tuple[Floats, Codes, Codes, Floats, Floats]:
    """Outer products of client sums added over clients of a site with the same counts; their blocks and counts."""
    counts, k = found.counts, found.k
    keys = counts if order == 2 else counts.sum(axis=1)[:, None]
    distinct, block_of = _distinct(keys)
    gram = np.empty((len(distinct), order, order))
    if order:
        gram[:, 0, 0] = distinct.sum(axis=1)
    if order == 2:
        gram[:, 0, 1] = gram[:, 1, 0] = distinct[:, 1] / spread
        gram[:, 1, 1] = distinct[:, 1] / spread**2
    m, rows, blocks, starts = k + 1 + size, [], [], [0]
    for site in range(found.sites if order else 0):
        mine = slice(int(found.starts[site]), int(found.starts[site + 1]))
        sums = _sums_of_site(found, people, mine, site, size)
        sums[:, :, : k + 1] = sums[:, :, : k + 1] @ contrast[site]
        by_block = np.argsort(block_of[mine], kind="stable")
        here, firsts = np.unique(block_of[mine][by_block], return_index=True)
        blocks.append(here)
        starts.append(starts[-1] + len(here))
        for some in np.split(sums[by_block], firsts[1:]):
            all_of, treated = some[:, 0] + some[:, 1], some[:, 1] / spread
            products = [all_of.T @ all_of]
            if order == 2:
                cross = all_of.T @ treated
                products += [cross + cross.T, treated.T @ treated]
            rows.append(products)
    pairs = order * (order + 1) // 2
    return (
        np.array(rows).reshape(-1, pairs, m * m) if rows else np.empty((0, pairs, m * m)),
        np.array(starts, dtype=np.intp),
        np.concatenate(blocks).astype(np.intp) if blocks else np.empty(0, dtype=np.intp),
        gram,
        np.bincount(block_of, minlength=len(distinct)).astype(float) if order else np.empty(0),
    )


def _distinct(keys: Floats) -> tuple[Floats, Codes]:
    """Distinct rows of whole numbers, and which one each row is."""
    whole = keys.astype(np.int64)
    width = int(whole.max(initial=0)) + 1
    code = whole[:, 0] * width + whole[:, 1] if whole.shape[1] == 2 else whole[:, 0]
    found, place = np.unique(code, return_inverse=True)
    columns = [found // width, found % width] if whole.shape[1] == 2 else [found]
    return np.column_stack(columns).astype(float), place.reshape(-1).astype(np.intp)


def _sums_of_site(found: ByClient, people: _People, mine: slice, site: int, size: int) -> Floats:
    """Sums by client and arm of [label, one, kept, y] and of each practitioner's sessions, (clients, 2, m)."""
    k = found.k
    out = np.zeros((mine.stop - mine.start, 2, k + 1 + size))
    out[:, :, : k + 1] = own_sums(found.products[mine], k)
    if size:
        cells = found.cells
        here = np.flatnonzero(cells.site == site)
        at = (found.place[here] - mine.start, cells.arm[here], k + 1 + people.of_cell[here])
        np.add.at(out, at, cells.products[here, 0])
    return out


def _average(found: ByClient, components: _Components, spread: tuple[float, float], *, either_way: bool) -> Average:
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
    left = _left(by_arm[0], beta) / spread[0] + _left(by_arm[1], beta) / spread[1]
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
    def of(cls, found: ByClient, components: _Components, spread: tuple[float, float]) -> _Turned:
        """From the model's variances; clients with the same counts are moved alike."""
        one = components
        residual = one.residual * np.array(spread)
        if one.intercept <= 0 and one.slope <= 0:
            return cls(root=np.sqrt(residual), moved=None)
        distinct, place = _distinct(found.counts)
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
