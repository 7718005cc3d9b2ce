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

from toolkit.effect.average_from_sums import Components, average_from_sums, left_over
from toolkit.effect.client_sums import (
    ONE,
    ByClient,
    Codes,
    Floats,
    added_within,
    by_client,
    distinct_counts,
    full,
    in_order,
    own_sums,
    pairs_of,
    solved,
    square,
    vector_at_site,
)
from toolkit.effect.cluster_robust import TOLD
from toolkit.effect.whose_average import Average
from toolkit.errors import NotEnoughError
from toolkit.mixed.nested import NestedProducts, height
from toolkit.mixed.search import highest

TIME = ("first_visit", "log_visit", "day_rank")  # taken in where those before them do not tell them already
LEAST = 1e-12
FROM_SUMS = "; from sums over clients"
MANY_CLIENTS = 2_000  # from which on a likelihood has one summit, and a search may begin near another fit's


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """The treatment effect, the model in words, and where the likelihood was highest."""

    average: Average
    method: str
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
    average = average_from_sums(found, components, spread, either_way=either_way)
    said = f"mixed model, clients and practitioners random{'; effect varying between clients' if slope else ''}"
    method = f"{said}; cluster-robust interval (CR2), {average.words}{FROM_SUMS}"
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
    products = found.cells.products[square(len(names))[at[rows], at[columns]]]
    return by_client(replace(found.cells, products=products, names=tuple(names[place] for place in at)))


def _scatter_by_arm(found: ByClient) -> tuple[float, float]:
    """Residual variance of both arms over that of all, as `whose_average.scatter_by_arm`."""
    by_arm = [full(one) for one in found.by_arm]
    _, beta = solved(by_arm[0] + by_arm[1])
    left = [left_over(one, beta) for one in by_arm]
    counts = found.counts.sum(axis=0)
    everyone = sum(left) / counts.sum()
    ratios = [float((one + 4 * everyone) / ((n + 4) * everyone)) for one, n in zip(left, counts, strict=True)]
    return ratios[0], ratios[1]


def _components(found: ByClient, *, slope: bool, near: Floats | None) -> Components:
    """Variances of the mixed model."""
    clients = bool(found.counts.sum(axis=1).max() > 1)
    if not clients:  # nobody came twice: practitioners are the one grouping there is
        cells = found.cells
        found = by_client(replace(cells, client=cells.practitioner, practitioner=np.zeros_like(cells.client)))
    parts, spread = nested_parts(found, slope=slope)
    point, _ = highest(parts, partial(height, parts), near=near)
    sigma2 = point.rss / (parts.n - parts.p)
    g = sigma2 * point.relative_covariance
    if not clients or not parts.k:
        return Components(intercept=0.0, both=0.0, slope=0.0, residual=sigma2, theta=point.theta)
    rest = (float(g[0, 1] / spread), float(g[1, 1] / spread**2)) if parts.k == 2 else (0.0, 0.0)
    return Components(intercept=float(g[0, 0]), both=rest[0], slope=rest[1], residual=sigma2, theta=point.theta)


def nested_parts(found: ByClient, *, slope: bool) -> tuple[NestedProducts, float]:
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
    ones = added_within(cells.products[:k], 2 * cells.practitioner + cells.arm, 2 * cells.people, cells.site)
    sums = own_sums(ones.reshape(k, -1, 2).transpose(0, 2, 1), k).sum(axis=0).T
    return _People(site=site, number=number, sums=sums, of_cell=number[cells.practitioner])


def _grouped(
    found: ByClient, people: _People, contrast: Floats, order: int, size: int, spread: float
) -> tuple[Floats, Codes, Codes, Floats, Floats]:
    """Outer products of client sums added over clients of a site with the same counts; their blocks and counts."""
    counts, k = found.counts, found.k
    distinct, block_of = found.alike if order == 2 else distinct_counts(counts.sum(axis=1)[:, None])
    gram = np.empty((len(distinct), order, order))
    if order:
        gram[:, 0, 0] = distinct.sum(axis=1)
    if order == 2:
        gram[:, 0, 1] = gram[:, 1, 0] = distinct[:, 1] / spread
        gram[:, 1, 1] = distinct[:, 1] / spread**2
    m, rows, blocks, starts = k + 1 + size, [], [], [0]
    for site, sums in enumerate(_sums_by_site(found, people, size) if order else ()):
        sums[:, : k + 1] = contrast[site].T @ sums[:, : k + 1]
        mine = block_of[found.starts[site] : found.starts[site + 1]]
        by_block = in_order(mine)
        sizes = np.bincount(mine)
        here = np.flatnonzero(sizes)
        firsts = np.cumsum(sizes[here]) - sizes[here]
        blocks.append(here)
        starts.append(starts[-1] + len(here))
        all_of, treated = sums[0] + sums[1], sums[1] / spread
        all_of, treated = all_of[:, by_block], treated[:, by_block]
        for some in map(slice, firsts, [*firsts[1:], len(mine)]):
            products = [all_of[:, some] @ all_of[:, some].T]
            if order == 2:
                cross = all_of[:, some] @ treated[:, some].T
                products += [cross + cross.T, treated[:, some] @ treated[:, some].T]
            rows.append(products)
    pairs = order * (order + 1) // 2
    return (
        np.array(rows).reshape(-1, pairs, m * m) if rows else np.empty((0, pairs, m * m)),
        np.array(starts, dtype=np.intp),
        np.concatenate(blocks).astype(np.intp) if blocks else np.empty(0, dtype=np.intp),
        gram,
        np.bincount(block_of, minlength=len(distinct)).astype(float) if order else np.empty(0),
    )


def _sums_by_site(found: ByClient, people: _People, size: int) -> Iterator[Floats]:
    """Sums by arm and client of [label, one, kept, y] and of each practitioner's sessions, (2, m, clients) by site."""
    k, cells = found.k, found.cells
    by_site = in_order(cells.site)
    ends = np.cumsum(np.bincount(cells.site, minlength=found.sites))
    for site, (first, end) in enumerate(zip(found.starts, found.starts[1:], strict=False)):
        n = int(end - first)
        out = np.empty((2, k + 1 + size, n))
        out[:, : k + 1] = own_sums(found.products[:, :, first:end], k)
        if size:
            here = by_site[ends[site - 1] if site else 0 : ends[site]]
            at = (cells.arm[here] * size + people.of_cell[here]) * n + found.place[here] - first
            counted = np.bincount(at, weights=cells.products[0, here], minlength=2 * size * n)
            out[:, k + 1 :] = counted.reshape(2, size, n)
        yield out
