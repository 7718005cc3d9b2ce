"""Regression to the mean: a side is treated because it read restricted today, and reads freer next time by itself.

With a second reading before, the drift from the first to the second shows it (together with what being measured
again does). Without one it is expected from how the sides were selected: how far the treated readings lie from the
population's mean, times the share of noise in a reading (Davis 1976; Barnett, van der Pols & Dobson 2005, Int J
Epidemiol 34:215–220).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from toolkit.explanations.case import Case, Explanation, Status, client_sums, jackknife, told
from toolkit.explanations.chance import mean_over_clients
from toolkit.number_words import figure_text
from toolkit.quantiles import normal_above, normal_below, normal_density
from toolkit.result import Estimate

Floats = NDArray[np.float64]
N_BOOTSTRAP = 500

NAME = "regression to the mean"
CLOSE = "Read twice before, a few minutes apart, and judge from the second reading; or draw the order by a coin."


def expected_regression(
    threshold: float, *, mean: float, between_variance: float, within_variance: float, n_baselines: int = 1
) -> float:
    """Expected drift towards the mean of people selected beyond a threshold, in measurement units (positive).

    Args:
        threshold: those whose mean of `n_baselines` readings lies beyond it are selected.
        mean: of the whole population.
        between_variance: of true values between people. within_variance: of one reading of the same person.

    Example:
        >>> round(expected_regression(-1.0, mean=0.0, between_variance=0.5, within_variance=0.5), 3)
        0.763
    """
    noise = within_variance / n_baselines
    spread = np.sqrt(between_variance + noise)
    z = abs(threshold - mean) / spread
    return float(noise / spread * normal_density(z) / normal_above(z))


@dataclass(frozen=True, kw_only=True)
class Selection:
    """How readings before were selected: those beyond `threshold`; mean and SD of readings in the whole population."""

    threshold: float
    mean: float
    sd: float


# Moments of a standard normal distribution cut off from below at each of these points (Cohen 1959)
_CUTS = np.linspace(-6.0, 2.0, 801)
_HAZARD = normal_density(_CUTS) / normal_above(_CUTS)
_MEAN_BEYOND = _HAZARD - _CUTS
_RATIO = (1 - _HAZARD * _MEAN_BEYOND) / _MEAN_BEYOND**2
_SHARES = (0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0)


def _population(cut: Floats, mean: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Mean and SD of the normal population behind readings that lie below `cut`, from their mean and variance.

    Maximum likelihood for a singly truncated normal distribution, from a table of its moments (Cohen 1959).
    A cut further than 2 SD on the restricted side of the mean cannot be told and is taken to lie there.
    """
    gap = np.maximum(cut - mean, 1e-9)
    place = np.interp(variance / gap**2, _RATIO, _CUTS)
    sd = gap / np.interp(place, _CUTS, _MEAN_BEYOND)
    return cut + place * sd, sd


def implied_selection(before: np.ndarray, *, low_is_selected: bool) -> Selection:
    """Threshold implied by the records, and the population behind it.

    Below the threshold every reading is treated, above it only some are (a threshold that leaks; none at all is a hard
    one). Of several places in the records the one that makes them most likely is taken; population by `_population`.

    Args:
        before: first readings of the treated sides. low_is_selected: were low readings the restricted ones?

    Example:
        >>> rng = np.random.default_rng(1)
        >>> readings = rng.normal(35.0, 6.0, 4000)
        >>> found = implied_selection(readings[readings < 35.0], low_is_selected=True)
        >>> abs(found.threshold - 35.0) < 0.1, abs(found.mean - 35.0) < 1.5
        (True, True)
    """
    sign = 1.0 if low_is_selected else -1.0
    values = sign * np.asarray(before, dtype=float)
    best = max((_at_cut(values, float(np.quantile(values, share))) for share in _SHARES), key=lambda found: found[0])
    _, cut, mean, sd = best
    return Selection(threshold=sign * cut, mean=sign * mean, sd=sd)


def _at_cut(values: np.ndarray, cut: float) -> tuple[float, float, float, float]:
    """Log likelihood, cut, mean and SD where the threshold lies at `cut`."""
    below, above = values[values <= cut], values[values > cut]
    if len(below) < 3 or np.ptp(below) == 0:
        return -np.inf, cut, float(values.mean()), float(values.std())
    found = _population(np.array([cut]), np.array([below.mean()]), np.array([below.var()]))
    mean, sd = float(found[0][0]), float(found[1][0])
    inside = float(normal_below((cut - mean) / sd))
    outside = max(1 - inside, 1e-12)
    leak = min(len(above) / len(below) * inside / outside, 1.0)
    density = -np.square((values - mean) / sd) / 2 - np.log(sd * np.sqrt(2 * np.pi))
    likelihood = float(density.sum()) - len(values) * np.log(inside + leak * outside)
    return likelihood + (len(above) * np.log(leak) if len(above) else 0.0), cut, mean, sd


