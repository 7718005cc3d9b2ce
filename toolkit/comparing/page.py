"""The page that a clinic's owner reads after comparing two protocols: one self-contained file, readings first."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.comparing import figures as drawn
from toolkit.comparing.export import METHODS, as_json, regions_of
from toolkit.looks import figures
from toolkit.looks.html import ReportFigure, ReportTable, template_environment, write_table
from toolkit.looks.report_figures import drawn_twice
from toolkit.looks.words import (
    amount,
    capital,
    counted,
    is_missing,
    number,
    p_words,
    sentence,
    share_words,
    with_interval,
)
from toolkit.records.cautions import cautions_for
from toolkit.safe_text import printable
from toolkit.writing import check_free_folder, table_maker, write_folder

if TYPE_CHECKING:
    from toolkit.comparing.found import Found

PAGE = "comparison.html"


def comparison_page(found: Found, *, about: str) -> str:
    """The comparison as one HTML page.

    Parameters
    ----------
    found, about
        The comparison; where the records come from, in words.
    """
    page = template_environment().get_template("protocols.html.jinja")
    a, b = found.names[0], found.names[1]
    return page.render(
        title=capital(f"{a} or {b}? {capital(found.names[2])}"),
        about=about,
        sentence=sentence(found.sentence()),
        advice=found.advice,
        unmeasured=unmeasured(found),
        to_tell=to_tell(found),
        losses=losses_table(found),
        readings_figure=_readings_figure(found),
        readings=readings_table(found),
        ways_figure=_ways_figure(found),
        ways=ways_table(found),
        sites_figure=_sites_figure(found),
        sites=groups_table(found, "by_site", "Difference within each site", "Site"),
        sites_said=sites_said(found),
        hands_figure=_hands_figure(found),
        hands=hands_table(found),
        hands_said=hands_said(found),
        without=groups_table(found, "without_practitioner", "Difference with one practitioner left out", "Left out"),
        time_said=time_said(found),
        quarters=quarters_table(found),
        dose=dose_table(found),
        harm=harm_table(found),
        comfort=comfort_table(found),
        overlap=overlap_said(found),
        balance_figure=_balance_figure(found),
        overlap_figure=_overlap_figure(found),
        balance=balance_table(found),
        cautions=cautions_for(regions_of(found)),
        methods=METHODS,
    )


def about_of(found: Found) -> str:
    """Where the records come from, in words."""
    files = ", ".join(dict.fromkeys(found.records.source.files["file"].astype(str)))
    return f"{files}. {found.records.sentence()}"


def write_comparison(found: Found, folder: Path, *, replace: bool = False) -> Path:
    """Write the page, comparison.json, every table as CSV and what was set aside; returns the page's path."""
    check_free_folder(folder, replace=replace)
    page = comparison_page(found, about=about_of(found))
    content = as_json(found)

    def make(place: Path) -> None:
        (place / PAGE).write_text(printable(page), encoding="utf-8")
        (place / "comparison.json").write_text(printable(content), encoding="utf-8")
        tables = place / "tables"
        tables.mkdir()
        for name, frame in {"estimates": found.frame, **found.tables}.items():
            if len(frame.columns):
                write_table(ReportTable(key=name, caption=name, columns=(), rows=(), full=frame), tables)
        table_maker(found.records.set_aside)(place / "rows_set_aside.csv")

    return write_folder(folder, make, replace=replace) / PAGE


def unmeasured(found: Found) -> str:
    """How strong something not written down would have to be; only where something is claimed and nobody drew."""
    if found.e_value is None:
        return ""
    whole, near = (number(value, decimals=1) for value in found.e_value)
    return (
        f"Something not written down would have to raise both the chance of the protocol and of a good outcome "
        f"{whole}-fold (risk ratio) to explain all of the difference, {near}-fold to bring its interval to 0 (E-value)."
    )


def to_tell(found: Found) -> str:
    """What a season of drawing would settle."""
    if found.n_to_tell is None or found.n_to_tell <= found.quoted.n:
        return ""
    smallest = amount(found.question.smallest_change_that_matters, str(found.question.unit))
    return (
        f"About {counted(found.n_to_tell, 'client')}, recorded as now, would tell {smallest} from no difference; "
        f"these records hold {found.quoted.n}."
    )


