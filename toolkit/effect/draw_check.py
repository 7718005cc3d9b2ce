"""Was chance in charge? Whether anything known before a draw predicts what was drawn.

Without a sealed schedule the records themselves are asked, at 1 % in all: a re-randomisation test of everything that
was known before the draw (the largest of all standardised differences against its distribution over redraws), the order
against the orders before it, clients and practitioners who always got the same, and the count. Berger & Exner (1999),
Controlled Clinical Trials 20:319-327, asked trials whether the allocation could be told from the readings (from
memory).

An honest draw in small balanced blocks makes an order depend on those before it. Where every sequence is as balanced as
blocks keep it, only draws at which as many of each had come before are looked at: there every block design is a coin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect.comparison import Compared
from toolkit.effect.draw_units import WORDS_KNOWN_BEFORE, Known, drawn_units, known_before_draw
from toolkit.quantiles import binomial_p, chi2_above, normal_above

Floats = NDArray[np.float64]
Verdict = Literal["sealed and kept", "looks drawn", "not drawn", "too few to tell"]
LIMIT = 0.01
SHOWN = ("client", "session_id", "practitioner", "label", "visit", "when", "per_client")
N_REDRAWS = 999
FEWEST_DRAWS = 10
MANY = 50_000  # draws from which on sums of them are taken for normal, and are not redrawn
_NUMBERS_AT_ONCE = 4_000_000
MOST_COLUMNS = 6
FEW_ENOUGH = 2000  # clients up to which they are redealt; beyond, the statistic is chi-squared
UNEQUAL = 0.2  # a share beyond it is taken for an unequal draw; but few are drawn to be treated first and many to wait
WEIGHTS = {
    "known before": 0.3,
    "orders before": 0.2,
    "clients": 0.15,
    "practitioners": 0.1,
    "weekdays": 0.1,
    "count": 0.15,
}
BALANCED_CLIENT, BALANCED_ALL = 3, 5  # as many more of one order than blocks leave


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """One thing that predicted the draw: in words, by which part of the check, with its p (of this part alone)."""

    part: str
    words: str
    p: float


@dataclass(frozen=True, eq=False, kw_only=True)
class DrawCheck:
    """Whether chance was in charge. `p` is that of the whole check (1 % is the limit), `patterns` what was found.

    `adjust`: one column for each pattern that can be adjusted for, by client and session_id. `units` holds what was
    drawn, one row a draw (the columns `SHOWN` of `drawn_units`).
    """

    verdict: Verdict
    p: float | None
    n_draws: int
    n_first: int
    n_clients: int
    patterns: tuple[Pattern, ...]
    says: str
    units: pd.DataFrame
    adjust: pd.DataFrame

    @property
    def passed(self) -> bool:
        """May what was compared be called drawn?"""
        return self.verdict != "not drawn"

    @property
    def can_adjust(self) -> bool:
        """Can all that predicted the draw be adjusted for? Not a count that is off: something left after the draw."""
        return len(self.adjust.columns) > 2 and all(one.part == "known before" for one in self.patterns)


def check_draw(compared: Compared, *, share: float | None = None) -> DrawCheck:
    """Ask everything that was known before the draw whether it predicts what was drawn.

    Parameters
    ----------
    compared
        Rows whose order or side is said to have been drawn.
    share
        Share of technique first that was meant to be drawn; a half where it is not said.

    Returns
    -------
    DrawCheck
        Verdict, p of the whole check, and each pattern found, in words.

    References
    ----------
    Berger VW, Exner DV (1999) Detecting selection bias in randomized clinical trials. Controlled Clinical Trials
    20:319-327 (from memory). Westfall PH, Young SS (1993) Resampling-based multiple testing, ch. 2 (largest statistic).

    Examples
    --------
    >>> from toolkit.effect.comparison import find_comparison
    >>> from toolkit.simulate import ClinicDials, simulate_clinic
    >>> rows = simulate_clinic(ClinicDials(n_clients=20), rng=1).rows
    >>> asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius"}
    >>> found = find_comparison(rows, **asked, intervention="percussive_release", better="higher")
    >>> check_draw(found).verdict
    'looks drawn'
    """
    units = drawn_units(compared)
    whole_clients = _practitioners(compared)
    label = units["label"].to_numpy(dtype=float)
    n, first = len(label), int(label.sum())
    if n < FEWEST_DRAWS or min(first, n - first) < 3:
        return _few(compared, units, share)
    known = known_before_draw(units)
    from_known, standing = _known_patterns(label, known)
    patterns = [*from_known, *_orders_before(units, share), *_groups(units), *whole_clients]
    patterns += _count(label, share, waits=compared.basis == "randomised_order")
    whole = min((one.p / WEIGHTS[one.part] for one in patterns), default=1.0)
    telling = [one for one in patterns if one.p / WEIGHTS[one.part] < LIMIT]
    caught = tuple(sorted(telling, key=lambda one: (list(WEIGHTS).index(one.part), one.p)))
    usable = caught and -1 not in standing and all(_may_adjust(known.words[place]) for place in standing)
    adjust = units[["client", "session_id"]].assign(
        **{f"known {k}": known.column(place) for k, place in enumerate(standing if usable else [])}
    )
    return DrawCheck(
        verdict="not drawn" if caught else "looks drawn",
        p=float(min(1.0, whole)),
        n_draws=n,
        n_first=first,
        n_clients=int(units["client"].nunique()),
        patterns=caught,
        says=_says(compared, units, caught),
        units=units[list(SHOWN)],
        adjust=adjust,
    )


def _may_adjust(words: str) -> bool:
    """Only time, practitioners and readings before; other words of the sheet may have been written afterwards."""
    return not words.startswith(tuple(name.replace("_", " ") for name in WORDS_KNOWN_BEFORE if name != "practitioner"))


def _few(compared: Compared, units: pd.DataFrame, share: float | None) -> DrawCheck:
    """Too few draws for a pattern; only the count can still tell."""
    label = units["label"].to_numpy(dtype=float)
    counted = _count(label, share, waits=compared.basis == "randomised_order")
    caught = tuple(one for one in counted if one.p / WEIGHTS["count"] < LIMIT)
    return DrawCheck(
        verdict="not drawn" if caught else "too few to tell",
        p=None,
        n_draws=len(label),
        n_first=int(label.sum()),
        n_clients=int(units["client"].nunique()),
        patterns=caught,
        says=_says(compared, units, caught)
        if caught
        else f"{len(label)} draws are too few to tell whether chance was in charge.",
        units=units,
        adjust=units[["client", "session_id"]],
    )


def _known_patterns(label: Floats, known: Known) -> tuple[list[Pattern], list[int]]:
    """The column that predicts the draw best, against the best over redraws; and all that stand out, best first."""
    if not known.words:
        return [], []
    spread = float(np.sqrt(label.mean() * (1 - label.mean()) * len(label) / (len(label) - 1)))
    if len(label) <= MANY:
        columns = known.columns()
        seen, largest = (label - label.mean()) @ columns, _largest_by_chance(label, columns) / spread
    else:
        gram, seen = known.products(label - label.mean())
        largest = largest_of_many(gram)
    seen = seen / spread
    p = (1 + np.sum(largest[:, None] >= np.abs(seen)[None, :] - 1e-12, axis=0)) / (1 + N_REDRAWS)
    best = np.argsort(-np.abs(seen), kind="stable")
    standing = [int(place) for place in best if p[place] / WEIGHTS["known before"] < LIMIT]
    limit = float(np.quantile(largest, 1 - LIMIT * WEIGHTS["known before"]))
    chosen = (standing or [int(best[0])])[:3]
    named = [_in_words(label, known, place, float(seen[place])) for place in chosen]
    found = [
        Pattern(part="known before", words=words, p=float(p[place])) for place, words in zip(chosen, named, strict=True)
    ]
    return found, _until_nothing_predicts(label, known.columns(), limit) if standing else []


def redrawn(label: Floats, *, seed: int, n_redraws: int) -> Iterator[Floats]:
    """Redraws of the labels less their mean, as many at a time as fit well into memory."""
    rng = np.random.default_rng(seed)
    at_once = max(1, _NUMBERS_AT_ONCE // max(len(label), 1))
    for first in range(0, n_redraws, at_once):
        yield rng.permuted(np.tile(label, (min(at_once, n_redraws - first), 1)), axis=1) - label.mean()


def _largest_by_chance(label: Floats, columns: Floats) -> Floats:
    """Of each redraw the largest difference that a column makes."""
    redraws = redrawn(label, seed=0, n_redraws=N_REDRAWS)
    return np.concatenate([np.abs(could @ columns).max(axis=1) for could in redraws])


def largest_of_many(gram: Floats) -> Floats:
    """The same for very many draws, whose sums are normal: largest entries of normal vectors with this covariance.

    Parameters
    ----------
    gram
        Cross-products of the standardised columns (p × p).
    """
    values, vectors = np.linalg.eigh(gram)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    signs = np.where(root.sum(axis=0) < 0, -1.0, 1.0)  # of an eigenvector nothing fixes the sign
    normal = np.random.default_rng(0).standard_normal((N_REDRAWS, len(values)))
    return np.asarray(np.abs(normal @ (root * signs).T).max(axis=1))


def _until_nothing_predicts(label: Floats, columns: Floats, limit: float) -> list[int]:
    """Columns that together predict the draw, taken in one by one until none of the others still does; −1 if never."""
    chosen: list[int] = []
    left = label - label.mean()
    spread = float(left.std(ddof=1))
    for _ in range(MOST_COLUMNS):
        basis = np.linalg.qr(columns[:, chosen])[0] if chosen else np.zeros((len(label), 0))
        rest = columns - basis @ (basis.T @ columns)
        size = np.sqrt(np.einsum("ij,ij->j", rest, rest))
        draw = left - basis @ (basis.T @ left)
        seen = np.where(size > 0.2, np.abs(draw @ rest) / np.maximum(size, 1e-9), 0.0) / spread
        if seen.max() < limit:
            return chosen
        chosen.append(int(seen.argmax()))
    return [*chosen, -1]


def _in_words(label: Floats, known: Known, place: int, seen: float) -> str:
    """What predicted, and how far apart it puts the shares."""
    words, yes = known.words[place], known.held[place]
    if not isinstance(known.levels[place], tuple):
        return f"{words}: {'the more' if seen > 0 else 'the less'}, the oftener {{first}}"
    inside, outside = label[yes.astype(bool)], label[~yes.astype(bool)]
    return (
        f"{words}: {{first}} in {int(inside.sum())} of {len(inside)}, elsewhere in {int(outside.sum())} of "
        f"{len(outside)}"
    )


def _orders_before(units: pd.DataFrame, share: float | None) -> list[Pattern]:
    """The order against the orders before it, in the sequence of each client, each practitioner, and all."""
    units = units[~units["per_client"]]
    label = units["label"].to_numpy(dtype=float)
    if len(label) < FEWEST_DRAWS or (share is not None and abs(share - 0.5) > 0.1) or abs(label.mean() - 0.5) > 0.3:
        return []
    codes = (
        ("of one client", pd.factorize(units["client"])[0], BALANCED_CLIENT),
        ("of one practitioner", pd.factorize(units["practitioner"])[0], BALANCED_ALL),
        ("of the clinic", np.zeros(len(units), dtype=np.intp), BALANCED_ALL),
    )
    tried = [one for name, code, limit in codes for one in one_sequence(label, code, name, limit)]
    if not tried:
        return []
    words, p = min(tried, key=lambda one: one[1])
    return [Pattern(part="orders before", words=words, p=min(1.0, p * len(tried)))]


def one_sequence(label: Floats, code: NDArray[np.intp], name: str, limit: int) -> Iterator[tuple[str, float]]:
    """Agreement of each order with the one 1, 2, … before it in its sequence; p exact for a coin."""
    order = np.argsort(code, kind="stable")
    sign, code = np.where(label[order] == 1, 1, -1), code[order]
    if len(np.unique(code)) == len(code):
        return
    starts = np.r_[True, code[1:] != code[:-1]]
    total = np.cumsum(sign) - sign
    start = np.maximum.accumulate(np.where(starts, np.arange(len(sign)), 0))
    before = total - total[start]
    balanced = bool(np.abs(before + sign).max() <= limit)
    if balanced:  # as blocks would keep it: look only where as many of each had come before
        free = before == 0
        sign, code = sign[free], code[free]
        yield f"the same comes first again and again in the sessions {name}", coin(int((sign == 1).sum()), len(sign))
    for lag in range(1, 5 if balanced else 8):
        same = code[lag:] == code[:-lag]
        agree = (sign[lag:] == sign[:-lag])[same]
        yield lag_words(lag, name, float(agree.mean()) if len(agree) else 0.5), coin(int(agree.sum()), len(agree))


def lag_words(lag: int, name: str, share: float) -> str:
    """What the order does after the one `lag` before it."""
    if lag == 1 and share < 0.5:
        return f"every second session {name} is {{first}}: the two orders take turns"
    where = "the one before" if lag == 1 else f"the one {lag} before"
    return f"in the sessions {name} the order is {'the same as' if share > 0.5 else 'the other than'} {where}"


def coin(n_heads: int, n: int) -> float:
    """Two-sided p of a fair coin, exact up to `MANY` tosses."""
    if n < 6:
        return 1.0
    return count_p(n_heads, n, 0.5)


def count_p(first: int, n: int, share: float) -> float:
    """Two-sided p of so many of n, were each drawn with this share; exact up to `MANY`, else by the normal curve."""
    if n <= MANY:
        return binomial_p(first, n, share)
    off = max(abs(first - n * share) - 0.5, 0.0) / np.sqrt(n * share * (1 - share))
    return float(min(1.0, 2 * normal_above(off)))


def _groups(units: pd.DataFrame) -> list[Pattern]:
    """Do some clients, or some days of the week, get one order far oftener than a coin would give it to them?"""
    several = units[~units["per_client"]]
    clients = pd.factorize(several["client"])[0]
    found = [Pattern(part="clients", words=_NEARLY_ALWAYS.format("clients"), p=_apart(several, clients))]
    weekday = (units["when"].to_numpy() - units["when"].min()).astype(int) % 7
    days = Pattern(part="weekdays", words=_NEARLY_ALWAYS.format("days of the week"), p=_apart(units, weekday))
    return [*found, days]


def _practitioners(compared: Compared) -> list[Pattern]:
    """Do practitioners differ in their clients' shares, clients taken whole, by redealing clients among them?

    Right whether sessions or clients were drawn, so nothing is lost where it cannot be told which.
    """
    if compared.basis in ("randomised_side", "other_side"):
        return []
    sessions = compared.rows.drop_duplicates(["client", "session_id"])
    share = sessions.groupby("client")["arm"].mean()
    n_with = sessions.groupby(["client", "practitioner"]).size().sort_values(ascending=False, kind="stable")
    who = n_with.reset_index().drop_duplicates("client").set_index("client")["practitioner"]
    code, names = pd.factorize(who.reindex(share.index))
    if len(names) < 2 or len(share) < FEWEST_DRAWS or share.std() < 1e-9:
        return []
    p = practitioners_apart(share.to_numpy(), code)
    return [Pattern(part="practitioners", words=_NEARLY_ALWAYS.format("practitioners"), p=p)]


def practitioners_apart(share: Floats, code: NDArray[np.intp]) -> float:
    """p of practitioners (codes) whose clients' shares differ, clients taken whole."""
    sizes = np.bincount(code)
    off = share - share.mean()
    if len(off) > FEW_ENOUGH:
        seen = float(np.sum(np.bincount(code, weights=off) ** 2 / sizes))
        return float(chi2_above(seen / float(off.var(ddof=1)), len(sizes) - 1.0))
    member = (code[:, None] == np.arange(len(sizes))) / np.sqrt(sizes)
    seen = float(np.sum((off @ member) ** 2))
    could = np.random.default_rng(3).permuted(np.tile(off, (2 * N_REDRAWS, 1)), axis=1)
    return float((1 + np.sum(np.sum((could @ member) ** 2, axis=1) >= seen - 1e-12)) / (1 + len(could)))


