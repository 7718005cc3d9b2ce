"""Several comparisons at once: corrected p-values, and intervals that hold together."""

from __future__ import annotations

import numpy as np
from scipy import special

from toolkit.mixed.cross_products import Array
from toolkit.multiplicity import holm_p

_DRAWS = 2**16
_SEED = 20240229


def uncorrected(p: Array, df: Array, se: Array, *, confidence_level: float) -> tuple[Array, Array]:
    """The p-values as they are, and each interval's own half-width."""
    return p, _t_quantiles((1 + confidence_level) / 2, df) * se


def holm(p: Array, df: Array, se: Array, *, confidence_level: float) -> tuple[Array, Array]:
    """Holm's (1979) step-down p-values; the half-widths are Bonferroni's, since Holm's test has none of its own."""
    return holm_p(p), _t_quantiles(1 - (1 - confidence_level) / (2 * len(p)), df) * se


def tukey(t: Array, df: Array, se: Array, *, n_means: int, confidence_level: float) -> tuple[Array, Array]:
    """Tukey–Kramer p-values and half-widths from the studentised range of `n_means` means."""
    from scipy.stats import studentized_range

    finite = np.where(np.isfinite(df), df, 1e6)
    p = np.array([studentized_range.sf(abs(one) * np.sqrt(2), n_means, d) for one, d in zip(t, finite, strict=True)])
    quantile = {d: float(studentized_range.ppf(confidence_level, n_means, d)) for d in np.unique(finite)}
    return p, np.array([quantile[d] for d in finite]) / np.sqrt(2) * se


def multivariate_t(
    t: Array, df: Array, se: Array, covariance: Array, *, confidence_level: float
) -> tuple[Array, Array]:
    """p-values and half-widths from the largest of correlated t's (Hothorn, Bretz & Westfall 2008).

    The distribution of the largest |t| is drawn with a fixed low-discrepancy sequence (2^16 points, error near 1e-3),
    each comparison at its own df; p below 0.001 is Bonferroni's, which is then as sharp and cannot be drawn as zero.
    """
    from scipy.stats import qmc

    sd = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    keep = values > 1e-10
    root = vectors[:, keep] * np.sqrt(values[keep])
    points = qmc.Sobol(int(keep.sum()) + 1, rng=np.random.default_rng(_SEED)).random(_DRAWS)
    normal = special.ndtri(np.clip(points[:, 1:], 1e-12, 1 - 1e-12)) @ root.T
    largest = np.abs(normal).max(axis=1)
    p, reach = np.empty(len(t)), np.empty(len(t))
    for own in np.unique(df):
        chi = np.sqrt(special.chdtri(own, points[:, 0].clip(1e-12, 1.0)) / own) if np.isfinite(own) else 1.0
        drawn, here = largest / chi, df == own
        single = 2 * (special.stdtr(own, -np.abs(t[here])) if np.isfinite(own) else special.ndtr(-np.abs(t[here])))
        seen = np.array([(drawn >= abs(one)).mean() for one in t[here]])
        p[here] = np.where(seen > 1e-3, np.maximum(seen, single), np.minimum(single * len(t), 1.0))
        reach[here] = float(np.quantile(drawn, confidence_level)) * se[here]
    return p, reach


def _t_quantiles(probability: float, df: Array) -> Array:
    """Quantiles of Student's t, normal where df has no limit."""
    finite = np.isfinite(df)
    out = np.full(len(df), float(special.ndtri(probability)))
    out[finite] = special.stdtrit(df[finite], probability)
    return out