def readings_table(found: Found) -> ReportTable:
    """Raw readings by site and protocol."""
    unit, frame = str(found.question.unit), found.tables["readings"]
    rows = [
        (
            capital(f"{row['site']}: {row['protocol']}" if row["site"] != "all" else str(row["protocol"])),
            counted(row["sessions"], "session") + ", " + counted(row["clients"], "client"),
            _mean_sd(row, "before", unit),
            _mean_sd(row, "after", unit),
            _mean_sd(row, "change", unit, signed=True),
            str(int(row["after_missing"])),
        )
        for row in frame.to_dict("records")
    ]
    columns = (
        "Site and protocol",
        "From",
        "Before, mean (SD)",
        "After, mean (SD)",
        "Change, mean (SD)",
        "No reading after",
    )
    return ReportTable(key="readings", caption="Readings as they were written", columns=columns, rows=rows, full=frame)


def _mean_sd(row: Any, what: str, unit: str, *, signed: bool = False) -> str:
    mean, sd = row[f"{what}_mean"], row[f"{what}_sd"]
    if is_missing(mean):
        return "none"
    scatter = "" if is_missing(sd) else f" ({amount(sd, unit, decimals=1)})"
    return f"{amount(mean, unit, decimals=1, signed=signed)}{scatter}"


def ways_table(found: Found) -> ReportTable:
    """The difference and the other ways of counting it."""
    rows = [
        (
            "To quote" if place == 0 else capital(str(row["what"])),
            with_interval(row["estimate"], row["ci_low"], row["ci_high"], str(row["unit"]), level=row["level"]),
            counted(row["n_clients"], "client"),
            capital(str(row["method"])),
        )
        for place, row in enumerate(found.frame.to_dict("records"))
    ]
    caption = f"{capital(found.names[0])} less {found.names[1]}, better is positive"
    columns = ("Way of counting", "Difference", "From", "Method")
    return ReportTable(key="estimates", caption=caption, columns=columns, rows=rows, full=found.frame)


def _difference_words(found: Found, row: Any) -> str:
    if row["note"] if isinstance(row["note"], str) else False:
        return capital(str(row["note"]))
    level = found.quoted.confidence_level
    return with_interval(row["difference"], row["ci_low"], row["ci_high"], str(found.question.unit), level=level)


def groups_table(found: Found, key: str, caption: str, what: str) -> ReportTable:
    """The difference in each site, or without each practitioner."""
    frame = found.tables[key]
    rows = [
        (
            str(row["group"]),
            _difference_words(found, row),
            counted(row["sessions"], "session"),
            counted(row["clients"], "client"),
        )
        for row in frame.to_dict("records")
    ]
    return ReportTable(
        key=key, caption=caption, columns=(what, "Difference", "Sessions", "Clients"), rows=rows, full=frame
    )


def sites_said(found: Found) -> str:
    """How far sites differ in the difference."""
    if found.between_sites is None:
        return "" if found.tables["by_site"].empty else "Too few sites have a difference of their own to compare them."
    return _spread_said(found, found.between_sites, "sites")


def _spread_said(found: Found, spread: Any, who: str) -> str:
    unit = str(found.question.unit)
    said = f"Do the {who} differ by more than chance? Cochran's Q {p_words(spread.q_p)}; "
    said += f"the difference varies between {who} with an SD of {amount(spread.tau2**0.5, unit)}"
    if spread.prediction is None:
        return f"{said}."
    low, high = spread.prediction
    one = who.rstrip("s")
    ends = f"{amount(low, unit, signed=True)} and {amount(high, unit, signed=True)}"
    return f"{said}; another {one} may expect between {ends}."


def hands_said(found: Found) -> str:
    """Whether practitioners differ by more than chance gives."""
    spread = found.between_practitioners
    if spread is None:
        return "Too few practitioners used both often enough to compare them."
    return _spread_said(found, spread, "practitioners")


