"""The one estimate from sums alone: what `estimate` says of a drawn comparison, without its rows.

A cell is a client's sessions with one practitioner in one arm: how many, and the cross-products of what is known of
each. Model, robust interval and the average in which every client weighs the same follow from cells; sites are columns
that are the same for all sessions of a client, so that no matrix grows with sites times clients.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from toolkit.effect.cluster_robust import Robust
from toolkit.effect.whose_average import MANY_PRACTITIONERS, Average, flatters, moved_by_arm
from toolkit.errors import FitError, NotEnoughError
from toolkit.mixed.cross_products import CrossProducts
from toolkit.mixed.search import best_point

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
CORE = ("one", "base", "gap", "has_second", "first_visit", "log_visit", "day_rank", "y")
ONE, Y = 0, 7
TIME = (4, 5, 6)  # columns that are taken in where those before them do not tell them already


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells:
    """Sessions summed up: codes of client, practitioner and site, the arm (0 or 1), `products` (cells, 8, 8) of `CORE`.

    Columns are less their means over all sessions (but `one`); `keep` names those that vary.
    """

    client: Codes
    practitioner: Codes
    site: Codes
    arm: Codes
    products: Floats
    keep: tuple[int, ...]

    @property
    def n(self) -> int:
        """How many sessions."""
        return round(float(self.products[:, ONE, ONE].sum()))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Grams:
    """Clusters with one site each: cross-products of [label, kept columns, y], and the weight of their rows."""

    gram: Floats
    site: Codes
    weight: Floats


def estimate_from_sums(cells: Cells) -> tuple[Average, str]:
    """The treatment effect with its standard error and df, and the model in words.

    Raises
    ------
    NotEnoughError, FitError
        As for `estimate`.
    """
    n_clients = int(cells.client.max(initial=-1)) + 1
    if n_clients < 3 or cells.n < 5:
        raise NotEnoughError(f"{cells.n} sessions of {n_clients} clients can be compared; at least 5 of 3 are needed.")
    whole = _with_label(cells)
    by_client = np.zeros((n_clients, 2))
    np.add.at(by_client, (cells.client, cells.arm), cells.products[:, ONE, ONE])
    slope = bool(((by_client >= 2).all(axis=1)).sum() >= 5)
    weights = [(cells.arm == arm).astype(float) for arm in (0, 1)]
    by_arm = [_full(_Grams(gram=whole, site=cells.site, weight=weight), cells) for weight in weights]
    spread = _scatter_by_arm(by_arm, by_client.sum(axis=0))
    components = _components(cells, whole, by_client, slope=slope)
    found = _average(cells, whole, by_arm, components, spread, by_client)
    said = f"mixed model, clients and practitioners random{'; effect varying between clients' if slope else ''}"
    return found, f"{said}; cluster-robust interval (CR2), {found.words}; from sums over clients"


def without_told(cells: Cells, *, share: float) -> Cells:
    """The cells without columns of `TIME` of which those before them leave less than a share of the squares."""
    kept = [place for place in cells.keep if place not in TIME]
    for place in (one for one in TIME if one in cells.keep):
        some = replace(cells, keep=(*kept, place))
        whole = _with_label(some)
        gram = _full(_Grams(gram=whole, site=cells.site, weight=np.ones(len(whole))), cells)[1:-1, 1:-1]
        at = 1 + len(kept)
        known = np.delete(np.arange(len(gram)), at)
        cross = gram[known, at]
        left = gram[at, at] - cross @ np.linalg.lstsq(gram[np.ix_(known, known)], cross, rcond=None)[0]
        if left > share * max(gram[at, at], 1e-12):
            kept.append(place)
    return replace(cells, keep=tuple(kept))


def _with_label(cells: Cells) -> Floats:
    """Products of [label, one, kept columns …, y]: the label is the arm, the same in a cell."""
    core = cells.products[:, [ONE, *cells.keep, Y]][:, :, [ONE, *cells.keep, Y]]
    label = cells.arm[:, None] * core[:, 0]
    top = np.concatenate([label[:, :1], label], axis=1)
    return np.concatenate([top[:, None, :], np.concatenate([label[:, :, None], core], axis=2)], axis=1)


def _sites(cells: Cells) -> int:
    return int(cells.site.max(initial=0))


def _people(cells: Cells) -> int:
    return int(cells.practitioner.max(initial=-1)) + 1


def _spread_out(cells: Cells, k: int) -> Codes:
    """Where a site's own copy of `one` stands among all columns: -1 for the first site, which has none."""
    place = np.arange(_sites(cells) + 1) + k - 1
    place[0] = -1
    return place


