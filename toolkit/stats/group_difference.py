"""Two groups compared at follow-up: raw, by change, adjusted for the baseline (ANCOVA); from rows or a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, p_words
from toolkit.result import Estimate, Shown
from toolkit.stats.centre import checked_level, t_reach, two_sided_p
from toolkit.stats.clients import Floats, numbers


@dataclass(frozen=True, kw_only=True, eq=False)
class BaselineAdjusted(Shown):
    """ANCOVA of a follow-up reading on its baseline and group.

    `difference` is adjusted, group minus reference; `slope` says how much of the baseline stays. `means` (None from a
    summary) are the groups' adjusted means at the overall mean baseline. Complete rows entered; `n_missing` did not.
    """

    difference: Estimate
    slope: float
    means: pd.DataFrame | None
    n_used: int
    n_missing: int

    def sentence(self) -> str:
        """The adjusted difference in words."""
        found = self.difference
        return (
            f"Adjusted for the baseline: {found.name} {found.with_interval()}; "
            f"n = {found.n}, {p_words(found.p)}). {figure_text(self.slope)} of a baseline difference remains."
        )

    def table(self) -> pd.DataFrame:
        """The adjusted difference, and the adjusted means where rows were given."""
        rows = [self.difference.as_row()]
        if self.means is not None:
            rows += [{str(key): value for key, value in row.items()} for row in self.means.to_dict("records")]
        return pd.DataFrame(rows)


def _least_squares(design: Floats, outcome: Floats) -> tuple[Floats, Floats, int]:
    """Coefficients, their covariance and residual df."""
    coefficients, _, rank, _ = np.linalg.lstsq(design, outcome, rcond=None)
    df = len(outcome) - design.shape[1]
    if df < 1 or rank < design.shape[1]:
        raise NotEnoughError(
            f"{len(outcome)} complete rows cannot tell baseline and group apart: "
            "this needs more people, or a baseline that varies."
        )
    residual = outcome - design @ coefficients
    covariance = float(residual @ residual) / df * np.linalg.inv(design.T @ design)
    return np.asarray(coefficients, dtype=float), np.asarray(covariance, dtype=float), df


def _two_groups(of: pd.Series[Any], group: str, reference: str) -> str:
    """The name of the other group.

    Raises
    ------
    ToolkitError
        Not exactly two groups, or the reference is not one of them.
    """
    names = sorted(map(str, of.unique()))
    if len(names) != 2 or reference not in names:
        raise ToolkitError(
            f"'{group}' holds {len(names)} group(s) ({', '.join(names[:6])}): exactly two are needed, one of them "
            f"'{reference}'."
        )
    return names[0] if names[1] == reference else names[1]


def baseline_adjusted(
    data: pd.DataFrame,
    *,
    outcome: str,
    baseline: str,
    group: str,
    reference: str,
    unit: str,
    confidence_level: float = 0.95,
) -> BaselineAdjusted:
    """ANCOVA: the difference of two groups at follow-up, adjusted for the baseline; one row a person.

    Parameters
    ----------
    data
        One row a person (average a person's rows first: `clients_change`).
    outcome, baseline, group
        Columns.
    reference
        The group that is subtracted.
    unit
        Of the readings.
    confidence_level
        Of the t interval.

    Raises
    ------
    ToolkitError
        A column is missing, there are not two groups, text stands among the numbers.
    NotEnoughError
        Too few complete rows, or a baseline without variation.

    References
    ----------
    Vickers & Altman (2001) BMJ 323:1123-1124.

    Examples
    --------
    >>> data = pd.DataFrame({"pre": [1, 2, 3, 1, 2, 3], "post": [2, 3, 5, 4, 4, 6], "arm": list("aaabbb")})
    >>> found = baseline_adjusted(data, outcome="post", baseline="pre", group="arm", reference="a", unit="points")
    >>> round(found.difference.value, 3), round(found.slope, 3)
    (1.333, 1.25)
    """
    if group not in data.columns:
        raise ToolkitError(f"There is no column '{group}'. The columns are: {', '.join(map(str, data.columns))}.")
    read = pd.DataFrame({"y": numbers(data, outcome), "x": numbers(data, baseline), "group": data[group]})
    complete = read.dropna()
    other = _two_groups(complete["group"], group, reference)
    treated = (complete["group"].astype(str) == other).to_numpy(dtype=float)
    x, y = complete["x"].to_numpy(), complete["y"].to_numpy()
    design = np.column_stack([np.ones(len(x)), x - x.mean(), treated])
    coefficients, covariance, df = _least_squares(design, y)
    level = checked_level(confidence_level)

    def estimate(weights: Any, name: str, n: int) -> Estimate:
        at = np.asarray(weights, dtype=float)
        value, error = float(at @ coefficients), float(np.sqrt(at @ covariance @ at))
        return _t_estimate(value, error, df=df, name=name, unit=unit, n=n, level=level, method="ANCOVA, least squares")

    means = [
        estimate([1, 0, is_other], f"adjusted mean, {name}", int((treated == is_other).sum())).as_row()
        for name, is_other in ((reference, 0), (other, 1))
    ]
    return BaselineAdjusted(
        difference=estimate([0, 0, 1], f"{other} minus {reference}", len(x)),
        slope=float(coefficients[1]),
        means=pd.DataFrame(means),
        n_used=len(x),
        n_missing=len(read) - len(x),
    )


def _t_estimate(
    value: float, error: float, *, df: int, name: str, unit: str, n: int, level: float, method: str
) -> Estimate:
    reach = t_reach(level, df) * error
    return Estimate(
        name=name,
        value=value,
        ci_low=value - reach,
        ci_high=value + reach,
        unit=unit,
        n=n,
        n_of="people",
        method=method,
        confidence_level=level,
        se=error,
        df=float(df),
        p=two_sided_p(value / error, df) if error > 0 else None,
    )


@dataclass(frozen=True, kw_only=True)
class GroupSummary:
    """One group's printed n, and mean and SD of the baseline, the follow-up and the change."""

    n: int
    mean_before: float
    sd_before: float
    mean_after: float
    sd_after: float
    mean_change: float
    sd_change: float

    def __post_init__(self) -> None:
        if self.n < 2:
            raise NotEnoughError(f"A group of {self.n}: two people or more are needed for an SD.")
        if not min(self.sd_before, self.sd_after, self.sd_change) > 0:
            raise ToolkitError("Every SD of the summary must be above 0.")

    @property
    def covariance(self) -> float:
        """Covariance of before and after, from the three SDs."""
        return (self.sd_before**2 + self.sd_after**2 - self.sd_change**2) / 2


def _pooled_difference(
    group: GroupSummary, reference: GroupSummary, what: str, *, unit: str, confidence_level: float
) -> Estimate:
    """Difference of two printed means with the pooled-SD t interval."""
    df = group.n + reference.n - 2
    squares = (group.n - 1) * getattr(group, f"sd_{what}") ** 2 + (reference.n - 1) * getattr(
        reference, f"sd_{what}"
    ) ** 2
    return _t_estimate(
        getattr(group, f"mean_{what}") - getattr(reference, f"mean_{what}"),
        float(np.sqrt(squares / df * (1 / group.n + 1 / reference.n))),
        df=df,
        name=f"difference of the mean {what}",
        unit=unit,
        n=group.n + reference.n,
        level=checked_level(confidence_level),
        method="t interval, pooled SD",
    )


def followup_difference(
    group: GroupSummary, reference: GroupSummary, *, unit: str, confidence_level: float = 0.95
) -> Estimate:
    """Difference of the follow-up means, baseline ignored; t interval with the pooled SD."""
    return _pooled_difference(group, reference, "after", unit=unit, confidence_level=confidence_level)


def change_difference(
    group: GroupSummary, reference: GroupSummary, *, unit: str, confidence_level: float = 0.95
) -> Estimate:
    """Difference of the mean changes; t interval with the pooled SD."""
    return _pooled_difference(group, reference, "change", unit=unit, confidence_level=confidence_level)


def baseline_adjusted_from_summary(
    group: GroupSummary, reference: GroupSummary, *, unit: str, confidence_level: float = 0.95
) -> BaselineAdjusted:
    """The same ANCOVA from printed means and SDs: pooled within-group slope, n1 + n2 - 3 df.

    References
    ----------
    Vickers & Altman (2001) BMJ 323:1123-1124; Cochran (1957) Biometrics 13:261-281 for the standard error.

    Examples
    --------
    >>> needles = GroupSummary(n=25, mean_before=60.4, sd_before=12.3, mean_after=79.6, sd_after=17.1,
    ...                        mean_change=19.2, sd_change=16.1)
    >>> placebo = GroupSummary(n=27, mean_before=53.9, sd_before=14, mean_after=62.3, sd_after=17.9,
    ...                        mean_change=8.4, sd_change=14.6)
    >>> round(baseline_adjusted_from_summary(needles, placebo, unit="points").difference.value, 1)
    12.7
    """
    both = (group, reference)
    within_x = sum((each.n - 1) * each.sd_before**2 for each in both)
    within_y = sum((each.n - 1) * each.sd_after**2 for each in both)
    within_xy = sum((each.n - 1) * each.covariance for each in both)
    slope = within_xy / within_x
    df = group.n + reference.n - 3
    residual = (within_y - slope * within_xy) / df
    if df < 1 or residual <= 0:
        raise ToolkitError("The printed SDs contradict each other: no residual variance is left. Check them.")
    apart = group.mean_before - reference.mean_before
    error = float(np.sqrt(residual * (1 / group.n + 1 / reference.n + apart**2 / within_x)))
    found = _t_estimate(
        group.mean_after - reference.mean_after - slope * apart,
        error,
        df=df,
        name="group minus reference",
        unit=unit,
        n=group.n + reference.n,
        level=checked_level(confidence_level),
        method="ANCOVA from summary statistics",
    )
    return BaselineAdjusted(difference=found, slope=slope, means=None, n_used=found.n, n_missing=0)
