"""Regression to the mean: a side is treated because it read restricted today, and reads freer next time by itself.

With a second reading before, the drift from the first to the second shows it (together with what being measured
again does). Without one it is expected from how the sides were selected: mean of what lies beyond the threshold,
times the share of noise in a reading (Davis 1976; Barnett, van der Pols & Dobson 2005, Int J Epidemiol 34:215–220).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from toolkit.result import Estimate, figure_text
from toolkit.rivals.case import Case, Rival, client_sums, jackknife
from toolkit.rivals.chance import mean_over_clients

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
    return float(noise / spread * stats.norm.pdf(z) / stats.norm.sf(z))


@dataclass(frozen=True, kw_only=True)
class Selection:
    """How readings before were selected: all below (or above) `threshold`; mean and SD of the whole population."""

    threshold: float
    mean: float
    sd: float


def implied_selection(before: np.ndarray, *, low_is_selected: bool) -> Selection:
    """Threshold implied by the records (the freest reading that was still treated) and the population behind it.

    The population is a normal distribution cut off at that threshold, fitted by maximum likelihood (Cohen 1959).

    Args:
        before: first readings of the treated sides. low_is_selected: were low readings the restricted ones?
    """
    values = before if low_is_selected else -before
    cut = float(np.max(values))
    start = (float(values.mean()), np.log(float(values.std(ddof=1)) or 1.0))
    reach = 3 * float(values.std(ddof=1))

    def minus_log_likelihood(parameters: np.ndarray) -> float:
        mean, sd = parameters[0], np.exp(parameters[1])
        inside = stats.norm.logcdf((cut - mean) / sd)
        return float(-np.sum(stats.norm.logpdf(values, mean, sd)) + len(values) * inside)

    limits = [(start[0] - reach, cut + reach), (start[1] - 1.5, start[1] + 1.0)]
    fit = optimize.minimize(minus_log_likelihood, start, bounds=limits, method="L-BFGS-B")
    mean, sd = float(fit.x[0]), float(np.exp(fit.x[1]))
    sign = 1.0 if low_is_selected else -1.0
    return Selection(threshold=sign * cut, mean=sign * mean, sd=sd)


def regression_to_the_mean(case: Case) -> Rival:
    """Size from the second baseline where there is one, else expected from the implied selection and the SEM."""
    drift = case.changes(second="before_2")
    if drift["client"].nunique() >= 3:
        return _from_second_baseline(case)
    return _expected(case)


def _from_second_baseline(case: Case) -> Rival:
    sums, counts = client_sums(case.changes(second="before_2"))
    size = jackknife(
        sums, counts, mean_over_clients, name="second less first reading before", unit=case.unit, method="client means"
    )
    closed = case.compared is not None and case.compared.randomised
    says = (
        f"Between the two readings before, nothing being done, readings drifted by "
        f"{figure_text(size.value if size else None)} {case.unit} (regression and being measured again together). "
        + (
            "The drawn comparison carries the same drift in both arms."
            if closed
            else "The change is counted from the second reading."
        )
    )
    return Rival(
        rival=NAME,
        status="closed_by_design" if closed else "adjusted",
        size=size,
        says=says,
        what_would_close_it="" if closed else CLOSE,
    )


def _expected(case: Case) -> Rival:
    before = case.technique["before"].dropna().to_numpy(dtype=float)
    closed = case.compared is not None and case.compared.randomised
    if case.sem is None or len(before) < 20 or np.ptp(before) == 0:
        says = "There is no second reading before, and too little to tell how sides were selected."
        return Rival(
            rival=NAME,
            status="closed_by_design" if closed else "open",
            size=None,
            says="The drawn comparison carries the same drift in both arms." if closed else says,
            what_would_close_it="" if closed else CLOSE,
        )
    low_is_selected = case.better == "higher"
    rng = np.random.default_rng(0)
    draws = [_one_expected(rng.choice(before, len(before)), case.sem, low_is_selected) for _ in range(100)]
    value = _one_expected(before, case.sem, low_is_selected)
    low, high = (float(q) for q in np.quantile(draws, [0.025, 0.975]))
    n = int(case.technique["client"].nunique())
    size = Estimate(
        name="expected drift towards the mean",
        value=value,
        ci_low=low,
        ci_high=high,
        unit=case.unit,
        n=n,
        method=f"selection implied by the records, SEM {figure_text(case.sem)} ({case.sem_source}); bootstrap",
    )
    says = (
        f"No second reading before was taken. From how restricted the treated sides were, about {figure_text(value)} "
        f"{case.unit} of the change is expected without any treatment."
    )
    if closed:
        says += " The drawn comparison carries the same drift in both arms."
    return Rival(
        rival=NAME,
        status="closed_by_design" if closed else "bounded",
        size=size,
        says=says,
        what_would_close_it="" if closed else CLOSE,
    )


def _one_expected(before: np.ndarray, sem: float, low_is_selected: bool) -> float:
    selection = implied_selection(before, low_is_selected=low_is_selected)
    between = max(selection.sd**2 - sem**2, 0.0)
    side = selection.mean - selection.threshold if low_is_selected else selection.threshold - selection.mean
    spread = np.sqrt(between + sem**2)
    z = side / spread  # negative where the threshold lies on the free side of the mean
    return float(sem**2 / spread * stats.norm.pdf(z) / max(float(stats.norm.sf(z)), 1e-12))
