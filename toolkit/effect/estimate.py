"""The attributable change: technique minus comparison, sessions of the same client belonging together.

One row a session and arm (sides of one session share their draw, so they count once). A drawn comparison is
adjusted for the readings before it; sessions that nobody drew as `not_drawn` says; the other side of the same session
for its readings only where there is no second baseline, as a noisy baseline that differs biases.
Mixed model with clients and practitioners, its interval robust over clients (see `whose_average`); fewer than 20
clients and a drawn comparison: studentised re-randomisation instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.effect import missing_readings as bounds
from toolkit.effect.cluster_robust import TOLD, Robust, cluster_robust, equal_clients, n_codes
from toolkit.effect.comparison import Compared
from toolkit.effect.draw_units import drawn_once
from toolkit.effect.from_sums import FROM_SUMS
from toolkit.effect.many_sessions import chosen_from_rows, effect_from_rows
from toolkit.effect.not_drawn import Adjusted, adjust_not_drawn, first_fit, indicators
from toolkit.effect.rerandomisation import Redrawn, flipped_sides, redraw, shuffled_labels
from toolkit.effect.whose_average import average, flatters, scatter_by_arm
from toolkit.errors import FitError, NotEnoughError
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.mixed.mixed_fit import MixedFit
from toolkit.quantiles import t_above, t_quantile
from toolkit.records.coded_texts import repeated
from toolkit.records.same_order import content_seed

Floats = NDArray[np.float64]
FEW_CLIENTS = 20
NUMBERS = ("y", "base", "gap", "has_second")
KNOWN = ("site", "visit", "day", "date", "time_of_day")
N_DRAWS = 4999
ENOUGH_FOR_TIME = 60  # sessions from which on visits and days are adjusted for (about 10 a column; common practice)


@dataclass(frozen=True, eq=False, kw_only=True)
class Attributable:
    """Technique minus comparison, in the measure's unit, better = positive.

    `se` and `df` are those of the model; after redraws they are None and the interval is read from `redrawn`.
    `adjusted`: the ways of adjusting that bracket a comparison nobody drew. `parts`: the fits that a bounded estimate
    was put together from. `at_level` gives the same at another level.
    """

    mean: float
    ci_low: float
    ci_high: float
    p: float
    se: float | None
    df: float | None
    method: str
    n_clients: int
    n_sessions: int
    n_filled: int
    confidence_level: float
    n_rows: int = 0
    redrawn: Redrawn | None = None
    adjusted: Adjusted | None = None
    parts: tuple[Attributable, ...] = ()

    @property
    def mean_against(self) -> float:
        """The mean with missing readings filled in against the technique; the mean itself where none is missing."""
        return self.parts[0].mean if self.parts else self.mean

    def at_level(self, confidence_level: float) -> Attributable:
        """The same estimate with its interval at another confidence level."""
        if self.parts:
            return _put_together(*(part.at_level(confidence_level) for part in self.parts), n_filled=self.n_filled)
        if self.adjusted is not None:
            low, high = self.adjusted.interval(confidence_level)
        elif self.redrawn is not None:
            low, high = self.redrawn.limits(1 - confidence_level)
        else:
            reach = float(t_quantile((1 + confidence_level) / 2, self.df)) * float(self.se or 0.0)
            low, high = self.mean - reach, self.mean + reach
        return replace(self, ci_low=low, ci_high=high, confidence_level=confidence_level)


@dataclass(frozen=True, kw_only=True)
class Design:
    """Arrays of one fit: outcome, the column of interest, covariates (named), client and practitioner codes."""

    y: Floats
    label: Floats
    covariates: Floats
    names: tuple[str, ...]
    client: NDArray[np.intp]
    practitioner: NDArray[np.intp]
    either_way: bool = False


def sessions_of(rows: pd.DataFrame) -> pd.DataFrame:
    """Compared rows as one row a session and arm: sides of one session share what was drawn, so they count once."""
    keys = ["client", "practitioner", "session_id", "arm"]
    if not repeated(rows, ["session_id", "client", "arm"]):
        return rows[[name for name in (*keys, *NUMBERS, *KNOWN, *_adjusting(rows)) if name in rows]].reset_index(
            drop=True
        )
    numbers = [name for name in (*NUMBERS, *_adjusting(rows)) if name in rows]
    known = {name: "first" for name in KNOWN if name in rows}
    return rows.groupby(keys, sort=False, observed=True).agg({**dict.fromkeys(numbers, "mean"), **known}).reset_index()


def _adjusting(rows: pd.DataFrame) -> list[str]:
    """Columns that stand for what predicted a draw."""
    return [str(name) for name in rows.columns if str(name).startswith("adjust ")]


def side_differences(rows: pd.DataFrame) -> pd.DataFrame:
    """Treated minus untreated side, one row a session that has both."""
    keys = ["client", "practitioner", "session_id"]
    arms = rows.groupby([*keys, "arm"], sort=False, observed=True)[["y", "base", "gap", "has_second"]].mean().unstack()
    out = pd.DataFrame({name: arms[name][1.0] - arms[name][0.0] for name in ("y", "base", "gap")})
    out["has_second"] = np.minimum(arms["has_second"][1.0], arms["has_second"][0.0])
    return out.dropna(subset=["y", "base"]).reset_index()


def _time(frame: pd.DataFrame) -> dict[str, Floats]:
    """When a session was: the first visit, visits on a log scale, the day's rank, the hour's rank and its square.

    A coin that drifts goes with them.

    Few sessions leave out all but the first visit.
    """
    columns: dict[str, Floats] = {}
    n = len(frame)
    visit = frame["visit"].astype(float) if "visit" in frame else pd.Series(np.nan, index=frame.index)
    if visit.notna().mean() > 0.5:  # sessions that only stand for lost ones have none: the usual
        first = (visit == 1).astype(float).where(visit.notna())
        if 3 <= first.sum() <= first.count() - 3:
            columns["first visit"] = _centred(first.fillna(first.mean()))
        if n >= ENOUGH_FOR_TIME:
            log = pd.Series(np.log(visit.clip(lower=1)))
            columns["visit"] = _centred(log.fillna(log.mean()))
    if "date" in frame and n >= ENOUGH_FOR_TIME:
        rank = _rank(pd.to_datetime(frame["date"]))
        columns["day"] = _centred(rank.fillna(rank.mean()).fillna(0.0))
    if "time_of_day" in frame and n >= ENOUGH_FOR_TIME and frame["time_of_day"].notna().mean() > 0.5:
        hour = _rank(frame["time_of_day"])
        columns["hour"] = _centred(hour.fillna(hour.mean()))
        columns["hour, squared"] = _centred((hour - hour.mean()).pow(2).fillna((hour - hour.mean()).pow(2).mean()))
    return columns


def _rank(values: pd.Series) -> pd.Series:
    """Ranks from 0 to 1, equal values sharing theirs: counted, as days and hours are few (as `rank(pct=True)`)."""
    code, distinct = pd.factorize(values.array)
    order = np.argsort(distinct)
    counts = np.bincount(code[code >= 0], minlength=len(distinct))[order]
    ranks = np.empty(len(distinct) + 1)
    ranks[order] = (np.cumsum(counts) - (counts - 1) / 2) / max(int(counts.sum()), 1)
    ranks[-1] = np.nan
    return pd.Series(ranks[code], index=values.index)


def _not_told_by(known: dict[str, Floats], more: dict[str, Floats]) -> dict[str, Floats]:
    """Those of the further columns that cannot be told from the ones before them (two visits each: the first tells)."""
    there, kept = list(known.values()), {}
    for name, values in more.items():
        left = values - values.mean()
        squares = float(left @ left)
        if there:
            before = [one - one.mean() for one in there]
            gram = np.array([[one @ other for other in before] for one in before])
            cross = np.array([one @ left for one in before])
            squares -= float(cross @ np.linalg.lstsq(gram, cross, rcond=None)[0])
        if squares > TOLD * max(float(values @ values), 1e-12):
            kept[name] = values
            there.append(values)
    return kept


def _centred(values: pd.Series) -> Floats:
    return np.asarray(values - values.mean(), dtype=float)


def _varies(values: Floats) -> bool:
    return bool(len(values) > 1 and np.ptp(values) > 1e-12)


def design_of(compared: Compared) -> Design:
    """The arrays of the model for this basis, from rows without missing changes."""
    paired = compared.basis in ("randomised_side", "other_side")
    frame = side_differences(compared.rows) if paired else sessions_of(compared.rows)
    adjust = compared.randomised or not compared.has_second_baseline
    columns: dict[str, Floats] = {}
    if adjust:
        base = frame["base"].to_numpy(dtype=float) if paired else _centred(frame["base"])
        gap = frame["gap"].to_numpy(dtype=float)
        columns = {"baseline": base, "first minus last baseline": gap}
        if not paired:
            columns["read twice before"] = _centred(frame["has_second"].astype(float))
    if not paired and "site" in frame:
        columns |= {f"site {place}": values for place, values in enumerate(indicators(frame["site"]).T)}
    if not paired:
        columns |= {name: _centred(frame[name].fillna(0.0)) for name in _adjusting(frame)}
    if compared.basis == "randomised_order":
        columns |= _not_told_by(columns, _time(frame))
    columns = {name: values for name, values in columns.items() if _varies(values)}
    label = np.ones(len(frame)) if paired else frame["arm"].to_numpy(dtype=float)
    fixed = list(columns.values()) if paired else [np.ones(len(frame)), *columns.values()]
    names = tuple(columns) if paired else ("intercept", *columns)
    return Design(
        y=frame["y"].to_numpy(dtype=float),
        label=label,
        covariates=np.column_stack(fixed) if fixed else np.zeros((len(frame), 0)),
        names=names,
        client=pd.factorize(frame["client"])[0],
        practitioner=pd.factorize(frame["practitioner"])[0],
        either_way=compared.both_treated,
    )


def _model(design: Design, *, slope: bool) -> MixedFit:
    """The mixed model of one design; the effect varies between clients where enough of them have both arms."""
    groups: dict[str, NDArray[np.intp]] = {}
    if np.bincount(design.client).max() > 1:
        groups["client"] = design.client
    if _varies(design.label) and n_codes(design.practitioner) > 1:  # in differences of sides they cancel
        groups["practitioner"] = design.practitioner
    varying = ("technique", design.label) if slope and "client" in groups else None
    columns = np.column_stack([design.label, design.covariates])
    return fit_mixed_arrays(design.y, columns, ("technique", *design.names), groups, slope=varying)


def _can_vary(design: Design) -> bool:
    """Do at least five clients have two sessions or more in each arm?"""
    if not _varies(design.label):
        return False
    treated = np.bincount(design.client, weights=design.label == 1)
    waited = np.bincount(design.client) - treated
    return bool(((treated >= 2) & (waited >= 2)).sum() >= 5)


def _by_model(design: Design) -> dict[str, Any]:
    """Mean, se, df, p and method from the mixed model, the interval robust over clients."""
    many = _by_sums(design)
    if many is not None:
        return many
    slope = _can_vary(design)
    columns = np.column_stack([design.label, design.covariates])
    fit = _model(design, slope=slope)
    spread = (1.0, 1.0)
    if _varies(design.label):
        left = design.y - columns @ np.linalg.lstsq(columns, design.y, rcond=None)[0]
        spread = scatter_by_arm(left, design.label)
    got = average(design.y, columns, design.client, design.practitioner, fit, spread, either_way=design.either_way)
    who = "clients and practitioners" if _varies(design.label) else "differences of sides, clients"
    said = (
        f"mixed model, {who} random{'; effect varying between clients' if slope else ''}; "
        f"cluster-robust interval (CR2), {got.words}"
    )
    return _as_effect(got.found, said)


def _as_effect(found: Robust, said: str) -> dict[str, Any]:
    """A robust estimate with its p."""
    p = float(2 * t_above(abs(found.value) / found.se, found.df))
    return {"mean": found.value, "se": found.se, "df": found.df, "p": p, "method": said}


def _by_sums(design: Design) -> dict[str, Any] | None:
    """The same from sums over clients, where sessions are very many and each is in one of two arms."""
    if not _varies(design.label):
        return None
    found = effect_from_rows(
        design.y,
        design.label,
        design.covariates,
        design.client,
        design.practitioner,
        either_way=design.either_way,
    )
    return None if found is None else _as_effect(found.average.found, found.method.removesuffix(FROM_SUMS))


def _by_adjustment(complete: Compared) -> dict[str, Any]:
    """Mean, se, df, p and method of sessions that nobody drew, adjusted for who got which."""
    sessions, twice = sessions_of(complete.rows), complete.has_second_baseline
    got = chosen_from_rows(sessions, second_baseline=twice) if complete.within_visit or not twice else None
    got = got or adjust_not_drawn(sessions, second_baseline=twice, stiffness=complete.within_visit)
    quoted = got.nearest
    return {"mean": quoted.value, "se": quoted.se, "df": quoted.df, "p": got.p, "method": got.method, "adjusted": got}


def _by_redraws(design: Design, *, paired: bool, rng: np.random.Generator, n_draws: int) -> dict[str, Any]:
    """Mean, p, method and limits from redraws of what was drawn."""
    could = (
        flipped_sides(len(design.y), n_draws=n_draws, rng=rng)
        if paired
        else shuffled_labels(
            design.label, design.client, n_draws=n_draws, rng=rng, whole=drawn_once(design.client, design.label)
        )
    )
    weight, words = _weights(design)
    ratio = _variance_ratio(design) if weight is None else 0.0
    got = redraw(design.y, design.label, could, design.covariates, design.client, ratio=ratio, weight=weight)
    said = f"re-randomisation of what was drawn ({got.n_draws} redraws), studentised{words}; interval by test inversion"
    return {"mean": got.value, "se": None, "df": None, "p": got.p, "method": said, "redrawn": got}


def _weights(design: Design) -> tuple[Floats | None, str]:
    """Equal weights of clients where weighing by sessions would flatter the technique."""
    columns = np.column_stack([design.label, design.covariates])
    equal = equal_clients(design.client)
    by_sessions = cluster_robust(design.y, columns, design.client, np.ones(len(design.y)))
    by_clients = cluster_robust(design.y, columns, design.client, equal)
    if by_sessions is None or by_clients is None or not flatters(by_sessions, by_clients, either_way=design.either_way):
        return None, ""
    return equal, ", every client weighing the same"


def _redraws_of(design: Design, rng: np.random.Generator | int) -> np.random.Generator:
    """Redraws that hang on the seed and on what is estimated, not on what was estimated before it."""
    if isinstance(rng, np.random.Generator):
        return rng
    return np.random.default_rng([rng, content_seed(design.y, design.label, design.covariates, design.client)])


def _variance_ratio(design: Design) -> float:
    """Between-client over residual variance, for weighing clients in the redraws; 0 where it cannot be had."""
    try:
        fit = _model(replace(design, practitioner=np.zeros_like(design.practitioner)), slope=False)
    except FitError:
        return 0.0
    between = sum(part.variance for part in fit.components if part.group == "client")
    return between / fit.residual_variance if fit.residual_variance > 0 else 0.0


def _refuse(design: Design, compared: Compared) -> None:
    """Say why nothing can be estimated from these rows."""
    n_clients = n_codes(design.client)
    if n_clients < 3 or len(design.y) < 5:
        raise NotEnoughError(
            f"{len(design.y)} sessions of {n_clients} clients can be compared with {compared.against}; "
            "at least 5 sessions of 3 clients are needed."
        )
    if not _varies(design.y):
        raise NotEnoughError(f"All {len(design.y)} changes are the same number, so nothing can be told from chance.")


def estimate(
    compared: Compared, *, confidence_level: float = 0.95, rng: np.random.Generator | int = 0, n_draws: int = N_DRAWS
) -> Attributable:
    """Technique minus comparison from the rows that have a reading after.

    Args:
        compared: rows of both arms (see `find_comparison`); rows without `y` are left out here and judged by `bounded`.
        confidence_level: of the interval.
        rng: for the redraws.
        n_draws: number of redraws.

    Returns:
        Mean difference with interval, p, df and method.

    Raises:
        NotEnoughError: fewer than 5 sessions or 3 clients, or no variation.
    """
    complete = replace(compared, rows=compared.rows.dropna(subset=["y"]))
    design = design_of(complete)
    _refuse(design, compared)
    n_clients = n_codes(design.client)
    if compared.randomised and n_clients < FEW_CLIENTS:
        paired = compared.basis == "randomised_side"
        found = _by_redraws(design, paired=paired, rng=_redraws_of(design, rng), n_draws=n_draws)
    elif compared.basis == "comparison_sessions":
        found = _by_adjustment(complete)
    else:
        found = _by_model(design)
    return Attributable(
        ci_low=np.nan,
        ci_high=np.nan,
        n_clients=n_clients,
        n_sessions=len(design.y),
        n_filled=0,
        confidence_level=confidence_level,
        n_rows=len(complete.rows),
        **found,
    ).at_level(confidence_level)


def model_behind(compared: Compared) -> MixedFit:
    """The mixed model that `estimate` reads the effect from (its coefficient `technique`), for a look at it."""
    complete = replace(compared, rows=compared.rows.dropna(subset=["y"]))
    if compared.basis == "comparison_sessions":
        sessions, twice = sessions_of(complete.rows), compared.has_second_baseline
        return first_fit(sessions, second_baseline=twice, stiffness=compared.within_visit)
    design = design_of(complete)
    return _model(design, slope=_can_vary(design))


def bounded(
    compared: Compared, complete: Attributable, *, rng: np.random.Generator | int = 0, n_draws: int = N_DRAWS
) -> Attributable:
    """The same with every missing reading filled in against the technique (lower limit) and for it (upper limit).

    The mean is that of the readings written down, the p-value that of the filling against the technique; the interval
    reaches from its lower limit to the highest upper limit of the three ways of counting.

    Args:
        compared: rows of both arms, those without a reading after among them.
        complete: the estimate from the rows that have one.
    """
    n_empty = bounds.n_missing(compared.rows)
    filled = bounds.filling(compared.rows) if n_empty else None
    if filled is None and len(compared.rows) == complete.n_rows:
        return complete
    ways = [compared.rows] * 2
    if filled is not None:
        hows = zip((filled.against, filled.in_favour), filled.uncounted, strict=True)
        ways = [bounds.fill(compared.rows, how, uncounted=count) for how, count in hows]
    if filled is not None and compared.both_treated:
        ways += [_filled_the_other_way(compared.rows, place) for place in (1, 0)]
    found = [
        estimate(replace(compared, rows=rows), confidence_level=complete.confidence_level, rng=rng, n_draws=n_draws)
        for rows in ways
    ]
    return _put_together(found[0], complete, *found[1:], n_filled=n_empty)


def with_also(found: Attributable, also: Sequence[Attributable]) -> Attributable:
    """The same estimate with an interval that holds against further ways of counting."""
    if not also:
        return found
    parts = found.parts or (found, found)
    return _put_together(*parts, *also, *([also[-1]] * (len(parts) == 2)), n_filled=found.n_filled)


def _filled_the_other_way(rows: pd.DataFrame, place: int) -> pd.DataFrame:
    """Rows filled in as if the comparison were the technique: where both are treatments, neither comes first."""
    turned = rows.assign(arm=1.0 - rows["arm"])
    filled = bounds.filling(turned)
    how = filled and (filled.against, filled.in_favour)[place]
    return (bounds.fill(turned, how) if how else turned).assign(arm=rows["arm"])


def _put_together(against: Attributable, complete: Attributable, *others: Attributable, n_filled: int) -> Attributable:
    """Mean of what was written down, p of the filling against the technique, the widest interval of all ways.

    With more than two ways of filling (neither arm comes first) the largest p of all counts.
    """
    ways = (against, complete, *others)
    many = len(others) > 1
    return replace(
        against,
        mean=complete.mean,
        ci_low=min(way.ci_low for way in (ways if many else (against, complete))),
        ci_high=max(way.ci_high for way in ways),
        p=max(way.p for way in ways) if many else against.p,
        method=complete.method
        + (f"; {n_filled} missing readings filled in against the technique (lower limit) and for it (upper limit)")
        * bool(n_filled),
        n_filled=n_filled,
        parts=ways,
    )
