"""What a notebook shows, piece by piece: each part of the report under a short name, as words, tables and figures.

    from toolkit.present import notebook as show
    show.claim(found)      what may be said            show.ladder(found)        from the usual answer to what is left
    show.rivals(found)     what else could explain it  show.before_after(found)  client by client
    show.regions(found)    by region and intervention  show.numbers(found)       the numbers behind the answer
    show.ruler(found)      how good the ruler is       show.set_aside(found)     what was set aside, and why
    show.last_word(found)  what to say, what not, what to do next

Everything shown is also text, so it can be read aloud or copied into a message.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.present import figures
from toolkit.present import report_tables as tables
from toolkit.present.agreement_plot import agreement_lines
from toolkit.present.figures import WIDE
from toolkit.present.html import ReportFigure, ReportTable
from toolkit.present.plot_data import PlotData
from toolkit.present.report import JUDGEMENT, answers_in_order, by_measure
from toolkit.present.report_figures import before_after_of, drawing_of, ladder_of
from toolkit.present.words import LEVEL_WORDS, capital, sentence, spaced, with_interval, without_stop
from toolkit.resources import dataset_file
from toolkit.result import figure_text

if TYPE_CHECKING:
    from toolkit.planning.season import SeasonPlan
    from toolkit.present.choosers import ClientChooser
    from toolkit.protocols.compare import ProtocolComparison
    from toolkit.records.account import Records


class Audited(Protocol):
    """What an audit hands over: its findings and what to draw from."""

    @property
    def findings(self) -> Mapping[str, Any]:
        """The findings, as findings.json holds them."""

    @property
    def plot_data(self) -> PlotData:
        """The frames that figures are drawn from."""


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A figure in a notebook: an image with its description, and the description where no image can be shown."""

    title: str
    description: str
    svg: str

    def __str__(self) -> str:
        return f"{self.title}. {self.description}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"<figure style='margin:0'>{self.svg}</figure>"


