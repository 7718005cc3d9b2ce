"""Groups of different people: every difference of two means with its correction; change beyond a comparison group."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate
from toolkit.stats.centre import checked_level, normal_reach
from toolkit.stats.clients import numbers
from toolkit.stats.response_mean import hedges_correction, hedges_correction_approximate

Correction = Literal["tukey", "holm", "bonferroni", "none", "dunnett"]
_WORDS = ("tukey", "holm", "bonferroni", "none", "dunnett")


def group_contrasts(
    data: pd.DataFrame,
    *,
    value: str,
    group: str,
    adjustment: Correction = "tukey",
    against: str | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Differences between the groups' means from one pooled SD (one-way analysis of variance), p corrected.

    Parameters
    ----------
    data : pandas.DataFrame
        One row a person.
    value, group : str
        Columns: the number, and the group it belongs to.
    adjustment : {"tukey", "holm", "bonferroni", "none", "dunnett"}
        How the p are corrected for several comparisons. Holm has no interval of its own: Bonferroni's stands beside it.
    against : str, optional
        Compare with this group only (needed for Dunnett).
    level : float
        Confidence level of the intervals.

    Returns
    -------
    pandas.DataFrame
        One row a difference: `first`, `second`, `estimate` (second minus first), `se`, `statistic` (t), `df`,
        `ci_low`, `ci_high`, `p` (plain), `p_adjusted`.

    Raises
    ------
    ToolkitError
        A column is not there, an unknown correction, or `against` is no group.
    NotEnoughError
        Fewer than two groups, or no variation within them.

    References
    ----------
    Tukey (1949), Kramer (1956) Biometrics 12:307-310; Holm (1979) Scand J Stat 6:65-70; Dunnett (1955) J Am Stat Assoc
    50:1096-1121.

    Examples
    --------
    >>> rows = pd.DataFrame({"way": list("aaabbbccc"), "gain": [1, 2, 3, 4, 5, 7, 4, 4, 6]})
    >>> group_contrasts(rows, value="gain", group="way")["p_adjusted"].round(3).tolist()
    [0.039, 0.088, 0.797]
    """
    from scipy import stats

    if adjustment not in _WORDS:
        raise ToolkitError(f'"{adjustment}" is no correction known here: use one of {", ".join(_WORDS)}.')
    parts, names = _groups(data, value=value, group=group)
    if against is not None and against not in names:
        raise ToolkitError(f'"{against}" is no group: use one of {", ".join(names)}.')
    if adjustment == "dunnett" and against is None:
        raise ToolkitError("Dunnett's correction compares with one group: say which in `against`.")
    n = np.array([len(part) for part in parts])
    df = float(n.sum() - len(parts))
    squares = sum(float(((part - part.mean()) ** 2).sum()) for part in parts)
    if df < 1 or squares <= 0:
        raise NotEnoughError("Nobody differs within a group: there is no variation to compare the groups with.")
    pairs = [
        (i, j) for i, j in combinations(range(len(parts)), 2) if against is None or against in (names[i], names[j])
    ]
    pairs = [(j, i) if against == names[j] else (i, j) for i, j in pairs]
    estimate = np.array([parts[j].mean() - parts[i].mean() for i, j in pairs])
    se = np.sqrt(squares / df * np.array([1 / n[i] + 1 / n[j] for i, j in pairs]))
    t = estimate / se
    p = 2 * stats.t.sf(np.abs(t), df)
    adjusted, half = _corrected(adjustment, t, p, df, se, n, pairs, checked_level(level))
    return pd.DataFrame(
        {
            "first": [names[i] for i, _ in pairs],
            "second": [names[j] for _, j in pairs],
            "estimate": estimate,
            "se": se,
            "statistic": t,
            "df": df,
            "ci_low": estimate - half,
            "ci_high": estimate + half,
            "p": p,
            "p_adjusted": adjusted,
        }
    )


def _groups(data: pd.DataFrame, *, value: str, group: str) -> tuple[list[np.ndarray], list[str]]:
    """The values of each group, and the groups' names in order (a category's own order, else sorted)."""
    if group not in data.columns:
        raise ToolkitError(f"There is no column '{group}'. The columns are: {', '.join(map(str, data.columns))}.")
    read = pd.DataFrame({"value": numbers(data, value), "group": data[group]}).dropna()
    found = [(str(name), part.to_numpy(float)) for name, part in read.groupby("group", observed=True)["value"]]
    if len(found) < 2:
        raise NotEnoughError(f"{len(found)} group(s) with values: at least two are needed.")
    return [part for _, part in found], [name for name, _ in found]


def _corrected(
    adjustment: str,
    t: np.ndarray,
    p: np.ndarray,
    df: float,
    se: np.ndarray,
    n: np.ndarray,
    pairs: list[tuple[int, int]],
    level: float,
) -> tuple[np.ndarray, np.ndarray]:
    """The corrected p, and the half-widths of the intervals."""
    from toolkit.mixed import adjusted_means as multiplicity

    each = np.full(len(t), df)
    if adjustment == "tukey":
        return multiplicity.tukey(t, each, se, n_means=len(n), confidence_level=level)
    if adjustment == "dunnett":
        adjusted, reach = _dunnett(t, df, n, pairs, level)
        return adjusted, reach * se
    if adjustment == "none":
        return multiplicity.uncorrected(p, each, se, confidence_level=level)
    adjusted, half = multiplicity.holm(p, each, se, confidence_level=level)
    return (adjusted if adjustment == "holm" else np.minimum(p * len(p), 1)), half


