"""Standard error of a coefficient from leaving out one client at a time, from clients' cross-products.

Efron & Stein (1981) Annals of Statistics 9:586-596. Taking a client's rows out of a fit is a small correction of it, in
the columns that the client's site has (Woodbury's identity); only where a client alone carries a column is the rest
solved anew.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from toolkit.effect.client_sums import Codes, Floats, at_site, full, pairs_of, solved, unpacked, vector_at_site
from toolkit.effect.robust_from_sums import Clusters

_CARRIES = 1e-8  # share of the determinant that is left without a client who alone carries a column
_CLIENTS_AT_ONCE = 2_000


def one_left_out(clients: Iterator[Clusters], at_sites: Floats) -> float:
    """The jackknife standard error of the first column's coefficient.

    Parameters
    ----------
    clients
        Cross-products of [shared columns, y] of each client, some of one site at a time; weights are not looked at.
    at_sites
        The same added up by site, (sites, k + 1, k + 1); each site but the first has a column of its own beside.

    Raises
    ------
    FitError
        The columns cannot be told apart.
    """
    whole = full(at_sites)
    k = at_sites.shape[1] - 1
    bread, beta = solved(whole)
    local = at_site(bread, k), vector_at_site(bread[:, 0], k), vector_at_site(beta, k)
    values = np.concatenate(
        [_without(some, beta[0], *(one[some.site] for one in local), whole=whole, k=k) for some in clients]
    )
    n = len(values)
    return float(np.sqrt((n - 1) / n * np.sum((values - values.mean()) ** 2)))


def _without(
    some: Clusters, value: float, bread: Floats, column: Floats, beta: Floats, *, whole: Floats, k: int
) -> Floats:
    """The coefficient without each of these clients."""
    gram = unpacked(some.packed)
    x = gram[:, :k, :k]
    left = gram[:, :k, k] - x @ beta
    matrix = np.eye(k) - x @ bread
    carried = np.abs(np.linalg.det(matrix)) < _CARRIES
    matrix[carried] = np.eye(k)
    out = value - np.linalg.solve(matrix, left[:, :, None])[:, :, 0] @ column
    for place in np.flatnonzero(carried):
        out[place] = _anew(whole, gram[place], some.site, k)
    return np.asarray(out)


def _anew(whole: Floats, gram: Floats, site: int, k: int) -> float:
    """The coefficient of what is left, where a column goes with the client."""
    sites = len(whole) - k
    own = np.zeros((sites, k + 1, k + 1))
    own[site] = gram
    rest = whole - full(own)
    scale = 1 / np.sqrt(np.maximum(np.diag(whole)[:-1], 1e-300))
    inside = rest[:-1, :-1] * np.outer(scale, scale)
    found = np.linalg.pinv(inside, rcond=1e-9, hermitian=True) @ (rest[:-1, -1] * scale)
    return float(found[0] * scale[0])


def of_rows(stack: Floats, client: Codes) -> Iterator[Clusters]:
    """Clients' cross-products from rows [columns, y], (n, k + 1), some clients at a time."""
    order = np.argsort(client, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(client[order]) != 0])
    ends = np.r_[starts[1:], len(order)]
    for first in range(0, len(starts), _CLIENTS_AT_ONCE):
        mine = slice(first, first + _CLIENTS_AT_ONCE)
        rows = stack[order[starts[first] : ends[mine][-1]]]
        one, other = pairs_of(stack.shape[1])
        packed = np.add.reduceat(rows[:, one] * rows[:, other], starts[mine] - starts[first], axis=0).T
        yield Clusters(site=0, place=mine, packed=packed)
