"""What a comparison of two protocols found: the numbers, and what an owner looks at beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from toolkit.claim.question import Question
from toolkit.comparing import views
from toolkit.comparing.site_summary import SiteSummary
from toolkit.comparing.verdict import CLAIMS, Verdict
from toolkit.effect.allocation import Allocation
from toolkit.effect.comparison import Compared
from toolkit.effect.estimate import Attributable
from toolkit.records.account import Records
from toolkit.result import Estimate, Result
from toolkit.stats.pooling import PooledSites

QUOTED = "difference"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Found(Result):
    """Protocol A less protocol B in the measure's unit; the fields: `toolkit.comparing.compare.Comparison`."""

    question: Question
    verdict: Verdict
    drawn: bool
    draw_says: str
    compared: Compared
    complete: Attributable
    attributable: Attributable
    sessions: pd.DataFrame
    ways: tuple[Estimate, ...]
    allocation: Allocation
    e_value: tuple[float, float] | None
    n_to_tell: int | None
    tied_to: str
    advice: str
    names: tuple[str, str, str]
    records: Records

    @property
    def claims(self) -> bool:
        """Is a difference between the two claimed?"""
        return self.verdict in CLAIMS

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """What an owner looks at, a frame each, at full precision."""
        level, pair = self.quoted.confidence_level, (self.names[0], self.names[1])
        compared, rows = self.compared, self.records.rows
        sign = 1.0 if self.question.better == "higher" else -1.0
        hands = views.by_group(compared, "practitioner", level=level)
        return {
            "readings": views.readings_table(compared, pair, sign=sign),
            "by_site": views.by_group(compared, "site", level=level),
            "by_practitioner": views.shrunken(hands, self._spread_of(hands)),
            "without_practitioner": views.left_out(compared, "practitioner", level=level),
            "over_time": views.over_time(compared, level=level),
            "dose": views.dose_table(compared, rows, pair, level=level),
            "adverse_events": views.harm_table(compared, rows, pair, level=level),
            "comfort": views.comfort_table(compared, rows, pair, level=level),
            "balance": self.allocation.balance,
            "losses": self.records.sites,
        }

    @cached_property
    def between_sites(self) -> PooledSites | None:
        """How far sites differ in the difference (random effects); None where fewer than two have one."""
        return self._spread_of(self.tables["by_site"])

    @cached_property
    def between_practitioners(self) -> PooledSites | None:
        """The same of practitioners."""
        return self._spread_of(self.tables["by_practitioner"])

    def _spread_of(self, groups: pd.DataFrame) -> PooledSites | None:
        if self.tied_to:
            return None
        return views.spread_of(groups, unit=str(self.question.unit), level=self.quoted.confidence_level)

    @property
    def quoted(self) -> Estimate:
        """The estimate to quote: the first row of `frame`."""
        return quoted_estimate(self.attributable, unit=str(self.question.unit))


def quoted_estimate(found: Attributable, *, unit: str) -> Estimate:
    """The one estimate as a row to quote."""
    return Estimate(
        name=QUOTED,
        value=found.mean,
        ci_low=found.ci_low,
        ci_high=found.ci_high,
        unit=unit,
        n=found.n_clients,
        method=found.method,
        confidence_level=found.confidence_level,
        se=found.se,
        df=found.df,
        p=found.p,
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PooledFound(Result):
    """What several sites say together; the fields: `toolkit.comparing.pooled.PooledSummaries`."""

    summaries: tuple[SiteSummary, ...]
    between: PooledSites
    left_out: pd.DataFrame
    asymmetry: Estimate | None
    verdict: str
    drawn: bool
    doubted: tuple[SiteSummary, ...] = ()
    not_summed_up: tuple[tuple[str, str], ...] = ()

    @property
    def sites(self) -> pd.DataFrame:
        """One row a pooled site: site, effect, ci_low, ci_high, se, weight (percent), clients, sessions, drawn."""
        return _as_rows(self.summaries).assign(weight=self.between.sites["weight"].to_numpy())

    @property
    def every_site(self) -> pd.DataFrame:
        """The pooled sites and the doubted ones (`doubted`: is its draw?), a row each."""
        parts = [_as_rows(self.summaries).assign(doubted=False)]
        if self.doubted:
            parts.append(_as_rows(self.doubted).assign(doubted=True))
        rows = pd.concat(parts, ignore_index=True)
        said = {one.site: doubted_draw(one) for one in self.summaries}
        return rows.assign(doubted=rows["doubted"] | rows["site"].map(said).fillna(False).astype(bool))

    @property
    def arms(self) -> pd.DataFrame:
        """Counts and means by site and arm, as the summaries hold them."""
        return pd.DataFrame([{"site": one.site, **arm} for one in self.summaries for arm in one.content["arms"]])

    @property
    def unit(self) -> str:
        """The measure's unit."""
        return str(self.summaries[0].content["unit"])


def doubted_draw(one: SiteSummary) -> bool:
    """Was a site's draw said, and do its records not bear it out?"""
    draw = one.content.get("draw", {})
    return bool(draw.get("said")) and not draw.get("borne_out")


def _as_rows(summaries: Sequence[SiteSummary]) -> pd.DataFrame:
    rows = []
    for one in summaries:
        found = one.content["estimate"]
        row = {"site": one.site, "effect": found["value"], "ci_low": found["ci_low"], "ci_high": found["ci_high"]}
        row |= {"se": found["se"], "clients": found["n_clients"], "sessions": found["n_sessions"]}
        rows.append(row | {"drawn": "yes" if one.content["drawn"] else "no"})
    return pd.DataFrame(rows)
