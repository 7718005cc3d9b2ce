"""What a notebook shows of records and of the ruler: what was kept, what was set aside, how well one reads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks import figures
from toolkit.looks.html import ReportTable
from toolkit.looks.reading_plots import agreement_lines
from toolkit.looks.words import amount, capital, counted, threshold, with_interval, with_labels
from toolkit.notebook.pieces import Several, Words, drawing, rows_table, words

if TYPE_CHECKING:
    from toolkit.records.account import Records
    from toolkit.stats.reliability_study import RecordedErrors


class NamedMeasure(Protocol):
    """Something that names a measure, by its code and in words."""

    @property
    def measure(self) -> str:
        """The codebook name."""

    @property
    def label(self) -> str:
        """The name in words."""


FIRST_ROWS = 8
TWO_READINGS = 1.96 * math.sqrt(2)  # MDC95 = 1.96 x sqrt(2) x SEM: Weir 2005, J Strength Cond Res 19:231-240
QUANTITIES = {
    "sem": "SEM",
    "mdc": "smallest change in one client (MDC)",
    "mic": "smallest change that matters to people (MIC)",
    "mean_normal": "usual value in healthy people",
    "mean_group": "mean of a group of clients",
    "cut_off": "cut-off",
    "limits_of_agreement": "limits of agreement",
    "observer_error": "error of a reader",
    "natural_variation": "ups and downs from day to day",
}


@dataclass(frozen=True, kw_only=True)
class ReadingErrorKnown:
    """The SEM of a measure in its unit, and where it comes from."""

    sem: float
    unit: str
    label: str
    source: str

    @property
    def detectable(self) -> float:
        """By how much two readings of one client may differ by error alone, 95 times in 100 (MDC95)."""
        return TWO_READINGS * self.sem


def counts(records: Records, export: str | Path = "") -> Several:
    """How many rows were read, kept and set aside, and why; and whether the file seems to be open elsewhere."""
    rows = [
        (capital(with_labels(records.codebook, str(row["what"]))), f"{row['rows']}", f"{row['readings']}")
        for row in records.table().to_dict("records")
    ]
    found = rows_table("What became of the rows", ("What", "Rows", "Readings"), rows)
    return Several(parts=(words(records.sentence(), *open_elsewhere(export)), found))


def open_elsewhere(export: str | Path) -> list[str]:
    """A sentence where a spreadsheet program seems to have the file open; it keeps a small file beside it then."""
    path = Path(export)
    signs = (path.with_name(f"~${path.name}"), path.with_name(f".~lock.{path.name}#")) if path.name else ()
    if not any(sign.exists() for sign in signs):
        return []
    return [
        f"{path.name} seems to be open in a spreadsheet program. What was last saved there has been read: save it, and "
        "run all cells again, if you have changed it since."
    ]


def rows_set_aside(records: Records) -> ReportTable | Words:
    """The first rows that were set aside: where they stand, why, and what to do."""
    found = records.set_aside
    if found.empty:
        return words("Nothing was set aside: every row could be used.")
    rows = [
        (
            str(row["row"]),
            *(_as_typed(str(row[name])) for name in ("column", "value")),
            *(with_labels(records.codebook, str(row[name])) for name in ("reason", "remedy")),
        )
        for row in found.head(FIRST_ROWS).to_dict("records")
    ]
    columns = ("Row in your file", "Column", "What stands there", "Why set aside", "What to do")
    return rows_table(_first_of("Set aside", len(rows), len(found)), columns, rows)


def _as_typed(cell: str) -> str:
    """What stands in a file, in quotation marks, so that nothing of it is set for reading."""
    return cell if cell in ("", "(whole row)") else f"“{cell}”"


def worth_a_look(records: Records) -> ReportTable | Words:
    """What was kept and deserves a second look, by kind."""
    if records.flags.empty:
        return words("Nothing else stands out.")
    many = records.flags.groupby("what", sort=False).size().sort_values(ascending=False, kind="stable")
    rows = [(capital(with_labels(records.codebook, str(what))), str(n)) for what, n in many.head(FIRST_ROWS).items()]
    return rows_table(_first_of("Kept, and worth a look", len(rows), len(many)), ("What", "Rows"), rows)


def _first_of(what: str, shown: int, of: int) -> str:
    """A caption that says whether this is all of it."""
    return f"{what}: all {of}" if shown == of else f"{what}: the first {shown} of {of}"


def agreement(records: Records, measure: str) -> Several | Words:
    """Two readings of the same side before treatment: their difference against their mean, with the limits.

    The difference is the second reading before minus the first; clients may come many times.
    """
    from toolkit.stats.agreement import limits_of_agreement_repeated

    known = records.codebook.measure(measure)
    rows = records.rows[records.rows["measure"].astype(str) == measure].dropna(subset=["before", "before_2"])
    try:
        limits = limits_of_agreement_repeated(rows["before"], rows["before_2"], rows["client"], unit=known.unit)
    except NotEnoughError as why:
        return words((capital(known.label), str(why)))
    pairs, lines = rows.rename(columns={"before": "first", "before_2": "second"}), agreement_lines(limits)
    figure = figures.agreement_figure(pairs, lines, unit=known.unit, measure=known.label)
    said = figures.alt_text_agreement(pairs, lines, unit=known.unit, measure=known.label)
    shift = with_interval(limits.bias.value, limits.bias.ci_low, limits.bias.ci_high, known.unit)
    low, high = (amount(line.value, known.unit, signed=True) for line in (limits.lower, limits.upper))
    readers = (
        f"The second reading before less the first: {shift} on average. "
        f"About 95 of 100 such differences lie between the outer lines, {low} and {high}."
    )
    return Several(parts=(drawing(figure, f"Two readings: {known.label}", said), words(readers)))


def rulers(errors: RecordedErrors, records: Records) -> Several:
    """Every measure's reading error: one row a measure; signs beside; and why a measure has none."""
    book = records.codebook
    rows = [
        (
            capital(book.label("measure", name)),
            *(_number(part, of) for part, of in ((e.sem, e.unit), (e.mdc95, e.unit), (e.icc, ""))),
            _number(e.shift, e.unit, signed=True),
            f"{counted(e.n_pairs, 'pair')}, {counted(e.n_clients, 'client')}",
        )
        for name, e in errors.errors.items()
    ]
    columns = ("Measure", "SEM", "MDC95", "ICC", "Second minus first", "From")
    parts: list[ReportTable | Words] = [rows_table("Read twice before the session", columns, rows)] if rows else []
    if errors.kappas:
        parts.append(_signs(errors, records))
    parts += [
        words((capital(book.label("measure", str(row["measure"]))), str(row["reason"])))
        for row in errors.not_available.to_dict("records")
    ]
    return Several(parts=tuple(parts or [words("No measure was read twice before the session.")]))


