"""The coming season, played through by simulation: how many clients, and which change of record-keeping buys most.

Dials of the simulated season are read off the practitioner's own records (how much clients, days and readings scatter,
how often they come, what is left empty); what cannot be read off keeps the simulator's default and is named. The
simulated seasons are then judged by the very rule that will judge the real one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.claim.rule import LEVELS
from toolkit.errors import NotEnoughError, QuestionError
from toolkit.explanations.regression_to_the_mean import implied_selection
from toolkit.findings.finding import Judged
from toolkit.number_words import quantity
from toolkit.planning.playing import SeasonPlayed, play
from toolkit.progress import Bar, bar
from toolkit.result import Shown
from toolkit.simulate import ClinicDials, Design
from toolkit.stats.proportions import PairedCounts, newcombe_paired_difference, wilson_limits

SEEN = ("moved", "moved_enough", "probably_moved")
ENOUGH = 0.8  # common practice: plan for four answers in five


@dataclass(frozen=True, eq=False, kw_only=True)
class SeasonPlan(Shown):
    """How often simulated seasons end in each claim.

    `curve`: one row a number of clients: clients, seen (share of seasons with `moved` or better, `probably_moved` where
    nothing is drawn), ci_low, ci_high (Wilson), and a share for each level. `effect` is the true effect played through.
    """

    dials: ClinicDials
    effect: float
    unit: str
    n_seasons: int
    curve: pd.DataFrame

    def sentence(self) -> str:
        """The smallest number of clients with which four of five seasons would show the effect."""
        enough = self.curve[self.curve["seen"] >= ENOUGH]
        size = f"a true effect of {quantity(self.effect, self.unit)}"
        if enough.empty:
            best = self.curve.iloc[-1]
            return (
                f"Even with {int(best['clients'])} clients {size} would be seen in "
                f"{100 * best['seen']:.0f} of 100 seasons (95 % interval {100 * best['ci_low']:.0f} to "
                f"{100 * best['ci_high']:.0f}; {self.n_seasons} simulated each)."
            )
        first = enough.iloc[0]
        return (
            f"With {int(first['clients'])} clients, {size} would be seen in about "
            f"{100 * first['seen']:.0f} of 100 seasons (95 % interval {100 * first['ci_low']:.0f} to "
            f"{100 * first['ci_high']:.0f}; {self.n_seasons} simulated each)."
        )

    def table(self) -> pd.DataFrame:
        """One row a number of clients."""
        return self.curve


@dataclass(frozen=True, eq=False, kw_only=True)
class RecordKeeping(Shown):
    """What each single change of record-keeping would do: one row a change, the one that buys most first.

    `rows`: change, seen (share of seasons that show the effect) with ci_low and ci_high (Wilson), gain over recording
    as now with gain_ci_low and gain_ci_high (the same seasons side by side: Newcombe 1998, method 10).
    """

    effect: float
    unit: str
    n_seasons: int
    rows: pd.DataFrame

    def sentence(self) -> str:
        """The change that buys most."""
        best = self.rows[self.rows["change"] != AS_NOW].iloc[0]
        now = self.rows.loc[self.rows["change"] == AS_NOW, "seen"].iloc[0]
        size = f"a true effect of {quantity(self.effect, self.unit)}"
        if not best["gain_ci_low"] > 0:
            return (
                f"Recording as now shows {size} in {100 * now:.0f} of 100 seasons. {self.n_seasons} simulated seasons "
                "a line cannot tell any single change from it: play 200 or more to decide by them."
            )
        return (
            f"Recording as now shows {size} in {100 * now:.0f} of 100 seasons; what buys most is: {best['change']} "
            f"({100 * best['seen']:.0f} of 100, {100 * best['gain_ci_low']:.0f} to {100 * best['gain_ci_high']:.0f} "
            f"more; {self.n_seasons} seasons simulated each)."
        )

    def table(self) -> pd.DataFrame:
        """One row a change."""
        return self.rows


def dials_from(judged: Judged) -> tuple[ClinicDials, list[str]]:
    """A simulated clinic like the one that a judged question comes from, and what could not be read off its records.

    Raises:
        NotEnoughError: fewer than 5 clients have readings.
        QuestionError: the measure is a sign; only numbers are played.
    """
    rows, question = judged.technique, judged.question
    if question.unit == "yes_no":
        raise QuestionError(
            f"“{question.measure}” is a sign (there or not), and seasons are played for readings that are numbers. "
            "Choose a measure that is a number."
        )
    before = rows.dropna(subset=["before"])
    clients = before.groupby(before["client"].astype(str))["before"]
    if clients.ngroups < 5:
        raise NotEnoughError(f"Only {clients.ngroups} clients have readings; at least 5 are needed to plan from them.")
    default, notes = ClinicDials(), []
    sem = judged.ruler.sem
    if sem is None:
        sem = default.sem
        notes.append(f"measurement error is not known; {sem:g} taken")
    within = float(np.sqrt(clients.var(ddof=1).mean())) if (clients.count() > 1).any() else float(np.hypot(sem, 2.0))
    between = float(np.sqrt(max(clients.mean().var(ddof=1) - within**2 / clients.count().mean(), 0.1)))
    low_is_selected = question.better == "higher"
    selection = implied_selection(before["before"].to_numpy(dtype=float), low_is_selected=low_is_selected)
    drift = float((rows["before_2"] - rows["before"]).mean()) if rows["before_2"].notna().any() else 0.0
    share = judged.blinded_share
    basis = judged.compared.basis if judged.compared is not None else "none"
    visits = before.drop_duplicates(["client", "session_id"]).groupby(before["client"].astype(str)).size()
    dials = replace(
        default,
        n_clients=int(clients.ngroups),
        n_practitioners=max(1, int(rows["practitioner"].nunique())),
        visits=max(1.0, float(visits.mean())),
        design=_DESIGN[basis],
        second_baseline=bool(rows["before_2"].notna().mean() > 0.5),
        blinded_share=share if share is not None else 0.0,
        level=selection.mean,
        between_sd=between,
        day_sd=float(np.sqrt(max(within**2 - sem**2, 0.01))),
        sem=sem,
        warm_up=max(0.0, drift / 2) if low_is_selected else max(0.0, -drift / 2),
        not_written=min(0.9, 2 * float(rows["after"].isna().mean())),
        measure=question.measure,
        unit=str(question.unit),
        region=question.region,
        intervention=question.intervention,
        better=str(question.better),
    )
    return dials, notes


_DESIGN: dict[str, Design] = {
    "randomised_order": "order_drawn",
    "randomised_side": "side_drawn",
    "comparison_sessions": "comparison_sessions",
    "other_side": "other_side",
    "none": "none",
}
AS_NOW = "recording as now"
COIN = "draw the order by a coin"


def _shares(levels: pd.Series) -> dict[str, float]:
    hits = int(levels.isin(SEEN).sum())
    low, high = wilson_limits(hits / len(levels), len(levels))
    counts = levels.value_counts(normalize=True)
    return {
        "seen": hits / len(levels),
        "ci_low": float(low),
        "ci_high": float(high),
        **{level: float(counts.get(level, 0.0)) for level in LEVELS},
    }


def _gain(levels: pd.Series, now: pd.Series) -> dict[str, float]:
    """How many more seasons show the effect than as now, the same seasons side by side, with its interval."""
    here, there = levels.isin(SEEN), now.isin(SEEN)
    counts = PairedCounts(
        yes_yes=int((here & there).sum()),
        yes_no=int((~here & there).sum()),
        no_yes=int((here & ~there).sum()),
        no_no=int((~here & ~there).sum()),
    )
    gain = newcombe_paired_difference(counts)
    return {"gain": gain.value, "gain_ci_low": gain.ci_low, "gain_ci_high": gain.ci_high}


def _seed_of(rng: np.random.Generator | int) -> int:
    """One number that all seasons of a plan are seeded from."""
    return int(rng.integers(2**31)) if isinstance(rng, np.random.Generator) else int(rng)


def _played(
    lines: Mapping[str, ClinicDials],
    *,
    effect: float,
    smallest: float | None,
    n_seasons: int,
    seed: int,
    told: Bar | None = None,
) -> dict[str, pd.Series]:
    """The levels of `n_seasons` seasons of each line, all lines with the same luck, with a progress bar."""
    seasons = [
        SeasonPlayed(dials=replace(dials, effect=effect), smallest=smallest, seed=(seed, place))
        for dials in lines.values()
        for place in range(n_seasons)
    ]
    shown = told or bar(len(seasons), "seasons")
    levels = play(seasons, tick=shown.update)
    if told is None:
        shown.close()
    return {name: pd.Series(levels[place * n_seasons : (place + 1) * n_seasons]) for place, name in enumerate(lines)}


def plan_clients(
    dials: ClinicDials,
    *,
    effect: float,
    smallest: float | None,
    n_clients: Iterable[int] = (10, 20, 40, 80),
    n_seasons: int = 100,
    rng: np.random.Generator | int = 0,
) -> SeasonPlan:
    """How often a season with so many clients would show a true effect, with a progress bar.

    Args:
        dials: the clinic (see `dials_from`). effect: true mean effect, in the unit, better = positive.
        smallest: smallest change that matters. n_clients: numbers to try. n_seasons: simulated for each.

    Source: power by simulation from the records' own variance components (Arnold et al. 2011, BMC Medical Research
        Methodology 11:94, from memory).

    Example:
        >>> plan = plan_clients(ClinicDials(visits=3), effect=6.0, smallest=3.0, n_clients=[24], n_seasons=4, rng=1)
        >>> plan.curve["seen"].tolist()
        [1.0]
    """
    lines = _sizes(dials, n_clients)
    found = _played(lines, effect=effect, smallest=smallest, n_seasons=n_seasons, seed=_seed_of(rng))
    return _plan_of(dials, lines, found, effect=effect)


def _sizes(dials: ClinicDials, n_clients: Iterable[int]) -> dict[str, ClinicDials]:
    """A line a number of clients."""
    return {f"{one} clients": replace(dials, n_clients=one) for one in sorted(set(n_clients))}


def _plan_of(
    dials: ClinicDials, lines: Mapping[str, ClinicDials], found: Mapping[str, pd.Series], *, effect: float
) -> SeasonPlan:
    """The played lines as a plan."""
    rows = [{"clients": line.n_clients, **_shares(found[name])} for name, line in lines.items()]
    n_seasons = len(next(iter(found.values()), ()))
    return SeasonPlan(dials=dials, effect=effect, unit=dials.unit, n_seasons=n_seasons, curve=pd.DataFrame(rows))


def changes_of_record_keeping(dials: ClinicDials) -> dict[str, ClinicDials]:
    """Each single change that the records leave room for."""
    changes, first, said = {AS_NOW: dials}, dials, ""
    if dials.design not in ("order_drawn", "side_drawn"):
        first, said = replace(dials, design="order_drawn"), COIN
        changes[COIN] = first
    nothing = dials.design == "none"  # then no other change helps by itself: each comes on top of the coin
    start, add = (first, f"{said}, and ") if nothing else (dials, "")
    if not dials.second_baseline:
        changes[f"{add}read twice before"] = replace(start, second_baseline=True)
    if dials.blinded_share < 0.8:
        changes[f"{add}have somebody re-measure who does not know what was done"] = replace(start, blinded_share=1.0)
    if dials.not_written > 0:
        changes[f"{add}write down every reading after"] = replace(start, not_written=0.0)
    changes[f"{add}half as many clients again"] = replace(start, n_clients=int(np.ceil(1.5 * dials.n_clients)))
    return changes


def rank_record_keeping(
    dials: ClinicDials,
    *,
    effect: float,
    smallest: float | None,
    n_seasons: int = 100,
    rng: np.random.Generator | int = 0,
) -> RecordKeeping:
    """Which one change of record-keeping would show a true effect most often, by simulation, with a progress bar.

    Args: as `plan_clients`.
    """
    changes = changes_of_record_keeping(dials)
    found = _played(changes, effect=effect, smallest=smallest, n_seasons=n_seasons, seed=_seed_of(rng))
    return _ranked(dials, {name: found[name] for name in changes}, effect=effect)


def _ranked(dials: ClinicDials, found: Mapping[str, pd.Series], *, effect: float) -> RecordKeeping:
    """The played changes, the one that buys most first."""
    now = found[AS_NOW]
    frame = pd.DataFrame(
        [{"change": change, **_shares(levels), **_gain(levels, now)} for change, levels in found.items()]
    )
    ranked = frame.sort_values(["gain", "moved_enough"], ascending=False, kind="stable", ignore_index=True)
    return RecordKeeping(effect=effect, unit=dials.unit, n_seasons=len(now), rows=ranked)


def _worth_a_try(dials: ClinicDials, now: pd.Series) -> list[int]:
    """Numbers of clients to play beside as many as now: fewer where these are enough, more where they are not."""
    factors = (0.25, 0.5, 1) if now.isin(SEEN).mean() >= ENOUGH else (1, 2, 4)
    return [dials.n_clients if factor == 1 else max(6, round(dials.n_clients * factor)) for factor in factors]


def plan_and_rank(
    dials: ClinicDials,
    *,
    effect: float,
    smallest: float | None,
    n_clients: Iterable[int] | None = None,
    n_seasons: int = 100,
    rng: np.random.Generator | int = 0,
) -> tuple[SeasonPlan, RecordKeeping]:
    """`plan_clients` and `rank_record_keeping` in one go, seasons that both need played once.

    Args: as `plan_clients`. Without `n_clients` as many as now are played first: where they show the effect in four
        seasons of five, a half and a quarter of them, else twice and four times as many.
    """
    changes = changes_of_record_keeping(dials)
    given = None if n_clients is None else _sizes(dials, n_clients)
    n_lines = len(changes) + (2 if given is None else sum(line != dials for line in given.values()))
    told = bar(n_lines * n_seasons, "seasons")
    how: dict[str, Any] = {"effect": effect, "smallest": smallest, "n_seasons": n_seasons, "told": told}
    how["seed"] = _seed_of(rng)
    found = _played(changes, **how)
    sizes = _sizes(dials, _worth_a_try(dials, found[AS_NOW])) if given is None else given
    found |= _played({name: line for name, line in sizes.items() if line != dials}, **how)
    told.close()
    found |= {name: found[AS_NOW] for name in sizes if name not in found}
    return _plan_of(dials, sizes, found, effect=effect), _ranked(
        dials, {name: found[name] for name in changes}, effect=effect
    )
