"""One answer from several sites: variance between sites, fixed and random-effects pooling, how far sites differ."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.number_words import figure_text, quantity
from toolkit.result import Estimate, Shown

Array = npt.NDArray[np.float64]


def checked(sites: pd.DataFrame, *, least: int) -> tuple[Array, Array]:
    """Effects and variances of at least `least` sites, or a clear word about what is wrong with them."""
    absent = [name for name in ("site", "effect", "variance") if name not in sites.columns]
    if absent:
        raise ToolkitError(f"the site summaries have no column {', '.join(absent)}: give site, effect and variance")
    if len(sites) < least:
        raise NotEnoughError(f"{len(sites)} site(s): at least {least} are needed")
    y, v = sites["effect"].to_numpy(float), sites["variance"].to_numpy(float)
    bad = ~np.isfinite(y) | ~np.isfinite(v) | (v <= 0)
    if bad.any():
        names = ", ".join(str(name) for name in sites.loc[bad, "site"])
        raise ToolkitError(
            f"site {names}: the effect is missing or its variance not above 0; correct it or leave it out"
        )
    return y, v


def generalised_q(tau2: float, y: Array, v: Array, design: Array) -> float:
    """The weighted residual sum of squares with tau2 between sites: Cochran's Q at tau2 = 0."""
    w = 1 / (v + tau2)
    beta = np.linalg.solve(design.T * w @ design, design.T @ (w * y))
    residual = y - design @ beta
    return float((w * residual**2).sum())


def dersimonian_laird(y: Array, v: Array, design: Array) -> float:
    """The moment estimate, 0 where it would be negative."""
    w = 1 / v
    inverse = np.linalg.inv(design.T * w @ design)
    trace = w.sum() - float(np.trace(inverse @ (design.T * w**2 @ design)))
    return max(0.0, float((generalised_q(0.0, y, v, design) - (len(y) - design.shape[1])) / trace))


def paule_mandel(y: Array, v: Array, design: Array) -> float:
    """The tau2 at which the generalised Q equals its degrees of freedom, 0 where it is below already."""
    from scipy import optimize

    df = len(y) - design.shape[1]
    if generalised_q(0.0, y, v, design) <= df:
        return 0.0
    top = float(np.ptp(y) ** 2 + v.max())
    while generalised_q(top, y, v, design) > df:
        top *= 4
    return float(optimize.brentq(lambda tau2: generalised_q(tau2, y, v, design) - df, 0.0, top, xtol=1e-14, rtol=1e-13))


