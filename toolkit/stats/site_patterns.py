"""What goes with the differences between sites: a moderator of the effect, or the size of a site."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.result import Estimate, Shown
from toolkit.stats.pooling import checked, reml

LIMITS = (99.8, 95.0)
"""Control limits of a funnel, percent of the sites that lie within them by chance."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SiteRegression(Shown):
    """How the effect changes with something that differs between sites; `tau2` is what it leaves between them."""

    slope: Estimate
    intercept: Estimate
    tau2: float

    def sentence(self) -> str:
        """The slope, which is an association between sites and not a cause."""
        return f"{self.slope.sentence()}; an association between sites, not a cause"

    def table(self) -> pd.DataFrame:
        """Intercept and slope, one row each."""
        return pd.DataFrame([self.intercept.as_row(), self.slope.as_row()])


def site_regression(
    sites: pd.DataFrame, *, on: str, unit: str, per: str, confidence_level: float = 0.95
) -> SiteRegression:
    """Does the effect go with something that differs between sites? (random-effects meta-regression)

    Parameters
    ----------
    sites
        Columns site, effect (in `unit`), variance, and `on`; one row a site.
    on
        A numeric column, the same for a whole site (latitude, mean age).
    unit
        Of the effect.
    per
        Unit of `on`.
    confidence_level
        Of the normal intervals.

    Returns
    -------
    SiteRegression
        A `SiteRegression`; the variance left between sites is estimated by restricted maximum likelihood.

    Raises
    ------
    NotEnoughError
        Fewer than 3 sites, or `on` the same everywhere.
    ToolkitError
        Missing or impossible values.

    References
    ----------
    Thompson & Sharp (1999) Stat Med 18:2693-2708; Viechtbauer (2010) J Stat Softw 36(3).

    Examples
    --------
    >>> effects = {"site": list("ABCD"), "effect": [1.0, 2.1, 2.9, 4.0], "variance": 0.1}
    >>> sites = pd.DataFrame(effects | {"age": [1, 2, 3, 4]})
    >>> round(site_regression(sites, on="age", unit="deg", per="year").slope.value, 2)
    0.98
    """
    y, v = checked(sites, least=3)
    moderator = pd.to_numeric(sites[on], errors="coerce").to_numpy(float)
    if not np.isfinite(moderator).all():
        raise ToolkitError(f'"{on}" is missing or not a number at a site: give it for every site')
    if np.ptp(moderator) == 0:
        raise NotEnoughError(f'"{on}" is the same at every site: no slope can be seen')
    design = np.column_stack([np.ones_like(moderator), moderator])
    tau2 = reml(y, v, design)
    w = 1 / (v + tau2)
    cov = np.linalg.inv(design.T * w @ design)
    beta = cov @ (design.T @ (w * y))
    found = [
        _normal_estimate(name, beta[i], math.sqrt(cov[i, i]), what, len(y), confidence_level)
        for i, (name, what) in enumerate(
            (("effect at 0", unit), (f"change of the effect with {on}", f"{unit} per {per}"))
        )
    ]
    return SiteRegression(intercept=found[0], slope=found[1], tau2=tau2)


def control_limits(sites: pd.DataFrame, *, centre: float, tau2: float = 0.0) -> pd.DataFrame:
    """How far each site lies from the pooled effect, in standard errors that hold the spread between sites too.

    Parameters
    ----------
    sites
        Columns site, effect, variance; one row a site.
    centre
        The pooled effect.
    tau2
        The variance between sites (effect unit squared); 0 supposes one common effect.

    Returns
    -------
    pandas.DataFrame
        site, effect, se, z = (effect - centre) / sqrt(variance + tau2), and `beyond`: 99.8 or 95 where the site lies
        outside those limits (percent), 0 within both.

    Raises
    ------
    NotEnoughError
        Fewer than 2 sites.
    ToolkitError
        Missing or impossible values.

    References
    ----------
    Spiegelhalter (2005) Statistics in Medicine 24:1185-1202: limits around a target by standard error, with an additive
    variance between sites where they scatter by more than chance.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": list("ABC"), "effect": [0.0, 2.5, 4.0], "variance": 1.0})
    >>> control_limits(sites, centre=0.0)["beyond"].tolist()
    [0.0, 95.0, 99.8]
    """
    from toolkit.quantiles import normal_quantile

    y, v = checked(sites, least=2)
    z = (y - centre) / np.sqrt(v + tau2)
    beyond = np.select([np.abs(z) > normal_quantile(0.5 + level / 200) for level in LIMITS], LIMITS, 0.0)
    return pd.DataFrame({"site": sites["site"].to_numpy(), "effect": y, "se": np.sqrt(v), "z": z, "beyond": beyond})


def funnel_asymmetry(sites: pd.DataFrame, *, unit: str, confidence_level: float = 0.95) -> Estimate:
    """Do small sites show other effects than large ones? (Egger's regression of the effect on its standard error)

    Parameters
    ----------
    sites
        Columns site, effect (in `unit`), variance; one row a site.
    unit
        Of the effect.
    confidence_level
        Of the t interval with k - 2 df.

    Returns
    -------
    Estimate
        An `Estimate` of the slope per unit of standard error; `p` tests for no asymmetry.

    Raises
    ------
    NotEnoughError
        Fewer than 3 sites, or all equally precise.
    ToolkitError
        Missing or impossible values.

    References
    ----------
    Egger et al. (1997) BMJ 315:629-634; the same t as the weighted regression of effect on standard error.

    Examples
    --------
    >>> effects = {"site": list("ABCD"), "effect": [1.0, 1.4, 2.1, 2.4]}
    >>> sites = pd.DataFrame(effects | {"variance": [0.01, 0.04, 0.16, 0.25]})
    >>> funnel_asymmetry(sites, unit="deg").value > 0
    True
    """
    from scipy import stats

    y, v = checked(sites, least=3)
    se = np.sqrt(v)
    if np.ptp(se) == 0:
        raise NotEnoughError("every site is equally precise: nothing can be said about small and large sites")
    design = np.column_stack([np.ones_like(se), se])
    w = 1 / v
    inverse = np.linalg.inv(design.T * w @ design)
    beta = inverse @ (design.T @ (w * y))
    residual = y - design @ beta
    df = len(y) - 2
    spread = math.sqrt(inverse[1, 1] * float(w @ residual**2) / df)
    half = float(stats.t.ppf(0.5 + confidence_level / 2, df)) * spread
    return Estimate(
        name="small-site effect",
        value=float(beta[1]),
        ci_low=float(beta[1]) - half,
        ci_high=float(beta[1]) + half,
        unit=f"{unit} per {unit} of standard error",
        n=len(y),
        n_of="sites",
        method="Egger regression, weighted, t interval",
        confidence_level=confidence_level,
        se=spread,
        df=df,
        p=float(2 * stats.t.sf(abs(beta[1]) / spread, df)),
    )


def _normal_estimate(name: str, value: float, se: float, unit: str, n: int, confidence_level: float) -> Estimate:
    from scipy import stats

    half = float(stats.norm.ppf(0.5 + confidence_level / 2)) * se
    return Estimate(
        name=name,
        value=float(value),
        ci_low=float(value) - half,
        ci_high=float(value) + half,
        unit=unit,
        n=n,
        n_of="sites",
        method="meta-regression, restricted maximum likelihood, normal interval",
        confidence_level=confidence_level,
        se=se,
        p=float(2 * stats.norm.sf(abs(value) / se)),
    )
