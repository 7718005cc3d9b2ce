"""The intervals of the change room, over simulated clients: see `interval_coverage`.

Clients are drawn independently. Each has a true start, a true change and one to twelve sessions (one where clients do
not repeat); what enters is each client's mean, as `clients_change` makes it. Truths without a closed form are taken
over 400,000 simulated clients. Signs and shares are counts: their coverage moves in steps whatever the method.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from interval_coverage import Entry, noise

from toolkit.result import Estimate
from toolkit.stats.beyond_error import matched_rank_biserial, probability_of_improvement
from toolkit.stats.centre import hodges_lehmann_change, mean_change, median_change, trimmed_mean_change
from toolkit.stats.comfort import repeated_measures_correlation
from toolkit.stats.group_difference import baseline_adjusted
from toolkit.stats.one_client import nonoverlap
from toolkit.stats.proportions import share_of, unpaired_difference
from toolkit.stats.response_mean import dz_change, dz_change_widened
from toolkit.stats.sign_tests import conditional_odds_ratio
from toolkit.stats.signs import net_improvement
from toolkit.stats.standardised import baseline_sd_change, dav_change, drm_change, gav_change, two_readings

KNOWN_TO_MISS = {
    "median change": "exact whatever the shape: order statistics move in steps, and the interval errs on the wide side",
    "probability of improvement": "a count of clients moves in steps, and the interval mostly errs on the wide side",
    "share beyond measurement error": "a count of clients moves in steps",
}

MANY = 400_000
VISITS = (1, 2, 3, 6, 12, 1, 4)
START, TRUE_CHANGE = 40.0, 4.0
SD_START, SD_CHANGE, SEM = 6.0, 2.0, 3.0
MDC95 = 1.959964 * float(np.sqrt(2)) * SEM


def _limits(found: Estimate) -> tuple[float, float]:
    return found.ci_low, found.ci_high


def _visits(rng: np.random.Generator, n: int, repeated: bool) -> np.ndarray:
    return rng.choice(VISITS, n) if repeated else np.ones(n, dtype=int)


@dataclass(frozen=True, kw_only=True, eq=False)
class Clients:
    """Each client's mean first and second reading, and number of sessions."""

    sessions: np.ndarray
    first: np.ndarray
    second: np.ndarray

    @property
    def change(self) -> np.ndarray:
        """Each client's mean change."""
        return self.second - self.first


def _mean_errors(rng: np.random.Generator, shape: str, sessions: np.ndarray) -> np.ndarray:
    """The mean error of two readings a session, for clients with so many sessions."""
    total = np.zeros((2, len(sessions)))
    for session in range(int(sessions.max())):
        still = sessions > session
        total[:, still] += noise(rng, shape, (2, int(still.sum())))
    return total / sessions


def _clinic(rng: np.random.Generator, n: int, shape: str, repeated: bool) -> Clients:
    """The means of `n` clients."""
    sessions = _visits(rng, n, repeated)
    start = START + SD_START * noise(rng, shape, n)
    first, second = SEM * _mean_errors(rng, shape, sessions)
    change = TRUE_CHANGE + SD_CHANGE * noise(rng, shape, n)
    return Clients(sessions=sessions, first=start + first, second=start + change + second)


@cache
def _population(shape: str, repeated: bool) -> Clients:
    """Very many clients."""
    return _clinic(np.random.default_rng(77), MANY, shape, repeated)