def treated_sides(records: Records, measure: str) -> pd.DataFrame:
    """The readings of a measure that belong to a treated side, and those of sessions that were only measured."""
    from toolkit.effect.comparison import only_treated

    better, limits = records.codebook.measure(measure).better, records.codebook.limits
    kept = only_treated(records.rows, measure=measure, better=better, relation=limits).index
    return pd.DataFrame(records.readings.loc[kept])


def all_rulers(records: Records) -> Several:
    """The reading error of every measure of the records."""
    from toolkit.stats.reliability_study import recorded_errors

    return rulers(recorded_errors(records.rows), records)


def _signs(errors: RecordedErrors, records: Records) -> ReportTable:
    """Signs (yes or no) read twice: kappa, and how often both readings are alike."""
    rows = [
        (
            capital(records.codebook.label("measure", name)),
            _number(kappa.estimate, ""),
            f"{kappa.observed * 100:.0f} %",
            f"{kappa.by_chance * 100:.0f} %",
            counted(kappa.n_people, "client"),
        )
        for name, kappa in errors.kappas.items()
    ]
    columns = ("Sign", "Kappa", "Both readings alike", "Alike by chance alone", "From the first pair of")
    return rows_table("Signs (yes or no) read twice", columns, rows)


def _number(part: Any, unit: str, *, signed: bool = False) -> str:
    return with_interval(part.value, part.ci_low, part.ci_high, unit, signed=signed)