def _full(found: _Grams, cells: Cells, *, power: int = 1) -> Floats:
    """Weighted cross-products of all columns, sites among them, and y at the end."""
    k = found.gram.shape[1] - 1
    size = k + _sites(cells)
    place = _spread_out(cells, k)
    out = np.zeros((size + 1, size + 1))
    core = np.r_[np.arange(k), size]
    by_site = np.zeros((_sites(cells) + 1, k + 1, k + 1))
    np.add.at(by_site, found.site, found.gram * (found.weight**power)[:, None, None])
    out[np.ix_(core, core)] = by_site.sum(axis=0)
    for site in range(1, len(place)):
        at = place[site]
        out[at, core] = out[core, at] = by_site[site, 1]
        out[at, at] = by_site[site, 1, 1]
    return out


def _solved(full: Floats) -> tuple[Floats, Floats]:
    """(inverse of X'X, coefficients), or an error where columns cannot be told apart."""
    x = full[:-1, :-1]
    scale = 1 / np.sqrt(np.maximum(np.diag(x), 1e-300))
    scaled = x * np.outer(scale, scale)
    values = np.linalg.eigvalsh(scaled)
    if values[0] < 1e-12 * values[-1]:
        raise FitError("Nothing is left to judge the difference by: what was drawn can be told from the other columns.")
    bread = np.linalg.inv(scaled) * np.outer(scale, scale)
    return bread, bread @ full[:-1, -1]


def _left(full: Floats, beta: Floats) -> float:
    """Sum of squares that is left over."""
    contrast = np.r_[-beta, 1.0]
    return float(contrast @ full @ contrast)


def _scatter_by_arm(by_arm: list[Floats], counts: Floats) -> tuple[float, float]:
    """Residual variance of both arms over that of all, as `whose_average.scatter_by_arm`."""
    _, beta = _solved(by_arm[0] + by_arm[1])
    left = [_left(one, beta) for one in by_arm]
    everyone = sum(left) / counts.sum()
    found = [float((one + 4 * everyone) / ((n + 4) * everyone)) for one, n in zip(left, counts, strict=True)]
    return found[0], found[1]


def _components(cells: Cells, whole: Floats, by_client: Floats, *, slope: bool) -> tuple[float, float, float, float]:
    """Variances of the mixed model: client intercept, covariance with the effect, effect, residual."""
    clients = bool(by_client.sum(axis=1).max() > 1)
    if not clients:  # nobody came twice: practitioners are the one grouping there is
        by_person = _summed(
            np.eye(2)[cells.arm] * cells.products[:, ONE, ONE, None], cells.practitioner, _people(cells)
        )
        cells, by_client = (
            replace(cells, client=cells.practitioner, practitioner=np.zeros_like(cells.client)),
            by_person,
        )
    parts, spread = _parts(cells, whole, by_client, slope=slope)
    point, _ = best_point(parts, reml=True)
    sigma2 = point.rss / (parts.n - parts.p)
    if not clients or not parts.k:
        return 0.0, 0.0, 0.0, sigma2
    g = sigma2 * point.relative_covariance
    if parts.k == 1:
        return float(g[0, 0]), 0.0, 0.0, sigma2
    return float(g[0, 0]), float(g[0, 1] / spread), float(g[1, 1] / spread**2), sigma2


