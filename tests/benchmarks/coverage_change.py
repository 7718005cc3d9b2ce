"""The intervals of the change room, over simulated clients: see `interval_coverage`.

Clients are drawn independently. Each has a true start, a true change and one to twelve rows (one where clients do not
repeat); truths that have no closed form are taken over two million simulated clients. Signs are counts, so that their
coverage moves in steps whatever the method.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from interval_coverage import Entry, noise

from toolkit.change.baseline_adjusted import baseline_adjusted
from toolkit.change.centre import hodges_lehmann_change, mean_change, median_change, trimmed_mean_change
from toolkit.change.clients import clients_change, complete_pairs
from toolkit.change.comfort import repeated_measures_correlation
from toolkit.change.improvement import matched_rank_biserial, probability_of_improvement
from toolkit.change.mcnemar import conditional_odds_ratio
from toolkit.change.one_client import nonoverlap
from toolkit.change.proportions import unpaired_difference
from toolkit.change.responders import responders
from toolkit.change.response_mean import dz_change, dz_change_widened
from toolkit.change.signs import cluster_counts, net_improvement
from toolkit.change.standardised import baseline_sd_change, dav_change, drm_change, gav_change, two_readings
from toolkit.result import Estimate

MANY = 2_000_000
VISITS = (1, 2, 3, 6, 12, 1, 4)
START, TRUE_CHANGE = 40.0, 4.0
SD_START, SD_CHANGE, SEM = 6.0, 2.0, 3.0
MDC95 = 1.959964 * float(np.sqrt(2)) * SEM


def _limits(found: Estimate) -> tuple[float, float]:
    return found.ci_low, found.ci_high


def _visits(rng: np.random.Generator, n: int, repeated: bool) -> np.ndarray:
    return rng.choice(VISITS, n) if repeated else np.ones(n, dtype=int)


def _clinic(rng: np.random.Generator, n: int, shape: str, repeated: bool) -> pd.DataFrame:
    """Rows of `n` clients, one row a session."""
    who = np.repeat(np.arange(n), _visits(rng, n, repeated))
    start = START + SD_START * noise(rng, shape, n)
    change = TRUE_CHANGE + SD_CHANGE * noise(rng, shape, n)
    return pd.DataFrame(
        {
            "client": who,
            "session_id": np.arange(len(who)),
            "before": start[who] + SEM * noise(rng, shape, len(who)),
            "after": (start + change)[who] + SEM * noise(rng, shape, len(who)),
        }
    )


@cache
def _population(shape: str, repeated: bool) -> pd.DataFrame:
    """Very many clients' mean first and second reading and number of sessions."""
    rng = np.random.default_rng(77)
    sessions = np.sort(_visits(rng, MANY, repeated))
    errors = np.concatenate(
        [
            np.stack([noise(rng, shape, int((sessions == m).sum())) for _ in range(2 * m)])
            .reshape(2, m, -1)
            .mean(axis=1)
            for m in np.unique(sessions)
        ],
        axis=1,
    )
    start = START + SD_START * noise(rng, shape, MANY)
    first = start + SEM * errors[0]
    second = start + TRUE_CHANGE + SD_CHANGE * noise(rng, shape, MANY) + SEM * errors[1]
    return pd.DataFrame({"sessions": sessions, "first": first, "second": second, "change": second - first})


def _change_truths(shape: str, repeated: bool) -> dict[str, float]:
    people = _population(shape, repeated)
    change = people["change"].to_numpy()
    other = np.random.default_rng(78).permutation(change)
    s1, s2, sd = people["first"].std(), people["second"].std(), people["change"].std()
    r = people["first"].corr(people["second"])
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
    }


def _change_intervals(rows: pd.DataFrame) -> dict[str, tuple[float, float]]:
    clients = clients_change(rows)
    change = clients["change"].to_numpy()
    readings = two_readings(clients["mean_first"], clients["mean_second"])
    found = {
        "mean change": mean_change(change, unit="deg"),
        "median change": median_change(change, unit="deg"),
        "trimmed mean change": trimmed_mean_change(change, unit="deg"),
        "Hodges-Lehmann change": hodges_lehmann_change(change, unit="deg"),
        "d_z, standardised response mean": (dz_change if len(rows) == len(clients) else dz_change_widened)(change),
        "d_av": dav_change(readings),
        "Hedges' g_av": gav_change(readings),
        "d_rm": drm_change(readings),
        "change over baseline SD": baseline_sd_change(readings),
        "probability of improvement": probability_of_improvement(change),
        "matched rank-biserial": matched_rank_biserial(change),
    }
    return {name: _limits(each) for name, each in found.items()}


def _responder_truths(shape: str, repeated: bool) -> dict[str, float]:
    people = _population(shape, repeated)
    beyond = people["change"] > MDC95 / np.sqrt(people["sessions"])
    return {"share beyond measurement error": float(beyond.mean())}


def _responder_intervals(rows: pd.DataFrame) -> dict[str, tuple[float, float]]:
    found = responders(
        rows, measure="lunge", unit="deg", better="higher", threshold=MDC95, threshold_source="simulated"
    )
    return {"share beyond measurement error": _limits(found.beyond_error)}


_FIRST_CUT, _SECOND_CUT = 0.2, -0.4


def _signs(rng: np.random.Generator, n: int, shape: str, repeated: bool) -> pd.DataFrame:
    """A sign that appears where a client's leaning plus a row's own passes a cut; rows of a client are alike."""
    who = np.repeat(np.arange(n), _visits(rng, n, repeated))
    leaning = noise(rng, shape, n)[who]
    first, second = (np.sqrt(0.6) * leaning + np.sqrt(0.4) * noise(rng, shape, len(who)) for _ in range(2))
    return pd.DataFrame(
        {
            "client": who,
            "session_id": np.arange(len(who)),
            "before": (first > _FIRST_CUT).astype(float),
            "after": (second > _SECOND_CUT).astype(float),
        }
    )


@cache
def _sign_truths(shape: str, repeated: bool) -> dict[str, float]:
    rows = _signs(np.random.default_rng(79), MANY, shape, False)
    up = float(((rows["before"] == 0) & (rows["after"] == 1)).mean())
    down = float(((rows["before"] == 1) & (rows["after"] == 0)).mean())
    return {"net share that improved": up - down} | ({} if repeated else {"conditional odds ratio": up / down})


def _sign_intervals(rows: pd.DataFrame) -> dict[str, tuple[float, float]]:
    clients = cluster_counts(complete_pairs(rows))
    found = {"net share that improved": _limits(net_improvement(clients, better="higher"))}
    if len(rows) == len(clients):
        up, down = int(clients["no_yes"].sum()), int(clients["yes_no"].sum())
        found["conditional odds ratio"] = _limits(conditional_odds_ratio(up, down))
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
    Entry(name="responders", simulate=_clinic, intervals=_responder_intervals, truths=_responder_truths),
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
