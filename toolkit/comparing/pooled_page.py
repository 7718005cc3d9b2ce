"""The page of pooled summaries: one self-contained file."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toolkit import __version__
from toolkit.comparing import pooled_figures as drawn
from toolkit.comparing.plain import plain, rows_of
from toolkit.comparing.pooled_words import funnel_says
from toolkit.comparing.site_summary import FEW
from toolkit.looks import figures
from toolkit.looks.html import ReportFigure, ReportTable, template_environment, write_table
from toolkit.looks.report_figures import drawn_twice
from toolkit.looks.words import amount, capital, number, p_words, sentence, spaced, with_interval
from toolkit.records.cautions import cautions_for
from toolkit.safe_text import printable
from toolkit.writing import check_free_folder, write_folder

if TYPE_CHECKING:
    from toolkit.comparing.found import PooledFound

PAGE = "pooled.html"
METHODS = (
    "Random effects, restricted likelihood (Viechtbauer 2005, J Educ Behav Stat 30:261–293)",
    "Random effects, moments (DerSimonian & Laird 1986, Control Clin Trials 7:177–188)",
    "Interval by t with sites − 1 df (Hartung & Knapp 2001, Stat Med 20:3875–3889), never narrower than the usual one",
    "Limits of the variance between sites by Q-profile (Viechtbauer 2007, Stat Med 26:37–52)",
    "Prediction interval (Higgins, Thompson & Spiegelhalter 2009, J R Stat Soc A 172:137–159)",
    "Funnel asymmetry from ten sites on (Egger et al. 1997, BMJ 315:629–634)",
    "Control limits of the funnel, with the variance between sites (Spiegelhalter 2005, Stat Med 24:1185–1202)",
)


def pooled_page(found: PooledFound) -> str:
    """The pooled answer as one HTML page."""
    page = template_environment().get_template("pooled.html.jinja")
    question = found.summaries[0].content["question"]
    region = str(question["region"])
    return page.render(
        title=capital(f"{len(found.summaries)} sites together: {spaced(question['measure'])}"),
        about="Made from site summaries alone: no row and no code of anybody stands in it.",
        sentence=sentence(found.sentence()),
        forest=_forest(found) if len(found.summaries) <= drawn.MOST_IN_A_FOREST else None,
        sites=sites_table(found),
        ways=ways_table(found),
        spread=spread_table(found),
        left_out=left_out_table(found),
        funnel=_funnel(found),
        funnel_said=funnel_said(found),
        arms=arms_table(found),
        cautions=cautions_for([region] if region != "any" else []),
        methods=METHODS,
    )


def write_pooled(found: PooledFound, folder: Path, *, replace: bool = False) -> Path:
    """Write the page, pooled.json and the tables; returns the page's path."""
    check_free_folder(folder, replace=replace)
    page = pooled_page(found)
    content = json.dumps(pooled_dict(found), indent=1, ensure_ascii=False) + "\n"

    def make(place: Path) -> None:
        (place / PAGE).write_text(printable(page), encoding="utf-8")
        (place / "pooled.json").write_text(printable(content), encoding="utf-8")
        tables = place / "tables"
        tables.mkdir()
        frames = {"estimates": found.frame, "sites": found.sites, "arms": found.arms, "left_out": found.left_out}
        for name, frame in frames.items():
            write_table(ReportTable(key=name, caption=name, columns=(), rows=(), full=frame), tables)

    return write_folder(folder, make, replace=replace) / PAGE


def pooled_dict(found: PooledFound) -> dict[str, Any]:
    """The pooled answer as data, format pooled/1."""
    between = found.between
    return {
        "format": "pooled/1",
        "toolkit_version": __version__,
        "question": found.summaries[0].content["question"],
        "unit": found.unit,
        "verdict": found.verdict,
        "drawn": found.drawn,
        "sentence": found.sentence(),
        "estimates": rows_of(found.frame),
        "heterogeneity": {
            "tau2": between.tau2,
            "tau2_interval": _pair(between.tau2_interval),
            "i2": between.i2,
            "i2_interval": _pair(between.i2_interval),
            "q": between.q,
            "q_df": between.q_df,
            "q_p": between.q_p,
            "prediction": _pair(between.prediction),
        },
        "sites": rows_of(found.sites),
        "arms": rows_of(found.arms),
        "left_out": rows_of(found.left_out),
        "doubted": [one.site for one in found.doubted],
        "not_summed_up": [{"site": site, "why": why} for site, why in found.not_summed_up],
        "asymmetry": None if found.asymmetry is None else {k: plain(v) for k, v in found.asymmetry.as_row().items()},
    }


def _pair(pair: tuple[float, float] | None) -> list[Any] | None:
    return None if pair is None else [plain(end) for end in pair]


def _forest(found: PooledFound) -> ReportFigure:
    rows, title = drawn.forest_rows(found), "The difference at each site and together"
    words = figures.alt_text_forest(rows, unit=found.unit, about=title)
    return drawn_twice("forest", title, words, lambda width: drawn.pooled_forest(found, width=width))