def _parts(cells: Cells, whole: Floats, by_client: Floats, *, slope: bool) -> tuple[CrossProducts, float]:
    """The mixed model's cross-products and the scale of the effect's column; least squares is taken off y."""
    full = _full(_Grams(gram=whole, site=cells.site, weight=np.ones(len(whole))), cells)
    _, beta = _solved(full)
    k, size, n_clients = whole.shape[1] - 1, len(full) - 1, len(by_client)
    n_people = _people(cells)
    people = n_people if 1 < n_people < cells.n else 0
    can_slope = slope and bool((by_client > 0).all(axis=1).any()) and 2 * n_clients < cells.n
    spread = float(np.sqrt(by_client[:, 1].sum() / cells.n)) if can_slope else 1.0
    # sums of each client (and of its sessions with the technique) over all columns, y less what is explained, people
    sums = _client_sums(cells, whole, beta, people)
    joint = np.zeros((size + 1 + people, size + 1 + people))
    contrast = np.eye(size + 1)
    contrast[:-1, -1] = -beta
    joint[: size + 1, : size + 1] = contrast.T @ full @ contrast
    if people:
        of_person = _person_sums(cells, whole, people, k, size) @ contrast
        joint[size + 1 :, : size + 1], joint[: size + 1, size + 1 :] = of_person, of_person.T
        counts = np.bincount(cells.practitioner, weights=cells.products[:, ONE, ONE], minlength=people)
        joint[np.arange(size + 1, size + 1 + people), np.arange(size + 1, size + 1 + people)] = counts
    scale = np.ones(len(joint))
    scale[:size] = 1 / np.sqrt(np.diag(full)[:-1])
    joint *= np.outer(scale, scale)
    order = 2 if can_slope else 1 if 1 < n_clients < cells.n else 0
    random = [sums[a] @ sparse.diags_array(scale) for a in range(order)]
    if order == 2:
        random[1] = random[1] / spread
    total = by_client.sum(axis=1)
    gram = np.empty((n_clients, order, order))
    if order:
        gram[:, 0, 0] = total
    if order == 2:
        gram[:, 0, 1] = gram[:, 1, 0] = by_client[:, 1] / spread
        gram[:, 1, 1] = by_client[:, 1] / spread**2
    _, first, block_of = np.unique(
        by_client if order == 2 else total[:, None], axis=0, return_index=True, return_inverse=True
    )
    block_of = block_of.reshape(-1)
    d = len(first)
    return (
        CrossProducts(
            n=cells.n,
            p=size,
            k=order,
            correlated=True,
            dense_of=np.zeros(people, dtype=np.intp),
            joint=joint,
            sums=np.empty((0, order, len(joint))),
            blocks=gram[first] if order else np.empty((0, 0, 0)),
            block_of=block_of if order else np.empty(0, dtype=np.intp),
            counts=np.bincount(block_of, minlength=d).astype(float) if order else np.empty(0),
            grouped=cast("Floats", _grouped(random, block_of, d)) if order else None,
        ),
        spread,
    )


def _client_sums(cells: Cells, whole: Floats, beta: Floats, people: int) -> list[sparse.csr_array]:
    """For each client the sums of all columns over its sessions, and over those with the technique; sparse."""
    k = whole.shape[1] - 1
    size = len(beta)
    place = _spread_out(cells, k)
    at = place[cells.site]
    beta_site = np.where(at >= 0, beta[at], 0.0)
    n = cells.products[:, ONE, ONE]
    first = whole[:, 1, :]  # sums of the core columns over the cell
    rest = first[:, -1] - first[:, :k] @ beta[:k] - beta_site * n
    rows = [np.repeat(cells.client, k), cells.client, cells.client[at >= 0]]
    columns = [np.tile(np.arange(k), len(n)), np.full(len(n), size), at[at >= 0]]
    values = [first[:, :k].ravel(), rest, n[at >= 0]]
    if people:
        rows.append(cells.client)
        columns.append(cells.practitioner + size + 1)
        values.append(n)
    shape = (int(cells.client.max()) + 1, size + 1 + people)
    out = []
    for treated in (np.ones(len(n)), cells.arm.astype(float)):
        weighed = [np.repeat(treated, k), treated, treated[at >= 0], *([treated] if people else [])]
        data = np.concatenate([v * w for v, w in zip(values, weighed, strict=True)])
        found = sparse.coo_array((data, (np.concatenate(rows), np.concatenate(columns))), shape=shape)
        out.append(sparse.csr_array(found))
    return out


def _person_sums(cells: Cells, whole: Floats, people: int, k: int, size: int) -> Floats:
    """For each practitioner the sums of all columns and y."""
    out = np.zeros((people, size + 1))
    np.add.at(out[:, :k], cells.practitioner, whole[:, 1, :k])
    np.add.at(out[:, size], cells.practitioner, whole[:, 1, -1])
    at = _spread_out(cells, k)[cells.site]
    there = at >= 0
    np.add.at(out, (cells.practitioner[there], at[there]), cells.products[there, ONE, ONE])
    return out


