"""A comparison that nobody drew, from sums alone: what `not_drawn` says, without rows.

Stiffness, today's reading and everything else a fit takes are the same for a client or straight in the readings, so
the products of their columns follow from a client's sums of readings. The model is fitted site by site
(`mixed.nested`); its Kenward-Roger df and the leaving out of one client at a time follow from the same sums.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from toolkit.effect.client_sums import (
    LABEL,
    ONE,
    ByClient,
    Cells,
    Floats,
    by_client,
    full,
    labelled,
    own_sums,
    pairs_of,
    solved,
    square,
    unpacked,
)
from toolkit.effect.from_sums import MANY_CLIENTS, nested_parts
from toolkit.effect.not_drawn import MANY_LEVELS, Adjusted, Way
from toolkit.effect.one_left_out import one_left_out
from toolkit.effect.robust_from_sums import Clusters
from toolkit.errors import NotEnoughError
from toolkit.mixed.cross_products import level_products
from toolkit.mixed.inference import curvature
from toolkit.mixed.likelihood import evaluate
from toolkit.mixed.nested import SiteByClient, height
from toolkit.mixed.search import best_point, highest

TOLD = 1e-10  # share of a column's squares that is left where others tell it
FIRST = "first"


@dataclass(frozen=True, kw_only=True, eq=False)
class ChosenFound:
    """The ways that bracket the truth, and where each likelihood was highest."""

    adjusted: Adjusted
    thetas: tuple[Floats, ...]


def chosen_from_sums(
    cells: Cells, *, second_baseline: bool, n_left_out: int = 0, near: tuple[Floats, ...] = ()
) -> ChosenFound:
    """Technique minus comparison where nobody drew which session got which.

    Parameters
    ----------
    cells
        Sessions with a change (and, where there is a second baseline, a second reading before), summed up over
        ("one", "base", "gap", "log_visit", "y"); the visit's number is left out where none is known.
    second_baseline, n_left_out
        As in `adjust_not_drawn` and `Adjusted`.
    near
        `thetas` of a fit of nearly the same sessions: each search begins there.

    Raises
    ------
    NotEnoughError
        Too few sessions or clients, or the two cannot be told from practitioners or sites.
    FitError
        The columns cannot be told apart.
    """
    cells = _with_first(cells)
    found = by_client(cells)
    _refuse(found)
    client = _clients(found)
    if second_baseline:
        columns = {
            "stiffness calibrated as if chosen by it": _calibrated(client, by_arm=True),
            "stiffness calibrated as if chosen by the reading": _calibrated(client, by_arm=False),
        }
    else:
        nothing = np.zeros((len(found.counts), 0, 2))
        whole = np.zeros((len(found.counts), 1, 2))
        whole[:, 0, 1] = 1.0
        columns = {"change score": nothing, "baseline-adjusted score": whole}
    fixed = _practitioners_as_columns(cells)
    usual = near if len(found.counts) >= MANY_CLIENTS else ()
    fits = [
        _way(fixed, found.place, extra, name=name, near=usual[at] if usual else None)
        for at, (name, extra) in enumerate(columns.items())
    ]
    adjusted = Adjusted(
        ways=tuple(way for way, _ in fits),
        second_baseline=second_baseline,
        n_left_out=n_left_out,
        n_sites=found.sites,
    )
    return ChosenFound(adjusted=adjusted, thetas=tuple(theta for _, theta in fits))


def _with_first(cells: Cells) -> Cells:
    """Cells over ("one", "first", other columns, "y"): the first reading is the last one and what lies between."""
    rest = [name for name in cells.names if name not in ("one", "base", "gap", "y")]
    names = ("one", FIRST, *rest, "y")
    turn = np.zeros((len(cells.names), len(names)))
    for place, name in enumerate(names):
        for own in ("base", "gap") if name == FIRST else (name,):
            turn[cells.names.index(own), place] = 1.0
    whole = square(len(cells.names))
    rows, columns = pairs_of(len(names))
    products = np.zeros((len(rows), cells.products.shape[1]))
    for at, (a, b) in enumerate(zip(rows, columns, strict=True)):
        for i, j in zip(*np.nonzero(np.outer(turn[:, a], turn[:, b])), strict=True):
            products[at] += cells.products[whole[i, j]]
    return replace(cells, products=products, names=names)


def _refuse(found: ByClient) -> None:
    """Say why nothing can be told: too few, or what differs between the arms cannot be told from who worked where."""
    n, n_clients = found.cells.n, len(found.counts)
    if n_clients < 3 or n < 5:
        raise NotEnoughError(f"{n} sessions of {n_clients} clients can be compared; at least 5 of 3 are needed.")
    if not found.counts.sum(axis=0).all():
        raise NotEnoughError("one of the two has no session with readings before and after")
    for name, code in (("practitioner", found.cells.practitioner), ("site", found.cells.site)):
        n_levels = int(code.max(initial=-1)) + 1
        arms = np.bincount(2 * code + found.cells.arm, weights=found.cells.products[0], minlength=2 * n_levels)
        if n_levels > 1 and not (arms.reshape(-1, 2).min(axis=1) >= 2).any():
            raise NotEnoughError(
                f"no {name} used both, so the two cannot be told from the {name}s: let at least one {name} use both"
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Clients:
    """Of each client: sessions, share of them with the technique, mean first reading; squares about those means."""

    n: Floats
    share: Floats
    mean: Floats
    squares: float
    within: float


def _clients(found: ByClient) -> _Clients:
    place = square(len(found.cells.names))
    both = found.products.sum(axis=1)
    n, sums, squares = both[0], both[place[0, 1]], float(both[place[1, 1]].sum())
    within = squares - float(np.sum(sums**2 / n))
    return _Clients(n=n, share=found.counts[:, 1] / n, mean=sums / n, squares=squares, within=within)


def _calibrated(client: _Clients, *, by_arm: bool) -> Floats:
    """Each client's further columns as a + b × first reading, (clients, columns, 2): see `not_drawn`."""
    total = float(client.n.sum())
    middle = float(client.n @ client.mean) / total
    if not client.within > TOLD * (client.squares - total * middle**2):  # nothing to calibrate by
        return np.stack([np.full(len(client.n), -middle), np.ones(len(client.n))], axis=-1)[:, None]
    columns = [np.ones(len(client.n))]
    if by_arm and np.ptp(client.share) > 1e-9:
        columns.append(client.share)
    design = np.column_stack(columns)
    expected, between, residual = _expected(client, design)
    kept = between / (between + residual / client.n)
    stiffness = expected + kept * (client.mean - expected)
    stiffness = stiffness - float(client.n @ stiffness) / total
    own = np.stack([stiffness, np.zeros(len(stiffness))], axis=-1)
    today = np.stack([-client.mean, np.ones(len(stiffness))], axis=-1)
    return np.stack([own, today], axis=1)


