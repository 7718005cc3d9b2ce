"""Does a printed p-value belong to its printed t, F, chi-squared, z or r and degrees of freedom?"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from toolkit.errors import SheetError
from toolkit.number_words import figure_text
from toolkit.replicating.printed import Printed, read_printed
from toolkit.result import Shown

STATISTICS = ("t", "F", "chi2", "z", "r")


@dataclass(frozen=True, kw_only=True)
class PCheck(Shown):
    """A printed p beside the one that its statistic gives, as a range because the statistic is rounded too."""

    statistic: str
    printed_statistic: str
    df: float | None
    df2: float | None
    printed_p: str
    p: float
    p_low: float
    p_high: float
    consistent: bool
    one_sided_fits: bool
    crosses_alpha: bool
    alpha: float

    def sentence(self) -> str:
        """Whether both belong together, and what may explain it when not."""
        where = f"{self.statistic}{self._df_text()} = {self.printed_statistic}"
        span = f"p between {figure_text(self.p_low)} and {figure_text(self.p_high)}"
        if self.consistent:
            return f"{where} gives {span}: the printed p {self.printed_p} is consistent"
        more = " (half of it, a one-sided p, would be)" if self.one_sided_fits else ""
        more += f"; it lies on the other side of {self.alpha}" if self.crosses_alpha else ""
        return f"{where} gives {span}: the printed p {self.printed_p} is not consistent with what is stated{more}"

    def _df_text(self) -> str:
        parts = [figure_text(value, digits=4) for value in (self.df, self.df2) if value is not None]
        return f"({', '.join(parts)})" if parts else ""

    def table(self) -> pd.DataFrame:
        """One row: statistic, printed p, recomputed p with its range, verdict."""
        row = {
            "statistic": f"{self.statistic}{self._df_text()}",
            "value": self.printed_statistic,
            "printed_p": self.printed_p,
            "p": self.p,
            "p_low": self.p_low,
            "p_high": self.p_high,
            "consistent": self.consistent,
            "one_sided_fits": self.one_sided_fits,
        }
        return pd.DataFrame([row])


def p_from_statistic(kind: str, value: float, *, df: float | None = None, df2: float | None = None) -> float:
    """The two-sided p of a t, z or r, the upper-tail p of an F or chi-squared.

    Args:
        kind: one of "t", "F", "chi2", "z", "r".
        value: the statistic.
        df: degrees of freedom (numerator for F; n - 2 for r); none for z.
        df2: denominator degrees of freedom of F.

    Returns:
        The p-value.

    Raises:
        SheetError: unknown kind, missing or non-positive df, |r| above 1, negative F or chi-squared.

    Source: the distributions of scipy.stats; r by t = r sqrt(df / (1 - r^2)) (Fisher 1915).

    Example:
        >>> round(p_from_statistic("t", -4.06, df=9), 4)
        0.0028
    """
    from scipy import stats

    if kind not in STATISTICS:
        raise SheetError(f'"{kind}" is not a statistic that can be checked: use one of {", ".join(STATISTICS)}')
    needed = {"z": (), "F": (df, df2)}.get(kind, (df,))
    if any(number is None or number <= 0 for number in needed):
        raise SheetError(f"{kind} needs its degrees of freedom, above 0: give {'df and df2' if kind == 'F' else 'df'}")
    if kind in ("F", "chi2") and value < 0:
        raise SheetError(f"{kind} = {value} is impossible: it is never negative")
    if kind == "r":
        if abs(value) > 1:
            raise SheetError(f"r = {value} is impossible: it lies between -1 and 1")
        value = math.inf if abs(value) == 1 else value * math.sqrt(float(df or 0) / (1 - value**2))
    tails: dict[str, Callable[[], float]] = {
        "z": lambda: 2 * stats.norm.sf(abs(value)),
        "t": lambda: 2 * stats.t.sf(abs(value), df),
        "r": lambda: 2 * stats.t.sf(abs(value), df),
        "F": lambda: stats.f.sf(value, df, df2),
        "chi2": lambda: stats.chi2.sf(value, df),
    }
    return float(tails[kind]())


def check_p(
    kind: str,
    printed_statistic: str,
    *,
    printed_p: str,
    df: float | None = None,
    df2: float | None = None,
    alpha: float = 0.05,
) -> PCheck:
    """Is a printed p consistent with its printed statistic, both being rounded?

    Args:
        kind: "t", "F", "chi2", "z" or "r".
        printed_statistic: as printed, for example "2.20".
        printed_p: as printed, for example ".03" or "<0.05".
        df, df2: degrees of freedom (df2 for F).
        alpha: the level at which a mistake would change the paper's verdict.

    Returns:
        A `PCheck`; `consistent` allows for the rounding of both figures.

    Raises:
        SheetError: impossible statistic, missing df, p of 0 or above 1.

    Source: idea of comparing reported triples: Nuijten et al. (2016) Behav Res Methods 48:1205-1226.

    Example:
        >>> check_p("t", "2.20", printed_p=".03", df=28).consistent
        False
        >>> check_p("t", "2.20", printed_p=".04", df=28).consistent
        True
    """
    statistic, p = read_printed(printed_statistic), read_printed(printed_p)
    if statistic.side:
        raise SheetError(f'"{printed_statistic}" is a limit: the statistic itself is needed')
    if (p.value <= 0 and not p.side) or p.value > 1:
        raise SheetError(f'a p-value of "{printed_p}" is impossible: write a limit as printed, for example "<0.001"')
    ends = _ends(kind, statistic)
    values = [p_from_statistic(kind, end, df=df, df2=df2) for end in ends]
    exact = p_from_statistic(kind, statistic.value, df=df, df2=df2)
    low, high = min(values), max(values)
    return PCheck(
        statistic=kind,
        printed_statistic=printed_statistic,
        df=df,
        df2=df2,
        printed_p=printed_p,
        p=exact,
        p_low=low,
        p_high=high,
        consistent=_overlaps(p, low, high),
        one_sided_fits=kind in ("t", "z", "r") and _overlaps(p, low / 2, high / 2),
        crosses_alpha=_crosses(p, low, high, alpha),
        alpha=alpha,
    )


def _ends(kind: str, statistic: Printed) -> tuple[float, float]:
    """The ends of what the statistic can have been before rounding, inside what it can be at all."""
    low, high = statistic.low, statistic.high
    if kind in ("t", "z", "r") and low < 0 < high:
        low, high = 0.0, max(-low, high)
    if kind in ("F", "chi2"):
        low = max(low, 0.0)
    return (max(low, -1.0), min(high, 1.0)) if kind == "r" else (low, high)


def _overlaps(p: Printed, low: float, high: float) -> bool:
    if p.side == "<":
        return low < p.value
    if p.side == ">":
        return high > p.value
    return high >= p.low and low <= p.high


def _crosses(p: Printed, low: float, high: float, alpha: float) -> bool:
    """Printed on one side of alpha, recomputed wholly on the other."""
    printed_below = p.value <= alpha if p.side == "<" else p.value < alpha
    return (printed_below and low > alpha) or (not printed_below and high < alpha)
