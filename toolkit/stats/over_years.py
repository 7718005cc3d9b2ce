"""What many sites show year by year, each site compared with itself, and whether it drifts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.multiplicity import holm_p
from toolkit.quantiles import normal_above, normal_quantile, t_above, t_quantile

Array = npt.NDArray[np.float64]
ENOUGH_SITES = 10  # below it a sandwich over sites is not to be trusted
FEWEST_PAIRS = 8  # below it the log of a variance is too far from normal


@dataclass(frozen=True, kw_only=True, eq=False)
class OverYears:
    """One quantity over the years, within sites.

    Attributes
    ----------
    years : pandas.DataFrame
        year, estimate, ci_low, ci_high, n_sites: the mean over sites, moved by how the same sites did in that year.
    slope, se, ci_low, ci_high, p : float
        The trend a year, within sites. `df`: None where the interval is normal.
    sites : pandas.DataFrame
        The sites seen in two years or more: site, slope, se, z (against the trend of all), p, p_adjusted (Holm).
    level : float
        Of the intervals.
    """

    years: pd.DataFrame
    slope: float
    se: float
    ci_low: float
    ci_high: float
    p: float
    df: int | None
    sites: pd.DataFrame
    level: float


def within_sites(cells: pd.DataFrame, *, level: float = 0.95) -> OverYears:
    """Years and trend of a quantity, every site compared with itself, so that who takes part when does not matter.

    Parameters
    ----------
    cells
        One row a site and year: site, year (a number), value, variance (of the value, by sampling); `df`, where that
        variance was estimated from the site's own readings.
    level
        Confidence level.

    Returns
    -------
    OverYears
        Weighted least squares with a level for each site. The error is the larger of that of sampling and that of a
        sandwich over sites, which also holds where sites drift apart (t with sites - 1 df; from ten sites on).

    Raises
    ------
    NotEnoughError
        No site was seen in two years.

    References
    ----------
    Liang & Zeger (1986) Biometrika 73:13-22 (sandwich over groups); Holm (1979) Scandinavian Journal of Statistics
    6:65-70.

    Examples
    --------
    >>> cells = pd.DataFrame({"site": list("AABB"), "year": [1, 2, 1, 2], "value": [5.0, 6, 9, 10], "variance": 0.1})
    >>> round(within_sites(cells).slope, 6)
    1.0
    """
    cells = cells.assign(weight=1 / cells["variance"].to_numpy(float))
    cells = cells[np.isfinite(cells["value"]) & np.isfinite(cells["weight"])]
    several = cells[cells.groupby("site")["year"].transform("nunique") > 1]
    if several.empty:
        raise NotEnoughError("No site has such readings in two years, so nothing can be said of a drift.")
    code, names = pd.factorize(several["site"], sort=True)
    w, y = several["weight"].to_numpy(float), several["value"].to_numpy(float)
    names_of_years = np.sort(several["year"].unique())
    dummies = (several["year"].to_numpy()[:, None] == names_of_years).astype(float)
    trend = _within(several["year"].to_numpy(float)[:, None], y, w, code)
    steps = _within(dummies, y, w, code)
    share = w @ dummies / w.sum()
    contrast = np.eye(len(share)) - share
    reach, df = _reach(len(names), level)
    reaches = reach * np.sqrt(np.maximum(*(np.diag(contrast @ v @ contrast.T) for v in steps[1:])))
    middle = float(w @ y / w.sum()) + contrast @ steps[0]
    slope, se = float(trend[0][0]), float(np.sqrt(max(trend[1][0, 0], trend[2][0, 0])))
    p = 2 * float(normal_above(abs(slope) / se) if df is None else t_above(abs(slope) / se, df))
    counts = several.groupby("year")["site"].nunique().reindex(names_of_years).to_numpy()
    return OverYears(
        years=pd.DataFrame(
            {
                "year": names_of_years,
                "estimate": middle,
                "ci_low": middle - reaches,
                "ci_high": middle + reaches,
                "n_sites": counts,
            }
        ),
        slope=slope,
        se=se,
        ci_low=slope - reach * se,
        ci_high=slope + reach * se,
        p=p,
        df=df,
        sites=_each(several, slope),
        level=level,
    )


def _reach(n_sites: int, level: float) -> tuple[float, int | None]:
    """The quantile of an interval, and its df."""
    if n_sites < ENOUGH_SITES:
        return float(normal_quantile((1 + level) / 2)), None
    return float(t_quantile((1 + level) / 2, n_sites - 1)), n_sites - 1


def _within(x: Array, y: Array, w: Array, code: npt.NDArray[np.intp]) -> tuple[Array, Array, Array]:
    """Coefficients of x with a level for each site, their covariance by sampling, and by a sandwich over sites."""
    total = np.bincount(code, weights=w)

    def inside(column: Array) -> Array:
        return np.asarray(column - (np.bincount(code, weights=w * column) / total)[code])

    x, y = np.column_stack([inside(column) for column in x.T]), inside(y)
    bread = np.linalg.pinv(x.T @ (w[:, None] * x), hermitian=True)
    beta = bread @ (x.T @ (w * y))
    scores = np.zeros((len(total), x.shape[1]))
    np.add.at(scores, code, x * (w * (y - x @ beta))[:, None])
    n = len(total)
    sandwich = bread @ scores.T @ scores @ bread * (n / (n - 1)) if n >= ENOUGH_SITES else np.zeros_like(bread)
    return beta, np.asarray(bread, dtype=float), np.asarray(sandwich, dtype=float)


def _each(cells: pd.DataFrame, common: float) -> pd.DataFrame:
    """Each site's own trend, and how far it is from that of all."""
    rows = []
    for site, part in cells.groupby("site", sort=True):
        w, x, y = (part[name].to_numpy(float) for name in ("weight", "year", "value"))
        x = x - w @ x / w.sum()
        slope, se = float((w * x) @ y / (w @ x**2)), 1 / math.sqrt(float(w @ x**2))
        df = float(part["df"].min()) if "df" in part else math.inf
        z = (slope - common) / se
        p = 2 * float(normal_above(abs(z)) if math.isinf(df) else t_above(abs(z), df))
        rows.append({"site": site, "slope": slope, "se": se, "z": z, "p": p})
    found = pd.DataFrame(rows)
    found["p_adjusted"] = holm_p(found["p"])
    return found