@dataclass(frozen=True, kw_only=True)
class Words:
    """Sentences in a notebook, each with a short name before it ("" = none)."""

    lines: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        return "\n".join(f"{name}: {said}" if name else said for name, said in self.lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        parts = (f"<p>{f'<b>{escape(name)}:</b> ' if name else ''}{escape(said)}</p>" for name, said in self.lines)
        return f"<div style='max-width:{WIDE}in'>{''.join(parts)}</div>"


@dataclass(frozen=True, kw_only=True)
class Several:
    """Several drawings and tables, one below the other."""

    parts: tuple[Drawing | ReportTable | Words, ...]

    def __str__(self) -> str:
        return "\n\n".join(map(str, self.parts))

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return "".join(part._repr_html_() for part in self.parts)


@dataclass(frozen=True, kw_only=True)
class ReadingErrorKnown:
    """The SEM of a measure in its unit, and where it comes from."""

    sem: float
    source: str


def start() -> None:
    """Let a notebook say in one sentence what is wrong, in place of a programmer's report of it."""
    from IPython.core.getipython import get_ipython

    shell: Any = get_ipython()
    if shell is not None:
        shell.set_custom_exc((ToolkitError,), _say_what_is_wrong)


def _say_what_is_wrong(shell: Any, kind: Any, value: BaseException, trace: Any, tb_offset: Any = None) -> list[str]:
    """Show the sentence of an error instead of its traceback."""
    del shell, kind, trace, tb_offset
    print(f"This cannot go on. {value}")
    return [str(value)]


def demo(name: str = "sessions.csv") -> Path:
    """The path of a file of the demo clinic (simulated; its truth stands in truth.json beside it).

    Example:
        >>> demo().name
        'sessions.csv'
    """
    return dataset_file("demo") / name


def drawing(figure: Any, title: str, description: str) -> Drawing:
    """Any figure of the toolkit as a notebook shows it, with its alternative text."""
    return Drawing(title=title, description=description, svg=drawing_of(figure, title, description))


def _shown(figure: ReportFigure) -> Drawing:
    return Drawing(title=figure.title, description=figure.description, svg=figure.wide)


def _finding(audited: Audited, place: int) -> Mapping[str, Any]:
    """The finding at a place, counted from 1, in the report's order."""
    found = answers_in_order(audited.findings["findings"])
    if not 1 <= place <= len(found):
        raise ToolkitError(f"There are {len(found)} answers; ask for one from 1 to {len(found)}, not {place}.")
    return found[place - 1]


def claim(audited: Audited, place: int = 1) -> Words:
    """What may be said: the answer in a few words, then in one sentence."""
    finding = _finding(audited, place)
    return Words(
        lines=(
            (tables.title_of(finding), LEVEL_WORDS[finding["claim"]["level"]]),
            ("", sentence(finding["claim"]["sentence"])),
        )
    )


def answers(audited: Audited) -> ReportTable:
    """All questions in one table."""
    return tables.answers_table(answers_in_order(audited.findings["findings"]))


def ladder(audited: Audited, place: int = 1) -> Drawing:
    """From the usual answer to what is left."""
    return _shown(ladder_of(_finding(audited, place), key=f"notebook {place}"))


def before_after(audited: Audited, place: int = 1) -> Drawing | Words:
    """Every client before and after."""
    figure = before_after_of(_finding(audited, place), audited.plot_data, key=f"notebook {place}")
    return _shown(figure) if figure else Words(lines=(("", "No figure: there are no readings by client to draw."),))


def numbers(audited: Audited, place: int = 1) -> ReportTable:
    """The numbers behind an answer."""
    return tables.numbers_table(_finding(audited, place))


def rivals(audited: Audited, place: int = 1) -> ReportTable:
    """What else could explain an answer, the open explanations first."""
    return tables.rivals_table(_finding(audited, place))


def regions(audited: Audited) -> Several:
    """By region and intervention: a figure and a table for each measure."""
    parts: list[Drawing | ReportTable | Words] = []
    for part in by_measure(audited.findings):
        if part.figure and part.table:
            parts += [_shown(part.figure), part.table]
        else:
            parts.append(Words(lines=(("", part.lacking),)))
    return Several(parts=tuple(parts))


def ruler(audited: Audited) -> ReportTable:
    """How good the ruler is."""
    return tables.measurement_table(audited.findings["measurement"], audited.findings["findings"])


def set_aside(audited: Audited) -> ReportTable:
    """What was set aside, by reason."""
    return tables.set_aside_table(audited.findings.get("rows_set_aside_by_reason", []))


def last_word(audited: Audited, place: int = 1) -> Words:
    """What one may say, what not, and what to do next."""
    found = _finding(audited, place)["claim"]
    steps = [without_stop(item["what"]) for item in audited.findings.get("record_next", [])][:3]
    return Words(
        lines=(
            ("One may say", sentence(found.get("may_say") or found["sentence"])),
            ("One may not say", sentence(found.get("may_not_say") or "Anything beyond that sentence")),
            ("To say more", sentence(found.get("to_say_more") or found["next_step"])),
            ("To record next", sentence("; ".join(steps) or "Go on as before")),
            ("", JUDGEMENT),
        )
    )


def agreement(records: Records, measure: str) -> Several | Words:
    """Two readings of the same side before treatment: their difference against their mean, with the limits.

    The difference is the second reading before minus the first; clients may come many times.
    """
    from toolkit.measurement.agreement import limits_of_agreement_repeated

    known = records.codebook.measure(measure)
    rows = records.rows[records.rows["measure"].astype(str) == measure].dropna(subset=["before", "before_2"])
    try:
        limits = limits_of_agreement_repeated(rows["before_2"], rows["before"], rows["client"], unit=known.unit)
    except NotEnoughError as why:
        return Words(lines=((capital(known.label), str(why)),))
    pairs, lines = rows.rename(columns={"before": "first", "before_2": "second"}), agreement_lines(limits)
    figure = figures.agreement_figure(pairs, lines, unit=known.unit, measure=known.label)
    said = figures.alt_text_agreement(pairs, lines, unit=known.unit, measure=known.label)
    readers = "The second reading before less the first. About 95 of 100 such differences lie between the outer lines."
    return Several(parts=(drawing(figure, f"Two readings: {known.label}", said), Words(lines=(("", readers),))))


def table(frame: pd.DataFrame, caption: str = "") -> ReportTable:
    """Any tidy frame as a table with header cells, every word of it shown."""
    shown = frame.map(figure_text)
    names = tuple(spaced(name) for name in shown.columns)
    rows = [tuple(map(str, row)) for row in shown.itertuples(index=False)]
    return ReportTable(key="table", caption=caption, columns=names, rows=rows, full=frame)


def reading_error(records: Records, measure: str) -> ReadingErrorKnown:
    """The SEM to use for a measure: from own pairs of readings, else the published one.

    Raises:
        NotEnoughError: nothing was read twice, and no published figure is known.
    """
    from toolkit.measurement.published import published_sem
    from toolkit.measurement.recorded import recorded_errors

    mine = records.rows[records.rows["measure"].astype(str) == measure]
    own = recorded_errors(mine).errors.get(measure)
    known = records.codebook.measure(measure)
    if own is not None:
        words = with_interval(own.sem.value, own.sem.ci_low, own.sem.ci_high, known.unit, signed=False)
        return ReadingErrorKnown(sem=own.sem.value, source=f"own records: {words}, {own.n_pairs} pairs of readings")
    published = published_sem(measure)
    if published is None:
        raise NotEnoughError(
            f"How well {known.label} is read is not known: nothing was read twice, and no published figure is at hand. "
            "Read twice before each session for a few weeks."
        )
    return ReadingErrorKnown(sem=published.value, source=f"published: {published.citation}")


def course(client: ClientChooser, *, sem: float) -> Drawing:
    """One client's course, with what two readings may differ by error alone around the first reading."""
    detectable = 1.96 * math.sqrt(2) * sem
    figure = figures.one_client_figure(
        client.visits,
        unit=client.unit,
        measure=client.label,
        smallest_detectable=detectable,
        when_words="Days since the first visit",
    )
    said = figures.alt_text_one_client(client.visits, unit=client.unit, measure=client.label)
    return drawing(figure, f"One client over time: {client.label}", said)


def two_protocols(found: ProtocolComparison, *, smallest_change: float | None = None) -> Several:
    """Two protocols: the four ways of counting, and whether those who got them were alike."""
    rows = found.table().assign(region=found.region, intervention=lambda frame: frame["what"])
    rows = rows.rename(columns={"value": "adjusted_mean", "n": "n_clients"})
    first, other = spaced(found.protocol_a), spaced(found.protocol_b)
    title = f"{capital(first)} less {other}, counted in four ways"
    ways = figures.forest_figure(rows, unit=found.unit, smallest_change=smallest_change)
    balance = figures.balance_figure(found.allocation.balance)
    return Several(
        parts=(
            Words(lines=(("", f"{title}: to the right, {first} did better."),)),
            drawing(ways, title, figures.alt_text_forest(rows, unit=found.unit, about=title)),
            Words(lines=(("", "Were the two groups alike before? Squares: as they came. Diamonds: after weighing."),)),
            drawing(balance, "Balance of the two groups", figures.alt_text_balance(found.allocation.balance)),
        )
    )


def season_curve(plan: SeasonPlan) -> Drawing:
    """How often a season with so many clients would show the effect."""
    name = f"true change {figure_text(plan.effect)} {plan.unit}"
    curves = plan.curve.rename(columns={"clients": "n_clients", "seen": "power"}).assign(curve=name)
    return drawing(figures.planning_figure(curves), "How many clients", figures.alt_text_planning(curves))


def words(*lines: str | Sequence[str]) -> Words:
    """Sentences to show; a pair is a name and its sentence."""
    return Words(lines=tuple(("", line) if isinstance(line, str) else (line[0], line[1]) for line in lines))
