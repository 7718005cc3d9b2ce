"""A registry of many clinics made by chance: an export a clinic, what each clinic says of itself, and the truth.

The numbers are invented: they serve the notebooks, tests and benchmarks, and say nothing of any real clinic.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.writing import write_folder

MEASURE = "ankle_dorsiflexion_lunge_distance"
TECHNIQUE, OTHER = "percussive_release", "manual_release"
_LEVEL, _BETWEEN, _DAY, _SEM, _WARM_UP = 9.5, 2.5, 0.5, 0.6, 0.1  # cm
_TYPED_WRONG = 950.0  # cm: a reading that cannot be


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedRegistry:
    """What many clinics send in, and what is true of them.

    Attributes
    ----------
    exports : mapping of str to pandas.DataFrame
        Wide rows by clinic, as an export would hold them (see `toolkit.records`).
    about : pandas.DataFrame
        What each clinic says of itself: site, instrument ("tape", "phone"), re_read_by ("another examiner", "whoever
        treated").
    truth : pandas.DataFrame
        One row a clinic: site, effect (true, cm), drift (readings rise so many cm a year by the instrument alone), lean
        (a reader who knew adds so many cm more each year), draw ("drawn" or what was done instead), odd (in words).
    effect : float
        The mean of the true effects over clinics, cm.
    effect_sd : float
        Their standard deviation.
    """

    exports: Mapping[str, pd.DataFrame]
    about: pd.DataFrame
    truth: pd.DataFrame
    effect: float
    effect_sd: float

    def write(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write one CSV a clinic into a folder; returns the folder.

        Parameters
        ----------
        folder
            Made where it is not there.
        replace
            Take the place of a folder that was written in this way and left as it was.
        """

        def make(place: Path) -> None:
            for site, rows in self.exports.items():
                rows.to_csv(place / f"{site}.csv", index=False)

        return write_folder(folder, make, replace=replace)


def simulate_registry(
    n_sites: int = 200,
    *,
    n_years: int = 4,
    first_year: int = 2021,
    clients: float = 30,
    effect: float = 0.6,
    effect_sd: float = 0.25,
    rng: np.random.Generator | int | None = None,
) -> SimulatedRegistry:
    """Many clinics that ask the same: does a percussive technique on the calf move the toe-to-wall distance?

    In every clinic who waited first was drawn, but for two of a hundred at most: there turns were taken, or stiff
    clients treated first. In a fifth a phone stands in for the tape, and reads more from year to year. In a quarter
    whoever treated reads again, and leans more from year to year. Two effects lie far from the others, one clinic sent
    nothing of one year, one writes millimetres.

    Parameters
    ----------
    n_sites
        Clinics, 10 or more.
    n_years, first_year
        The calendar years.
    clients
        Mean number of clients of a clinic over all years.
    effect, effect_sd
        Mean and standard deviation of the true effects over clinics, cm.
    rng
        A numpy Generator or a seed.

    Returns
    -------
    SimulatedRegistry
        Exports, what the clinics say of themselves, the truth.

    Raises
    ------
    ToolkitError
        Fewer than 10 clinics, or fewer than 2 years.

    Examples
    --------
    >>> made = simulate_registry(10, rng=1)
    >>> len(made.exports), made.truth["draw"].value_counts()["drawn"]
    (10, np.int64(8))
    """
    if n_sites < 10 or n_years < 2:
        raise ToolkitError(f"A registry of {n_sites} clinics and {n_years} years: at least 10 clinics and 2 years.")
    rng = np.random.default_rng(rng)
    sites = _draw_sites(n_sites, clients, effect, effect_sd, rng)
    people = _draw_people(sites, n_years, rng)
    rows = _sessions(people, sites, first_year, rng)
    last_but_one = first_year + n_years - 2
    rows = rows[~(rows["site"].map(sites.set_index("site")["gap"]) & (rows["date"].str[:4] == str(last_but_one)))]
    sites.loc[sites["gap"], "odd"] = f"nothing of {last_but_one}"
    exports = {str(site): _as_written(part, rng) for site, part in rows.groupby("site", sort=True)}
    return SimulatedRegistry(
        exports=exports,
        about=sites[["site", "instrument", "re_read_by"]],
        truth=sites[["site", "effect", "drift", "lean", "draw", "odd"]],
        effect=effect,
        effect_sd=effect_sd,
    )


def _draw_sites(n: int, clients: float, effect: float, effect_sd: float, rng: np.random.Generator) -> pd.DataFrame:
    """The clinics with their size, their true effect, and what is particular in them."""
    size = np.clip(rng.lognormal(np.log(clients) - 0.1, 0.45, n).round(), 12, 5 * clients).astype(int)
    digits = len(str(n))
    phone, knew = rng.random(n) < 0.2, rng.random(n) < 0.25
    sites = pd.DataFrame(
        {
            "site": [f"clinic_{k + 1:0{digits}d}" for k in range(n)],
            "clients": size,
            "effect": rng.normal(effect, effect_sd, n),
            "drift": np.where(phone, 0.25, 0.0),
            "lean": np.where(knew, 0.18, 0.0),
            "instrument": np.where(phone, "phone", "tape"),
            "re_read_by": np.where(knew, "whoever treated", "another examiner"),
            "draw": "drawn",
            "unit": "cm",
            "gap": False,
            "odd": "",
        }
    )
    large = rng.permutation(np.argsort(size)[n // 2 :])[:5]  # what is odd in a small clinic nobody could see
    turns, stiff, above, below, gap = large
    millimetres = rng.choice(np.setdiff1d(np.arange(n), large))
    odd: dict[int, dict[str, Any]] = {
        turns: {"draw": "in turn", "odd": "treated first at every second visit"},
        stiff: {"draw": "stiff first", "odd": "treated first where the reading was low"},
        above: {"effect": effect + 6 * effect_sd, "odd": "a true effect far above the others"},
        below: {"effect": effect - 6 * effect_sd, "odd": "a true effect far below the others"},
        gap: {"gap": True},
        millimetres: {"unit": "mm", "odd": "writes millimetres"},
    }
    for place, told in odd.items():
        for column, value in told.items():
            sites.loc[place, column] = value
    sites.loc[[turns, stiff, above, below], "clients"] = int(2 * clients)
    return sites


def _draw_people(sites: pd.DataFrame, n_years: int, rng: np.random.Generator) -> pd.DataFrame:
    """Clients with their clinic, year, practitioner, true level, protocol and visits."""
    site = np.repeat(np.arange(len(sites)), sites["clients"])
    n = len(site)
    number = np.arange(n) - np.repeat(np.cumsum(sites["clients"]) - sites["clients"], sites["clients"])
    level = rng.normal(_LEVEL, _BETWEEN, n)
    other = rng.random(n) < np.where(level < _LEVEL, 0.25, 0.1)  # chosen: the stiff get it more often
    return pd.DataFrame(
        {
            "place": site,
            "client": [f"C{k + 1:03d}" for k in number],
            "practitioner": [f"P{k + 1}" for k in number % np.where(site % 10 < 7, 1, 2)],
            "year": rng.integers(n_years, size=n),
            "level": level,
            "own": rng.normal(0, 0.15, n),
            "intervention": np.where(other, OTHER, TECHNIQUE),
            "first_day": rng.integers(0, 290, n),
            "visits": 1 + np.minimum(rng.poisson(1.3, n), 5),
        }
    )


def _sessions(people: pd.DataFrame, sites: pd.DataFrame, first_year: int, rng: np.random.Generator) -> pd.DataFrame:
    """Every session with its readings in cm."""
    at = people.loc[people.index.repeat(people["visits"])]
    visit = at.groupby(level=0).cumcount().to_numpy() + 1
    at = at.reset_index(drop=True)
    here = sites.loc[at["place"]].reset_index(drop=True)
    n, year = len(at), at["year"].to_numpy()
    error = _SEM * np.where(here["instrument"] == "phone", 1.12**year, 1.0)
    true = at["level"] + rng.normal(0, _DAY, n) + here["drift"] * year

    def read(value: Any) -> Any:
        return value + error * rng.normal(size=n)

    before = read(true)
    first = np.where(here["draw"] == "in turn", visit % 2 == 1, rng.random(n) < 0.5)
    first = np.where(here["draw"] == "stiff first", before < _LEVEL, first)
    gain = (here["effect"] + at["own"]) * np.where(at["intervention"] == OTHER, 0.7, 1.0) + here["lean"] * year
    day = np.datetime64(f"{first_year}-01-04") + (at["first_day"] + 10 * (visit - 1)).to_numpy().astype(
        "timedelta64[D]"
    )
    years_on = np.array([np.datetime64(f"{first_year + k}-01-01") for k in range(int(year.max()) + 1)])
    day = day + (years_on[year] - years_on[0])
    blind = here["re_read_by"] == "another examiner"
    columns = {
        "session_id": at["client"] + "-" + pd.Series(visit).astype(str),
        "client": at["client"],
        "practitioner": at["practitioner"],
        "site": here["site"],
        "date": np.datetime_as_string(day, unit="D"),
        "region": "soleus",
        "treated_side": np.where(rng.random(n) < 0.5, "left", "right"),
        "intervention": at["intervention"],
        "order": np.where(first, "technique_first", "wait_first"),
        "measure": MEASURE,
        "unit": here["unit"],
        "before": before,
        "before_2": read(true + _WARM_UP),
        "after_wait": np.where(first, np.nan, read(true + 2 * _WARM_UP)),
        "after": read(true + 2 * _WARM_UP + np.where(first, 0.0, _WARM_UP) + gain),
        "examiner": np.where(blind, "E1", at["practitioner"]),
        "examiner_blinded": np.where(blind, "yes", "no"),
    }
    rows = pd.DataFrame(columns).sort_values(["site", "date", "client"], kind="stable", ignore_index=True)
    rows.insert(11, "measured_side", rows["treated_side"])
    return rows


def _as_written(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """A clinic's sheet, to the millimetre in its unit: a few readings lost by chance, now and then one mistyped."""
    readings = ["before", "before_2", "after_wait", "after"]
    millimetres = rows["unit"].iloc[0] == "mm"
    written = (rows[readings] * (10 if millimetres else 1)).round(0 if millimetres else 1)
    written["after"] = written["after"].mask(rng.random(len(rows)) < 0.01)
    if rng.random() < 0.15:
        written.loc[rng.choice(rows.index), "before"] = _TYPED_WRONG * (10 if millimetres else 1)
    return rows.assign(**written).reset_index(drop=True)
