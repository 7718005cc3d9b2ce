"""What drifts over the years in a registry: the effect, the readings before anything was done, the reading error.

The engine sums up each site and year; every site is then compared with itself, so that it does not matter which sites
took part when. Readings that rise in clients whom nobody has treated yet come of the instrument, of a reader, or of
other clients; a drawn difference within a session does not move with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from toolkit.claim.question import Question
from toolkit.effect.comparison import orientation
from toolkit.errors import NotEnoughError, RegistryError
from toolkit.looks.site_plots import alt_text_drift, drift_figure
from toolkit.looks.style import WIDE, described
from toolkit.looks.words import capital, p_words, spaced, with_interval
from toolkit.registering.compared import compared_table
from toolkit.registering.held import Held
from toolkit.result import Result
from toolkit.stats.over_years import OverYears, error_cells, error_of, within_sites

if TYPE_CHECKING:
    from matplotlib.figure import Figure

EFFECT, BEFORE, ERROR = "effect", "first reading of new clients", "reading error (SEM)"
ALL = "all sites"
CHOSEN = "The effect is left out: who got which was not drawn, and what nobody drew is not told apart year by year."
_STANDS_OUT = 0.05
TOWARDS_ALL = 8  # a site's variance is drawn towards that of all sites as if by so many further df
_METHODS = {
    EFFECT: "difference of clients' mean changes within site and year, clients alike",
    BEFORE: "first visits, clients alike",
    ERROR: "two readings before, log variance",
}


def over_years(
    found: Held,
    question: Question,
    *,
    groups: Mapping[str, str] | pd.Series[str] | None = None,
    drawn: bool = False,
    level: float = 0.95,
) -> Result:
    """The effect, the first readings of new clients and the reading error by year, with a test of trend.

    Parameters
    ----------
    found
        The registry.
    question
        In the registry's words; its comparison is the drawn order, or another intervention (`drawn`; where it was not
        drawn, the effect is left out).
    groups
        What is known of each site (its instrument, who reads again): a line for each of its words.
    drawn
        Did chance decide between two interventions?
    level
        Confidence level.

    Returns
    -------
    Result
        `.frame`: `sites` (the group), `year` ("trend a year" for the slope), `what`, estimate with interval, `n_sites`;
        the reading error's trend is in percent a year. `.detail`: by group and quantity an `OverYears`, whose `sites`
        hold each site's own trend. `.plot()` draws the three over the years.

    Raises
    ------
    NotEnoughError
        No site was seen in two years.
    """
    book = found.codebook
    measure = book.find_measure(question.measure) or question.measure
    known = book.measure(measure)
    asked = replace(question, measure=measure, better=question.better or known.better, unit=known.unit)
    cells, undated = _cells(found, asked, drawn=drawn)
    chosen = not drawn and asked.comparison not in (None, "wait")
    if chosen:
        del cells[EFFECT]
    told: dict[tuple[str, str], OverYears] = {}
    for group, sites in _groups(found, groups).items():
        for what, frame in cells.items():
            mine = frame if sites is None else frame[frame["site"].isin(sites)]
            try:
                told[group, what] = within_sites(mine, level=level)
            except NotEnoughError:
                continue
    if not told:
        raise NotEnoughError("No site has readings of this question in two years, so nothing can be said of a drift.")
    rows = [row for (group, what), one in told.items() for row in _rows(group, what, one, known.unit)]
    notes = [
        "Every site is compared with itself, so that it does not matter which sites took part when. The effect here is "
        "not adjusted for readings before; the one to quote is that of `pool` or `audit`.",
        *([CHOSEN] if chosen else []),
        *([f"{undated:,} rows without a date are not in it."] if undated else []),
        found.what_is_left_out(),
    ]
    return Result.of(
        rows,
        says=_says(told, known.unit),
        groups=("sites", "year"),
        title=f"{capital(known.label)} over the years",
        notes=tuple(note for note in notes if note),
        detail=told,
        draw=partial(drift_plot, told, unit=known.unit, title=f"{capital(known.label)} over the years"),
    )


def _groups(found: Held, groups: Mapping[str, str] | pd.Series[str] | None) -> dict[str, list[str] | None]:
    """The sites of each group, by the alphabet."""
    if groups is None:
        return {ALL: None}
    words = {str(site): spaced(word) for site, word in dict(groups).items()}
    every = found.engine.frame(found.stored.select("site").distinct())["site"].astype(str)
    if not set(words) & set(every):
        raise RegistryError("`groups` names none of the registry's sites: give a word for each site.")
    named = every.map(words).fillna("not said")
    return {str(word): list(part) for word, part in every.groupby(named)}


def _cells(found: Held, question: Question, *, drawn: bool) -> tuple[dict[str, pd.DataFrame], int]:
    """By quantity a value and its variance for each site and year, and how many rows have no date."""
    import ibis

    table = compared_table(found, question, drawn=drawn).table
    table = table.select("site", "client", "visit", "arm", "base", "gap", "y", "has_second", year=table.date.year())
    with found.engine.kept(table) as rows:
        undated = int(found.engine.frame(rows.agg(n=rows.year.isnull().cast("int64").sum()))["n"].fillna(0).iloc[0])
        dated = rows.filter(rows.year.notnull())
        changes = dated.filter(dated.y.notnull())
        by_client = changes.group_by(["site", "year", "arm", "client"]).agg(value=changes.y.mean())
        effect = found.engine.frame(_moments(by_client, ["site", "year", "arm"]))
        new = dated.filter(dated.visit == 1, dated.base.notnull())
        first = new.mutate(first=new.base + ibis.coalesce(new.gap, 0.0))
        by_client = first.group_by(["site", "year", "client"]).agg(value=first["first"].mean())
        before = found.engine.frame(_moments(by_client, ["site", "year"]))
        twice = dated.filter(dated.has_second == 1, dated.gap.notnull())
        pairs = found.engine.frame(_moments(twice.mutate(value=twice.gap), ["site", "year"]))
    before["mean"] *= orientation(str(question.better))
    pairs["spread"] = pairs["squares"] / (pairs["n"] - 1).clip(lower=1)
    return {EFFECT: _differences(effect), BEFORE: _means(before), ERROR: error_cells(pairs)}, undated


def _moments(table: Any, by: list[str]) -> Any:
    """Count, mean and squares about the mean of each group, as the engine sums them."""
    return table.group_by(by).agg(
        n=table.count(), mean=table.value.mean(), squares=table.value.var(how="pop") * table.count()
    )


def _means(cells: pd.DataFrame) -> pd.DataFrame:
    """Each cell's mean and the variance of it: from the site's own scatter, drawn towards that of all sites."""
    by_site = cells.assign(df=cells["n"] - 1).groupby("site")[["squares", "df"]].sum()
    total = float(by_site["df"].sum())
    of_all = float(by_site["squares"].sum()) / total if total > 0 else np.nan
    own = (by_site["squares"] + TOWARDS_ALL * of_all) / (by_site["df"] + TOWARDS_ALL)
    variance, df = cells["site"].map(own) / cells["n"], cells["site"].map(by_site["df"]) + TOWARDS_ALL
    return cells[["site", "year"]].assign(value=cells["mean"], variance=variance, df=df)


def _differences(cells: pd.DataFrame) -> pd.DataFrame:
    """Technique less comparison within a site and year that have both."""
    arms = [_means(cells[cells["arm"] == arm]) for arm in (1, 0)]
    both = arms[0].merge(arms[1], on=["site", "year"], suffixes=("_1", "_0"))
    value, variance = both["value_1"] - both["value_0"], both["variance_1"] + both["variance_0"]
    return both[["site", "year"]].assign(value=value, variance=variance, df=both[["df_1", "df_0"]].min(axis=1))


def _rows(group: str, what: str, one: OverYears, unit: str) -> list[dict[str, Any]]:
    """The years of one quantity, then its trend."""
    shared = {"sites": group, "what": what, "level": one.level, "method": f"within sites; {_METHODS[what]}"}
    rows = []
    for year in one.years.to_dict("records"):
        ends = {name: _shown(what, year[name]) for name in ("estimate", "ci_low", "ci_high")}
        rows.append({**shared, **ends, "year": str(int(year["year"])), "unit": unit, "n_sites": int(year["n_sites"])})
    slope, low, high, by = _trend(what, one, unit)
    trend = {"estimate": slope, "ci_low": low, "ci_high": high, "unit": by, "p": one.p, "df": one.df}
    rows.append({**shared, **trend, "year": "trend a year", "statistic": one.slope / one.se, "n_sites": len(one.sites)})
    return rows


def _shown(what: str, value: float) -> float:
    return error_of(value) if what == ERROR else float(value)


def _trend(what: str, one: OverYears, unit: str) -> tuple[float, float, float, str]:
    """The trend with its interval and unit: of the reading error in percent a year."""
    ends = (one.slope, one.ci_low, one.ci_high)
    if what == ERROR:
        a, b, c = (100 * (float(np.exp(end / 2)) - 1) for end in ends)
        return a, b, c, "percent a year"
    return (*ends, f"{unit} a year")


def _says(told: Mapping[tuple[str, str], OverYears], unit: str) -> str:
    """The trends in words, and which sites move otherwise than the others; no cause is named."""
    first = next(iter(told.values()))
    said = [f"{int(first.years['year'].min())} to {int(first.years['year'].max())}, every site compared with itself."]
    for group in dict.fromkeys(group for group, _ in told):
        parts = []
        for what in (EFFECT, BEFORE, ERROR):
            if (group, what) in told:
                one = told[group, what]
                slope, low, high, by = _trend(what, one, unit)
                size = with_interval(slope, low, high, by, level=one.level, also=p_words(one.p))
                parts.append(f"{what} {size}")
        n = max(len(one.sites) for (name, _), one in told.items() if name == group)
        said.append(f"{capital(group)} ({n}): {'; '.join(parts)}.")
    for what in (EFFECT, BEFORE, ERROR):
        names = [
            str(site)
            for (_, which), one in told.items()
            if which == what
            for site in one.sites.loc[one.sites["p_adjusted"] < _STANDS_OUT, "site"]
        ]
        if names:
            listed = ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
            said.append(f"In {what}, {listed} moved otherwise than the other sites (Holm, 5 %).")
    said.append("The records do not tell why: an instrument, a reader, other clients, another way of working.")
    return " ".join(said)


def drift_plot(told: Mapping[tuple[str, str], OverYears], *, unit: str, title: str, width: float = WIDE) -> Figure:
    """The three quantities over the years; the figure carries its words as label."""
    rows = pd.DataFrame(
        [
            {
                "panel": capital(what),
                "group": group,
                "year": int(year["year"]),
                "unit": unit,
                **{name: _shown(what, year[name]) for name in ("estimate", "ci_low", "ci_high")},
            }
            for (group, what), one in told.items()
            for year in one.years.to_dict("records")
        ]
    )
    return described(drift_figure(rows, width=width), title=title, description=f"{title}. {alt_text_drift(rows)}")
