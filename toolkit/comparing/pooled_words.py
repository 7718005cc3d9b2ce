"""What pooled summaries say in words: the answer, how far sites differ, who is doubted or missing, who stands out."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import pandas as pd

from toolkit.comparing.site_summary import SiteSummary
from toolkit.comparing.verdict import CLAIMS, Verdict
from toolkit.effect.doubts import too_few_on_both
from toolkit.looks.site_plots import NOT_WHY
from toolkit.looks.words import amount, capital, counted, number, p_words, spaced, with_interval
from toolkit.result import Estimate
from toolkit.stats.pooling import PooledSites

NEAR, FAR = 95.0, 99.8  # control limits of the funnel, percent


def pooled_says(
    read: Sequence[SiteSummary],
    between: PooledSites,
    quoted: Estimate,
    left: pd.DataFrame,
    *,
    verdict: Verdict,
    drawn: bool,
    n_clients: int,
) -> str:
    first, unit = read[0].content, quoted.unit
    a, b = (spaced(arm["protocol"]) for arm in first["arms"])
    one, other = (a, b) if quoted.value > 0 else (b, a)
    measure = spaced(first["question"]["measure"])
    size = with_interval(quoted.value, quoted.ci_low, quoted.ci_high, unit, level=quoted.confidence_level)
    nothing = f"of {a} and {b} in {measure} nothing is claimed"
    figures = f"{size}; {counted(len(read), 'site')}, {counted(n_clients, 'client')}; {quoted.method}"
    start = {
        "did_better": f"{capital(one)} did better than {other} in {measure}",
        "went_with_more": f"{capital(one)} went with more improvement in {measure} than {other}",
        "not_told": f"The sites together do not tell {a} and {b} apart in {measure}",
        "draw_broken": f"Something left or was changed after the draw at {', '.join(broken_at(read))}, so {nothing}",
        "reader_may_explain": f"A reader who leans could explain the difference, and most knew, so {nothing}",
    }[verdict]
    said = f"{start}: {a} less {b} is {figures}. {_spread(between, unit)}"
    if verdict in CLAIMS and len(left) and ((left["ci_low"] <= 0) & (left["ci_high"] >= 0)).any():
        carried = left.loc[(left["ci_low"] <= 0) & (left["ci_high"] >= 0), "left_out"].astype(str)
        said += f" Without {' or without '.join(carried)} it is not told."
    chosen = [summary.site for summary in read if not summary.content["drawn"]]
    if not drawn:
        people = "; the two went to different people there" if _different_people(read) else ""
        cause = "that choice, or from who these people are" if people else "that choice"
        tail = f"; a difference may come from {cause}" if verdict in CLAIMS else ""
        said += f" Who got which was chosen, not drawn, at {', '.join(chosen)}{people}{tail}."
    return said


def _spread(between: PooledSites, unit: str) -> str:
    """How far the sites differ, with its interval, and what another site may expect."""
    low, high = between.tau2_interval or (0.0, 0.0)
    said = (
        f"Between sites it varies with an SD of {amount(math.sqrt(between.tau2), unit)} "
        f"({amount(math.sqrt(low), unit)} to {amount(math.sqrt(high), unit)}); "
        f"{number(between.i2, decimals=0)} % of the variance lies between sites ({p_words(between.q_p)})"
    )
    if between.prediction is None:
        return f"{said}."
    ends = [amount(end, unit, signed=True) for end in between.prediction]
    return f"{said}; another site may expect between {ends[0]} and {ends[1]}."


def broken_at(read: Sequence[SiteSummary]) -> list[str]:
    """Sites where it was said to be drawn and the records show what nothing mends."""
    return [one.site for one in read if one.content.get("draw", {}).get("broken")]


def _different_people(read: Sequence[SiteSummary]) -> bool:
    """Do hardly any clients of the sites where somebody chose stand on both sides? A count left out counts as none."""
    chosen = [one.content for one in read if not one.content["drawn"] and "clients_with_both" in one.content]
    both = sum(content["clients_with_both"] or 0 for content in chosen)
    return bool(chosen) and too_few_on_both(both, sum(content["estimate"]["n_clients"] for content in chosen))


def doubts_say(read: Sequence[SiteSummary], doubted: Sequence[SiteSummary], with_all: Sequence[Estimate]) -> str:
    """The sites left out because their draw is doubted, named, with what all would say."""
    if not doubted:
        return ""
    n, every = len(doubted), len(read) + len(doubted)
    by_chance = f"about {round(every / 100)} would look so by chance" if every >= 100 else "one in 100 does by chance"
    are, their = ("is", "its") if n == 1 else ("are", "their")
    size = with_interval(with_all[0].value, with_all[0].ci_low, with_all[0].ci_high, with_all[0].unit)
    return (
        f"{n} of {counted(every, 'site')} {are} left out because {their} records do not bear out the draw "
        f"({_named([one.site for one in doubted])}; {by_chance}); with {'it' if n == 1 else 'them'} it is {size}."
    )


def missing_say(without: Sequence[tuple[str, str]]) -> str:
    """The sites that gave no summary, named, those of one reason together."""
    if not without:
        return ""
    reasons: dict[str, list[str]] = {}
    for site, why in without:
        said = why.removeprefix("At this site the two cannot be compared: ").rstrip(".")
        said = re.sub(
            r"^\d+ and \d+ clients have readings.*from (\d+) clients.*", r"fewer than \1 clients in an arm", said
        )
        reasons.setdefault(said, []).append(site)
    told = "; ".join(f"{_named(sites)} ({said})" for said, sites in reasons.items())
    return f"{counted(len(without), 'site')} could not be summed up: {told}."


def _named(names: Sequence[str]) -> str:
    """Names in a sentence, the first ten."""
    return ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")


def funnel_says(rows: pd.DataFrame, tau2: float, unit: str) -> str:
    """Who stands out of the funnel, how many would by chance, and that it does not say why."""
    n, far = len(rows), rows[rows["beyond"] == FAR].sort_values("z", key=abs, ascending=False)
    near = int((rows["beyond"] == NEAR).sum())
    spread = (
        f"an SD between sites of {amount(math.sqrt(tau2), unit)} is within the limits"
        if tau2 > 0
        else ("the sites scatter no more than chance would have it")
    )
    each = [
        f"{site} ({amount(effect, unit, signed=True)})"
        for site, effect in far[["site", "effect"]].itertuples(index=False)
    ]
    named = f": {_named(each)}" if each else ""
    doubted = rows.loc[rows["doubted"], "site"].astype(str).tolist()
    said = (
        f"{counted(n, 'site')}: {len(far)} outside the 99.8 % limits ({number(0.002 * n, decimals=1)} by "
        f"chance){named}; {near} more outside the 95 % limits ({number(0.048 * n, decimals=0)} by chance); {spread}."
    )
    if doubted:
        said += f" The draw is doubted at {_named(doubted)}."
    return f"{said} {NOT_WHY}"