def _dunnett(
    t: np.ndarray, df: float, n: np.ndarray, pairs: list[tuple[int, int]], level: float
) -> tuple[np.ndarray, np.ndarray]:
    """p and reach from the multivariate t of all differences from one group, integrated (exact product form).

    Given the common group's deviation z and the scale s, the differences are independent normals.
    """
    from scipy import integrate, optimize, special

    base = n[pairs[0][0]]
    weight = np.sqrt(np.array([n[j] for _, j in pairs]) / (np.array([n[j] for _, j in pairs]) + base))
    rest = np.sqrt(1 - weight**2)
    nodes, gauss = np.polynomial.hermite_e.hermegauss(80)
    gauss = gauss / gauss.sum()

    def inside(reach: float) -> float:
        def given(s: float) -> float:
            high = (reach * s + weight[:, None] * nodes) / rest[:, None]
            low = (-reach * s + weight[:, None] * nodes) / rest[:, None]
            density = np.exp((df - 1) * np.log(s) - df * s * s / 2 + constant)
            return float(((special.ndtr(high) - special.ndtr(low)).prod(axis=0) * gauss).sum() * density)

        constant = np.log(2) + df / 2 * np.log(df / 2) - special.gammaln(df / 2)
        spread = 10 / np.sqrt(2 * df)
        return float(integrate.quad(given, max(1e-6, 1 - spread), 1 + spread, limit=200)[0])

    adjusted = np.array([max(0.0, 1 - inside(abs(one))) for one in t])
    reach = float(optimize.brentq(lambda c: inside(c) - level, 0.5, 50))
    return adjusted, np.full(len(t), reach)


@dataclass(frozen=True, kw_only=True)
class BeforeAfter:
    """One group's readings before and after, as an article prints them (means and SDs in one unit)."""

    n: int
    mean_before: float
    mean_after: float
    sd_before: float

    @property
    def change(self) -> float:
        """Mean change."""
        return self.mean_after - self.mean_before


def controlled_change_own_sd(treated: BeforeAfter, control: BeforeAfter) -> float:
    """d_ppc1: each group's change over its own baseline SD, bias-corrected; treated minus control.

    References
    ----------
    Becker (1988); Morris (2008) Organizational Research Methods 11:364-386, equation 4.

    Examples
    --------
    >>> one = BeforeAfter(n=20, mean_before=30.6, mean_after=38.5, sd_before=15.0)
    >>> two = BeforeAfter(n=20, mean_before=23.1, mean_after=19.7, sd_before=13.8)
    >>> round(controlled_change_own_sd(one, two), 4)
    0.7421
    """
    one, two = (hedges_correction(group.n - 1) * group.change / group.sd_before for group in (treated, control))
    return one - two


def _pooled(treated: BeforeAfter, control: BeforeAfter) -> tuple[float, int]:
    """The two baseline SDs pooled, and their df."""
    df = treated.n + control.n - 2
    squares = (treated.n - 1) * treated.sd_before**2 + (control.n - 1) * control.sd_before**2
    return float(np.sqrt(squares / df)), df


def controlled_change(
    treated: BeforeAfter,
    control: BeforeAfter,
    *,
    r: float,
    correction: Literal["exact", "approximate"] = "exact",
    confidence_level: float = 0.95,
) -> Estimate:
    """d_ppc2: the treated group's change beyond the control's, over the pooled baseline SD, bias-corrected.

    Parameters
    ----------
    treated, control
        The two groups.
    r
        Correlation of before and after (for the variance only).
    correction
        "exact", or "approximate" (1 - 3/(4 df - 1)), which most articles print.
    confidence_level
        Of the large-sample normal interval.

    References
    ----------
    Morris (2008), equations 8-9; large-sample variance 2(1 - r)(1/nT + 1/nC) + d^2 / (2 (nT + nC)).

    Examples
    --------
    >>> one = BeforeAfter(n=20, mean_before=30.6, mean_after=38.5, sd_before=15.0)
    >>> two = BeforeAfter(n=20, mean_before=23.1, mean_after=19.7, sd_before=13.8)
    >>> round(controlled_change(one, two, r=0.47).value, 4)
    0.7684
    """
    if not -1 <= r <= 1:
        raise ToolkitError(f"The correlation is {r:g}: it must lie between -1 and 1.")
    scale, df = _pooled(treated, control)
    correct = hedges_correction if correction == "exact" else hedges_correction_approximate
    effect = correct(df) * (treated.change - control.change) / scale
    total = treated.n + control.n
    error = float(np.sqrt(2 * (1 - r) * (1 / treated.n + 1 / control.n) + effect**2 / (2 * total)))
    reach = normal_reach(confidence_level) * error
    return Estimate(
        name="controlled change over pooled baseline SD (d_ppc2)",
        value=effect,
        ci_low=effect - reach,
        ci_high=effect + reach,
        unit="pooled baseline SD",
        n=total,
        n_of="people",
        method=f"Morris (2008), {correction} small-sample correction, large-sample interval",
        confidence_level=confidence_level,
        se=error,
    )