def hands_table(found: Found) -> ReportTable:
    """Practitioners in alphabetical order, never ranked: as counted, and drawn towards all."""
    frame, unit = found.tables["by_practitioner"], str(found.question.unit)
    rows = [
        (
            str(row["group"]),
            _difference_words(found, row),
            ""
            if is_missing(row["shrunken"])
            else with_interval(row["shrunken"], row["shrunken_low"], row["shrunken_high"], unit),
            {"yes": "yes", "no": "no"}.get(str(row["within_chance"]), "not known"),
            counted(row["sessions"], "session"),
        )
        for row in frame.to_dict("records")
    ]
    columns = ("Practitioner", "As counted", "Drawn towards all", "Within what chance gives", "Sessions")
    caption = "Difference with each practitioner, in alphabetical order"
    return ReportTable(key="by_practitioner", caption=caption, columns=columns, rows=rows, full=frame)


def time_said(found: Found) -> str:
    """Does the difference drift over the calendar?"""
    row = found.tables["over_time"].iloc[0]
    if isinstance(row["note"], str) and row["note"]:
        return f"Whether the difference drifts over the calendar is not known: {row['note']}."
    said = with_interval(row["difference"], row["ci_low"], row["ci_high"], str(found.question.unit))
    inside = row["ci_low"] <= 0 <= row["ci_high"]
    return f"The difference changes by {said} a quarter; {'a drift is not shown' if inside else 'it drifts'}."


def quarters_table(found: Found) -> ReportTable:
    """The difference in each quarter of the calendar."""
    frame = found.tables["over_time"]
    rows = [
        (str(row["group"]), _difference_words(found, row), counted(row["sessions"], "session"))
        for row in frame.iloc[1:].to_dict("records")
    ]
    columns = ("Quarter", "Difference", "Sessions")
    return ReportTable(key="over_time", caption="Difference in each quarter", columns=columns, rows=rows, full=frame)


def dose_table(found: Found) -> ReportTable:
    """Minutes and sessions of each protocol."""
    frame = found.tables["dose"]
    rows = []
    for row in frame.iloc[:2].to_dict("records"):
        known = int(row["minutes_known"])
        took = (
            f"{number(row['minutes_median'], decimals=0)} (middle half {number(row['minutes_low'], decimals=0)} to "
            f"{number(row['minutes_high'], decimals=0)}; {counted(known, 'session')})"
            if known
            else "not written down"
        )
        rows.append((capital(str(row["protocol"])), took, number(row["sessions_a_client"], decimals=1)))
    last = frame.iloc[2].to_dict()
    note = last.get("note")
    said = capital(str(note)) if isinstance(note, str) and note else _difference_words(found, last)
    rows.append(("Difference for as many minutes", said, ""))
    columns = ("Protocol", "Minutes, median", "Sessions a client, median")
    return ReportTable(key="dose", caption="How much of each", columns=columns, rows=rows, full=frame)


def harm_table(found: Found) -> ReportTable:
    """Adverse events of each protocol."""
    frame = found.tables["adverse_events"]
    rows = [
        (
            capital(str(row["protocol"])),
            f"{row['with_event']} of {counted(row['said'], 'session')} that say"
            if row["said"]
            else f"nothing written in {counted(row['sessions'], 'session')}",
            "not known" if is_missing(row["share"]) else share_words(row["share"], row["ci_low"], row["ci_high"]),
            counted(row["clients_with_event"], "client"),
            str(row["kinds"]),
        )
        for row in frame.to_dict("records")
    ]
    columns = ("Protocol", "Sessions with an event", "Share", "Clients with one", "Which")
    return ReportTable(key="adverse_events", caption="Adverse events", columns=columns, rows=rows, full=frame)


def comfort_table(found: Found) -> ReportTable:
    """Comfort of each protocol beside the outcome."""
    frame = found.tables["comfort"]
    rows = [
        (
            capital(str(row["protocol"])),
            "not written down" if is_missing(row["mean"]) else _comfort(row),
            counted(row["clients"], "client"),
        )
        for row in frame.to_dict("records")
    ]
    caption = "Comfort, 0 to 10: how it felt, not what it did"
    return ReportTable(key="comfort", caption=caption, columns=("Protocol", "Mean", "Clients"), rows=rows, full=frame)


