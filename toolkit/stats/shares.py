"""Shares, many p values, many sites: what is computed from counts and summaries rather than from readings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.multiplicity import METHODS, adjusted_p
from toolkit.number_words import figure_text
from toolkit.result import Result
from toolkit.stats.data import By, checked_level, frame_of, names_of, need_columns, plain_number
from toolkit.stats.pooling import Between, Interval, PooledSites
from toolkit.stats.pooling import pool_sites as pooled
from toolkit.stats.proportions import share_of, unpaired_difference


def proportion(
    data: Any,
    n: int | None = None,
    *,
    of: str | None = None,
    client: str | None = "client",
    by: By = None,
    level: float = 0.95,
) -> Result:
    """How many of how many, with an interval that also holds for few people, for none and for all.

    Parameters
    ----------
    data
        A count (with `n`), or a frame with a column of yes and no.
    n
        Of how many.
    of
        The column of yes and no (1 and 0). A client counts once: as yes where any of the rows says yes.
    client
        Column of clients; None takes every row for itself.
    by
        Column or columns: a share for each of their combinations; with two, the difference as a last row.
    level
        Confidence level of the interval.

    Returns
    -------
    Result
        A row a share, from 0 to 1, with Wilson's score interval; the difference of two groups with Newcombe's.

    Raises
    ------
    ToolkitError
        The counts cannot be right, or a column is missing.
    NotEnoughError
        Nobody was counted.

    References
    ----------
    Wilson (1927) Journal of the American Statistical Association 22:209-212; Newcombe (1998) Statistics in Medicine
    17:873-890.

    Examples
    --------
    >>> found = proportion(0, 20)
    >>> float(found), round(float(found.frame["ci_high"].iloc[0]), 4)
    (0.0, 0.1611)
    """
    level = checked_level(level)
    if n is not None:
        found = share_of(plain_number(data, "count"), n, n_of="people", confidence_level=level)  # type: ignore[arg-type]
        return Result.of([found.standard_row(n_clients=n)], says=found.sentence(), title="Share", detail=found)
    if of is None:
        raise ToolkitError("Say which column of yes and no to count (of=), or give a count and n.")
    names, counts = _counted(frame_of(data, columns=(of,)), of, client, names_of(by))
    shares = [(key, share_of(yes, every, confidence_level=level)) for key, yes, every in counts]
    rows = [dict(zip(names, key, strict=True)) | found.standard_row(n_clients=found.n) for key, found in shares]
    says = " ".join(f"{', '.join(map(str, key))}: {found.sentence()}.".removeprefix(": ") for key, found in shares)
    if len(counts) == 2 and names:
        (key, yes, every), (other, yes_2, every_2) = counts
        apart = unpaired_difference(yes, every, yes_2, every_2, confidence_level=level)
        rows.append({names[0]: f"{key[0]} minus {other[0]}"} | apart.standard_row(n_clients=apart.n))
        says += f" {apart.sentence()}."
    return Result.of(rows, says=says, groups=names, title=f"Share of {of.replace('_', ' ')}", detail=shares)


def _counted(
    frame: pd.DataFrame, of: str, client: str | None, by: tuple[str, ...]
) -> tuple[tuple[str, ...], list[tuple[tuple[Any, ...], int, int]]]:
    """For each group how many of how many clients (or rows) say yes."""
    need_columns(frame, (of, *by))
    known = {"yes": 1, "1": 1, "1.0": 1, "true": 1, "no": 0, "0": 0, "0.0": 0, "false": 0}
    words = frame[of].map(str, na_action="ignore").str.strip().str.lower()
    if not words.dropna().isin(known).all():
        raise ToolkitError(f"Column '{of}' holds something other than yes and no (1 and 0).")
    read = frame.assign(_yes=words.map(known)).dropna(subset=["_yes"])
    if client is not None and client in read.columns:
        read = read.groupby([*by, client], observed=True, sort=False)["_yes"].max().reset_index()
    if not by:
        return (), [((), int(read["_yes"].sum()), len(read))]
    grouped = read.groupby(list(by), observed=True, sort=False)["_yes"].agg(["sum", "count"])
    keys = [key if isinstance(key, tuple) else (key,) for key in grouped.index]
    return by, [(key, int(s), int(c)) for key, s, c in zip(keys, grouped["sum"], grouped["count"], strict=True)]


def adjust_p(p_values: Sequence[float] | pd.Series[float], *, method: str = "holm", level: float = 0.95) -> Result:
    """p values of several tests, adjusted for their number.

    Parameters
    ----------
    p_values
        One p a test, or a Series whose index names the tests.
    method
        "holm", "hochberg", "bonferroni", "bh" (false discovery rate) or "by".
    level
        1 - alpha for the column `rejected`.

    Returns
    -------
    Result
        A row a test in the order given: `p`, `p_adjusted`, `rejected`.

    Raises
    ------
    ToolkitError
        An unknown method, or a p outside 0 to 1 or missing.
    NotEnoughError
        No p at all.

    References
    ----------
    Holm (1979) Scandinavian Journal of Statistics 6:65-70; Hochberg (1988) Biometrika 75:800-802; Benjamini & Hochberg
    (1995) Journal of the Royal Statistical Society B 57:289-300; Benjamini & Yekutieli (2001) Annals of Statistics
    29:1165-1188.

    Examples
    --------
    >>> adjust_p([0.01, 0.04, 0.03]).frame["p_adjusted"].round(2).tolist()
    [0.03, 0.06, 0.06]
    """
    alpha = 1 - checked_level(level)
    found = adjusted_p(list(p_values), method=method, alpha=alpha)
    names = list(map(str, p_values.index)) if isinstance(p_values, pd.Series) else range(1, len(found) + 1)
    rows = [
        {"what": str(name), "p": row.p, "p_adjusted": row.p_adjusted, "method": METHODS[method]}
        | {"level": level, "rejected": bool(row.rejected)}
        for name, row in zip(names, found.itertuples(), strict=True)
    ]
    says = (
        f"Of {len(rows)} tests {int((found['p'] <= alpha).sum())} have p at most {figure_text(round(alpha, 10))}, "
        f"{int(found['rejected'].sum())} after adjustment ({METHODS[method]})."
    )
    return Result.of(rows, says=says, title="Adjusted p values", detail=found)


def pool_sites(
    data: Any,
    *,
    effect: str = "effect",
    se: str | None = None,
    variance: str = "variance",
    site: str = "site",
    level: float = 0.95,
    method: Between = "REML",
    interval: Interval = "hartung_knapp",
    unit: str = "",
) -> Result:
    """One effect from several sites' summaries, and how far the sites differ.

    Parameters
    ----------
    data
        A frame, one row a site.
    effect, se, variance, site
        Its columns: the effect, its standard error (or its variance, where `se` is left out), the site's name.
    level
        Confidence level of the interval and of the prediction interval.
    method
        How the variance between sites is estimated: "REML", "DL", "PM", or "FE" (one common effect).
    interval
        "hartung_knapp" (right for few sites) or "normal".
    unit
        Unit of the effect.

    Returns
    -------
    Result
        Rows: each site with its interval and `weight` (percent), then "pooled effect" and, from three sites on, "effect
        of a new site" (prediction interval). The pooled row carries `tau2`, `i2`, `q`, `q_p`.

    Raises
    ------
    ToolkitError
        A column is missing, or a variance is not above 0.
    NotEnoughError
        Fewer than two sites.

    References
    ----------
    DerSimonian & Laird (1986) Controlled Clinical Trials 7:177-188; Hartung & Knapp (2001) Statistics in Medicine
    20:3875-3889; Higgins, Thompson & Spiegelhalter (2009) Journal of the Royal Statistical Society A 172:137-159.

    Examples
    --------
    >>> sites = pd.DataFrame({"site": list("ABC"), "effect": [2.0, 3.0, 4.0], "se": [0.7, 0.7, 0.7]})
    >>> round(float(pool_sites(sites, se="se", unit="deg").row("pooled effect")["estimate"]), 2)
    3.0
    """
    level = checked_level(level)
    frame = frame_of(data, columns=(site, effect, se or variance))
    need_columns(frame, (site, effect, se or variance))
    squared = frame[variance] if se is None else pd.to_numeric(frame[se], errors="coerce") ** 2
    sites = pd.DataFrame({"site": frame[site], "effect": frame[effect], "variance": squared})
    found = pooled(sites, unit=unit, method=method, interval=interval, confidence_level=level)
    return Result.of(_pooled_rows(found, level), says=found.sentence() + ".", title="Sites pooled", detail=found)


def _pooled_rows(found: PooledSites, level: float) -> list[dict[str, Any]]:
    """A row a site, the pooled effect, what a new site may expect."""
    from toolkit.quantiles import normal_quantile

    reach, pool = float(normal_quantile((1 + level) / 2)), found.pooled
    rows: list[dict[str, Any]] = [
        {
            "what": str(row["site"]),
            "estimate": row["effect"],
            "ci_low": row["effect"] - reach * np.sqrt(row["variance"]),
            "ci_high": row["effect"] + reach * np.sqrt(row["variance"]),
            "level": level,
            "unit": pool.unit,
            "method": "the site's own, normal interval",
            "weight": row["weight"],
        }
        for row in found.sites.to_dict("records")
    ]
    spread = {"tau2": found.tau2, "i2": found.i2, "q": found.q, "q_p": found.q_p, "n_sites": len(rows)}
    statistic = pool.value / pool.se if pool.se else None
    rows.append(pool.standard_row(statistic=statistic, weight=100.0, **spread))
    if found.prediction is not None:
        low, high = found.prediction
        new = {"what": "effect of a new site", "estimate": pool.value, "ci_low": low, "ci_high": high, "level": level}
        rows.append(new | {"unit": pool.unit, "method": "prediction interval"})
    return rows
