"""A clinic made by chance, with every other explanation as a dial and the truth known.

Each dial of `ClinicDials` is one way in which readings rise although nothing was done. Turned to zero, the clinic
is clean. `simulate_clinic` returns wide rows as an export would hold them (see `toolkit.records`) and the truth.
The numbers are invented: they serve the demo, planning, tests and benchmarks, and say nothing of any real clinic.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.simulate import faults
from toolkit.simulate.dials import ClinicDials

READER_CHANGES_ON = 120  # days from the start
Columns = dict[str, np.ndarray]


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedClinic:
    """An export made by chance (`rows`, wide layout) with its dials and its truth.

    `all_readings`: the same rows with the readings that were taken but not written down. `schedule`: what was drawn,
    one row a session held (client, session, order), whatever the sheet then says; empty where no order is drawn.
    """

    rows: pd.DataFrame
    all_readings: pd.DataFrame
    schedule: pd.DataFrame
    dials: ClinicDials
    truth: dict[str, Any]


def simulate_clinic(
    dials: ClinicDials | None = None, *, rng: np.random.Generator | int | None = None, **changes: Any
) -> SimulatedClinic:
    """One clinic's year under these dials.

    Visits are made one after another, because who comes back may depend on what the last readings showed.

    Parameters
    ----------
    dials
        What happens in the clinic; the defaults of `ClinicDials` if left out.
    rng
        A numpy Generator or a seed.
    **changes
        Single dials, by name, in place of those given (``effect=3.0``).

    Returns
    -------
    SimulatedClinic
        `rows` (wide: one measured side of one session each), `all_readings`, and the `truth` a perfect audit finds.

    Raises
    ------
    ToolkitError
        There is no dial of that name.

    Examples
    --------
    >>> simulate_clinic(n_clients=8, effect=3.0, rng=1).rows["client"].nunique()
    8
    """
    strange = sorted(set(changes) - {one.name for one in fields(ClinicDials)})
    if strange:
        raise ToolkitError(f"There is no dial '{strange[0]}'. ClinicDials has: see help(ClinicDials).")
    dials = replace(dials or ClinicDials(), **changes)
    rng = np.random.default_rng(rng)
    people = _draw_people(dials, rng)
    parts: list[Columns] = []
    here = people
    for visit in range(1, 4 * int(np.ceil(dials.visits)) + 1):
        if here.empty:
            break
        columns, moved = _one_visit(here, visit, dials, rng)
        parts.append(columns)
        here = here.assign(moved_last=moved)[_come_back(moved, dials, rng)]
    if dials.fault == "one client":
        parts += _comes_often(people, parts, dials, rng)
    rows = _stacked(parts).sort_values(["date", "client"], kind="stable", ignore_index=True)
    taken = ["taken_after_wait", "taken_after", "hurts"]
    full = rows.assign(after_wait=rows["taken_after_wait"], after=rows["taken_after"])
    return SimulatedClinic(
        rows=faults.written_down(rows, dials, rng).drop(columns=taken),
        all_readings=full.drop(columns=taken),
        schedule=_schedule(rows),
        dials=dials,
        truth=_truth(dials),
    )


def _schedule(rows: pd.DataFrame) -> pd.DataFrame:
    """What was drawn, one row a session."""
    drawn = rows[rows["order"] != ""].drop_duplicates("session_id")
    number = drawn["session_id"].str.rsplit("-", n=1).str[1].astype(int)
    return pd.DataFrame({"client": drawn["client"], "session": number, "order": drawn["order"]}).reset_index(drop=True)


def _comes_often(
    people: pd.DataFrame, parts: list[Columns], dials: ClinicDials, rng: np.random.Generator
) -> list[Columns]:
    """Further visits of the first client, nine times as many as all others have together."""
    others = sum(len(part["client"]) for part in parts)
    one = people.iloc[:1].assign(moved_last=0.0)
    return [_one_visit(one, visit, dials, rng)[0] for visit in range(100, 100 + min(9 * others, 600))]


def _truth(dials: ClinicDials) -> dict[str, Any]:
    """What a perfect audit would find."""
    return {
        "measure": dials.measure,
        "region": dials.region,
        "intervention": dials.intervention,
        "effect": dials.effect,
        "unit": dials.unit,
    }


def _draw_people(dials: ClinicDials, rng: np.random.Generator) -> pd.DataFrame:
    """Clients with their true level, their own effect, their practitioner and their first day."""
    n = dials.n_clients
    carries = rng.normal(0.0, dials.practitioner_effect_sd, dials.n_practitioners)
    carries = carries - carries.mean()
    practitioner = rng.integers(dials.n_practitioners, size=n)
    return pd.DataFrame(
        {
            "client": [f"c{k:04d}" for k in range(1, n + 1)],
            "practitioner": [f"p{k + 1}" for k in practitioner],
            "level": rng.normal(dials.level, dials.between_sd, n),
            "effect": dials.effect + rng.normal(0.0, dials.effect_sd, n) + carries[practitioner],
            "start_day": rng.integers(0, 200, n),
            "week": 0.0,
            "moved_last": 0.0,
            "number": np.arange(n),
        },
        index=range(n),
    ).pipe(lambda people: people.assign(effect=faults.client_effects(people["effect"].to_numpy(), dials)))


def _noise(dials: ClinicDials, rng: np.random.Generator, size: int) -> np.ndarray:
    """Reading noise with standard deviation `sem`."""
    if dials.heavy_tails > 2:
        scale = np.sqrt(dials.heavy_tails / (dials.heavy_tails - 2))
        return np.asarray(dials.sem * rng.standard_t(dials.heavy_tails, size) / scale)
    return rng.normal(0.0, dials.sem, size)


def _read(true: np.ndarray, dials: ClinicDials, rng: np.random.Generator, *, times: float = 1.0) -> np.ndarray:
    """One reading of each true value: noise (`times` as much), a ceiling, the rounding of instrument or habit."""
    seen = true + times * _noise(dials, rng, len(true))
    if dials.ceiling is not None:
        seen = np.minimum(seen, dials.ceiling)
    step = dials.round_to
    return np.asarray(np.round(seen / step) * step if step > 0 else np.round(seen, 1))


def _one_visit(
    people: pd.DataFrame, visit: int, dials: ClinicDials, rng: np.random.Generator
) -> tuple[Columns, np.ndarray]:
    """Columns of one visit of everyone present, and the change each client saw (for coming back)."""
    sign = 1.0 if dials.better == "higher" else -1.0
    week = (visit - 1) * 1.5
    if dials.reader_change:
        after_change = people["start_day"] + int(week * 7) >= READER_CHANGES_ON
        people = people.assign(level=people["level"] + dials.reader_change * after_change)
    true = people["level"].to_numpy() + sign * dials.course_per_week * week + rng.normal(0, dials.day_sd, len(people))
    people, true, before = _restricted_only(people, true, dials, rng)
    wanted = faults.favoured(people, visit, before, dials)
    rows = _session_columns(people, visit, week, wanted, dials, rng)
    up = sign * dials.warm_up
    readings = _phases(people, true, before, rows, up, sign, dials, rng, gain=sign * faults.gain_of(wanted, dials))
    rows |= dict(zip(("before", "before_2", "after_wait", "after"), readings, strict=True))
    moved = sign * (np.where(np.isnan(rows["after"]), rows["after_wait"], rows["after"]) - rows["before"])
    rows = _leave_empty(rows, sign, dials, rng)
    if dials.design in ("side_drawn", "other_side"):
        other = _other_side(people, rows, up, sign, dials, rng)
        faults.swap_sides(rows, other, people["effect"].to_numpy(), dials)
        rows = {name: np.concatenate([values, other[name]]) for name, values in rows.items()}
    del rows["treated_now"]
    return rows, np.nan_to_num(moved)


def _stacked(parts: list[Columns]) -> pd.DataFrame:
    """The visits' columns one below another."""
    return pd.DataFrame({name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def _restricted_only(
    people: pd.DataFrame, true: np.ndarray, dials: ClinicDials, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Read everyone; where only restricted sides are treated, look for the day on which the side reads restricted."""
    before = _read(true, dials, rng)
    if dials.restricted_below is None:
        return people, true, before
    limit = dials.level - dials.restricted_below * dials.between_sd
    sign = 1.0 if dials.better == "higher" else -1.0
    for _ in range(6):  # a side that reads free today is looked at again on another day
        free = sign * (before - limit) > 0
        if not free.any():
            break
        true = np.where(free, people["level"].to_numpy() + rng.normal(0, dials.day_sd, len(true)), true)
        before = np.where(free, _read(true, dials, rng), before)
    return people, true, before


def _session_columns(
    people: pd.DataFrame, visit: int, week: float, wanted: np.ndarray, dials: ClinicDials, rng: np.random.Generator
) -> Columns:
    """The columns that hold no reading: who, when, what was done, what was drawn (`wanted`: if not by chance)."""
    n = len(people)
    date = np.datetime64(dials.start) + (people["start_day"].to_numpy() + int(week * 7)).astype("timedelta64[D]")
    side = faults.treated_sides(np.where(rng.random(n) < 0.5, "left", "right"), wanted, dials)
    first = faults.chosen_order(rng.random(n) >= dials.waiting_share, wanted, dials)
    only_measured = (dials.design == "comparison_sessions") & (rng.random(n) < dials.measured_only_share)
    if dials.fault == "compared late":
        only_measured = ~wanted & (rng.random(n) < 0.6)
    blinded = faults.who_is_blind(rng.random(n) < dials.blinded_share, first, dials)
    order = np.where(first, "technique_first", "wait_first") if dials.design == "order_drawn" else np.full(n, "")
    columns: dict[str, Any] = {
        "session_id": [f"{c}-{visit:02d}" for c in people["client"]],
        "client": people["client"].to_numpy(),
        "practitioner": people["practitioner"].to_numpy(),
        "date": np.datetime_as_string(date, unit="D"),
        "region": dials.region,
        "treated_side": side,
        "intervention": np.where(only_measured, "measured_only", dials.intervention),
        "order": order,
        "measure": dials.measure,
        "measured_side": side,
        "unit": dials.unit,
        "side_drawn": "yes" if dials.design == "side_drawn" else "",
        "examiner": np.where(blinded, "e1", people["practitioner"].to_numpy()),
        "examiner_blinded": np.where(blinded, "yes", "no"),
        "treated_now": ~only_measured,
    }
    return {name: np.full(n, v, dtype=object) if isinstance(v, str) else _plain(v) for name, v in columns.items()}


def _plain(values: Any) -> np.ndarray:
    """Words as objects, so that visits with shorter and longer words go together; all else as it is."""
    array = np.asarray(values)
    return array.astype(object) if array.dtype.kind == "U" else array


def _phases(
    people: pd.DataFrame,
    true: np.ndarray,
    before: np.ndarray,
    rows: Columns,
    up: float,
    sign: float,
    dials: ClinicDials,
    rng: np.random.Generator,
    *,
    gain: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The readings before, before_2, after_wait and after of the treated (or only measured) side.

    `gain`: what a session gains by being measured again, whatever is done.
    """
    n = len(people)
    effects, rows["hurts"] = faults.hurt(people["effect"].to_numpy(), dials, rng)
    effect = sign * effects
    second = _read(true + up, dials, rng) if dials.second_baseline else np.full(n, np.nan)
    second = faults.second_readings(before, second, dials)
    loose = true + up * (2.0 if dials.second_baseline else 1.0) + sign * dials.wait_rise + gain
    lean = np.where(rows["examiner_blinded"] == "yes", 0.0, sign * dials.lean)
    treated = rows["treated_now"]
    noisy = dials.technique_noise
    after_first = _read(loose + np.where(treated, effect + lean, 0.0), dials, rng, times=noisy)
    if dials.design != "order_drawn":
        return before, second, np.full(n, np.nan), after_first
    later = loose + up + sign * dials.wait_rise
    wait_first = rows["order"] == "wait_first"
    after_wait = np.where(wait_first, _read(loose, dials, rng), np.nan)
    after = np.where(wait_first, _read(later + effect + lean, dials, rng, times=noisy), after_first)
    return before, second, after_wait, after


def _leave_empty(rows: Columns, sign: float, dials: ClinicDials, rng: np.random.Generator) -> Columns:
    """Unmoved sides whose after-reading is not written down."""
    rows = {**rows, "taken_after_wait": rows["after_wait"], "taken_after": rows["after"]}
    if dials.missing_share > 0:
        for phase in ("after_wait", "after"):
            rows[phase] = np.where(rng.random(len(rows[phase])) < dials.missing_share, np.nan, rows[phase])
    if dials.not_written <= 0:
        return rows
    for phase in ("after_wait", "after"):
        unmoved = sign * (rows[phase] - rows["before"]) < dials.unmoved_below
        left_empty = unmoved & (rng.random(len(unmoved)) < dials.not_written)
        rows[phase] = np.where(left_empty, np.nan, rows[phase])
    return rows


def _other_side(
    people: pd.DataFrame,
    rows: Columns,
    up: float,
    sign: float,
    dials: ClinicDials,
    rng: np.random.Generator,
) -> Columns:
    """The untreated side of the same sessions: freer where only restricted sides are treated."""
    n = len(people)
    other = dict(rows)
    other["measured_side"] = _plain(np.where(rows["treated_side"] == "left", "right", "left"))
    true = people["level"].to_numpy() + rng.normal(0, dials.day_sd, n)
    before = _read(true, dials, rng)
    if dials.design == "side_drawn":  # a coin between two sides that both qualified
        _, true, before = _restricted_only(people, true, dials, rng)
    second = _read(true + up, dials, rng) if dials.second_baseline else np.full(n, np.nan)
    loose = true + up * (2.0 if dials.second_baseline else 1.0) + sign * dials.wait_rise
    other["before"] = before
    other["before_2"] = second
    other["after"] = _read(loose + sign * people["effect"].to_numpy() * dials.spill_over, dials, rng)
    return _leave_empty(other, sign, dials, rng)


def _come_back(moved: np.ndarray, dials: ClinicDials, rng: np.random.Generator) -> np.ndarray:
    """Who comes again: a mean of `visits` visits, more often after a change that pleased."""
    stay = 1.0 - 1.0 / max(dials.visits, 1.0)
    if stay <= 0:
        return np.zeros(len(moved), dtype=bool)
    odds = np.log(stay / (1 - stay)) + dials.keen * (moved - np.mean(moved) if len(moved) else 0.0)
    return np.asarray(rng.random(len(moved)) < 1.0 / (1.0 + np.exp(-odds)))