def _grouped(random: list[sparse.csr_array], block_of: Codes, d: int) -> sparse.csr_array:
    """Outer products of client sums added over clients with the same counts, one row a block and pair; sparse."""
    order = np.argsort(block_of, kind="stable")
    ends = np.cumsum(np.bincount(block_of, minlength=d))
    rows = []
    for block in range(d):
        mine = order[ends[block - 1] if block else 0 : ends[block]]
        some = [one[mine] for one in random]
        rows.append(some[0].T @ some[0])
        if len(some) == 2:
            cross = some[0].T @ some[1]
            rows += [cross + cross.T, some[1].T @ some[1]]
    flat = [sparse.coo_array(one).reshape((1, one.shape[0] * one.shape[1])) for one in rows]
    return sparse.csr_array(sparse.vstack(flat))


def _average(
    cells: Cells,
    whole: Floats,
    by_arm: list[Floats],
    components: tuple[float, float, float, float],
    spread: tuple[float, float],
    by_client: Floats,
) -> Average:
    """Weighed as the model weighs or every client the same, as `whose_average.average`."""
    n_clients = len(by_client)
    site_of = np.zeros(n_clients, dtype=np.intp)
    site_of[cells.client] = cells.site
    once = cells.n == n_clients  # a session each: all weigh the same
    spread = (1.0, 1.0) if once else spread
    white = whole if once else _whitened(cells, whole, components, spread, by_client)
    by_model = _robust(_summed(white, cells.client, n_clients), site_of, np.ones(n_clients), cells)
    total = by_client.sum(axis=1)
    equal_weight = cells.n / n_clients / total
    equal = _robust(_summed(whole, cells.client, n_clients), site_of, equal_weight, cells)
    bread, beta = _solved(by_arm[0] / spread[0] + by_arm[1] / spread[1])
    left = _left(by_arm[0], beta) / spread[0] + _left(by_arm[1], beta) / spread[1]
    plain = float(np.sqrt(bread[0, 0] * left / max(cells.n - len(beta), 1)))
    if plain > by_model.se:
        by_model = replace(by_model, se=plain)
    if flatters(by_model, equal):
        return Average(found=equal, words="every client weighing the same")
    people = _people(cells)
    if people >= MANY_PRACTITIONERS:
        site_of_person = np.zeros(people, dtype=np.intp)
        site_of_person[cells.practitioner] = cells.site
        wider = _robust(_summed(white, cells.practitioner, people), site_of_person, np.ones(people), cells)
        if wider.se > by_model.se:
            return Average(found=wider, words="practitioners varying")
    return Average(found=by_model, words="clients varying")


def _summed(products: Floats, code: Codes, length: int) -> Floats:
    out = np.zeros((length, *products.shape[1:]))
    np.add.at(out, code, products)
    return out


def _whitened(
    cells: Cells,
    whole: Floats,
    components: tuple[float, float, float, float],
    spread: tuple[float, float],
    by_client: Floats,
) -> Floats:
    """Cross-products of each cell with the client's covariance under the model taken out of its rows."""
    intercept, both, slope, sigma2 = components
    residual = sigma2 * np.array(spread)
    root = np.sqrt(residual)[cells.arm]
    scaled = whole / (root**2)[:, None, None]
    if intercept <= 0 and slope <= 0:
        return np.asarray(scaled)
    sums = np.zeros((len(by_client), 2, whole.shape[1]))
    own = whole[:, 1, :] / root[:, None]
    np.add.at(sums, (cells.client, cells.arm), own)
    shift = (moved_by_arm(by_client, (intercept, both, slope), residual) @ sums)[cells.client, cells.arm]
    cross = own[:, :, None] * shift[:, None, :]
    counts = cells.products[:, ONE, ONE][:, None, None]
    return np.asarray(scaled + cross + cross.transpose(0, 2, 1) + counts * shift[:, :, None] * shift[:, None, :])