def published(chooser: NamedMeasure) -> ReportTable | Words:
    """What others printed on the chosen measure."""
    from toolkit.stats.published import published_values

    known = published_values(chooser.measure)
    if known.empty:
        return words(f"No published figure on {chooser.label} is at hand.")
    rows = [
        (
            capital(QUANTITIES.get(str(row["quantity"]), str(row["quantity"]))),
            threshold(row["value"], str(row["unit"])),
            str(row["population"]),
            str(row["citation"]) + ("" if pd.isna(row["year"]) else f", {int(row['year'])}"),
            str(row["status"]),
        )
        for row in known.head(FIRST_ROWS).to_dict("records")
    ]
    caption = _first_of(f"Published figures on {chooser.label}", len(rows), len(known))
    return rows_table(caption, ("What", "Figure", "People", "Source", "How read"), rows)


def reading_error(records: Records, measure: str) -> ReadingErrorKnown:
    """The SEM to use for a measure: from own pairs of readings, else the published one.

    Raises:
        NotEnoughError: nothing was read twice, and no published figure is known.
    """
    from toolkit.stats.published import published_sem
    from toolkit.stats.reliability_study import recorded_errors

    mine = records.rows[records.rows["measure"].astype(str) == measure]
    own = recorded_errors(mine).errors.get(measure)
    known = records.codebook.measure(measure)
    if own is not None:
        many = f"{counted(own.n_pairs, 'pair')} of readings of {counted(own.n_clients, 'client')}"
        source = f"own records: {_number(own.sem, known.unit)}, {many}"
        return ReadingErrorKnown(sem=own.sem.value, unit=known.unit, label=known.label, source=source)
    published_one = published_sem(measure)
    if published_one is None:
        raise NotEnoughError(
            f"How well {known.label} is read is not known: nothing was read twice, and no published figure is at hand. "
            "Read twice before each session for a few weeks."
        )
    published_one = published_one.in_unit(known.unit)
    source = f"published: {amount(published_one.value, known.unit)}, {published_one.citation}"
    return ReadingErrorKnown(sem=published_one.value, unit=known.unit, label=known.label, source=source)


def averaged(error: ReadingErrorKnown, readings: int) -> Words:
    """What taking the mean of several readings does to the SEM and to the smallest change in one client.

    Raises:
        ToolkitError: fewer than one reading.
    """
    if not readings >= 1:
        raise ToolkitError(f"READINGS_A_VISIT is {readings}: write how many readings, 1 or more.")
    lines = []
    for name, sem in (("One reading", error.sem), (f"Mean of {readings}", error.sem / math.sqrt(readings))):
        least = amount(TWO_READINGS * sem, error.unit, decimals=1)
        lines.append((name, f"SEM {amount(sem, error.unit, decimals=1)}, smallest change in one client {least}."))
    return words(("SEM from", f"{error.source}."), *lines)


def may_say_of_ruler(error: ReadingErrorKnown) -> Words:
    """What may be said of one reading, and what not."""
    sem, least = (amount(size, error.unit, decimals=1) for size in (error.sem, error.detectable))
    return words(
        (
            "One may say",
            f"One reading of {error.label} usually lies within {sem} of the true value "
            f"(SEM; about 2 in 3 readings do). It comes from {error.source}.",
        ),
        ("One may not say", f"That one client changed, where two readings differ by less than {least}."),
    )