def reml(y: Array, v: Array, design: Array) -> float:
    """The variance between sites with the highest restricted likelihood, 0 included."""
    from scipy import optimize

    def minus_loglik(tau2: float) -> float:
        w = 1 / (v + tau2)
        info = design.T * w @ design
        return float(0.5 * (-np.log(w).sum() + np.linalg.slogdet(info)[1] + generalised_q(tau2, y, v, design)))

    top = 10 * float(np.ptp(y) ** 2 + v.max())
    grid = np.concatenate([[0.0], np.geomspace(1e-8, 1.0, 120) * top])
    best = int(np.argmin([minus_loglik(t) for t in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    score_low, score_high = (_reml_score(t, y, v, design) for t in (low, high))
    if score_low > 0 > score_high:
        return float(optimize.brentq(lambda t: _reml_score(t, y, v, design), low, high, xtol=1e-15, rtol=1e-13))
    return float(grid[best])


def _reml_score(tau2: float, y: Array, v: Array, design: Array) -> float:
    """Twice the slope of the restricted log likelihood in tau2: y'PPy - tr(P)."""
    w = 1 / (v + tau2)
    inverse = np.linalg.inv(design.T * w @ design)
    py = w * (y - design @ (inverse @ (design.T @ (w * y))))
    trace = w.sum() - float(np.trace(inverse @ (design.T * w**2 @ design)))
    return float(py @ py - trace)


BETWEEN: dict[str, Callable[[Array, Array, Array], float]] = {
    "REML": reml,
    "DL": dersimonian_laird,
    "PM": paule_mandel,
}


Between = Literal["REML", "DL", "PM", "FE"]
Interval = Literal["hartung_knapp", "normal"]

_NAMES = {
    "REML": "random effects, restricted maximum likelihood",
    "DL": "random effects, DerSimonian-Laird",
    "PM": "random effects, Paule-Mandel",
    "FE": "one common effect, inverse variance",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class PooledSites(Shown):
    """The pooled effect of several sites, with how much the sites differ.

    `tau2` is the variance between sites (effect unit squared), `i2` the percentage of the total variance that it is,
    `h2` the total over the sampling variance, `q` Cochran's heterogeneity statistic on `q_df` degrees of freedom.
    `tau2_interval` and `i2_interval` hold the Q-profile limits; None with one common effect.
    `prediction` holds the limits within which the effect of a new site is expected; None with fewer than 3 sites or one
    common effect. `sites` has one row a site: site, effect, variance, weight (percent).
    """

    pooled: Estimate
    tau2: float
    i2: float
    h2: float
    q: float
    q_df: int
    q_p: float
    prediction: tuple[float, float] | None
    sites: pd.DataFrame
    tau2_interval: tuple[float, float] | None = None
    i2_interval: tuple[float, float] | None = None

    def sentence(self) -> str:
        """The pooled effect, how far sites differ, and what a new site may expect."""
        text = f"{self.pooled.sentence()}; {figure_text(self.i2)} % of the variance lies between sites"
        if self.prediction is None:
            return text
        low, high = self.prediction
        return (
            f"{text}; a new site may expect an effect between {figure_text(low)} and {quantity(high, self.pooled.unit)}"
        )

    def table(self) -> pd.DataFrame:
        """One row a site, the pooled effect last."""
        half = 1.959963984540054 * np.sqrt(self.sites["variance"])
        rows = self.sites.assign(ci_low=self.sites["effect"] - half, ci_high=self.sites["effect"] + half)
        last = {
            "site": "pooled",
            "effect": self.pooled.value,
            "variance": (self.pooled.se or 0.0) ** 2,
            "weight": 100.0,
            "ci_low": self.pooled.ci_low,
            "ci_high": self.pooled.ci_high,
        }
        return pd.concat([rows, pd.DataFrame([last])], ignore_index=True)


def log_risk_ratio(
    counts: pd.DataFrame, *, treated: tuple[str, str], control: tuple[str, str], site: str = "site"
) -> pd.DataFrame:
    """Each site's log risk ratio and its variance from counts of people with and without the event.

    Parameters
    ----------
    counts
        One row a site.
    treated, control
        Names of the columns (with event, without event).
    site
        Name of the column that names the site.

    Returns
    -------
    pd.DataFrame
        A frame with columns site, effect (log risk ratio), variance.

    Raises
    ------
    NotEnoughError
        A site without events or without people in a group (its ratio has no variance).

    References
    ----------
    Katz et al. (1978) Biometrics 34:469-474: 1/a - 1/(a+b) + 1/c - 1/(c+d).

    Examples
    --------
    >>> counts = pd.DataFrame({"site": ["A"], "a": [4], "b": [119], "c": [11], "d": [128]})
    >>> round(float(log_risk_ratio(counts, treated=("a", "b"), control=("c", "d"))["effect"].iloc[0]), 4)
    -0.8893
    """
    a, b, c, d = (counts[name].to_numpy(float) for name in (*treated, *control))
    empty = (a <= 0) | (c <= 0) | (b < 0) | (d < 0)
    if empty.any():
        names = ", ".join(str(name) for name in counts.loc[empty, site])
        raise NotEnoughError(
            f"no event in a group at site {names}: its risk ratio has no variance; leave it out and say so"
        )
    return pd.DataFrame(
        {
            "site": counts[site].to_numpy(),
            "effect": np.log(a / (a + b)) - np.log(c / (c + d)),
            "variance": 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d),
        }
    )


def pool_sites(
    sites: pd.DataFrame,
    *,
    unit: str,
    method: Between = "REML",
    interval: Interval = "hartung_knapp",
    confidence_level: float = 0.95,
) -> PooledSites:
    """Pool site summaries into one effect.

    Parameters
    ----------
    sites
        Columns site, effect (in `unit`), variance (its square of standard error); one row a site.
    unit
        Of the effect.
    method
        How the variance between sites is estimated; "FE" supposes that there is none.
    interval
        "hartung_knapp" (t with k - 1 df, right for few sites) or "normal".
    confidence_level
        Of interval and prediction.

    Returns
    -------
    PooledSites
        A `PooledSites`.

    Raises
    ------
    NotEnoughError
        Fewer than 2 sites.
    ToolkitError
        An effect missing, a variance not above 0.

    References
    ----------
    DerSimonian & Laird (1986) Control Clin Trials 7:177-188; Paule & Mandel (1982) J Res NBS 87:377-385; restricted
    likelihood: Viechtbauer (2005) J Educ Behav Stat 30:261-293; Hartung & Knapp (2001) Stat Med 20:3875-3889; I2, H2:
    Higgins & Thompson (2002) Stat Med 21:1539-1558; prediction interval: Higgins, Thompson & Spiegelhalter (2009) J R
    Stat Soc A 172:137-159 (t with k - 2 df; the normal quantile with interval="normal").

    Examples
    --------
    >>> sites = pd.DataFrame({"site": ["A", "B", "C"], "effect": [2.0, 3.0, 4.0], "variance": [0.5, 0.5, 0.5]})
    >>> round(pool_sites(sites, unit="deg").pooled.value, 2)
    3.0
    """
    from scipy import stats

    y, v = checked(sites, least=2)
    k = len(y)
    ones = np.ones((k, 1))
    tau2 = 0.0 if method == "FE" else BETWEEN[method](y, v, ones)
    w = 1 / (v + tau2)
    value, se = float(w @ y / w.sum()), float(1 / math.sqrt(w.sum()))
    q = generalised_q(0.0, y, v, ones)
    typical = (k - 1) * (1 / v).sum() / ((1 / v).sum() ** 2 - (1 / v**2).sum())
    tail = 0.5 + confidence_level / 2
    se_interval, df = (_knapp(w, y - value, k - 1, se), k - 1) if interval == "hartung_knapp" else (se, None)
    quantile = float(stats.norm.ppf(tail) if df is None else stats.t.ppf(tail, df))
    statistic = abs(value) / se_interval if se_interval > 0 else math.inf
    pooled = Estimate(
        name="pooled effect",
        value=value,
        ci_low=value - quantile * se_interval,
        ci_high=value + quantile * se_interval,
        unit=unit,
        n=k,
        n_of="sites",
        method=f"{_NAMES[method]}, {'Hartung-Knapp' if df else 'normal'} interval",
        confidence_level=confidence_level,
        se=se_interval,
        df=df,
        p=float(2 * (stats.norm.sf(statistic) if df is None else stats.t.sf(statistic, df))),
    )
    common = method == "FE"
    between = None if common else tau2_limits(y, v, confidence_level=confidence_level)
    return PooledSites(
        pooled=pooled,
        tau2=tau2,
        i2=100 * (max(0.0, (q - k + 1) / q) if common and q > 0 else tau2 / (tau2 + typical)),
        h2=q / (k - 1) if common else tau2 / typical + 1,
        q=q,
        q_df=k - 1,
        q_p=float(stats.chi2.sf(q, k - 1)),
        prediction=None if common else _prediction(value, se_interval, tau2, k, tail, interval),
        sites=pd.DataFrame({"site": sites["site"].to_numpy(), "effect": y, "variance": v, "weight": 100 * w / w.sum()}),
        tau2_interval=between,
        i2_interval=None if between is None else (_share(between[0], typical), _share(between[1], typical)),
    )


def _share(tau2: float, typical: float) -> float:
    return 100 * tau2 / (tau2 + typical)


def tau2_limits(y: Array, v: Array, *, confidence_level: float) -> tuple[float, float]:
    """Limits of the variance between sites: where the generalised Q meets the chi-square quantiles (Q-profile).

    Viechtbauer (2007) Statistics in Medicine 26:37-52.

    Parameters
    ----------
    y, v
        Effects and variances of the sites.
    confidence_level
        Of the limits; 0 where even no variance fits the records too well.
    """
    from scipy import optimize, stats

    ones, df, tail = np.ones((len(y), 1)), len(y) - 1, (1 - confidence_level) / 2

    def where(target: float) -> float:
        if generalised_q(0.0, y, v, ones) <= target:
            return 0.0
        top = float(np.ptp(y) ** 2 + v.max())
        while generalised_q(top, y, v, ones) > target:
            top *= 4
        return float(optimize.brentq(lambda t: generalised_q(t, y, v, ones) - target, 0.0, top, xtol=1e-12))

    return where(float(stats.chi2.ppf(1 - tail, df))), where(float(stats.chi2.ppf(tail, df)))


def wider_of(knapp: Estimate, usual: Estimate) -> Estimate:
    """The Hartung-Knapp interval, or the usual one where few sites that happen to agree made that the wider.

    Two or three sites that agree by chance would otherwise give an interval narrower than their own standard errors
    allow (Knapp & Hartung 2003, Statistics in Medicine 22:2693-2710, saw it and widened theirs).

    Parameters
    ----------
    knapp, usual
        The same pooled effect with the two intervals.
    """
    return knapp if knapp.ci_high - knapp.ci_low >= usual.ci_high - usual.ci_low else usual


def leave_one_site_out(
    sites: pd.DataFrame, *, unit: str, method: Between = "REML", confidence_level: float = 0.95
) -> pd.DataFrame:
    """The pooled effect with one site left out at a time: does a single site carry the answer?

    Parameters
    ----------
    sites, unit, method, confidence_level
        As in `pool_sites`.

    Returns
    -------
    pandas.DataFrame
        left_out, sites (how many are left), effect, ci_low, ci_high, tau2, i2; empty with fewer than three sites.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": ["A", "B", "C"], "effect": [2.0, 3.0, 4.0], "variance": [0.5, 0.5, 0.5]})
    >>> leave_one_site_out(sites, unit="deg")["effect"].round(2).tolist()
    [3.5, 3.0, 2.5]
    """
    columns = ["left_out", "sites", "effect", "ci_low", "ci_high", "tau2", "i2"]
    rows = []
    for place, name in enumerate(sites["site"] if len(sites) > 2 else []):
        rest = sites.drop(index=sites.index[place])
        found = pool_sites(rest, unit=unit, method=method, confidence_level=confidence_level)
        usual = pool_sites(rest, unit=unit, method=method, interval="normal", confidence_level=confidence_level).pooled
        quoted = wider_of(found.pooled, usual)
        ends = {"effect": quoted.value, "ci_low": quoted.ci_low, "ci_high": quoted.ci_high}
        rows.append({"left_out": name, "sites": len(rest), **ends, "tau2": found.tau2, "i2": found.i2})
    return pd.DataFrame(rows, columns=columns)


def _knapp(w: Array, residual: Array, df: int, se: float) -> float:
    """The Hartung-Knapp standard error: the usual one times the root of the weighted mean square."""
    return se * math.sqrt(float(w @ residual**2) / df)


def _prediction(
    value: float, se: float, tau2: float, k: int, tail: float, interval: Interval
) -> tuple[float, float] | None:
    from scipy import stats

    if k < 3:
        return None
    quantile = float(stats.norm.ppf(tail) if interval == "normal" else stats.t.ppf(tail, k - 2))
    half = quantile * math.sqrt(se**2 + tau2)
    return value - half, value + half
