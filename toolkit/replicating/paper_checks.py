"""The checks of printed numbers among each other, each allowing for the rounding of every number in it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text
from toolkit.replicating.printed import Printed, read_printed
from toolkit.replicating.summary_possible import mean_possible, percentage_fits, sd_possible, sd_within_scale
from toolkit.replicating.summary_spread import correlation_from_change_sd
from toolkit.replicating.summary_tests import STATISTICS, check_p

Numbers = Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Found:
    """One check: what was checked, the printed number, whether it fits, and why."""

    check: str
    printed: str
    verdict: str
    because: str


def _found(check: str, printed: str, fits: bool, because: str) -> Found:
    return Found(check=check, printed=printed, verdict="fits" if fits else "does not fit", because=because)


def _span(formula: Callable[..., float], *printed: Printed) -> tuple[float, float]:
    """The smallest and largest the formula gives for numbers that round to the printed ones (at the corners)."""
    values = []
    for corner in itertools.product(*((one.low, one.high) for one in printed)):
        try:
            value = formula(*corner)
        except (ValueError, ZeroDivisionError, OverflowError):
            continue
        if math.isfinite(value):
            values.append(value)
    return (min(values), max(values)) if values else (math.nan, math.nan)


def _against(check: str, printed: Printed, span: tuple[float, float], how: str, *, sign: bool = True) -> Found:
    """Printed against what the other numbers give: do the two ranges meet?"""
    low, high = span
    ends = (printed.low, printed.high)
    if not sign:
        ends = (min(abs(ends[0]), abs(ends[1])), max(abs(ends[0]), abs(ends[1])))
        low, high = (0.0 if low <= 0 <= high else min(abs(low), abs(high))), max(abs(low), abs(high))
    if math.isnan(low):
        return Found(check=check, printed=printed.text, verdict="tells nothing", because=f"{how} cannot be worked out")
    slack = 1e-9 * (1 + abs(high))
    fits = ends[1] >= low - slack and ends[0] <= high + slack
    return _found(
        check, printed.text, fits, f"{how} gives {figure_text(low, digits=4)} to {figure_text(high, digits=4)}"
    )


def _read(numbers: Numbers, *words: str) -> tuple[Printed, ...] | None:
    """The numbers under these words, None where one is not printed."""
    return tuple(read_printed(numbers[word]) for word in words) if all(word in numbers for word in words) else None


def _reach(n: float, level: float) -> float:
    from scipy import stats

    return float(stats.t.ppf(0.5 + level / 2, n - 1))


def _whole(numbers: Numbers) -> Iterator[Found]:
    """Means and SDs of whole-number scores."""
    if "items" not in numbers or "n" not in numbers:
        return
    n, items = int(float(numbers["n"])), int(float(numbers["items"]))
    for mean, sd in (("mean", "sd"), ("mean_before", "sd_before"), ("mean_after", "sd_after")):
        if mean in numbers:
            check = mean_possible(numbers[mean], n=n, items=items)
            silent = "tells nothing" in check.because
            yield Found(
                check=f"{mean} of whole numbers", printed=numbers[mean], because=check.because,
                verdict="tells nothing" if silent else "fits" if check.possible else "does not fit",
            )  # fmt: skip
        if mean in numbers and sd in numbers and items == 1 and n >= 2:
            possible = sd_possible(numbers[sd], mean=numbers[mean], n=n)
            yield _found(f"{sd} of whole numbers", numbers[sd], possible.possible, possible.because)


def _scale(numbers: Numbers) -> Iterator[Found]:
    """Means and SDs on a bounded scale."""
    ends = _read(numbers, "scale_low", "scale_high")
    if ends is None or ends[0].value >= ends[1].value:
        return
    low, high = ends[0].value, ends[1].value
    suffixes = ("", "_2", "_before", "_after")
    for mean, sd, size in [(f"mean{s}", f"sd{s}", "n_2" if s == "_2" else "n") for s in suffixes]:
        inside = None
        if mean in numbers:
            value = read_printed(numbers[mean])
            inside = value.high >= low and value.low <= high
            span = f"the scale goes from {figure_text(low)} to {figure_text(high)}"
            yield _found(f"{mean} within the scale", numbers[mean], inside, span)
        if sd in numbers and size in numbers and inside is not False and float(numbers[size]) >= 2:
            centre = min(max(read_printed(numbers[mean]).value, low), high) if inside else None
            check = sd_within_scale(
                max(0.0, read_printed(numbers[sd]).low), n=int(float(numbers[size])), low=low, high=high, mean=centre
            )
            yield _found(f"{sd} within the scale", numbers[sd], check.possible, check.because)


def _share(numbers: Numbers) -> Iterator[Found]:
    """Percentages, counts and n."""
    if "percent" not in numbers or "n" not in numbers:
        return
    n, percent = int(float(numbers["n"])), read_printed(numbers["percent"])
    if not 0 <= percent.value <= 100:
        yield _found("percentage", numbers["percent"], False, "it lies between 0 and 100")
    elif "count" in numbers:
        share = 100 * float(numbers["count"]) / n
        because = f"{numbers['count']} of {n} is {figure_text(share, digits=5)} %"
        yield _found("percentage of the count", numbers["percent"], percent.holds(share), because)
    else:
        check = percentage_fits(numbers["percent"], n=n)
        yield _found("percentage of n people", numbers["percent"], check.possible, check.because)


def _error(numbers: Numbers) -> Iterator[Found]:
    """Standard errors and intervals of one mean."""
    if "n" not in numbers or float(numbers["n"]) < 2:
        return
    n, level = float(numbers["n"]), float(numbers.get("level", 0.95))
    read = _read(numbers, "se", "sd")
    if read:
        yield _against("se = sd / sqrt(n)", read[0], _span(lambda sd: sd / math.sqrt(n), read[1]), "sd / sqrt(n)")
    limits = _read(numbers, "ci_low", "ci_high")
    if limits and "difference" not in numbers and "n_2" not in numbers:
        centre = "mean_change" if "mean_change" in numbers else "mean"
        spread = "sd_change" if centre == "mean_change" else "sd"
        read = _read(numbers, centre)
        if read:
            middle = _span(lambda low, high: (low + high) / 2, *limits)
            yield _against(f"{centre} in the middle of its interval", read[0], middle, "the middle of the limits")
        read = _read(numbers, spread)
        if read:
            from_limits = _span(lambda low, high: (high - low) / 2 / _reach(n, level) * math.sqrt(n), *limits)
            yield _against(f"{spread} behind the interval", read[0], from_limits, "the width of the interval (t)")


def _change(numbers: Numbers) -> Iterator[Found]:
    """Before, after and the change."""
    read = _read(numbers, "mean_change", "mean_before", "mean_after")
    if read:
        span = _span(lambda before, after: after - before, *read[1:])
        yield _against("mean change = after - before", read[0], span, "the two means' difference", sign=False)
    words = ("sd_before", "sd_after", "sd_change")
    if all(word in numbers for word in words) and all(read_printed(numbers[word]).value > 0 for word in words):
        r = correlation_from_change_sd(*(numbers[word] for word in words))
        yield _found("SD of the change", numbers["sd_change"], r.possible, r.sentence())
    n = float(numbers.get("n", 0))
    read = _read(numbers, "t", "mean_change", "sd_change")
    if read and n >= 2:
        span = _span(lambda mean, sd: mean / (sd / math.sqrt(n)), *read[1:])
        yield _against("paired t", read[0], span, "mean change / (sd change / sqrt(n))", sign=False)
    read = _read(numbers, "d", "mean_change", "sd_change")
    if read:
        yield _against("d of the change", read[0], _span(lambda m, s: m / s, *read[1:]), "mean / sd change", sign=False)


def _groups(numbers: Numbers) -> Iterator[Found]:
    """Two groups from their means and SDs."""
    means = _read(numbers, "mean", "mean_2")
    if means is None:
        return
    read = _read(numbers, "difference")
    if read:
        span = _span(lambda one, two: two - one, *means)
        yield _against("difference of the means", read[0], span, "the two means", sign=False)
    rest = _read(numbers, "sd", "sd_2")
    if rest is None or "n" not in numbers or "n_2" not in numbers:
        return
    n, n_2 = float(numbers["n"]), float(numbers["n_2"])
    if n < 2 or n_2 < 2:
        return

    def pooled(sd: float, sd_2: float) -> float:
        return math.sqrt(((n - 1) * sd**2 + (n_2 - 1) * sd_2**2) / (n + n_2 - 2))

    def student(one: float, two: float, sd: float, sd_2: float) -> float:
        return (two - one) / (pooled(sd, sd_2) * math.sqrt(1 / n + 1 / n_2))

    def welch(one: float, two: float, sd: float, sd_2: float) -> float:
        return (two - one) / math.sqrt(sd**2 / n + sd_2**2 / n_2)

    read = _read(numbers, "t")
    if read:
        either = [
            _against("t of two groups", read[0], _span(formula, *means, *rest), how, sign=False)
            for formula, how in ((student, "one variance (Student)"), (welch, "two variances (Welch)"))
        ]
        fitting = [one for one in either if one.verdict == "fits"]
        because = "; ".join(one.because for one in (fitting or either))
        yield _found("t of two groups", numbers["t"], bool(fitting), because)
    read = _read(numbers, "d")
    if read:
        span = _span(lambda one, two, sd, sd_2: (two - one) / pooled(sd, sd_2), *means, *rest)
        shrunk = _span(
            lambda one, two, sd, sd_2: (two - one) / pooled(sd, sd_2) * (1 - 3 / (4 * (n + n_2) - 9)), *means, *rest
        )
        both = (min(span[0], shrunk[0]), max(span[1], shrunk[1]))
        yield _against(
            "d of two groups", read[0], both, "difference / pooled SD (with or without correction)", sign=False
        )


def _tests(numbers: Numbers) -> Iterator[Found]:
    """p beside its statistic, df beside n, F beside t."""
    for kind in STATISTICS:
        if kind not in numbers or "p" not in numbers or (kind == "z" and "df" in numbers and "t" in numbers):
            continue
        df = _df(numbers, kind)
        if df is None and kind != "z":
            continue
        try:
            check = check_p(kind, numbers[kind], printed_p=numbers["p"], df=df, df2=_number(numbers, "df2"))
        except ToolkitError as reason:
            yield _found(f"p of {kind}", numbers["p"], False, str(reason))
            continue
        because = check.sentence().partition(" gives ")[2].partition(":")[0]
        because += " (half of it, a one-sided p, would fit)" if check.one_sided_fits and not check.consistent else ""
        because += f"; the other side of {check.alpha}" if check.crosses_alpha else ""
        yield _found(f"p of {kind}", numbers["p"], check.consistent, f"{kind} gives {because}")
    read = _read(numbers, "F", "t")
    if read and _number(numbers, "df") == 1:
        yield _against("F = t squared", read[0], _span(lambda t: t * t, read[1]), "t squared")
    if "t" in numbers and "df" in numbers and "n" in numbers and "F" not in numbers:
        n, n_2, printed = float(numbers["n"]), _number(numbers, "n_2"), read_printed(numbers["df"])
        wanted = [n - 1, n - 2] if n_2 is None else [n + n_2 - 2]
        welch = n_2 is not None and min(n, n_2) - 1 <= printed.high and printed.low <= n + n_2 - 2
        fits = any(printed.holds(value) for value in wanted) or welch
        yield _found("df of t", numbers["df"], fits, f"n allows {' or '.join(f'{value:g}' for value in wanted)}")


def _df(numbers: Numbers, kind: str) -> float | None:
    """Degrees of freedom as printed, or as n gives them where none are."""
    if "df" in numbers:
        return float(numbers["df"])
    if kind in ("t", "r") and "n" in numbers and "n_2" not in numbers and "F" not in numbers:
        return None if float(numbers["n"]) < 3 else float(numbers["n"]) - (2 if kind == "r" else 1)
    if kind == "t" and "n" in numbers and "n_2" in numbers:
        return float(numbers["n"]) + float(numbers["n_2"]) - 2
    return None


def _number(numbers: Numbers, word: str) -> float | None:
    return float(numbers[word]) if word in numbers else None


def _verdicts(numbers: Numbers) -> Iterator[Found]:
    """An interval of a difference excludes 0 exactly when p is below 1 - level."""
    limits = _read(numbers, "ci_low", "ci_high")
    if limits is None or "p" not in numbers or not ("difference" in numbers or "mean_change" in numbers):
        return
    alpha, p = 1 - float(numbers.get("level", 0.95)), read_printed(numbers["p"])
    if limits[0].value > limits[1].value:
        yield _found("limits of the interval", numbers["ci_low"], False, "the lower limit lies above the upper one")
        return
    surely_out = limits[0].low > 0 or limits[1].high < 0
    surely_in = limits[0].high < 0 < limits[1].low
    below = p.value <= alpha if p.side == "<" else p.high < alpha
    above = p.low > alpha if not p.side else p.side == ">" and p.value >= alpha
    fits = not ((surely_out and above) or (surely_in and below))
    word = "excludes" if surely_out else "holds" if surely_in else "touches"
    yield _found("p beside the interval", numbers["p"], fits, f"the interval {word} 0")


CHECKS: tuple[Callable[[Numbers], Iterator[Found]], ...] = (
    _whole, _scale, _share, _error, _change, _groups, _tests, _verdicts,
)  # fmt: skip
