"""Sessions summed up by client, practitioner and arm, put in the order of sites; cross-products of all their columns.

A cell is a client's sessions with one practitioner in one arm: the cross-products of what is known of each, as the
upper triangle of a matrix over `names` ("packed", row by row). One row a product, one column a cell or client: sums
over any of them are products of matrices. Sites are columns that are the same for all sessions of a client: no matrix
grows with sites times clients, they are linked with the columns that all sites share and with nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from toolkit.errors import FitError

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
LABEL, ONE = 0, 1  # places among [label, one, kept columns …, y]
_CLIENTS_AT_ONCE, _CODES_AT_ONCE = 4_000, 100


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells:
    """Sessions summed up: codes of client, practitioner and site (no gaps), the arm (0 or 1), `products` of `names`.

    `names` begins with "one" and ends with "y"; `products` (pairs, cells) is the upper triangle, row by row. Columns
    are less a number near their mean (but `one`). A client or practitioner belongs to one site.
    """

    client: Codes
    practitioner: Codes
    site: Codes
    arm: Codes
    products: Floats
    names: tuple[str, ...]

    @property
    def n(self) -> int:
        """How many sessions."""
        return round(float(self.products[0].sum()))

    @property
    def people(self) -> int:
        """How many practitioners."""
        return int(self.practitioner.max(initial=-1)) + 1


def pairs_of(width: int) -> tuple[Codes, Codes]:
    """Rows and columns of an upper triangle, row by row."""
    rows, columns = np.triu_indices(width)
    return rows.astype(np.intp), columns.astype(np.intp)


def square(width: int) -> Codes:
    """Where each entry of a symmetric matrix stands in its upper triangle, shape (width, width)."""
    place = np.zeros((width, width), dtype=np.intp)
    rows, columns = pairs_of(width)
    place[rows, columns] = place[columns, rows] = np.arange(len(rows))
    return place


def added(values: Floats, code: Codes, length: int) -> Floats:
    """Columns of values added by code, (rows, n) to (rows, length)."""
    if len(code) and (np.diff(code) < 0).any():
        chosen = sparse.csr_array((np.ones(len(code)), code, np.arange(len(code) + 1)), shape=(len(code), length))
        return np.ascontiguousarray((chosen.T @ values.T).T)
    starts = np.flatnonzero(np.r_[True, code[1:] != code[:-1]]) if len(code) else np.empty(0, dtype=np.intp)
    if len(starts) == len(code) == length:  # each code once, in order
        return values
    out = np.zeros((len(values), length))
    if len(code):
        out[:, code[starts]] = values if len(starts) == len(code) else np.add.reduceat(values, starts, axis=1)
    return out


def added_within(values: Floats, code: Codes, length: int, site: Codes) -> Floats:
    """The same where the columns of a site stand together and hold few codes: small products of matrices."""
    out = np.zeros((len(values), length))
    starts = np.flatnonzero(np.r_[True, site[1:] != site[:-1]]) if len(site) else np.empty(0, dtype=np.intp)
    if 8 * len(starts) > len(site):
        return added(values, code, length)
    for first, end in zip(starts, np.r_[starts[1:], len(site)], strict=True):
        least = int(code[first:end].min())
        width = int(code[first:end].max()) + 1 - least
        if width > _CODES_AT_ONCE:
            out += added(values[:, first:end], code[first:end], length)
            continue
        for some in range(int(first), int(end), _CLIENTS_AT_ONCE):
            last = min(some + _CLIENTS_AT_ONCE, int(end))
            chosen = np.zeros((last - some, width))
            chosen[np.arange(last - some), code[some:last] - least] = 1.0
            out[:, least : least + width] += values[:, some:last] @ chosen
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class ByClient:
    """Cells added up by client and arm, clients in the order of their sites.

    `products` (pairs, 2, clients); `site` (clients,); `starts`: where each site's clients begin, and their end;
    `place`: the client's number for each cell.
    """

    cells: Cells
    products: Floats
    site: Codes
    starts: Codes
    place: Codes

    @property
    def k(self) -> int:
        """Columns that all sites share: the label, one, and those kept."""
        return len(self.cells.names)

    @property
    def sites(self) -> int:
        """How many sites."""
        return len(self.starts) - 1

    @cached_property
    def counts(self) -> Floats:
        """Sessions of each client in each arm, shape (clients, 2)."""
        return np.ascontiguousarray(self.products[0].T)

    @cached_property
    def alike(self) -> tuple[Floats, Codes]:
        """The distinct counts of both arms, and which of them each client has."""
        return distinct_counts(self.counts)

    @cached_property
    def by_arm(self) -> list[Floats]:
        """Cross-products of [label, one, kept, y] of each arm at each site, two of shape (sites, k + 1, k + 1)."""
        at_site = np.add.reduceat(self.products, self.starts[:-1], axis=2)
        return [unpacked(labelled(at_site * np.eye(2)[arm][:, None], self.k)) for arm in (0, 1)]

    def at_sites(self, weight: Floats) -> Floats:
        """Cross-products of both arms together, clients weighed, (sites, k + 1, k + 1)."""
        parts = map(slice, self.starts[:-1], self.starts[1:])
        return unpacked(labelled(np.stack([self.products[:, :, one] @ weight[one] for one in parts], axis=-1), self.k))

    def chunks(self) -> Iterator[tuple[int, slice]]:
        """Clients of one site, as many at a time as stay at hand."""
        for site in range(self.sites):
            for first in range(int(self.starts[site]), int(self.starts[site + 1]), _CLIENTS_AT_ONCE):
                yield site, slice(first, min(first + _CLIENTS_AT_ONCE, int(self.starts[site + 1])))


def by_client(cells: Cells) -> ByClient:
    """Cells added up by client and arm.

    Examples
    --------
    >>> code = np.array([0, 0, 1])
    >>> codes = {"client": code, "practitioner": code, "site": code, "arm": np.array([0, 1, 1])}
    >>> cells = Cells(**codes, products=np.ones((3, 3)), names=("one", "y"))
    >>> by_client(cells).counts.tolist()
    [[1.0, 1.0], [0.0, 1.0]]
    """
    n_clients = int(cells.client.max(initial=-1)) + 1
    site_of = np.zeros(n_clients, dtype=np.intp)
    site_of[cells.client] = cells.site
    order = in_order(site_of)
    rank = np.empty(n_clients, dtype=np.intp)
    rank[order] = np.arange(n_clients)
    place = rank[cells.client]
    products = added(cells.products, cells.arm * n_clients + place, 2 * n_clients)
    site = site_of[order]
    starts = np.searchsorted(site, np.arange(int(site.max(initial=-1)) + 2)).astype(np.intp)
    products = products.reshape(len(products), 2, n_clients)
    return ByClient(cells=cells, products=products, site=site, starts=starts, place=place)


def labelled(products: Floats, k: int) -> Floats:
    """Packed products of [label, one, kept, y] from those of both arms, (pairs, 2, g) to (k + 1 + pairs, g)."""
    treated = products[:, 1]
    return np.concatenate([treated[:1], treated[:k], products[:, 0] + treated])


def unpacked(packed: Floats) -> Floats:
    """Whole matrices, (pairs, g) to (g, width, width)."""
    width = int(np.sqrt(2 * len(packed)))
    return np.ascontiguousarray(packed[square(width)].transpose(2, 0, 1))


def own_sums(products: Floats, k: int) -> Floats:
    """Sums of [label, one, kept, y] of each arm, (pairs, 2, g) to (2, k + 1, g)."""
    out = np.empty((2, k + 1, products.shape[-1]))
    out[:, 1:] = products[:k].transpose(1, 0, 2)
    out[0, LABEL], out[1, LABEL] = 0.0, out[1, ONE]
    return out


def full(at_site: Floats) -> Floats:
    """Cross-products of all columns: shared ones, one for each site but the first, and y at the end."""
    k, sites = at_site.shape[1] - 1, len(at_site)
    size = k + sites - 1
    out = np.zeros((size + 1, size + 1))
    core, own = np.r_[np.arange(k), size], np.arange(k, size)
    out[np.ix_(core, core)] = at_site.sum(axis=0)
    out[np.ix_(own, core)] = at_site[1:, ONE]
    out[np.ix_(core, own)] = at_site[1:, ONE].T
    out[own, own] = at_site[1:, ONE, ONE]
    return out


def at_site(matrix: Floats, k: int) -> Floats:
    """What a matrix of all columns is for rows of each site, whose own column joins `one`; (sites, k, k)."""
    own = np.arange(k, len(matrix))
    out = np.repeat(matrix[None, :k, :k], len(own) + 1, axis=0)
    out[1:, ONE, :] += matrix[own, :k]
    out[1:, :, ONE] += matrix[own, :k]
    out[1:, ONE, ONE] += matrix[own, own]
    return out


def vector_at_site(vector: Floats, k: int) -> Floats:
    """The same for coefficients, (sites, k)."""
    out = np.repeat(vector[None, :k], len(vector) - k + 1, axis=0)
    out[1:, ONE] += vector[k:]
    return np.asarray(out)


def solved(whole: Floats) -> tuple[Floats, Floats]:
    """(inverse of X'X, coefficients), or an error where columns cannot be told apart."""
    x = whole[:-1, :-1]
    scale = 1 / np.sqrt(np.maximum(np.diag(x), 1e-300))
    scaled = x * np.outer(scale, scale)
    values, vectors = np.linalg.eigh(scaled)
    if values[0] < 1e-12 * values[-1]:
        raise FitError("Nothing is left to judge the difference by: what was drawn can be told from the other columns.")
    bread = (vectors / values) @ vectors.T * np.outer(scale, scale)
    return bread, bread @ whole[:-1, -1]


def in_order(code: Codes) -> Codes:
    """Places in the order of codes, equal ones as they stand; short codes are sorted by their digits."""
    return np.argsort(code.astype(np.uint16) if code.max(initial=0) < 2**16 else code, kind="stable")


def distinct_counts(keys: Floats) -> tuple[Floats, Codes]:
    """Distinct rows of whole numbers, and which one each row is."""
    whole = keys.astype(np.int64)
    width = int(whole.max(initial=0)) + 1
    code = whole[:, 0] * width + whole[:, 1] if whole.shape[1] == 2 else whole[:, 0]
    if code.max(initial=0) < max(len(code), 1_000):  # counted, not sorted
        there = np.bincount(code) > 0
        found, place = np.flatnonzero(there), (np.cumsum(there) - 1)[code]
    else:
        found, place = np.unique(code, return_inverse=True)
    columns = [found // width, found % width] if whole.shape[1] == 2 else [found]
    return np.column_stack(columns).astype(float), place.reshape(-1).astype(np.intp)
