"""What a notebook shows, piece by piece: each part of the report under a short name, as words, tables and figures.

    from toolkit.notebook import show
    show.claim(found)        what may be said            show.adjustment_steps(found)  from usual to what is left
    show.explanations(found) what else could explain it  show.before_after(found)  client by client
    show.regions(found)    by region and intervention  show.numbers(found)       the numbers behind the answer
    show.ruler(found)      how good the ruler is       show.cautions(found)      when not to treat
    show.keep(found, ...)  a folder with the report    show.last_word(found)     what to say, what not, what next

Pieces about records, one client, two protocols and the coming season stand in modules of their own; all of them can be
asked for here. Everything shown is also text, so it can be read aloud or copied into a message.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from toolkit.errors import ToolkitError
from toolkit.looks import report_tables as tables
from toolkit.looks.html import ReportFigure, ReportTable
from toolkit.looks.plot_data import PlotData
from toolkit.looks.report import JUDGEMENT, answers_in_order, by_measure
from toolkit.looks.report_details import draw_sentence, flow_sentence
from toolkit.looks.report_figures import before_after_of, order_of, sessions_by_arm_of, steps_of
from toolkit.looks.words import LEVEL_WORDS, readable, sentence, threshold, with_interval, without_stop
from toolkit.notebook.choosers import Guess, choose, choose_client, choose_file, choose_question, choose_two, guess
from toolkit.notebook.client import course, early_and_late, first_to_last, ups_and_downs, visits
from toolkit.notebook.columns import choose_columns
from toolkit.notebook.kernel import start
from toolkit.notebook.pieces import Drawing, Several, ToCopy, Words, drawing, table, words
from toolkit.notebook.protocols import (
    by_practitioner,
    by_site,
    compare,
    dose_harm_comfort,
    expected_of_two,
    hidden_cause,
    keep_comparison,
    may_say_of_two,
    over_the_calendar,
    pooled_sites,
    raw_readings,
    summaries_of_sites,
    two_protocols,
    who_got_which,
)
from toolkit.notebook.records import (
    agreement,
    all_rulers,
    averaged,
    counts,
    may_say_of_ruler,
    open_elsewhere,
    published,
    reading_error,
    rows_set_aside,
    rulers,
    treated_sides,
    worth_a_look,
)
from toolkit.notebook.season import (
    changes,
    clinic,
    how_many,
    question_sheet,
    season_asked,
    season_curve,
    what_buys_most,
)
from toolkit.notebook.sites import expected_of_sites, may_say_of_sites, paper_of_sites
from toolkit.resources import dataset_file

__all__ = [
    "JUDGEMENT",
    "Drawing",
    "Several",
    "ToCopy",
    "Words",
    "adjustment_steps",
    "agreement",
    "all_rulers",
    "answers",
    "averaged",
    "before_after",
    "by_practitioner",
    "by_site",
    "cautions",
    "chance",
    "changes",
    "choose",
    "choose_client",
    "choose_columns",
    "choose_file",
    "choose_question",
    "choose_two",
    "claim",
    "clinic",
    "compare",
    "counts",
    "course",
    "demo",
    "dose_harm_comfort",
    "drawing",
    "early_and_late",
    "effects",
    "error_guessed",
    "expected",
    "expected_of_sites",
    "expected_of_two",
    "explanations",
    "first_to_last",
    "folder",
    "for_paper",
    "guess",
    "hidden_cause",
    "how_many",
    "keep",
    "keep_comparison",
    "last_word",
    "may_say_of_ruler",
    "may_say_of_sites",
    "may_say_of_two",
    "numbers",
    "open_elsewhere",
    "over_the_calendar",
    "paper_of_sites",
    "pooled_sites",
    "published",
    "question_sheet",
    "raw_readings",
    "reading_error",
    "regions",
    "rows_set_aside",
    "ruler",
    "rulers",
    "season_asked",
    "season_curve",
    "set_aside",
    "start",
    "summaries_of_sites",
    "table",
    "treated_sides",
    "two_protocols",
    "ups_and_downs",
    "visits",
    "what_buys_most",
    "who_got_which",
    "words",
    "worth_a_look",
]


class Audited(Protocol):
    """What an audit hands over: its findings, what to draw from, and a way to write its folder."""

    @property
    def findings(self) -> Mapping[str, Any]:
        """The findings, as findings.json holds them."""

    @property
    def claims(self) -> list[dict[str, Any]]:
        """The claims alone, in the order of the findings."""

    @property
    def plot_data(self) -> PlotData:
        """The frames that figures are drawn from."""


class Written(Audited, Protocol):
    """An audit that can be written to a folder."""

    def write(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write the folder, return the report's path."""


