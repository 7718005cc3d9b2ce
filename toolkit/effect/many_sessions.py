"""Very many sessions: the same estimate and the same robust errors, from sums over clients made of the rows.

Rows are added up once, by client, practitioner and arm, some thousand at a time; everything after that costs what the
clients cost. What is fitted to few sessions stays with the rows (`estimate`, `cluster_robust`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from toolkit.effect.chosen_from_sums import chosen_from_sums
from toolkit.effect.client_sums import Cells, by_client, pairs_of, square
from toolkit.effect.cluster_robust import Robust, cluster_robust, n_codes
from toolkit.effect.from_sums import Found, estimate_from_sums
from toolkit.effect.not_drawn import Adjusted, with_usual
from toolkit.effect.robust_from_sums import Clusters, Solution, robust
from toolkit.errors import FitError

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
MANY = 20_000  # rows from which on they are added up first
_FEWER = 2  # rows to a sum, at least: where each stands alone adding up gains nothing
_NUMBERS_AT_ONCE, _MOST_NUMBERS = 2_000_000, 40_000_000


def effect_from_rows(
    y: Floats, label: Floats, covariates: Floats, client: Codes, practitioner: Codes, *, either_way: bool = False
) -> Found | None:
    """The treatment effect of very many sessions; None where they are few, or would not become fewer by adding up.

    Parameters
    ----------
    y, label
        Change and arm (1 technique, 0 comparison) of each session.
    covariates
        Columns (n × p), the first of them ones.
    client, practitioner
        Codes without gaps.
    either_way
        Are both arms treatments?

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, label = np.arange(24_000) % 500, rng.integers(0, 2, 24_000).astype(float)
    >>> y = 2.0 * label + rng.normal(0, 1, 500)[client] + rng.normal(0, 1, 24_000)
    >>> found = effect_from_rows(y, label, np.ones((24_000, 1)), client, client % 4)
    >>> bool(abs(found.average.found.value - 2.0) < 0.1)
    True
    """
    people = int(practitioner.max(initial=-1)) + 1
    if len(y) < MANY or not ((label == 0) | (label == 1)).all() or _too_wide(client, people + covariates.shape[1]):
        return None
    arm, clients = label.astype(np.intp), int(client.max(initial=-1)) + 1
    order, starts = _together((arm * clients + client) * people + practitioner)
    if _FEWER * len(starts) > len(y):
        return None
    first = order[starts]
    cells = Cells(
        client=client[first],
        practitioner=practitioner[first],
        site=np.zeros(len(first), dtype=np.intp),
        arm=arm[first],
        products=_products([*covariates.T, y - y.mean()], order, starts),
        names=("one", *(f"column {place}" for place in range(1, covariates.shape[1])), "y"),
    )
    return estimate_from_sums(by_client(cells), either_way=either_way)


def _too_wide(client: Codes, width: int) -> bool:
    """Would sums by client and practitioner hold too many numbers?"""
    return 2 * (int(client.max(initial=-1)) + 1) * (width + 2) > _MOST_NUMBERS


def robust_over_clients(y: Floats, x: Floats, client: Codes, weight: Floats) -> Robust | None:
    """What `cluster_robust` says; from clients' cross-products where rows are very many and columns two or more."""
    if len(y) < MANY or x.shape[1] < 2 or _FEWER * n_codes(client) > len(y):
        return cluster_robust(y, x, client, weight)
    order, starts = _together(client)
    products = _products([*x.T, y], order, starts)
    own, whose = weight[order[starts]], client[order[starts]]
    where = square(x.shape[1] + 1)

    def clusters() -> Iterator[Clusters]:
        at_once = max(1, _NUMBERS_AT_ONCE // where.size)
        for begin in range(0, len(own), at_once):
            some = slice(begin, begin + at_once)
            yield Clusters(site=0, place=some, packed=products[:, some], weight=own[some])

    try:
        fit = Solution.of((products @ own)[where][None], (products @ own**2)[where][None])
        found = robust(clusters(), fit, n=len(own))
    except FitError:
        return None
    scores = np.zeros(int(client.max()) + 1)
    scores[whose] = found.scores
    return Robust(value=found.value, se=found.se, df=found.df, scores=scores)


def _together(key: Codes) -> tuple[Codes, Codes]:
    """Rows in an order in which equal keys stand together, and where each key begins."""
    n, size = len(key), int(key.max(initial=-1)) + 1
    placed = sparse.csr_array((np.ones(n, dtype=np.int8), (key, np.arange(n))), shape=(size, n))  # sorts by counting
    starts = placed.indptr[:-1][np.diff(placed.indptr) > 0]
    return placed.indices.astype(np.intp), starts.astype(np.intp)


def _products(columns: list[Floats], order: Codes, starts: Codes) -> Floats:
    """Cross-products of the columns (upper triangle) added over the rows of each key, shape (pairs, keys)."""
    rows, others = pairs_of(len(columns))
    out = np.empty((len(rows), len(starts)))
    ends = np.r_[starts[1:], len(order)]
    at_once = max(1, _NUMBERS_AT_ONCE // len(rows))
    begin = 0
    while begin < len(starts):
        last = max(int(np.searchsorted(ends, starts[begin] + at_once, side="right")), begin + 1)
        mine = order[starts[begin] : ends[last - 1]]
        some = np.stack([column[mine] for column in columns])
        inside = starts[begin:last] - starts[begin]
        for place, (one, other) in enumerate(zip(rows, others, strict=True)):
            out[place, begin:last] = np.add.reduceat(some[one] * some[other], inside)
        begin = last
    return out


def chosen_from_rows(sessions: pd.DataFrame, *, second_baseline: bool) -> Adjusted | None:
    """What `adjust_not_drawn` says of very many sessions; None where they are few, or people belong to several sites.

    Parameters
    ----------
    sessions, second_baseline
        As in `adjust_not_drawn`.
    """
    kept = sessions[sessions["has_second"] > 0.5] if second_baseline else sessions
    if len(kept) < MANY or not kept["arm"].isin((0.0, 1.0)).all():
        return None
    frame = with_usual(kept)
    site = pd.factorize(frame["site"].astype(str))[0] if "site" in frame else np.zeros(len(frame), dtype=np.intp)
    client, practitioner = (pd.factorize(frame[name])[0].astype(np.intp) for name in ("client", "practitioner"))
    if any(len(np.unique(code * (int(site.max()) + 1) + site)) > n_codes(code) for code in (client, practitioner)):
        return None
    arm, clients, people = frame["arm"].to_numpy().astype(np.intp), int(client.max()) + 1, int(practitioner.max()) + 1
    order, starts = _together((arm * clients + client) * people + practitioner)
    columns = {name: frame[name].to_numpy(dtype=float) for name in ("base", "gap")}
    if "visit" in frame and frame["visit"].notna().all():
        columns["log_visit"] = np.log(frame["visit"].to_numpy(dtype=float))
    columns["y"] = frame["y"].to_numpy(dtype=float)
    first = order[starts]
    cells = Cells(
        client=client[first],
        practitioner=practitioner[first],
        site=site[first].astype(np.intp),
        arm=arm[first],
        products=_products([np.ones(len(frame)), *(one - one.mean() for one in columns.values())], order, starts),
        names=("one", *columns),
    )
    n_left_out = len(sessions) - len(kept)
    return chosen_from_sums(cells, second_baseline=second_baseline, n_left_out=n_left_out).adjusted