def regression_to_the_mean(case: Case) -> Explanation:
    """Size from the second baseline where there is one, else expected from the implied selection and the SEM."""
    drift = case.changes(second="before_2")
    if drift["client"].nunique() >= 3:
        return _from_second_baseline(case)
    return _expected(case)


def _closing(case: Case, says: str, otherwise: str) -> dict[str, str]:
    """Sentence and what would close it, where a drawn comparison closes it and where nothing does."""
    if case.compared is not None and case.compared.randomised:
        return {"says": f"{says} The drawn comparison carries the same drift in both arms.", "what_would_close_it": ""}
    return {"says": f"{says} {otherwise}".strip(), "what_would_close_it": CLOSE}


def _status(case: Case, otherwise: Status) -> Status:
    return "closed_by_design" if case.compared is not None and case.compared.randomised else otherwise


def _from_second_baseline(case: Case) -> Explanation:
    sums, counts = client_sums(case.changes(second="before_2"))
    size = jackknife(
        sums, counts, mean_over_clients, name="second less first reading before", unit=case.unit, method="client means"
    )
    drifted = told(size) if size else "an amount that cannot be told"
    says = (
        f"Between the two readings before, nothing being done, readings drifted by {drifted}, {len(counts)} clients "
        "(regression and being measured again together)."
    )
    return Explanation(
        explanation=NAME,
        status=_status(case, "adjusted"),
        size=size,
        **_closing(case, says, "The change is counted from the second reading."),
    )


def _expected(case: Case) -> Explanation:
    """Without a second reading: what the selection implied by the records makes one expect."""
    read = case.technique.dropna(subset=["before"])
    size = None
    if case.unit != "yes_no" and case.sem is not None and read["client"].nunique() >= 5 and len(read) >= 20:
        size = expected_in_records(
            read["before"].to_numpy(dtype=float),
            read["client"].astype(str).to_numpy(),
            sem=case.sem,
            low_is_selected=case.better == "higher",
            unit=case.unit,
            sem_source=case.sem_source,
        )
    if size is None:
        says = "There is no second reading before, and too little to tell how sides were selected."
        return Explanation(explanation=NAME, status=_status(case, "open"), size=None, **_closing(case, says, ""))
    says = (
        f"No second reading before was taken. From how restricted the treated sides were, {told(size)} of the change "
        f"is expected without any treatment, {size.n} clients."
    )
    return Explanation(explanation=NAME, status=_status(case, "bounded"), size=size, **_closing(case, says, ""))


def expected_in_records(
    before: np.ndarray, client: np.ndarray, *, sem: float, low_is_selected: bool, unit: str, sem_source: str
) -> Estimate | None:
    """Expected drift of the second reading, from how the first ones were selected.

    A reading of x is expected to be followed by one nearer the population's mean by (SEM/SD)² of its distance, however
    the selection on x was made (Davis 1976); averaged over the selected readings. Population from `implied_selection`.

    Args:
        before: first readings of the treated sides. client: whose they are (same length).
        sem: standard error of measurement, taken as known. low_is_selected: were low readings the restricted ones?

    Returns:
        The drift towards freer readings with a bootstrap interval over clients; None where readings do not vary.
    """
    if np.ptp(before) == 0:
        return None
    sign = 1.0 if low_is_selected else -1.0
    values = sign * before
    cut = sign * implied_selection(before, low_is_selected=low_is_selected).threshold
    used = np.where(values <= cut, 1.0, 0.0)
    codes = pd.factorize(client)[0]  # in order of appearance: no name decides who is drawn
    n = int(codes.max()) + 1
    parts = (used, used * values, used * values**2, np.ones(len(values)), values)
    sums = np.column_stack([np.bincount(codes, weights=part, minlength=n) for part in parts])
    draws = np.random.default_rng(0).multinomial(n, np.full(n, 1 / n), size=N_BOOTSTRAP).astype(float)
    low, high = np.nanquantile(_drift(draws @ sums, cut, sem), [0.025, 0.975])
    value = float(_drift(sums.sum(axis=0)[None], cut, sem)[0])
    if not np.isfinite([value, low, high]).all():
        return None
    return Estimate(
        name="expected drift towards the mean",
        value=value,
        ci_low=float(low),
        ci_high=float(high),
        unit=unit,
        n=n,
        method=f"selection implied by the records, SEM {figure_text(sem)} ({sem_source}) taken as known; "
        "bootstrap over clients",
    )


def _drift(sums: Floats, cut: float, sem: float) -> Floats:
    """Expected drift for each row of sums (number, Σ and Σ² of readings below the cut, number and Σ of all)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = sums[:, 1] / sums[:, 0]
        variance = np.maximum(sums[:, 2] / sums[:, 0] - mean**2, 0.0)
        middle, sd = _population(np.full(len(sums), cut), mean, variance)
        return np.asarray(np.minimum(1.0, (sem / sd) ** 2) * (middle - sums[:, 4] / sums[:, 3]))