def _change_truths(shape: str, repeated: bool) -> dict[str, float]:
    people = _population(shape, repeated)
    change = people.change
    other = np.random.default_rng(78).permutation(change)
    s1, s2, sd = float(people.first.std()), float(people.second.std()), float(change.std())
    r = float(np.corrcoef(people.first, people.second)[0, 1])
    middle = np.sort(change)[MANY // 5 : MANY - MANY // 5]
    return {
        "mean change": TRUE_CHANGE,
        "median change": float(np.median(change)),
        "trimmed mean change": float(middle.mean()),
        "Hodges-Lehmann change": float(np.median((change + other) / 2)),
        "d_z, standardised response mean": TRUE_CHANGE / sd,
        "d_av": TRUE_CHANGE / ((s1 + s2) / 2),
        "Hedges' g_av": TRUE_CHANGE / ((s1 + s2) / 2),
        "d_rm": TRUE_CHANGE / sd * float(np.sqrt(2 * (1 - r))),
        "change over baseline SD": TRUE_CHANGE / s1,
        "probability of improvement": float((change > 0).mean()),
        "matched rank-biserial": 2 * float((change + other > 0).mean()) - 1,
        "share beyond measurement error": float((change > MDC95 / np.sqrt(people.sessions)).mean()),
    }


def _change_intervals(people: Clients) -> dict[str, tuple[float, float]]:
    change = people.change
    readings = two_readings(people.first, people.second)
    dz = dz_change if np.ptp(people.sessions) == 0 else dz_change_widened
    shown = int((change > MDC95 / np.sqrt(people.sessions)).sum())
    found = {
        "mean change": mean_change(change, unit="deg"),
        "median change": median_change(change, unit="deg"),
        "trimmed mean change": trimmed_mean_change(change, unit="deg"),
        "Hodges-Lehmann change": hodges_lehmann_change(change, unit="deg"),
        "d_z, standardised response mean": dz(change),
        "d_av": dav_change(readings),
        "Hedges' g_av": gav_change(readings),
        "d_rm": drm_change(readings),
        "change over baseline SD": baseline_sd_change(readings),
        "probability of improvement": probability_of_improvement(change),
        "matched rank-biserial": matched_rank_biserial(change),
        "share beyond measurement error": share_of(shown, len(change)),
    }
    return {name: _limits(each) for name, each in found.items()}


_FIRST_CUT, _SECOND_CUT = 0.2, -0.4


def _signs(rng: np.random.Generator, n: int, shape: str, repeated: bool) -> pd.DataFrame:
    """A sign that appears where a client's leaning plus a row's own passes a cut; counts a client."""
    who = np.repeat(np.arange(n), _visits(rng, n, repeated))
    leaning = noise(rng, shape, n)[who]
    first = np.sqrt(0.6) * leaning + np.sqrt(0.4) * noise(rng, shape, len(who)) > _FIRST_CUT
    second = np.sqrt(0.6) * leaning + np.sqrt(0.4) * noise(rng, shape, len(who)) > _SECOND_CUT
    cells = {"yes_yes": first & second, "yes_no": first & ~second, "no_yes": ~first & second, "no_no": ~first & ~second}
    return pd.DataFrame({name: np.bincount(who, weights=cell) for name, cell in cells.items()})


@cache
def _sign_truths(shape: str, repeated: bool) -> dict[str, float]:
    share = _signs(np.random.default_rng(79), MANY, shape, False).mean()
    net = {"net share that improved": float(share["no_yes"] - share["yes_no"])}
    return net | ({} if repeated else {"conditional odds ratio": float(share["no_yes"] / share["yes_no"])})


def _sign_intervals(counts: pd.DataFrame) -> dict[str, tuple[float, float]]:
    found = {"net share that improved": _limits(net_improvement(counts, better="higher"))}
    cells = counts.to_numpy().sum(axis=0)
    if cells.sum() == len(counts):
        found["conditional odds ratio"] = _limits(conditional_odds_ratio(int(cells[2]), int(cells[1])))
    return found


def _two_arms(rng: np.random.Generator, n: int, shape: str, _repeated: bool) -> pd.DataFrame:
    """`n` people in each of two groups, baseline and follow-up."""
    arm = np.repeat(["wait", "technique"], n)
    start = START + SD_START * noise(rng, shape, 2 * n)
    after = 12 + 0.7 * start + 3.0 * (arm == "technique") + 4 * noise(rng, shape, 2 * n)
    return pd.DataFrame({"arm": arm, "before": start, "after": after})


def _two_arm_intervals(data: pd.DataFrame) -> dict[str, tuple[float, float]]:
    found = baseline_adjusted(data, outcome="after", baseline="before", group="arm", reference="wait", unit="deg")
    return {"baseline-adjusted difference": _limits(found.difference)}


def _two_counts(rng: np.random.Generator, n: int, _shape: str, _repeated: bool) -> tuple[int, int, int]:
    return int(rng.binomial(n, 0.7)), int(rng.binomial(n, 0.4)), n


def _two_count_intervals(data: tuple[int, int, int]) -> dict[str, tuple[float, float]]:
    treated, waited, n = data
    return {"difference of two groups' shares": _limits(unpaired_difference(treated, n, waited, n))}


def _comfort(rng: np.random.Generator, n: int, shape: str, _repeated: bool) -> pd.DataFrame:
    """Comfort and change with a correlation of 0.4 within clients and the opposite between them."""
    who = np.repeat(np.arange(n), 2 + rng.choice(VISITS, n))
    apart, inside = noise(rng, shape, n)[who], noise(rng, shape, (2, len(who)))
    return pd.DataFrame(
        {
            "client": who,
            "comfort": 2 * apart + inside[0],
            "change": -2 * apart + 0.4 * inside[0] + np.sqrt(1 - 0.16) * inside[1],
        }
    )


def _comfort_intervals(data: pd.DataFrame) -> dict[str, tuple[float, float]]:
    found = repeated_measures_correlation(data, client="client", x="comfort", y="change")
    return {"correlation within clients": _limits(found)}


def _phases(rng: np.random.Generator, n: int, shape: str, _repeated: bool) -> tuple[Any, Any]:
    """`n` readings in each of two phases of one client, independent of each other."""
    return noise(rng, shape, n), 0.9 + noise(rng, shape, n)


def _phase_truths(shape: str, _repeated: bool) -> dict[str, float]:
    first, second = _phases(np.random.default_rng(80), MANY, shape, False)
    return {"non-overlap of all pairs": float((second > first).mean())}


ENTRIES = (
    Entry(name="change of clients", simulate=_clinic, intervals=_change_intervals, truths=_change_truths),
    Entry(name="signs", simulate=_signs, intervals=_sign_intervals, truths=_sign_truths),
    Entry(
        name="two groups, baseline and follow-up",
        simulate=_two_arms,
        intervals=_two_arm_intervals,
        truths=lambda _shape, _repeated: {"baseline-adjusted difference": 3.0},
        repeated=(False,),
    ),
    Entry(
        name="two groups, counts",
        simulate=_two_counts,
        intervals=_two_count_intervals,
        truths=lambda _shape, _repeated: {"difference of two groups' shares": 0.3},
        repeated=(False,),
    ),
    Entry(
        name="comfort and change",
        simulate=_comfort,
        intervals=_comfort_intervals,
        truths=lambda _shape, _repeated: {"correlation within clients": 0.4},
        repeated=(True,),
    ),
    Entry(
        name="two phases of one client",
        simulate=_phases,
        intervals=lambda data: {"non-overlap of all pairs": _limits(nonoverlap(*data))},
        truths=_phase_truths,
        repeated=(False,),
    ),
)