def demo(name: str = "sessions.csv") -> Path:
    """The path of a file of the demo clinic (simulated; its truth stands in truth.json beside it).

    Example:
        >>> demo().name
        'sessions.csv'
    """
    return dataset_file("demo") / name


def _shown(figure: ReportFigure) -> Drawing:
    return Drawing(title=figure.title, description=figure.description, svg=figure.wide)


def _finding(audited: Audited, place: int) -> Mapping[str, Any]:
    """The finding at a place, counted from 1, in the report's order."""
    return _at(audited.findings["findings"], place)


def _at(findings: Sequence[Mapping[str, Any]], place: int) -> Mapping[str, Any]:
    found = answers_in_order(findings)
    if not 1 <= place <= len(found):
        raise ToolkitError(f"There are {len(found)} answers; ask for one from 1 to {len(found)}, not {place}.")
    return found[place - 1]


def claim(audited: Audited, place: int = 1) -> Words:
    """What may be said: the answer in a few words, then in one sentence."""
    finding = _at(audited.claims, place)
    said = finding["claim"]
    return words(
        ("Question", tables.title_of(finding)), ("Answer", LEVEL_WORDS[said["level"]]), sentence(said["sentence"])
    )


def answers(audited: Audited) -> ReportTable:
    """All questions in one table."""
    return tables.answers_table(answers_in_order(audited.findings["findings"]))


def adjustment_steps(audited: Audited, place: int = 1, *, truth: float | None = None) -> Drawing:
    """From the usual answer to what is left; beside the truth where the clinic is simulated."""
    return _shown(steps_of(_finding(audited, place), key=f"notebook {place}", truth=truth))


def before_after(audited: Audited, place: int = 1) -> Drawing | Words:
    """Every client before and after."""
    figure = before_after_of(_finding(audited, place), audited.plot_data, key=f"notebook {place}")
    return _shown(figure) if figure else words("No figure: there are no readings by client to draw.")


def chance(audited: Audited, place: int = 1) -> Several:
    """Was chance in charge, and is every session there: in words, what was drawn, and sessions by arm."""
    finding, key = _finding(audited, place), f"notebook {place}"
    said = [one for one in (draw_sentence(finding), flow_sentence(finding)) if one]
    drawn = (
        order_of(finding, audited.plot_data, key=f"{key} order"),
        sessions_by_arm_of(finding, key=f"{key} flow"),
    )
    figures = [_shown(figure) for figure in drawn if figure is not None]
    return Several(parts=(words(*(said or ["Nothing is compared, so nothing was drawn."])), *figures))


def numbers(audited: Audited, place: int = 1) -> ReportTable:
    """The numbers behind an answer."""
    return tables.numbers_table(_finding(audited, place))


def explanations(audited: Audited, place: int = 1) -> ReportTable:
    """What else could explain an answer, the open explanations first."""
    found = tables.explanations_table(_finding(audited, place))
    return replace(found, rows=[tuple(readable(cell) for cell in row) for row in found.rows])