def _expected(client: _Clients, design: Floats) -> tuple[Floats, float, float]:
    """What a client's first readings are expected to be, variance between clients and within, by restricted ML."""
    joint = np.column_stack([design, client.mean])
    weighed = joint * client.n[:, None]
    gram = joint.T @ weighed
    gram[-1, -1] = client.squares
    beta = np.linalg.solve(gram[:-1, :-1], gram[:-1, -1])
    turn = np.eye(len(gram))
    turn[:-1, -1] = -beta
    turn[:-1, :-1] = np.diag(1 / np.sqrt(np.diag(gram)[:-1]))
    parts = level_products(
        turn.T @ gram @ turn, (weighed @ turn)[:, None], client.n[:, None, None], n=round(float(client.n.sum()))
    )
    point, _ = best_point(parts, reml=True)
    residual = point.rss / (parts.n - parts.p)
    return (
        design @ (beta + np.diag(turn)[:-1] * point.beta),
        float(residual * point.relative_covariance[0, 0]),
        residual,
    )


def _practitioners_as_columns(cells: Cells) -> Cells:
    """Few practitioners are columns: within each site one for each but the first."""
    if cells.people >= MANY_LEVELS:
        return cells
    several = [
        one
        for site in range(int(cells.site.max(initial=-1)) + 1)
        for one in np.unique(cells.practitioner[cells.site == site])[1:]
    ]
    products, names = cells.products, list(cells.names)
    for one in several:
        mine = (cells.practitioner == one).astype(float)
        names.insert(-1, f"practitioner {one}")
        products = _with_column(products, mine * products[0], mine * products[: len(names) - 1])
    return replace(cells, products=products, names=tuple(names), practitioner=np.zeros_like(cells.practitioner))