def _funnel(found: PooledFound) -> ReportFigure:
    words = drawn.funnel_words(found)
    return drawn_twice("funnel", "Site by site: a funnel", words, lambda width: drawn.funnel(found, width=width))


def funnel_said(found: PooledFound) -> str:
    """What the funnel can say."""
    if found.asymmetry is None:
        return "With fewer than ten sites a funnel says little; it is drawn to be looked at, and not tested."
    egger = f"Do small sites show other differences than large ones? Egger's test: {p_words(found.asymmetry.p)}."
    return f"{funnel_says(drawn.funnel_rows(found), found.between.tau2, found.unit)} {egger}"


def sites_table(found: PooledFound) -> ReportTable:
    """One row a site."""
    rows = [
        (
            str(row["site"]),
            with_interval(row["effect"], row["ci_low"], row["ci_high"], found.unit),
            f"{number(row['weight'], decimals=0)} %",
            str(row["clients"]),
            str(row["sessions"]),
            str(row["drawn"]),
        )
        for row in found.sites.to_dict("records")
    ]
    columns = ("Site", "Difference", "Weight", "Clients", "Sessions", "Drawn")
    return ReportTable(key="sites", caption="Site by site", columns=columns, rows=rows, full=found.sites)


def ways_table(found: PooledFound) -> ReportTable:
    """The pooled difference and the other ways of pooling."""
    rows = [
        (
            "To quote" if place == 0 else capital(str(row["what"])),
            with_interval(row["estimate"], row["ci_low"], row["ci_high"], found.unit, level=row["level"]),
            capital(str(row["method"])),
        )
        for place, row in enumerate(found.frame.to_dict("records"))
    ]
    columns = ("Way of pooling", "Difference", "Method")
    return ReportTable(key="estimates", caption="All sites together", columns=columns, rows=rows, full=found.frame)


def spread_table(found: PooledFound) -> ReportTable:
    """How far sites differ."""
    between, unit = found.between, found.unit
    low, high = between.tau2_interval or (0.0, 0.0)
    sd = (math.sqrt(low), math.sqrt(high))
    shares = between.i2_interval or (0.0, 0.0)
    ends = "fewer than three sites" if between.prediction is None else _ends(between.prediction, unit)
    rows = [
        (
            "SD between sites",
            f"{amount(math.sqrt(between.tau2), unit)} ({_ends(sd, unit)})",
        ),
        (
            "Share of the variance between sites (I²)",
            f"{number(between.i2, decimals=0)} % ({' to '.join(number(end, decimals=0) for end in shares)} %)",
        ),
        ("Cochran's Q", f"{number(between.q, decimals=2)} on {between.q_df} df, {p_words(between.q_p)}"),
        ("Another site may expect", ends),
    ]
    caption = "How far the sites differ, 95 % limits in brackets"
    return ReportTable(key="spread", caption=caption, columns=("What", "How much"), rows=rows, full=found.frame)


def _ends(pair: tuple[float, float], unit: str) -> str:
    return f"{amount(pair[0], unit)} to {amount(pair[1], unit)}"


def left_out_table(found: PooledFound) -> ReportTable:
    """One site left out at a time."""
    rows = [
        (f"Without {row['left_out']}", with_interval(row["effect"], row["ci_low"], row["ci_high"], found.unit))
        for row in found.left_out.to_dict("records")
    ]
    caption = "One site left out at a time"
    columns = ("Left out", "Difference of the others")
    return ReportTable(key="left_out", caption=caption, columns=columns, rows=rows, full=found.left_out)


def arms_table(found: PooledFound) -> ReportTable:
    """Counts and means by site and arm; what a summary left out is said."""
    rows = [
        (
            f"{row['site']}: {spaced(row['protocol'])}",
            f"{row['clients']} clients, {row['sessions']} sessions",
            _mean(row, "before", found.unit),
            _mean(row, "change", found.unit),
            _count(row["missing_after"], FEW),
            _count(row["sessions_with_adverse_event"], f"nothing written, or {FEW}"),
        )
        for row in found.arms.to_dict("records")
    ]
    columns = (
        "Site and protocol",
        "From",
        "Before, mean (SD)",
        "Change, mean (SD)",
        "No reading after",
        "Adverse events",
    )
    return ReportTable(key="arms", caption="What each site summed up", columns=columns, rows=rows, full=found.arms)


def _mean(row: Any, what: str, unit: str) -> str:
    mean = amount(row[f"{what}_mean"], unit, decimals=1, signed=what == "change")
    return f"{mean} ({amount(row[f'{what}_sd'], unit, decimals=1)})"


def _count(value: Any, otherwise: str) -> str:
    """A count, or why it stayed at its site."""
    return str(int(value)) if isinstance(value, (int, float)) and value == value else otherwise