def regions(audited: Audited) -> Several:
    """By region and intervention: a figure and a table for each measure."""
    parts: list[Drawing | ReportTable | Words] = []
    for part in by_measure(audited.findings):
        if part.figure and part.table:
            parts += [_shown(part.figure), part.table]
        else:
            parts.append(words(part.lacking))
    return Several(parts=tuple(parts))


def ruler(audited: Audited) -> ReportTable:
    """How good the ruler is."""
    return tables.measurement_table(audited.findings["measurement"], audited.findings["findings"])


def set_aside(audited: Audited) -> ReportTable:
    """What was set aside, by reason."""
    return tables.set_aside_table(audited.findings.get("rows_set_aside_by_reason", []))


def keep(audited: Written, folder: str = "audit-of-my-year") -> Words:
    """Write the audit's folder and say where it is; where it cannot be written, say why, and all else goes on."""
    try:
        report = audited.write(folder, replace=True)
    except ToolkitError as why:
        said = str(why).replace("Name a new folder", 'Name a new folder in the cell above, for example "my-audit"')
        return words(("Not written", said), "Everything else in this notebook holds without it.")
    return words(("Report", f"open {report.parent.name}/{report.name} in a browser."))


def effects(audited: Audited, place: int = 1) -> ReportTable:
    """The effect sizes of an answer."""
    return tables.effects_table(_finding(audited, place))


def folder(name: str) -> Path:
    """A folder beside the notebook to save into; made where it is not there.

    Raises:
        ToolkitError: a file of that name is there, or the disk refuses.
    """
    place = Path(name)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as why:
        raise ToolkitError(f"The folder {name} cannot be made ({why.strerror}). Name another one.") from why
    return place


def error_guessed(guess: Guess, error: Any) -> Words:
    """What the reader expected two readings to differ by, beside what they do."""
    rows = error.frame.set_index("what")
    mdc = rows.loc[[name for name in rows.index if "MDC" in name or "detect" in name]].iloc[0]
    own = "not said yet: write it into the box above" if guess.value is None else threshold(guess.value, mdc["unit"])
    found = with_interval(mdc["estimate"], mdc["ci_low"], mdc["ci_high"], mdc["unit"], signed=False)
    return words(("You expected", f"{own}."), ("Two readings differ by up to (MDC95)", f"{found}."))


def for_paper(audited: Audited, place: int = 1) -> ToCopy:
    """The estimate as papers report it: value, interval, df, p, n, method, basis."""
    return ToCopy(text=tables.paper_sentence(_finding(audited, place)))


def expected(guess: Guess, audited: Audited, place: int = 1) -> Words:
    """What the reader expected, beside the usual answer and what is left of it."""
    finding = _finding(audited, place)
    unit, usual, left = finding["unit"], finding["ladder"][0], finding["attributable"] or {}
    own = "not said yet: write it into the box above" if guess.value is None else threshold(guess.value, unit)
    return words(
        ("You expected", f"{own}."),
        ("The usual analysis", f"{with_interval(usual['estimate'], usual['ci_low'], usual['ci_high'], unit)}."),
        ("What is left beside the comparison", f"{tables.difference_words(finding)}." if left else "not to be told."),
    )


def cautions(audited: Audited) -> Words:
    """When not to treat and when to refer, for these regions."""
    return words(*audited.findings.get("cautions", []))


def last_word(audited: Audited, place: int = 1) -> Words:
    """What one may say, what not, and what to do next."""
    found = _finding(audited, place)["claim"]
    more = sentence(found.get("to_say_more") or found["next_step"])
    steps = [without_stop(item["what"]) for item in audited.findings.get("record_next", [])]
    others = [step for step in steps if step != without_stop(more)][:3]
    return words(
        ("One may say", sentence(found.get("may_say") or found["sentence"])),
        ("One may not say", sentence(found.get("may_not_say") or "Anything beyond that sentence")),
        ("To say more", more),
        *([("To record next", sentence("; ".join(others)))] if others else []),
        JUDGEMENT,
    )
