"""One client at a time: did this person change reliably, and how little do the readings of two phases overlap?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text, quantity
from toolkit.result import Estimate, Shown
from toolkit.stats.centre import normal_reach
from toolkit.stats.clients import direction
from toolkit.stats.paired_tests import checked_differences


@dataclass(frozen=True, kw_only=True, eq=False)
class ReliableChange(Shown):
    """One person's change against the error of two readings; positive = better.

    `index` is the change over `error_of_difference` (sqrt(2) SEM); beyond `criterion` (1.96) it is `reliable`.
    `threshold` is the smallest reliable change in `unit`.
    """

    change: float
    index: float
    threshold: float
    error_of_difference: float
    sem: float
    unit: str
    criterion: float

    @property
    def reliable(self) -> bool:
        """Whether the change is larger than two readings' error explains."""
        return abs(self.change) > self.threshold

    def sentence(self) -> str:
        """Whether this change is more than error."""
        verdict = "more than" if self.reliable else "no more than"
        return (
            f"The change of {quantity(self.change, self.unit)} (better is positive) is {verdict} two readings' "
            f"error explains ({self.criterion:g} errors of a difference: {quantity(self.threshold, self.unit)}; "
            f"index {figure_text(self.index)}; SEM {quantity(self.sem, self.unit)}; n = 1 person). "
            "It does not say what caused the change."
        )

    def table(self) -> pd.DataFrame:
        """The figures as one row."""
        return pd.DataFrame(
            [
                {
                    "change": self.change,
                    "reliable_change_index": self.index,
                    "smallest_reliable_change": self.threshold,
                    "sem": self.sem,
                    "unit": self.unit,
                }
            ]
        )


def reliable_change(
    first: float, second: float, *, sem: float, unit: str, better: str = "higher", criterion: float = 1.96
) -> ReliableChange:
    """Jacobson & Truax's reliable change index of one person.

    Parameters
    ----------
    first, second
        The two readings, in `unit`.
    sem
        Standard error of measurement, in `unit` (own records, or `stats.sem_from_icc`).
    unit
        Of the readings.
    better
        "higher" or "lower".
    criterion
        How many errors of a difference a change must exceed; 1.96 (the article's) for 95 %.

    Raises
    ------
    ToolkitError
        A reading is missing, or the SEM is not above 0.

    References
    ----------
    Jacobson & Truax (1991) Journal of Consulting and Clinical Psychology 59:12-19.

    Examples
    --------
    >>> round(reliable_change(32.5, 47.5, sem=3.354, unit="points").index, 2)
    3.16
    """
    if not (np.isfinite(first) and np.isfinite(second)):
        raise ToolkitError("One of the two readings is missing: a change needs both.")
    if not (np.isfinite(sem) and sem > 0):
        raise ToolkitError(f"The SEM is {sem:g}: give a size above 0, in the readings' unit.")
    error = float(np.sqrt(2)) * sem
    change = direction(better) * (second - first)
    return ReliableChange(
        change=change,
        index=change / error,
        threshold=criterion * error,
        error_of_difference=error,
        sem=sem,
        unit=unit,
        criterion=criterion,
    )


@dataclass(frozen=True, kw_only=True)
class Cutoffs:
    """Three lines between a clinical and a functional population: a (2 SD from the clinical), b (2 SD from the
    functional), c (weighted midpoint)."""

    a: float
    b: float
    c: float


def clinical_cutoffs(
    *, mean_clinical: float, sd_clinical: float, mean_functional: float, sd_functional: float
) -> Cutoffs:
    """Jacobson & Truax's cut-offs a, b and c; c is the one to use where both populations are known.

    Raises
    ------
    ToolkitError
        An SD is not above 0, or the two means are the same.

    References
    ----------
    Jacobson & Truax (1991).

    Examples
    --------
    >>> clinical_cutoffs(mean_clinical=40, sd_clinical=7.5, mean_functional=60, sd_functional=7.5)
    Cutoffs(a=55.0, b=45.0, c=50.0)
    """
    if not (sd_clinical > 0 and sd_functional > 0) or mean_clinical == mean_functional:
        raise ToolkitError("Cut-offs need two SDs above 0 and two different means.")
    toward = 1.0 if mean_functional > mean_clinical else -1.0
    both = sd_clinical + sd_functional
    return Cutoffs(
        a=mean_clinical + toward * 2 * sd_clinical,
        b=mean_functional - toward * 2 * sd_functional,
        c=(sd_clinical * mean_functional + sd_functional * mean_clinical) / both,
    )


def _overlap_error(share: float, m: int, n: int) -> float:
    """Standard error of a share of pairs (exponential form, mean group size in its covariance terms)."""
    extra = (m + n) / 2 - 1
    spread = 1 + extra * (1 - share) / (2 - share) + extra * share / (1 + share)
    return float(np.sqrt(share * (1 - share) * spread / (m * n)))


def nonoverlap(
    first_phase: Any, second_phase: Any, *, better: str = "higher", confidence_level: float = 0.95
) -> Estimate:
    """Non-overlap of all pairs: how often a reading of the second phase beats one of the first, ties half.

    One half = full overlap. The interval takes a client's readings as independent of each other; readings a few days
    apart seldom are, so take it for the least there is.

    Parameters
    ----------
    first_phase, second_phase
        One client's readings in the two phases, at least two each.
    better
        "higher" or "lower".
    confidence_level
        Of the score interval.

    Raises
    ------
    ToolkitError
        Something is not a number or missing.
    NotEnoughError
        Fewer than two readings in a phase.

    References
    ----------
    Parker & Vannest (2009) Behavior Therapy 40:357-367; interval Newcombe (2006) Statistics in Medicine 25:559-573
    (score form).

    Examples
    --------
    >>> nonoverlap([30, 32, 31], [33, 35, 31]).value
    0.8333333333333333
    """
    from scipy import optimize

    turned = direction(better)
    a, b = turned * checked_differences(first_phase), turned * checked_differences(second_phase)
    wins = np.sign(np.round(b[:, None] - a[None, :], 10))
    share = float((wins.mean() + 1) / 2)
    z = normal_reach(confidence_level)

    def contradiction(at: float) -> float:
        return abs(share - at) - z * _overlap_error(at, len(a), len(b))

    edge = 1e-9
    here = float(np.clip(share, edge, 1 - edge))
    low = optimize.brentq(contradiction, edge, here) if contradiction(edge) > 0 > contradiction(here) else 0.0
    high = optimize.brentq(contradiction, here, 1 - edge) if contradiction(1 - edge) > 0 > contradiction(here) else 1.0
    return Estimate(
        name="non-overlap of all pairs",
        value=share,
        ci_low=float(low),
        ci_high=float(high),
        unit="probability",
        n=len(a) + len(b),
        n_of="readings of one client",
        method="share of pairs, ties half; score interval (Newcombe 2006), readings taken as independent",
        confidence_level=confidence_level,
    )