_NEARLY_ALWAYS = "some {} are mostly {{first}}, others hardly ever"


def _apart(units: pd.DataFrame, group: NDArray[np.intp]) -> float:
    """p of groups against the common share: chi-squared, scaled to the moments that redraws give it."""
    code = pd.factorize(group)[0]
    label = units["label"].to_numpy(dtype=float)
    n, k = len(label), int(code.max(initial=-1)) + 1
    share = label.mean() if n else 0.0
    if n - k < FEWEST_DRAWS or k < 3 or share in (0.0, 1.0):
        return 1.0
    sizes = np.bincount(code).astype(float)
    seen = float(np.sum((np.bincount(code, weights=label) - share * sizes) ** 2 / sizes))
    mean, variance = _moments_of_many(sizes, share) if n > MANY else _moments_by_chance(label, code, sizes)
    scale = variance / (2 * mean)
    return chi2_above(seen / scale, mean / scale) if scale > 1e-9 else 1.0


def _moments_by_chance(label: Floats, code: NDArray[np.intp], sizes: Floats) -> tuple[float, float]:
    """Mean and variance over redraws of what tells the groups apart."""
    order = np.argsort(code, kind="stable")
    starts = np.r_[0, np.cumsum(sizes.astype(np.intp))[:-1]]
    redraws = redrawn(label, seed=1, n_redraws=N_REDRAWS // 3)
    by_chance = np.concatenate(
        [np.sum(np.add.reduceat(could[:, order], starts, axis=1) ** 2 / sizes, axis=1) for could in redraws]
    )
    return float(by_chance.mean()), float(by_chance.var(ddof=1))


def _moments_of_many(sizes: Floats, share: float) -> tuple[float, float]:
    """The same for very many draws, without redraws: moments of binomial groups whose total is fixed."""
    n, k, coin = float(sizes.sum()), len(sizes), share * (1 - share)
    tied = (k * coin * (1 - 2 * share)) ** 2 / (n * coin)
    variance = float(np.sum(coin * (1 - 6 * coin) / sizes)) + 2 * coin**2 * (k - 1) - tied
    return coin * (k - 1) * n / (n - 1), variance


def clients_apart(sizes: Floats, first: Floats) -> float:
    """p of clients against the common share, from how many draws each had and how many came out first."""
    share = float(first.sum() / sizes.sum())
    if len(sizes) < 3 or share in (0.0, 1.0):
        return 1.0
    seen = float(np.sum((first - share * sizes) ** 2 / sizes))
    mean, variance = _moments_of_many(sizes, share)
    scale = variance / (2 * mean)
    return chi2_above(seen / scale, mean / scale) if scale > 1e-9 else 1.0


def _count(label: Floats, share: float | None, *, waits: bool) -> list[Pattern]:
    """Is the number of each what the draw would give? `waits`: technique first or wait first."""
    n, first = len(label), int(label.sum())
    unequal = first / n > 1 - UNEQUAL or (first / n < UNEQUAL and not waits)
    if n < 6 or (share is None and unequal):
        return []
    p = count_p(first, n, 0.5 if share is None else share)
    return [Pattern(part="count", words=f"{first} of {n} sessions are {{first}}, not the half that a coin gives", p=p)]


def _says(compared: Compared, units: pd.DataFrame, caught: tuple[Pattern, ...]) -> str:
    """The outcome in words."""
    first = {"randomised_order": "treated first", "randomised_protocol": "given the first of the two"}.get(
        compared.basis, "treated on the left"
    )
    n = f"{len(units)} draws of {units['client'].nunique()} clients"
    if not caught:
        return (
            f"Nothing known before predicts what was drawn ({n}; visits, days, readings before, practitioners, the "
            "orders and changes before, the count). That is what a draw looks like; only a sealed schedule proves one."
        )
    named = "; ".join(one.words.format(first=first) for one in caught[:3])
    if all(one.part == "count" for one in caught):
        named += " (if another share was drawn, say so beforehand: share_treated_first in the question sheet)"
    return f"This does not look drawn at random ({n}): {named}."