def _with_column(products: Floats, squares: Floats, cross: Floats) -> Floats:
    """Upper triangles with one more column before the last: its squares, and its products with the others."""
    width = len(cross)
    old, new = square(width), square(width + 1)
    out = np.empty(((width + 1) * (width + 2) // 2, products.shape[1]))
    kept = np.r_[np.arange(width - 1), width]
    out[new[np.ix_(kept, kept)]] = products[old]
    out[new[width - 1, kept]] = cross
    out[new[width - 1, width - 1]] = squares
    return out


def _with_extra(cells: Cells, extra: Floats) -> Cells:
    """Cells with further columns a + b × first, of each cell (cells, columns, 2), in the place of the first reading."""
    products, names = cells.products, list(cells.names)
    first = names.index(FIRST)
    for number in range(extra.shape[1]):
        place = square(len(names))
        a, b = extra[:, number, 0], extra[:, number, 1]
        by_one, by_first = products[place[0]], products[place[first]]
        squares = a**2 * by_one[0] + 2 * a * b * by_one[first] + b**2 * by_first[first]
        products = _with_column(products, squares, a * by_one + b * by_first)
        names.insert(-1, f"extra {number}")
    return _with_columns(replace(cells, products=products, names=tuple(names)), [0, *range(first + 1, len(names))])


def _with_columns(cells: Cells, kept: Sequence[int]) -> Cells:
    """The cells with some of their columns alone."""
    at = np.array(kept, dtype=np.intp)
    rows, columns = pairs_of(len(at))
    return replace(
        cells,
        products=cells.products[square(len(cells.names))[at[rows], at[columns]]],
        names=tuple(cells.names[place] for place in at),
    )


def _way(cells: Cells, place: np.ndarray, extra: Floats, *, name: str, near: Floats | None) -> tuple[Way, Floats]:
    """One fit: value, the wider of two standard errors, df; and where the likelihood was highest."""
    found = grouped = by_client(_told_apart(_with_extra(cells, extra[place])))
    slope = bool(((found.counts >= 2).all(axis=1)).sum() >= 5)
    once = bool(found.counts.sum(axis=1).max() <= 1)
    if once:  # nobody came twice: practitioners are the one grouping there is
        one = found.cells
        grouped = by_client(replace(one, client=one.practitioner, practitioner=np.zeros_like(one.client)))
    parts, _ = nested_parts(grouped, slope=slope)
    top, _ = highest(parts, partial(height, parts), near=near)
    whole = SiteByClient(parts=parts)
    point = evaluate(whole, top.theta, reml=True)
    everything = full(found.by_arm[0] + found.by_arm[1])
    _, beta = solved(everything)
    scale = 1 / np.sqrt(everything[LABEL, LABEL])
    contrast = np.zeros(parts.p)
    contrast[LABEL] = scale
    se, df = curvature(whole, point, reml=True, scale=np.eye(parts.p)).kenward_roger(contrast)
    value = float(beta[LABEL] + scale * point.beta[LABEL])
    ratio = float(point.relative_covariance[0, 0]) if parts.k and not once else 0.0
    se = max(se, _one_client_less(found, ratio))
    return Way(name=name, value=value, se=se, df=float(df)), top.theta


def _told_apart(cells: Cells) -> Cells:
    """The cells without columns that those before them and the sites tell."""
    found = by_client(cells)
    gram = full(found.by_arm[0] + found.by_arm[1])
    k = found.k
    known, kept = [LABEL, 1, *range(k, len(gram) - 1)], [0]
    for place in range(2, k):
        cross = gram[known, place]
        left = gram[place, place] - cross @ np.linalg.lstsq(gram[np.ix_(known, known)], cross, rcond=None)[0]
        if left > TOLD * gram[place, place]:
            known.append(place)
            kept.append(place - 1)
    return cells if len(kept) == k - 1 else _with_columns(cells, [*kept, k - 1])


def _one_client_less(found: ByClient, ratio: float) -> float:
    """Jackknife standard error over clients, weighed by the client variance that the model found."""
    at_sites = np.zeros((found.sites, found.k + 1, found.k + 1))
    for some in _weighed(found, ratio):
        at_sites[some.site] += unpacked(some.packed.sum(axis=1)[:, None])[0]
    return one_left_out(_weighed(found, ratio), at_sites)


def _weighed(found: ByClient, ratio: float) -> Iterator[Clusters]:
    """Each client's cross-products less a share of its means."""
    rows, columns = pairs_of(found.k + 1)
    for site, mine in found.chunks():
        sums = own_sums(found.products[:, :, mine], found.k).sum(axis=0)
        n = sums[ONE]
        share = 1 - 1 / np.sqrt(1 + ratio * n)
        taken = (2 * share - share**2) / n * sums[rows] * sums[columns]
        yield Clusters(site=site, place=mine, packed=labelled(found.products[:, :, mine], found.k) - taken)