def error_cells(cells: pd.DataFrame) -> pd.DataFrame:
    """The reading error of each site and year on a scale on which it is about normal.

    Parameters
    ----------
    cells
        site, year, n (pairs of readings), spread (variance of their differences).

    Returns
    -------
    pandas.DataFrame
        site, year, value = log of the variance, corrected for few pairs, and its variance; cells of fewer than eight
        pairs or without any spread are left out. `error_of` turns a value into a SEM.

    References
    ----------
    The log of a chi-squared variable: Bartlett & Kendall (1946) Supplement to the Journal of the Royal Statistical
    Society 8:128-138 (from memory).

    Examples
    --------
    >>> cells = pd.DataFrame({"site": ["A"], "year": [1], "n": [1000], "spread": [2.0]})
    >>> round(error_of(error_cells(cells)["value"].iloc[0]), 2)
    1.0
    """
    from scipy.special import digamma, polygamma

    kept = cells[(cells["n"] >= FEWEST_PAIRS) & (cells["spread"] > 0)]
    half = (kept["n"].to_numpy(float) - 1) / 2
    value = np.log(kept["spread"].to_numpy(float)) - digamma(half) + np.log(half)
    return kept[["site", "year"]].assign(value=value, variance=polygamma(1, half))


def error_of(value: float) -> float:
    """The standard error of measurement that belongs to a log variance of differences of two readings."""
    return math.sqrt(math.exp(value) / 2)
