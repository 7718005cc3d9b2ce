"""What the records bear out: the one road from compared rows to an estimate, with what was checked on the way.

Readers and second readings are looked at first, then the draw, then every session that was drawn and lost, then the
estimate and its bound. `audit` and `compare` both take this road.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.comparison import Compared
from toolkit.effect.doubts import (
    RESTS_ON,
    after_alone,
    baselines_apart,
    chosen_by_second_reading,
    coarser_after,
    different_people,
    examiners_by_arm,
    minutes_apart,
    practitioners_left_out,
    without_copied_rereadings,
)
from toolkit.effect.draw_check import DrawCheck, check_draw
from toolkit.effect.estimate import N_DRAWS, Attributable, bounded, design_of, estimate, with_also
from toolkit.effect.flow import Flow, flow_of
from toolkit.effect.many_sessions import robust_over_clients
from toolkit.effect.observer import Observer, blind_rows, copied_second_readings, observer_of, without_copies
from toolkit.effect.schedule import Account, by_schedule
from toolkit.errors import FitError, NotEnoughError
from toolkit.quantiles import t_quantile

IMBALANCE = 0.25  # SD between arms that nobody drew
BEYOND_CHANCE = 2.58
FEWEST_IN_TIME = 5
_DRAWN = {
    "randomised_order": "order drawn at random",
    "randomised_side": "treated side drawn at random",
    "randomised_protocol": "drawn at random",
}
TIED = 0.5  # share of what was drawn that the patterns found tell beforehand


@dataclass(frozen=True, eq=False, kw_only=True)
class BorneOut:
    """Compared rows as they may be believed, the checks, and the estimates.

    `compared`: blinding counted by who treated, copied second readings taken for none, adjusting columns added where
    the draw failed. `complete` and `attributable`: without and with everything lost (None: `why_none` says why).
    `copied`: how copied second readings were seen. `imbalance`: what differs between arms that nobody drew and is not
    adjusted for. `doubts`: what else takes the comparison its word. `rests_on`: a practitioner without whom little is
    left. `repeated`: re-readings taken for not taken. `reversals`: subgroups that went opposite ways, in words.
    """

    compared: Compared
    draw: DrawCheck | None
    account: Account | None
    flow: Flow
    observer: Observer
    copied: str
    imbalance: tuple[str, ...]
    complete: Attributable | None
    attributable: Attributable | None
    why_none: str
    reversals: str = ""
    doubts: tuple[str, ...] = ()
    rests_on: str = ""
    repeated: str = ""

    @property
    def randomised(self) -> bool:
        """Drawn, and nothing in the records speaks against it."""
        return self.compared.randomised and (self.draw is None or self.draw.passed) and not self.doubts

    @property
    def drawn_words(self) -> str:
        """What may be said of the draw, in a few words."""
        what = _DRAWN.get(self.compared.basis)
        if what is None:
            return "not drawn at random"
        if self.draw is not None and not self.draw.passed:
            return f"{what}, it is written, which the records do not bear out"
        sealed = self.draw is not None and self.draw.verdict == "sealed and kept"
        return f"{what} and sealed" if sealed else f"{what}, as written down"

    @property
    def against_the_draw(self) -> str:
        """What in the records speaks against the draw, or against a comparison that nobody drew; "" for nothing."""
        if self.draw is not None and not self.draw.passed:
            return self.draw.says
        if self.doubts:
            return " ".join(self.doubts)
        if self.imbalance:
            return f"What was compared was not drawn at random, and differs in {'; '.join(self.imbalance)}."
        return ""

    @property
    def second_baseline(self) -> bool:
        """Is there a second baseline, and may a comparison that nobody drew rest on it?"""
        adjusted = self.draw is None or self.draw.passed or self.draw.can_adjust
        return self.compared.has_second_baseline and adjusted and not self.imbalance and not self.doubts


def bear_out(
    compared: Compared,
    *,
    sem: float | None = None,
    sem_source: str = "",
    allowance: float | None = None,
    lost: pd.DataFrame | None = None,
    share: float | None = None,
    schedule: pd.DataFrame | None = None,
    confidence_level: float = 0.95,
    rng: np.random.Generator | int = 0,
    n_draws: int = N_DRAWS,
    quick: bool = False,
) -> BorneOut:
    """Check and estimate one comparison.

    Parameters
    ----------
    compared
        Rows of technique and comparison.
    sem, sem_source
        The larger of own and published standard error of measurement, and where it comes from.
    allowance
        The question's own allowance for a reader who may lean.
    lost
        Rows of the same question that were set aside whole (see `flow.flow_of`).
    share
        Share of technique first that was meant to be drawn.
    schedule
        The sealed schedule, opened: client, session (1, 2, …), order. Then the analysis is by what was drawn.
    confidence_level, rng, n_draws
        As for `estimate`.
    quick
        Take the draw for kept and every reading for one of its own, and leave subgroups alone.
    """
    compared = blind_rows(compared)
    copied, repeated, doubts = "", "", tuple[str, ...]()
    if not quick:
        copied = _copied(compared)
        compared = without_copies(compared, copied)
        compared, repeated = without_copied_rereadings(compared)
        other_eyes, compared = examiners_by_arm(compared)
        doubts = tuple(said for said in (other_eyes, minutes_apart(compared)) if said)
    account = None
    if schedule is not None and compared.basis == "randomised_order":
        compared, account = by_schedule(compared, schedule)
        lost = account.lost if lost is None else pd.concat([lost, account.lost], ignore_index=True)
    draw = None
    if compared.randomised and not quick:
        draw = check_draw(compared, share=share)
        draw = draw if account is None else account.instead_of(draw)
    plain = compared
    if draw is not None and not draw.passed:
        compared = adjusted_for(compared, draw)
    flow = flow_of(compared, lost=lost, share=share, counted=_counts(compared, account, quick))
    if draw is not None and not draw.passed and tied(compared):
        complete, attributable, why = None, None, "what was treated first can be told beforehand in most sessions"
    else:
        complete, attributable, why = _estimates(compared, flow, confidence_level, rng, n_draws)
    rests_on = ""
    if complete is not None and attributable is not None and attributable.ci_low > 0 and not quick:
        how = {"confidence_level": confidence_level, "rng": rng, "n_draws": n_draws}
        also, rests_on = _other_ways(compared, plain, flow, complete, how)
        attributable = with_also(attributable, also)
    coarse, coarse_words = (0.0, "") if quick else coarser_after(compared)
    observer = observer_of(compared, sem=sem, sem_source=sem_source, asked=allowance)
    if coarse:
        said = "; ".join(part for part in (observer.source if observer.allowance else "", coarse_words) if part)
        observer = replace(observer, allowance=observer.allowance + coarse, source=said)
    return BorneOut(
        compared=compared,
        draw=draw,
        account=account,
        flow=flow,
        observer=observer,
        copied=copied,
        imbalance=() if compared.randomised else imbalance_of(compared),
        complete=complete,
        attributable=attributable,
        why_none=why,
        reversals="" if quick else reversals_of(compared),
        doubts=doubts,
        rests_on=rests_on,
        repeated=repeated,
    )


def _other_ways(
    compared: Compared, plain: Compared, flow: Flow, complete: Attributable, how: dict[str, Any]
) -> tuple[list[Attributable], str]:
    """Further estimates that a claim must hold against, and the practitioner without whom little is left.

    The readings after alone, where readings before differ by arm; without the adjusting columns of a draw that failed;
    without a practitioner who carries most of it.
    """
    ways: list[Attributable] = []
    tried: list[Compared] = []
    if compared.randomised and baselines_apart(compared):
        tried.append(after_alone(compared))
    if plain is not compared:
        tried.append(plain)
    for one in tried:
        with contextlib.suppress(NotEnoughError, FitError):
            found = estimate(one, **how)
            back = replace(flow.complete, rows=flow.complete.rows.drop(columns=_adjusting(flow.complete)))
            ways.append(found if one is not plain else bounded(back, found, rng=how["rng"], n_draws=how["n_draws"]))
    least: tuple[float, str, Attributable] | None = None
    for name, one in practitioners_left_out(compared):
        with contextlib.suppress(NotEnoughError, FitError):
            found = estimate(one, **how)
            if least is None or found.mean < least[0]:
                least = (found.mean, name, found)
    if least is not None and least[0] < RESTS_ON * complete.mean:
        return [*ways, least[2]], least[1]
    return ways, ""


def _adjusting(compared: Compared) -> list[str]:
    return [name for name in compared.rows.columns if str(name).startswith("adjust ")]


def _estimates(
    compared: Compared, flow: Flow, level: float, rng: np.random.Generator | int, n_draws: int
) -> tuple[Attributable | None, Attributable | None, str]:
    """Without and with everything lost, or why there is none."""
    try:
        complete = estimate(compared, confidence_level=level, rng=rng, n_draws=n_draws)
        return complete, bounded(flow.complete, complete, rng=rng, n_draws=n_draws), ""
    except (NotEnoughError, FitError) as problem:
        return None, None, str(problem)


def _counts(compared: Compared, account: Account | None, quick: bool) -> bool:
    """Ask the count of a fair draw? Not where a schedule tells, or nothing was drawn."""
    return account is None and not quick and compared.randomised


def _copied(compared: Compared) -> str:
    """Are the second readings before no readings of their own?"""
    source = compared.source
    if source is None or not source["before_2"].notna().any():
        return ""
    untreated = compared.rows["arm"].to_numpy() == 0
    later = source["after_wait"] if compared.basis == "randomised_order" else source["after"]
    return copied_second_readings(source["before"], source["before_2"], later.where(untreated))


def adjusted_for(compared: Compared, draw: DrawCheck) -> Compared:
    """The comparison with a column for each pattern that predicted the draw."""
    keys = ["client", "session_id"]
    found = compared.rows[keys].merge(draw.adjust, on=keys, how="left")
    columns = {f"adjust {k}": found[name].fillna(0.0).to_numpy() for k, name in enumerate(draw.adjust.columns[2:])}
    return replace(compared, rows=compared.rows.assign(**columns))


def imbalance_of(compared: Compared) -> tuple[str, ...]:
    """What was known before and differs between the arms by more than 0.25 SD, and more than chance would have it.

    Readings and practitioners are adjusted for; when in the course a session lay, only along a line.
    """
    if compared.basis != "comparison_sessions":
        return ()
    rows = compared.rows.drop_duplicates(["client", "session_id"])
    arm = rows["arm"].to_numpy() == 1
    dates = pd.to_datetime(rows["date"])
    first = dates.groupby(rows["client"]).transform("min")
    known = {
        "days since the client's first visit": (dates - first).dt.days.to_numpy(dtype=float, na_value=np.nan),
        "the day on the calendar": (dates - dates.min()).dt.days.to_numpy(dtype=float, na_value=np.nan),
    }
    if "visit" in rows:
        known["visit number"] = rows["visit"].to_numpy(dtype=float, na_value=np.nan)
    found = [said for said in (different_people(compared), chosen_by_second_reading(compared)) if said]
    moments: dict[str, dict[int, tuple[int, float, float]]] = {}
    for name, values in known.items():
        arms = {which: part[np.isfinite(part)] for which, part in ((1, values[arm]), (0, values[~arm]))}
        if min(len(part) for part in arms.values()) > 1:
            moments[name] = {
                which: (len(part), float(part.mean()), float(part.var(ddof=1))) for which, part in arms.items()
            }
    return (*found, *apart_in_time(moments))


def apart_in_time(moments: Mapping[str, Mapping[int, tuple[int, float, float]]]) -> tuple[str, ...]:
    """What differs between the arms by more than 0.25 SD and chance: by name n, mean and variance of each arm (1, 0).

    Examples
    --------
    >>> apart_in_time({"visit number": {1: (100, 5.0, 4.0), 0: (100, 4.0, 4.0)}})
    ('visit number (+0.50 SD)',)
    """
    found = []
    for name, of in moments.items():
        if len(of) < 2 or min(n for n, _, _ in of.values()) < FEWEST_IN_TIME:
            continue
        (n, mean, variance), (n_other, mean_other, variance_other) = of[1], of[0]
        spread = np.sqrt((variance + variance_other) / 2)
        apart = (mean - mean_other) / spread if spread > 1e-9 else 0.0
        if abs(apart) > IMBALANCE and abs(apart) > BEYOND_CHANCE * np.sqrt(1 / n + 1 / n_other):
            found.append(f"{name} ({apart:+.2f} SD)")
    return tuple(found)


def tied(compared: Compared) -> bool:
    """Do the patterns found tell so much of what was drawn that too little is left to compare?"""
    design = design_of(replace(compared, rows=compared.rows.dropna(subset=["y"])))
    columns = design.covariates
    if np.ptp(design.label) == 0 or not columns.shape[1]:
        return False
    fitted = columns @ np.linalg.lstsq(columns, design.label, rcond=None)[0]
    return bool(fitted.var() / design.label.var() > TIED)


def reversals_of(compared: Compared) -> str:
    """Sides or practitioners for whom the difference clearly goes opposite ways, in words; "" where there are none.

    Opposite: one interval of a subgroup lies above 0 and one of the other below, each at 99 % (CR2 over clients).
    """
    if compared.source is None or compared.basis in ("randomised_side", "other_side"):
        return ""
    rows = compared.rows
    for what, labels in (("side", compared.source["measured_side"]), ("practitioner", rows["practitioner"])):
        found = {}
        for name, part in rows.groupby(labels.astype(str).to_numpy(), sort=False):
            effect = _plain_effect(part.dropna(subset=["y", "base"]))
            if effect is not None and name:
                found[str(name)] = effect
        up = [name for name, (_, low, _high) in found.items() if low > 0]
        down = [name for name, (_, _low, high) in found.items() if high < 0]
        if up and down:
            told = ", ".join(f"{name} {found[name][0]:+.1f}" for name in (*up, *down))
            return f"By {what} it goes opposite ways ({told}): an average of the two says little about either."
    return ""


def _plain_effect(part: pd.DataFrame) -> tuple[float, float, float] | None:
    """Difference and 99 % interval in one subgroup; None below 5 sessions of 3 clients in each arm."""
    clients = part.groupby("arm")["client"].nunique().reindex([0.0, 1.0], fill_value=0)
    if clients.min() < 3 or part.groupby("arm").size().min() < 5:
        return None
    base = part["base"] - part["base"].mean()
    columns = np.column_stack([part["arm"], np.ones(len(part)), base])
    code = pd.factorize(part["client"])[0]
    got = robust_over_clients(part["y"].to_numpy(dtype=float), columns, code, np.ones(len(part)))
    if got is None:
        return None
    reach = float(t_quantile(0.995, got.df)) * got.se
    return got.value, got.value - reach, got.value + reach