def _robust(grams: Floats, site: Codes, weight: Floats, cells: Cells) -> Robust:
    """CR2 over clusters from their cross-products; see `cluster_robust`."""
    found = _Grams(gram=grams, site=site, weight=weight)
    full = _full(found, cells)
    bread, beta = _solved(full)
    spread = bread @ _full(found, cells, power=2)[:-1, :-1] @ bread
    k = grams.shape[1] - 1
    place = _spread_out(cells, k)
    inner = _at_site(spread, place, k)[site] - 2 * weight[:, None, None] * _at_site(bread, place, k)[site]
    column = _vector_at_site(bread[:, 0], place, k)[site]
    coefficients = _vector_at_site(beta, place, k)[site]
    x = grams[:, :k, :k]
    values, vectors = np.linalg.eigh(x)
    sound = values > 1e-12 * values[:, -1:]
    size = np.where(sound, np.sqrt(np.maximum(values, 0)), 0.0)
    r = size[:, :, None] * vectors.transpose(0, 2, 1)
    blocks = np.eye(k) + r @ inner @ r.transpose(0, 2, 1)
    own, turned = np.linalg.eigh((blocks + blocks.transpose(0, 2, 1)) / 2)
    back = np.where(own > 1e-8, 1 / np.sqrt(np.maximum(own, 1e-8)), 0.0)
    within = weight[:, None] * np.einsum("gij,gj->gi", r, column)
    mine = np.einsum("gij,gj->gi", turned, back * np.einsum("gji,gj->gi", turned, within))
    left = grams[:, :k, k] - np.einsum("gij,gj->gi", x, coefficients)
    seen = np.einsum("gji,gj->gi", vectors, left) * np.where(sound, 1 / np.where(sound, size, 1.0), 0.0)
    scores = np.sum(mine * seen, axis=1)
    reached = np.einsum("gji,gj->gi", r, mine)
    variance = float(scores @ scores)
    df = _df(np.sum(mine**2, axis=1), reached, weight, site, bread, spread, place)
    if len(scores) < 3 or variance <= 0 or not np.isfinite(df) or df <= 0:
        raise FitError("Nothing is left to judge the difference by: too few clients carry it.")
    return Robust(value=float(beta[0]), se=float(np.sqrt(variance)), df=df, scores=scores)


def _at_site(matrix: Floats, place: Codes, k: int) -> Floats:
    """What a matrix of all columns is for rows of each site, whose copy of `one` joins `one`; (sites, k, k)."""
    out = np.repeat(matrix[None, :k, :k], len(place), axis=0)
    for site in range(1, len(place)):
        at = place[site]
        out[site, 1, :] += matrix[at, :k]
        out[site, :, 1] += matrix[:k, at]
        out[site, 1, 1] += matrix[at, at]
    return out


def _vector_at_site(vector: Floats, place: Codes, k: int) -> Floats:
    out = np.repeat(vector[None, :k], len(place), axis=0)
    out[1:, 1] += vector[place[1:]]
    return np.asarray(out)


def _df(
    inside: Floats, reached: Floats, weight: Floats, site: Codes, bread: Floats, spread: Floats, place: Codes
) -> float:
    """Satterthwaite's df, as `cluster_robust` has it, from sums by site."""
    k, size = reached.shape[1], len(bread)
    local_bread, local_spread = _at_site(bread, place, k)[site], _at_site(spread, place, k)[site]
    each = np.einsum("gi,gij,gj->g", reached, local_spread, reached)
    each -= 2 * weight * np.einsum("gi,gij,gj->g", reached, local_bread, reached)
    outer = np.zeros((3, len(place), k, k))
    products = reached[:, :, None] * reached[:, None, :]
    for power in range(3):
        np.add.at(outer[power], site, products * (weight**power)[:, None, None])
    blocks = []
    for power in range(3):
        full = np.zeros((size, size))
        full[:k, :k] = outer[power].sum(axis=0)
        for one in range(1, len(place)):
            full[place[one], :k] = full[:k, place[one]] = outer[power][one, 1]
            full[place[one], place[one]] = outer[power][one, 1, 1]
        blocks.append(full)
    carried = np.block([[blocks[0], blocks[1]], [blocks[1], blocks[2]]])
    kernel = np.block([[spread, -bread], [-bread, np.zeros_like(bread)]])
    gram = kernel @ carried
    square = float(np.sum(inside**2) + 2 * np.sum(inside * each) + np.sum(gram * gram.T))
    return float(inside.sum() + np.trace(gram)) ** 2 / square
