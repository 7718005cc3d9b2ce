"""A clinic with two protocols, made by chance: who gets which, how much each gains, and the truth.

The numbers are invented: they serve the demo, tests and benchmarks, and say nothing of any real clinic.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

Choice = Literal["drawn_session", "drawn_client", "stiffness", "first_reading", "day_reading", "practitioner", "site"]


@dataclass(frozen=True, kw_only=True)
class ProtocolDials:
    """What happens in the simulated clinic. Lengths in the measure's unit, shares from 0 to 1.

    People: `n_clients` with `visits` each on average, shared by `n_practitioners`; true level `level` with SD
    `between_sd` between clients and `day_sd` from day to day; `sem` of one reading; `warm_up` with each reading.
    Gains: protocol B moves a client by `gain`, more for stiff ones (`gain_by_stiffness` for each unit below the level),
    protocol A by `effect` more, varying between clients (`effect_sd`). `client_gain_sd`, `practitioner_gain_sd`: gains
    that belong to the client or the practitioner whatever is done. `course`: drift of gains a year.
    Who gets which: `choice`, and `share` of the stiff half that gets A (and of the free half that gets B); once for all
    visits of a client, or anew at `each_visit`.
    Records: `second_baseline`, `not_written` (share of unmoved sides without a reading after), `measure`, `unit`,
    `region`, `protocol_a`, `protocol_b`, `site` (its name; "" = none), `start` (first day).
    """

    n_clients: int = 60
    visits: float = 5.0
    n_practitioners: int = 4
    level: float = 35.0
    between_sd: float = 6.0
    day_sd: float = 2.0
    sem: float = 2.5
    warm_up: float = 0.3
    gain: float = 2.0
    gain_by_stiffness: float = 0.0
    effect: float = 0.0
    effect_sd: float = 0.5
    client_gain_sd: float = 1.0
    practitioner_gain_sd: float = 0.3
    course: float = 0.0
    choice: Choice = "stiffness"
    share: float = 0.9
    each_visit: bool = False
    second_baseline: bool = True
    not_written: float = 0.0
    measure: str = "ankle_dorsiflexion_lunge"
    unit: str = "deg"
    region: str = "soleus"
    protocol_a: str = "long_hold"
    protocol_b: str = "short_hold"
    site: str = ""
    start: str = "2024-01-08"


def simulate_protocols(dials: ProtocolDials, *, rng: np.random.Generator | int) -> pd.DataFrame:
    """One clinic's wide rows, one measured side a session, as an export would hold them.

    Parameters
    ----------
    dials
        What happens in the clinic.
    rng
        A numpy Generator or a seed.

    Returns
    -------
    pandas.DataFrame
        Session, client, practitioner, site, date, intervention, readings in `dials.unit`, and `visit`.

    Raises
    ------
    ValueError
        A standard deviation or a number of clients below 0.

    Examples
    --------
    >>> rows = simulate_protocols(ProtocolDials(n_clients=8, effect=3.0), rng=1)
    >>> sorted(rows["intervention"].unique())
    ['long_hold', 'short_hold']
    """
    rng = np.random.default_rng(rng)
    n = dials.n_clients
    practitioner = rng.integers(dials.n_practitioners, size=n)
    level = rng.normal(dials.level, dials.between_sd, n)
    own = rng.normal(0, dials.client_gain_sd, n)
    hands = rng.normal(0, dials.practitioner_gain_sd, dials.n_practitioners)
    extra = dials.effect + rng.normal(0, dials.effect_sd, n)
    visits = 1 + rng.poisson(max(dials.visits - 1, 0), n)
    client = np.repeat(np.arange(n), visits)
    visit = np.arange(len(client)) - np.repeat(np.cumsum(visits) - visits, visits)
    true = level[client] + rng.normal(0, dials.day_sd, len(client))
    before = true + rng.normal(0, dials.sem, len(client))
    got_a = _chosen(dials, level, practitioner, client, visit, before, rng)
    day = (rng.integers(0, 250, n)[client] + 10 * visit).astype(int)
    gain = (
        dials.gain
        + dials.gain_by_stiffness * (dials.level - level[client])
        + own[client]
        + hands[practitioner[client]]
        + dials.course * day / 365
        + extra[client] * got_a
    )
    second = true + dials.warm_up + rng.normal(0, dials.sem, len(client))
    after = true + 2 * dials.warm_up + gain + rng.normal(0, dials.sem, len(client))
    unmoved = (after - before < 2.0) & (rng.random(len(client)) < dials.not_written)
    prefix = f"{dials.site[:1]}" if dials.site else ""
    frame = {
        "session_id": [f"{prefix}s{k:05d}" for k in range(len(client))],
        "client": [f"C{k + 1:03d}" for k in client],
        "practitioner": [f"P{k + 1}" for k in practitioner[client]],
        "site": dials.site,
        "date": np.datetime_as_string(np.datetime64(dials.start) + day.astype("timedelta64[D]"), unit="D"),
        "region": dials.region,
        "treated_side": "left",
        "intervention": np.where(got_a, dials.protocol_a, dials.protocol_b),
        "measure": dials.measure,
        "measured_side": "left",
        "unit": dials.unit,
        "before": before,
        "before_2": second if dials.second_baseline else np.nan,
        "after": np.where(unmoved, np.nan, after),
        "examiner_blinded": "yes",
    }
    rows = pd.DataFrame(frame).assign(visit=visit + 1)
    return rows.sort_values(["date", "client"], kind="stable", ignore_index=True)


def _chosen(
    dials: ProtocolDials,
    level: Any,
    practitioner: Any,
    client: Any,
    visit: Any,
    before: Any,
    rng: np.random.Generator,
) -> np.ndarray:
    """Who got protocol A, one value a session."""
    n, likely = len(level), (rng.random(len(level)) < dials.share)[client]
    if dials.each_visit:
        likely = rng.random(len(client)) < dials.share
    if dials.choice == "drawn_session":
        return np.asarray(rng.random(len(client)) < 0.5)
    if dials.choice == "drawn_client":
        return np.asarray((rng.permutation(n) < n / 2)[client])
    if dials.choice == "site":
        return np.full(len(client), dials.share >= 0.5)
    if dials.choice == "day_reading":
        return np.asarray((before < dials.level) == (rng.random(len(client)) < dials.share))
    stiff = level < dials.level
    if dials.choice == "first_reading":
        stiff = before[visit == 0] < dials.level
    elif dials.choice == "practitioner":
        stiff = practitioner < dials.n_practitioners / 2
    return np.asarray(stiff[client] == likely)
