"""Can it be? Means, SDs and percentages that a given number of people could or could not have produced."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from toolkit.errors import SheetError
from toolkit.number_words import figure_text
from toolkit.replicating.printed import Printed, read_printed
from toolkit.result import Shown

MOST_SUMS = 2_000
"""Sums tried; with more that round to a printed mean, every SD is possible."""


@dataclass(frozen=True, kw_only=True)
class Possible(Shown):
    """Whether a printed figure can have come from n people, and the nearest figures that can."""

    what: str
    printed: str
    n: int
    possible: bool
    nearest: tuple[float, ...]
    because: str
    method: str

    def sentence(self) -> str:
        """Possible or not, and why."""
        if self.possible:
            return f"{self.what} {self.printed} is possible with n = {self.n}: {self.because}"
        return f"{self.what} {self.printed} is not possible with n = {self.n}: {self.because}"

    def table(self) -> pd.DataFrame:
        """One row: what was printed, whether it can be, the nearest that can."""
        near = ", ".join(figure_text(value, digits=6) for value in self.nearest)
        columns = ("what", "printed", "n", "possible", "nearest", "method")
        return pd.DataFrame([(self.what, self.printed, self.n, self.possible, near, self.method)], columns=columns)


def _whole_n(n: int) -> int:
    if n != int(n) or n < 1:
        raise SheetError(f"n = {n} is not a number of people: give a whole number of at least 1")
    return int(n)


def _printed(text: str) -> Printed:
    printed = read_printed(text)
    if printed.side:
        raise SheetError(f'"{text}" is a limit, not a figure: give the figure itself')
    return printed


def mean_possible(printed: str, *, n: int, items: int = 1) -> Possible:
    """Can whole-number answers of n people have this mean?

    The sum of whole numbers is whole, so the mean of n people on a scale of `items` averaged items moves in steps of
    1 / (n * items). With more steps than the printed decimals can show, every mean is possible and the check is silent.

    Args:
        printed: the mean as printed, for example "3.45".
        n: number of people.
        items: number of whole-number items that were averaged (1 for a single score or a sum).

    Returns:
        A `Possible`, with the nearest means that whole numbers can give.

    Raises:
        SheetError: `printed` is not one number, or n is not a count.

    Source: Brown & Heathers (2017) Soc Psychol Personal Sci 8:363-369.

    Example:
        >>> mean_possible("5.19", n=28).possible
        False
    """
    mean, n = _printed(printed), _whole_n(n)
    steps = n * items
    near = sorted({math.floor(mean.value * steps) / steps, math.ceil(mean.value * steps) / steps})
    silent = 1.0 / steps <= mean.last_digit
    possible = silent or any(mean.holds(value) for value in near)
    if silent:
        because = f"with {steps} steps to a unit every mean of {mean.decimals} decimals is, so this tells nothing"
    elif possible:
        because = f"the whole-number sum {round(mean.value * steps)} divided by {steps} gives it"
    else:
        because = f"whole numbers give {' or '.join(figure_text(value, digits=6) for value in near)}"
    return Possible(
        what="the mean", printed=printed, n=n, possible=possible, nearest=tuple(near), because=because,
        method="granularity of means (Brown & Heathers 2017)",
    )  # fmt: skip


def sd_possible(printed: str, *, mean: str, n: int) -> Possible:
    """Can whole-number answers of n people have this SD, given their mean?

    For whole numbers the sum S and the sum of squares Q are whole, Q has the parity of S, and
    SD^2 = (Q - S^2/n) / (n - 1). Some whole Q of that parity must round to the printed SD for some sum S that rounds
    to the printed mean.

    Args:
        printed: the SD (n - 1 in the denominator) as printed.
        mean: the mean as printed.
        n: number of people, at least 2.

    Returns:
        A `Possible`, with the nearest SDs that whole numbers can give.

    Raises:
        SheetError: not one number, n below 2, a negative SD.

    Source: the idea of Anaya (2016) PeerJ Preprints 4:e2400v1 with the parity of sums (elementary); from memory.

    Example:
        >>> sd_possible("0.82", mean="8.7", n=10).possible
        True
    """
    sd, centre, n = _printed(printed), _printed(mean), _whole_n(n)
    if n < 2 or sd.value < 0:
        raise SheetError(f"an SD of {printed} with n = {n} cannot be checked: n must be at least 2, an SD not negative")
    first, last = math.ceil(centre.low * n - 1e-9), math.floor(centre.high * n + 1e-9)
    sums = range(first, min(last, first + MOST_SUMS) + 1)
    near: list[float] = []
    for total in sums:
        wanted = sd.value**2 * (n - 1) + total**2 / n
        start = math.floor(wanted) - (math.floor(wanted) - total) % 2
        for squares in range(start, start + 4, 2):
            variance = (squares - total**2 / n) / (n - 1)
            if variance >= 0 and squares >= abs(total):
                near.append(math.sqrt(variance))
    near = sorted(near, key=lambda value: abs(value - sd.value))[:2]
    wide = 2.0 / (n - 1) <= 2 * sd.value * sd.last_digit or last - first > MOST_SUMS
    possible = bool(sums) and (wide or any(sd.holds(value) for value in near))
    if not sums:
        because = f"no whole-number sum has the mean {mean}"
    elif possible:
        because = "whole numbers with that mean can have it"
    else:
        because = f"whole numbers with the mean {mean} give {' or '.join(figure_text(v, digits=5) for v in near)}"
    return Possible(
        what="the SD", printed=printed, n=n, possible=possible, nearest=tuple(near), because=because,
        method="whole-number sums of squares (after Anaya 2016)",
    )  # fmt: skip


def sd_within_scale(sd: float, *, n: int, low: float, high: float, mean: float | None = None) -> Possible:
    """Can readings between `low` and `high` have this SD?

    Args:
        sd: the SD (n - 1 in the denominator), in the scale's unit.
        n: number of people, at least 2.
        low, high: ends of the scale, in the same unit.
        mean: the mean if known; it narrows the limit.

    Returns:
        A `Possible`; `nearest` is the largest SD that can be.

    Raises:
        SheetError: n below 2, or an empty scale, or a mean outside it.

    Source: Bhatia & Davis (2000) Am Math Mon 107:353-357: the variance is at most (high - mean)(mean - low), here
    times n / (n - 1); without a mean Popoviciu's bound (high - low)^2 / 4.

    Example:
        >>> sd_within_scale(5.2, n=20, low=0, high=10, mean=5.0).possible
        False
    """
    n = _whole_n(n)
    if n < 2 or high <= low:
        raise SheetError(
            f"the SD of {n} on a scale from {low} to {high} cannot be checked: n >= 2 and low < high are needed"
        )
    if mean is not None and not low <= mean <= high:
        raise SheetError(f"the mean {mean} lies outside the scale {low} to {high}: correct the scale or the mean")
    spread = (high - low) ** 2 / 4 if mean is None else (high - mean) * (mean - low)
    largest = math.sqrt(spread * n / (n - 1))
    around = "" if mean is None else f" around a mean of {figure_text(mean)}"
    possible = 0 <= sd <= largest * (1 + 1e-12)
    span = f"readings from {figure_text(low)} to {figure_text(high)}{around}"
    because = f"{span} spread at most {figure_text(largest, digits=4)}"
    return Possible(
        what="an SD of", printed=figure_text(sd, digits=6), n=n, possible=possible, nearest=(largest,), because=because,
        method="largest SD of a bounded scale (Bhatia & Davis 2000)",
    )  # fmt: skip


def percentage_fits(printed: str, *, n: int) -> Possible:
    """Is there a count of n people that gives this percentage as printed?

    Args:
        printed: the percentage as printed, "34.8" for 34.8 %.
        n: number of people.

    Returns:
        A `Possible`; `nearest` are the percentages of the counts next to it.

    Raises:
        SheetError: not one number, not between 0 and 100, or n not a count.

    Source: elementary (a count is whole).

    Example:
        >>> percentage_fits("34.8", n=23).possible, percentage_fits("35.5", n=23).possible
        (True, False)
    """
    percent, n = _printed(printed), _whole_n(n)
    if not 0 <= percent.value <= 100:
        raise SheetError(f"{printed} % is not between 0 and 100")
    counts = sorted({math.floor(percent.value * n / 100), math.ceil(percent.value * n / 100)})
    near = tuple(100 * count / n for count in counts)
    fitting = [count for count, value in zip(counts, near, strict=True) if percent.holds(value)]
    if fitting:
        because = f"{fitting[0]} of {n} is {figure_text(100 * fitting[0] / n, digits=5)} %"
    else:
        because = " and ".join(f"{c} of {n} is {figure_text(v, digits=4)} %" for c, v in zip(counts, near, strict=True))
    return Possible(
        what="the percentage", printed=printed, n=n, possible=bool(fitting), nearest=near, because=because,
        method="a count is whole",
    )  # fmt: skip
