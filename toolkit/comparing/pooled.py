"""Several sites' summaries pooled into one answer: what the sites say together, how they differ, who carries it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.claim.question import Question, read_question
from toolkit.comparing.found import PooledFound, doubted_draw
from toolkit.comparing.pooled_figures import MOST_IN_A_FOREST, funnel, funnel_rows, pooled_forest
from toolkit.comparing.pooled_page import pooled_dict, write_pooled
from toolkit.comparing.pooled_words import broken_at, doubts_say, funnel_says, missing_say, pooled_says
from toolkit.comparing.site_summary import SiteSummary, check_summary, summarise
from toolkit.comparing.verdict import Evidence, Verdict, verdict_of
from toolkit.errors import NotEnoughError, QuestionError, ToolkitError
from toolkit.registering.fetched import records_by_site
from toolkit.registering.registry import Registry
from toolkit.result import Estimate, Result, standard_frame
from toolkit.stats.pooling import Between, leave_one_site_out, pool_sites, wider_of
from toolkit.stats.site_patterns import funnel_asymmetry

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SAME = ("measure", "region", "intervention", "comparison")
ENOUGH_FOR_A_FUNNEL = 10  # fewer sites say nothing of asymmetry (Sterne et al. 2011, BMJ 343:d4002)
LARGEST_FILE = 1_000_000
MOST_DOUBTED = 0.1  # share of sites whose draw is doubted up to which they are left out; beyond it all is doubted


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
    doubted : tuple of SiteSummary
        Sites left out of the answer because their records do not bear out the draw; only where they are few.
    not_summed_up : tuple of (str, str)
        Sites of a registry that could give no summary, and why.
    """

    def plot(self) -> Figure:
        """The forest plot: every site, what they say together; a funnel where there are too many sites for it."""
        return pooled_forest(self) if len(self.summaries) <= MOST_IN_A_FOREST else funnel(self)

    def funnel(self) -> Result:
        """Where each site lies around what all say together: `.frame` a row a site, the figure, and who stands out."""
        rows, every = funnel_rows(self), self.every_site
        standard = [
            {
                "what": str(site["site"]),
                "estimate": site["effect"],
                "ci_low": site["ci_low"],
                "ci_high": site["ci_high"],
                "level": 0.95,
                "statistic": place["z"],
                "n_clients": site["clients"],
                "n_rows": site["sessions"],
                "unit": self.unit,
                "method": "the site's own summary; statistic = z",
                "se": site["se"],
                "beyond": place["beyond"],
                "doubted": bool(site["doubted"]),
            }
            for site, place in zip(every.to_dict("records"), rows.to_dict("records"), strict=True)
        ]
        return Result.of(
            standard,
            says=funnel_says(rows, self.between.tau2, self.unit),
            title="Site by site: a funnel",
            detail=rows,
            draw=partial(funnel, self),
        )

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
    summaries: Sequence[str | Path | SiteSummary] | Registry,
    *,
    question: str | Path | Mapping[str, Any] | Question | None = None,
    drawn: bool = False,
    method: Between = "REML",
    level: float = 0.95,
) -> PooledSummaries:
    """Pool several sites by random effects: their summaries, or the sites of a registry, each summed up by itself.

    Where the records of at most a tenth of the sites do not bear out their draw, these are left out, named, and shown
    beside: of a hundred honest draws one looks so by chance. Where there are more, all stay in and the rule of one
    clinic holds.

    Parameters
    ----------
    summaries
        Files written by `summarise`, or `SiteSummary` objects; two or more, each site once, all of the same question.
        Or a registry, with a question; with a progress bar.
    question, drawn
        Of a registry: as in `summarise`.
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
        A file is no summary, sites are named twice, they answer different questions, or a registry is asked nothing.
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
    without: list[tuple[str, str]] = []
    if isinstance(summaries, Registry):
        if question is None:
            raise ToolkitError("Say what to ask every site of the registry: question=…")
        read, without = _summed_up(summaries, question, drawn=drawn)
    else:
        read = tuple(one if isinstance(one, SiteSummary) else read_summary(one) for one in summaries)
    _refuse_mixed(read)
    doubted = tuple(one for one in read if doubted_draw(one))
    if len(doubted) > MOST_DOUBTED * len(read):
        doubted = ()
    kept = tuple(one for one in read if one not in doubted)
    return _pooled(kept, doubted, without, method=method, level=level)


def _summed_up(
    found: Registry, question: str | Path | Mapping[str, Any] | Question, *, drawn: bool
) -> tuple[tuple[SiteSummary, ...], list[tuple[str, str]]]:
    """What each site of a registry would give away itself, and which sites cannot and why."""
    from tqdm.auto import tqdm

    asked = question if isinstance(question, Question) else read_question(question)
    read: list[SiteSummary] = []
    without = [(str(row.site), str(row.why)) for row in found.left_out.itertuples()]
    with tqdm(desc="sites summed up", unit="site", leave=False, total=len(found.sites())) as bar:
        for site, records in records_by_site(found, asked.measure):
            try:
                read.append(summarise(records, question=asked, site=site, drawn=drawn))
            except (NotEnoughError, QuestionError) as why:
                without.append((site, str(why)))
            bar.update(1)
    if len(read) < 2 and without:
        raise NotEnoughError(f"{len(read)} sites can be summed up, two are needed. {without[0][0]}: {without[0][1]}")
    return tuple(read), without


def _pooled(
    read: tuple[SiteSummary, ...],
    doubted: tuple[SiteSummary, ...],
    without: Sequence[tuple[str, str]],
    *,
    method: Between,
    level: float,
) -> PooledSummaries:
    """The answer of these sites; that of all beside it where some are doubted."""
    unit = str(read[0].content["unit"])
    effects = _effects(read)
    asked: dict[str, Any] = {"unit": unit, "confidence_level": level}
    between = pool_sites(effects, method=method, **asked)
    quoted = wider_of(between.pooled, pool_sites(effects, method=method, interval="normal", **asked).pooled)
    others = [pool_sites(effects, method=other, **asked).pooled for other in ("DL", "REML") if other != method]
    common = pool_sites(effects, method="FE", interval="normal", **asked).pooled
    with_all = [pool_sites(_effects((*read, *doubted)), method=method, **asked).pooled] if doubted else []
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
    rows += [one.standard_row(what="with the sites whose draw is doubted") for one in with_all]
    says = pooled_says(read, between, quoted, left, verdict=verdict, drawn=drawn, n_clients=n_clients)
    return PooledSummaries(
        rows=standard_frame(rows),
        says=" ".join(filter(None, (says, doubts_say(read, doubted, with_all), missing_say(without)))),
        title=f"{len(read)} sites together",
        summaries=read,
        between=between,
        left_out=left,
        asymmetry=funnel_asymmetry(effects, unit=unit) if len(read) >= ENOUGH_FOR_A_FUNNEL else None,
        verdict=verdict,
        drawn=drawn,
        doubted=doubted,
        not_summed_up=tuple(without),
    )


def _effects(read: Sequence[SiteSummary]) -> pd.DataFrame:
    """Site, effect and variance of each summary."""
    estimates = [(one.site, one.content["estimate"]) for one in read]
    rows = [{"site": site, "effect": found["value"], "variance": found["se"] ** 2} for site, found in estimates]
    return pd.DataFrame(rows)


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
            draw_broken=bool(broken_at(read)),
            allowance=allowance,
        )
    )