def _comfort(row: Any) -> str:
    signed = row["protocol"] == "difference"
    return with_interval(row["mean"], row["ci_low"], row["ci_high"], "", signed=signed)


def losses_table(found: Found) -> ReportTable:
    """What was read, kept and set aside at each site."""
    frame = found.tables["losses"]
    rows = [
        (
            str(row["site"]),
            *(str(row[name]) for name in ("rows_read", "rows_kept", "rows_set_aside", "readings_set_aside")),
        )
        for row in frame.to_dict("records")
    ]
    columns = ("Site", "Rows read", "Kept", "Set aside", "Readings set aside")
    return ReportTable(key="losses", caption="Rows by site", columns=columns, rows=rows, full=frame)


def overlap_said(found: Found) -> str:
    """How many sessions the weights leave."""
    counts = [int((found.sessions["got_a"] == arm).sum()) for arm in (1, 0)]
    worth = [number(n, decimals=0) for n in found.allocation.effective_n]
    return (
        f"{counted(counts[0], 'session')} with {found.names[0]}, {counts[1]} with {found.names[1]}. Weighted so "
        f"that what was known before is alike, they are worth {worth[0]} and {worth[1]} sessions."
    )


def balance_table(found: Found) -> ReportTable:
    """What was known before, in SDs."""
    frame = found.tables["balance"]
    rows = [
        (
            capital(str(name)),
            f"{number(plain, decimals=2, signed=True)} SD",
            f"{number(even, decimals=2, signed=True)} SD",
        )
        for name, plain, even in frame.itertuples(index=False)
    ]
    caption = "What was known before: difference between the protocols, in SDs"
    columns = ("Characteristic", "As recorded", "Weighted")
    return ReportTable(key="balance", caption=caption, columns=columns, rows=rows, full=frame)


def _forest(found: Found, rows: pd.DataFrame, key: str, title: str) -> ReportFigure | None:
    if rows.empty:
        return None
    said = drawn.forest_words(found, rows, title)
    return drawn_twice(key, title, said, lambda width: drawn.forest(found, rows, width=width))


def _ways_figure(found: Found) -> ReportFigure | None:
    return _forest(found, drawn.ways_rows(found), "ways", "The difference, and other ways of counting it")


def _sites_figure(found: Found) -> ReportFigure | None:
    rows = drawn.group_rows(found.tables["by_site"], whole=found.frame.iloc[0])
    return _forest(found, rows, "sites", "The difference within each site")


def _hands_figure(found: Found) -> ReportFigure | None:
    title = "The difference with each practitioner, drawn towards all"
    return _forest(found, drawn.shrunken_rows(found.tables["by_practitioner"]), "practitioners", title)


def _readings_figure(found: Found) -> ReportFigure:
    words = drawn.label_of(drawn.readings_figure(found), "Readings before and after, by site and protocol.")
    title = "Readings before and after"
    return drawn_twice("readings", title, words, lambda width: drawn.readings_figure(found, width=width))


def _balance_figure(found: Found) -> ReportFigure | None:
    frame = found.tables["balance"]
    if frame.empty:
        return None
    words = figures.alt_text_balance(frame)
    return drawn_twice("balance", "Balance", words, lambda width: figures.balance_figure(frame, width=width))


def _overlap_figure(found: Found) -> ReportFigure | None:
    a, b = found.names[0], found.names[1]
    score = found.sessions["score"].to_numpy()
    score = score if a <= b else 1 - score  # the figure counts towards the group that comes first in the alphabet
    scores = pd.DataFrame({"group": [a if got else b for got in found.sessions["got_a"]], "score": score})
    if scores["score"].std() < 1e-6:
        return None
    words = figures.alt_text_overlap(scores)
    return drawn_twice("overlap", "Overlap", words, lambda width: figures.overlap_figure(scores, width=width))
