"""Several sites' summaries pooled into one answer: what the sites say together, how they differ, who carries it."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.comparing.found import PooledFound
from toolkit.comparing.pooled_figures import pooled_forest
from toolkit.comparing.pooled_page import pooled_dict, write_pooled
from toolkit.comparing.site_summary import SiteSummary, check_summary
from toolkit.comparing.verdict import CLAIMS, Evidence, Verdict, verdict_of
from toolkit.effect.doubts import too_few_on_both
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks.words import amount, capital, counted, number, p_words, spaced, with_interval
from toolkit.result import Estimate, standard_frame
from toolkit.stats.pooling import Between, PooledSites, leave_one_site_out, pool_sites, wider_of
from toolkit.stats.site_patterns import funnel_asymmetry

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SAME = ("measure", "region", "intervention", "comparison")
ENOUGH_FOR_A_FUNNEL = 10  # fewer sites say nothing of asymmetry (Sterne et al. 2011, BMJ 343:d4002)
LARGEST_FILE = 1_000_000


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PooledSummaries(PooledFound):
    """What several sites say together. The first row of `frame` is the one to quote.

    Attributes
    ----------
    rows, says, title, groups, notes, detail, draw
        Of every `Result`.
    summaries : tuple of SiteSummary
        What was pooled.
    between : PooledSites
        Random effects, restricted likelihood: tau2, I2 with Q-profile limits, Q, prediction interval.
    left_out : pandas.DataFrame
        The answer with one site left out at a time.
    asymmetry : Estimate or None
        Egger's slope; None with fewer than ten sites.
    verdict : str
        "did_better", "went_with_more", "not_told"; or why nothing is claimed: "draw_broken",
        "reader_may_explain" (the rule of `toolkit.comparing.verdict`).
    drawn : bool
        Did chance decide at every site?
    """

    def plot(self) -> Figure:
        """The forest plot: every site, what they say together, what another site may expect."""
        return pooled_forest(self)

    def to_dict(self) -> dict[str, Any]:
        """The pooled answer as data, format pooled/1."""
        return pooled_dict(self)

    def write(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write pooled.html, pooled.json and tables/*.csv into a folder; returns the page's path."""
        return write_pooled(self, Path(folder), replace=replace)


