"""Variances and means from people who come more than once: an unbiased value, and how many readings it is really worth.

A client read forty times is one person, not forty. The total variance is taken apart into what differs between clients
and what differs within one, put together again without bias, and given effective degrees of freedom, so that a
chi-square or F interval keeps its word when clients are repeated or the errors have heavy tails.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.quantiles import chi2_quantile

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class TotalVariance:
    """The variance between single values of different clients, in squared units, with its effective df."""

    value: float
    df: float
    n_values: int
    n_clients: int


@dataclass(frozen=True, kw_only=True)
class ClientMean:
    """The mean over clients, each counted once, with the standard error of that mean and its df."""

    value: float
    se: float
    df: int


def client_codes(client: npt.ArrayLike) -> Codes:
    """Clients as whole numbers 0 … G−1, in the order of their sorted names."""
    return level_codes(client)[0]


def level_codes(column: npt.ArrayLike) -> tuple[Codes, list[str]]:
    """Names (read as text, 1 and "1" the same) as whole numbers from 0 in sorted order, and the names."""
    raw, found = pd.factorize(column if isinstance(column, pd.Series) else pd.Series(np.asarray(column)))
    names, place = np.unique(np.array([str(name) for name in found], dtype=object), return_inverse=True)
    return place.astype(np.int64)[raw], [str(name) for name in names]


@dataclass(frozen=True, kw_only=True, eq=False)
class ClientSums:
    """Values summed up by client: how many, their sum, their squares about the client's own mean; each (clients,)."""

    size: Floats
    sums: Floats
    within: Floats


def client_sums(values: Floats, client: Codes) -> ClientSums:
    """Values summed up by client, in the order of the clients' codes."""
    size = np.bincount(client).astype(float)
    sums = np.bincount(client, weights=values).astype(float)
    within = np.bincount(client, weights=(values - (sums / size)[client]) ** 2).astype(float)
    return ClientSums(size=size, sums=sums, within=within)


def client_mean(values: Floats, client: Codes) -> ClientMean:
    """Mean of the clients' means, every client weighing the same; with one value a client, the ordinary mean."""
    return client_mean_of(client_sums(values, client))


def client_mean_of(found: ClientSums) -> ClientMean:
    """The same from sums."""
    means = found.sums / found.size
    n = len(means)
    return ClientMean(value=float(means.mean()), se=float(means.std(ddof=1) / np.sqrt(n)), df=n - 1)


def total_variance(values: Floats, client: Codes) -> TotalVariance:
    """Unbiased variance of a single value of a random client (between plus within clients).

    With one value a client this is the sample variance. The effective df is the smaller of two: Satterthwaite's for the
    two mean squares, which supposes normal values, and 2 / (jackknife variance of the log variance, leaving out one
    client at a time), times 1 + 3/clients, which does not. The factor takes off the jackknife's bias for normal values;
    3 was chosen by simulation (tests/benchmarks/coverage.py shows what it gives).
    """
    return total_variance_of(client_sums(values, client))


def total_variance_of(found: ClientSums) -> TotalVariance:
    """The same from sums."""
    size, sums, within = found.size, found.sums, found.within
    total, df = _from_sums(size, sums, within)
    n_clients = len(size)
    if n_clients > 2 and total > 0:
        df = min(df, _jackknife_df(size, sums, within))
    elif n_clients == 2:
        df = min(df, 1.0)
    return TotalVariance(value=total, df=df, n_values=int(size.sum()), n_clients=n_clients)


def _from_sums(size: Floats, sums: Floats, within: Floats) -> tuple[float, float]:
    """Total variance and its Satterthwaite df from each client's count, sum and squares about the own mean."""
    n, n_clients = size.sum(), len(size)
    means = sums / size
    ms_between = float((size * (means - sums.sum() / n) ** 2).sum() / (n_clients - 1))
    df_within = n - n_clients
    ms_within = float(within.sum() / df_within) if df_within else 0.0
    typical = (n - (size**2).sum() / n) / (n_clients - 1)
    parts = ms_between / typical, (1 - 1 / typical) * ms_within
    total = sum(parts)
    spread = parts[0] ** 2 / (n_clients - 1) + (parts[1] ** 2 / df_within if df_within else 0.0)
    return total, total**2 / spread if spread > 0 else float(n_clients - 1)


def _jackknife_df(size: Floats, sums: Floats, within: Floats) -> float:
    """Effective df from the spread of the log variance as one client after the other is left out."""
    n_clients, n = len(size), size.sum()
    left_n, left_sum = n - size, sums.sum() - sums
    squares = sums**2 / size
    between = (squares.sum() - squares) - left_sum**2 / left_n
    typical = (left_n - ((size**2).sum() - size**2) / left_n) / (n_clients - 2)
    df_within = left_n - (n_clients - 1)
    ms_within = np.where(df_within > 0, (within.sum() - within) / np.maximum(df_within, 1), 0.0)
    left = np.maximum(between / (n_clients - 2), 0) / typical + (1 - 1 / typical) * ms_within
    if (left <= 0).any():
        return 1.0
    return _df_of_logs(np.log(left), largest=float(n - 1))


def pooled_df(squares: Floats, df: Floats) -> float:
    """Effective df of a pooled variance Σ squares / Σ df, one entry a person: the jackknife's where that is smaller.

    The plain Σ df supposes normal errors of one size; the jackknife, leaving out one person at a time, does not.
    """
    total, left_df = float(df.sum()), df.sum() - df
    left = np.where(left_df > 0, (squares.sum() - squares) / np.maximum(left_df, 1e-12), 0.0)
    if len(squares) < 3 or (left <= 0).any():
        return min(total, max(1.0, float(len(squares) - 1)))
    return min(total, _df_of_logs(np.log(left), largest=total))


def _df_of_logs(logs: Floats, *, largest: float) -> float:
    """2 / (jackknife variance of a log variance), with the factor that takes off its bias for normal values."""
    n = len(logs)
    variance = (n - 1) / n * float(((logs - logs.mean()) ** 2).sum())
    return max(1.0, 2 / variance * (1 + 3 / n)) if variance > 0 else largest


def sd_interval(sd: float, df: float, *, confidence_level: float = 0.95) -> tuple[float, float]:
    """Chi-square interval for a standard deviation estimated with `df` degrees of freedom.

    Examples
    --------
    >>> low, high = sd_interval(2.0, 9)
    >>> round(low, 3), round(high, 3)
    (1.376, 3.651)
    """
    tail = (1 - confidence_level) / 2
    return (
        float(sd * np.sqrt(df / chi2_quantile(1 - tail, df))),
        float(sd * np.sqrt(df / chi2_quantile(tail, df))),
    )