def read_summary(path: str | Path) -> SiteSummary:
    """A site's summary from its file.

    Raises
    ------
    ToolkitError
        The file cannot be read, or is not of the form summary/1.
    """
    place = Path(path)
    try:
        if place.exists() and (not place.is_file() or place.stat().st_size > LARGEST_FILE):
            raise ToolkitError(f"{place.name} is no ordinary file, or too large for a site summary.")
        content = json.loads(place.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as problem:
        raise ToolkitError(
            f"{place.name} cannot be read as a site summary ({type(problem).__name__}). It is made by  summarise."
        ) from problem
    if not isinstance(content, dict):
        raise ToolkitError(f"{place.name} is not of the form summary/1: it is made by  summarise.")
    check_summary(content, name=place.name)
    return SiteSummary(content=content)


def pool(
    summaries: Sequence[str | Path | SiteSummary], *, method: Between = "REML", level: float = 0.95
) -> PooledSummaries:
    """Pool several sites' summaries by random effects.

    Parameters
    ----------
    summaries
        Files written by `summarise`, or `SiteSummary` objects; two or more, each site once, all of the same question.
    method
        How the variance between sites is estimated: "REML", "DL" (DerSimonian–Laird) or "PM" (Paule–Mandel).
    level
        Confidence level of the intervals.

    Returns
    -------
    PooledSummaries
        First row: Hartung–Knapp interval, never narrower than the usual one (Knapp & Hartung 2003).

    Raises
    ------
    ToolkitError
        A file is no summary, sites are named twice, or they answer different questions.
    NotEnoughError
        Fewer than two sites.

    Examples
    --------
    >>> from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
    >>> from toolkit.comparing.site_summary import summarise
    >>> asked = {"measure": "ankle_dorsiflexion_lunge", "intervention": "long_hold", "comparison": "short_hold"}
    >>> dials = ProtocolDials(choice="drawn_client", effect=3.0)
    >>> rows = [simulate_protocols(dials, rng=seed).drop(columns="visit") for seed in range(3)]
    >>> found = pool([summarise(one, question=asked, site=f"s{k}", drawn=True) for k, one in enumerate(rows)])
    >>> found.verdict, len(found.sites)
    ('did_better', 3)
    """
    read = tuple(one if isinstance(one, SiteSummary) else read_summary(one) for one in summaries)
    _refuse_mixed(read)
    unit = str(read[0].content["unit"])
    effects = pd.DataFrame(
        [
            {"site": s.site, "effect": s.content["estimate"]["value"], "variance": s.content["estimate"]["se"] ** 2}
            for s in read
        ]
    )
    asked: dict[str, Any] = {"unit": unit, "confidence_level": level}
    between = pool_sites(effects, method=method, **asked)
    quoted = wider_of(between.pooled, pool_sites(effects, method=method, interval="normal", **asked).pooled)
    others = [pool_sites(effects, method=other, **asked).pooled for other in ("DL", "REML") if other != method]
    common = pool_sites(effects, method="FE", interval="normal", **asked).pooled
    drawn = all(one.content["drawn"] for one in read)
    verdict = _verdict(read, quoted, drawn=drawn)
    left = leave_one_site_out(effects, unit=unit, method=method, confidence_level=level)
    n_clients = sum(one.content["estimate"]["n_clients"] for one in read)
    n_rows = sum(one.content["estimate"]["n_sessions"] for one in read)
    names = ["pooled difference", "pooled, another estimate of the variance between", "one common difference"]
    rows = [
        one.standard_row(what=name, n_clients=n_clients, n_rows=n_rows, statistic=one.value / float(one.se or math.nan))
        for name, one in zip(names, (quoted, *others, common), strict=True)
    ]
    return PooledSummaries(
        rows=standard_frame(rows),
        says=_says(read, between, quoted, left, verdict=verdict, drawn=drawn, n_clients=n_clients),
        title=f"{len(read)} sites together",
        summaries=read,
        between=between,
        left_out=left,
        asymmetry=funnel_asymmetry(effects, unit=unit) if len(read) >= ENOUGH_FOR_A_FUNNEL else None,
        verdict=verdict,
        drawn=drawn,
    )


def _refuse_mixed(read: Sequence[SiteSummary]) -> None:
    if len(read) < 2:
        raise NotEnoughError(f"{len(read)} summary: at least two sites are needed to pool.")
    names = [one.site for one in read]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ToolkitError(f"The site “{twice[0]}” is named twice: give each site once.")
    first = read[0].content
    for one in read[1:]:
        for field in SAME:
            ours, theirs = first["question"].get(field), one.content["question"].get(field)
            if ours != theirs:
                raise ToolkitError(
                    f"{names[0]} and {one.site} answer different questions: {field} is {ours} there and {theirs} here."
                )
        for field in ("unit", "better"):
            if first[field] != one.content[field]:
                raise ToolkitError(
                    f"{names[0]} and {one.site} differ in {field}: {first[field]}, {one.content[field]}."
                )


def _verdict(read: Sequence[SiteSummary], quoted: Estimate, *, drawn: bool) -> Verdict:
    """The rule for one clinic, asked of all sites together."""
    allowance = max(float(one.content.get("allowance_for_the_reader") or 0.0) for one in read)
    return verdict_of(
        Evidence(
            low=quoted.ci_low,
            high=quoted.ci_high,
            drawn=drawn,
            smallest=None,
            draw_broken=bool(_broken(read)),
            allowance=allowance,
        )
    )


def _broken(read: Sequence[SiteSummary]) -> list[str]:
    """Sites where it was said to be drawn and the records show what nothing mends."""
    return [one.site for one in read if one.content.get("draw", {}).get("broken")]


def _different_people(read: Sequence[SiteSummary]) -> bool:
    """Do hardly any clients of the sites where somebody chose stand on both sides? A count left out counts as none."""
    chosen = [one.content for one in read if not one.content["drawn"] and "clients_with_both" in one.content]
    both = sum(content["clients_with_both"] or 0 for content in chosen)
    return bool(chosen) and too_few_on_both(both, sum(content["estimate"]["n_clients"] for content in chosen))


def _says(
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
        "draw_broken": f"Something left or was changed after the draw at {', '.join(_broken(read))}, so {nothing}",
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
