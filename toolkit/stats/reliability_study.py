"""The ruler from a practitioner's own records: every measure that was read twice before treatment.

Takes the tidy rows (one row = one measured side of one measure in one session) with `before` and `before_2`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.number_words import figure_text
from toolkit.records.workbook_guard import bounded_bytes
from toolkit.resources import dataset_file
from toolkit.result import Estimate, Shown
from toolkit.stats import checks
from toolkit.stats.generalisability import icc_of_design, sem_of_design, variance_shares
from toolkit.stats.intraclass import icc
from toolkit.stats.rating_agreement import Kappa, cohen_kappa
from toolkit.stats.reading_error import ReadingError, reading_error
from toolkit.stats.sem import mdc, within_person

SAME, ANY = "same reader again", "any reader"


@dataclass(frozen=True, kw_only=True, eq=False)
class Ruler(Shown):
    """How good the ruler is. `figures` holds one row a figure.

    Its columns: comparison, reader, what (ICC, SEM, MDC95), value, ci_low, ci_high, unit, n, n_of, method, published,
    published_source (the last two empty where none was given).
    """

    measure: str
    unit: str
    n_subjects: int
    n_readers: int
    n_readings: int
    n_set_aside: int
    figures: pd.DataFrame

    def figure(self, what: str, *, reader: str) -> pd.Series:
        """One row, for example ``figure("SEM", reader="any")``."""
        found = self.figures[(self.figures["what"] == what) & (self.figures["reader"] == reader)]
        if found.empty:
            raise SheetError(f"No {what!r} for reader {reader!r} here.")
        return found.iloc[0]

    def sentence(self) -> str:
        """The smallest change one reading can show, by the same and by any reader."""
        mdcs = self.figures[self.figures["what"] == "MDC95"]
        parts = [
            f"{'one in place of another' if row['reader'] == 'any' else row['reader'] + ' again'}: "
            f"{figure_text(row['value'])} ({figure_text(row['ci_low'])} to {figure_text(row['ci_high'])})"
            for _, row in mdcs.iterrows()
        ]
        return (
            f"{self.measure}, {self.n_subjects} people, {self.n_readings} readings. MDC95, the change of one person in "
            f"{self.unit} above which reading error alone is an unlikely reason: {'; '.join(parts)}."
        )

    def table(self) -> pd.DataFrame:
        """One row a figure, the published one beside it."""
        return self.figures.copy()


def _study_of(path: Path) -> pd.DataFrame:
    """The rows of a study's file."""
    try:
        return pd.read_csv(bounded_bytes(path), encoding="utf-8-sig")
    except (ValueError, OSError, pd.errors.ParserError, pd.errors.EmptyDataError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else str(fault).strip()[:100]
        raise SheetError(
            f"{path.name} cannot be read as a table ({why}). Save it as CSV in UTF-8 with one header row."
        ) from None


def ruler(
    study: pd.DataFrame | str | Path,
    *,
    measure: str,
    unit: str,
    subject: str = "subject",
    reader: str = "reader",
    reading: str = "reading",
    value: str = "value",
    published: pd.DataFrame | None = None,
    confidence_level: float = 0.95,
) -> Ruler:
    """ICC, SEM, MDC95 of each reader reading again, and of any reader in place of another, with intervals.

    The same reader again: ICC(1,1), SEM = √ mean square within people. Any reader: variance components with reader and
    reader × person as error (agreement).

    Parameters
    ----------
    study
        Tidy frame, or a CSV file of it, one row a reading.
    measure
        What was read.
    unit
        Its unit.
    subject, reader, reading, value
        The columns; several readings a person and reader, at least two readers.
    published
        Figures to set beside, columns reader ("any" for any reader), what (ICC, SEM, MDC95), value, source.
    confidence_level
        Of the intervals.

    Raises
    ------
    SheetError
        A column is missing, a value is no number.
    NotEnoughError
        One person, one reader, no repeats.

    References
    ----------
    Eliasziw et al. (1994) Phys Ther 74:777-788.

    Examples
    --------
    >>> rows = pd.DataFrame({"subject": [1, 2, 3] * 4, "reader": ["a"] * 6 + ["b"] * 6,
    ...                      "reading": ([1] * 3 + [2] * 3) * 2,
    ...                      "value": [30.0, 41, 36, 31, 40, 37, 33, 42, 38, 32, 44, 38]})
    >>> round(ruler(rows, measure="knee_extension", unit="deg").figure("SEM", reader="a")["value"].item(), 3)
    0.707
    """
    frame = _study_of(Path(study)) if isinstance(study, (str, Path)) else study
    checks.columns_present(frame, [subject, reader, reading, value])
    read = checks.numbers(frame[value], name=value)
    whole = pd.Series(read).notna().to_numpy() & frame[[subject, reader, reading]].notna().all(axis=1).to_numpy()
    kept = frame.loc[whole].assign(**{value: read[whole]})
    if kept.empty:
        raise NotEnoughError(f"No row has a {subject}, a {reader}, a {reading} and a {value} together.")
    rows = [
        _row(SAME, str(name), what, estimate)
        for name, own in kept.groupby(reader, sort=True)
        for what, estimate in _same_reader(own, subject, reading, value, unit, confidence_level)
    ]
    shares = variance_shares(
        kept, unit=unit, subject=subject, facets=[reader], value=value, confidence_level=confidence_level
    )
    sem = sem_of_design(shares)
    rows += [
        _row(ANY, "any", what, estimate)
        for what, estimate in (("ICC", icc_of_design(shares)), ("SEM", sem), ("MDC95", mdc(sem)))
    ]
    return Ruler(
        measure=measure,
        unit=unit,
        n_subjects=shares.n_subjects,
        n_readers=kept[reader].nunique(),
        n_readings=len(kept),
        n_set_aside=int((~whole).sum()),
        figures=_beside(pd.DataFrame(rows), published),
    )


def knee_goniometer_ruler(*, confidence_level: float = 0.95) -> Ruler:
    """The ruler of the open goniometer study (29 knees, two goniometers, three readings), published figures beside it.

    Source of data and figures: Eliasziw et al. (1994) Phys Ther 74:777-788; see datasets/open/knee_goniometer.

    Examples
    --------
    >>> round(knee_goniometer_ruler().figure("MDC95", reader="universal")["value"].item(), 2)
    2.38
    """
    return ruler(
        dataset_file("open/data/knee_goniometer_eliasziw_1994.csv"),
        measure="knee extension (passive)",
        unit="deg",
        reader="goniometer",
        value="knee_extension_deg",
        published=pd.read_csv(dataset_file("open/knee_goniometer/published.csv")),
        confidence_level=confidence_level,
    )


def _same_reader(
    own: pd.DataFrame, subject: str, reading: str, value: str, unit: str, confidence_level: float
) -> list[tuple[str, Estimate]]:
    """ICC, SEM and MDC95 of one reader's repeated readings."""
    again = icc(own, subject=subject, reader=reading, value=value, confidence_level=confidence_level)
    sem = within_person(own, unit=unit, subject=subject, value=value, confidence_level=confidence_level).sd
    return [("ICC", again.icc_1_1), ("SEM", sem), ("MDC95", mdc(sem))]


def _row(comparison: str, reader: str, what: str, estimate: Estimate) -> dict[str, object]:
    """One figure of the page."""
    named = estimate.as_row()
    return {"comparison": comparison, "reader": reader, "what": what} | {
        column: named[column] for column in ("value", "ci_low", "ci_high", "unit", "n", "n_of", "method")
    }


def _beside(figures: pd.DataFrame, published: pd.DataFrame | None) -> pd.DataFrame:
    """The published figures in columns of their own, empty where there is none."""
    if published is None:
        return figures.assign(published=float("nan"), published_source="")
    checks.columns_present(published, ["reader", "what", "value", "source"])
    given = published[["reader", "what", "value", "source"]].rename(
        columns={"value": "published", "source": "published_source"}
    )
    if given.duplicated(["reader", "what"]).any():
        raise SheetError("The published figures name the same reader and figure twice; keep one row each.")
    beside = figures.merge(given, on=["reader", "what"], how="left", validate="one_to_one")
    return beside.assign(published_source=beside["published_source"].fillna(""))


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordedErrors(Shown):
    """Reading errors by measure; kappas of signs (yes/no) by measure; and why some measures have neither."""

    errors: dict[str, ReadingError]
    kappas: dict[str, Kappa]
    not_available: pd.DataFrame

    def sentence(self) -> str:
        """How many measures have an error of their own."""
        known = len(self.errors) + len(self.kappas)
        missing = len(self.not_available)
        return (
            f"{known} measure(s) were read twice before treatment often enough to show their own error"
            + (f"; {missing} were not" if missing else "")
            + "."
        )

    def table(self) -> pd.DataFrame:
        """One row a figure and measure; measures without one carry the reason."""
        rows = [
            {"measure": name, **row, "reason": ""}
            for found in (self.errors, self.kappas)
            for name, result in found.items()
            for row in result.table().to_dict("records")
        ]
        none = self.not_available.to_dict("records")
        return pd.DataFrame(
            rows + none,
            columns=["measure", "what", "value", "ci_low", "ci_high", "unit", "n", "n_of", "method", "reason"],
        )


def recorded_errors(rows: pd.DataFrame, *, confidence_level: float = 0.95) -> RecordedErrors:
    """The measurement error of every measure in the records that has `before` and `before_2`.

    Parameters
    ----------
    rows
        Tidy rows with client, measure, unit, before, before_2. Signs are 0/1 in both columns.
    confidence_level
        Of the intervals.

    Returns
    -------
    RecordedErrors
        RecordedErrors; a measure with too few pairs is listed in `not_available` with the reason. For signs each client
        counts once: the first pair (repeated pairs of a client would make kappa's interval too short).

    Raises
    ------
    SheetError
        A column is missing, or text stands among the readings.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": ["a", "b", "c"], "measure": "ankle_dorsiflexion_lunge", "unit": "deg",
    ...                      "before": [30.0, 34, 41], "before_2": [32.0, 33, 42]})
    >>> round(recorded_errors(rows).errors["ankle_dorsiflexion_lunge"].sem.value, 2)
    1.08
    """
    checks.columns_present(rows, ["client", "measure", "unit", "before", "before_2"])
    errors: dict[str, ReadingError] = {}
    kappas: dict[str, Kappa] = {}
    reasons: list[dict[str, str]] = []
    for measure, own in rows.groupby("measure", sort=True):
        name = str(measure)
        try:
            pairs = own.dropna(subset=["client", "before", "before_2"])
            if len(pairs) and set(pairs["before"]) | set(pairs["before_2"]) <= {0, 1}:
                once = pairs.drop_duplicates("client")
                kappas[name] = cohen_kappa(once["before"], once["before_2"], confidence_level=confidence_level)
                continue
            errors[name] = reading_error(
                own["before"],
                own["before_2"],
                own["client"],
                measure=name,
                unit=_one_unit(own["unit"]),
                confidence_level=confidence_level,
            )
        except NotEnoughError as error:
            reasons.append({"measure": name, "reason": str(error)})
    return RecordedErrors(
        errors=errors, kappas=kappas, not_available=pd.DataFrame(reasons, columns=["measure", "reason"])
    )


def _one_unit(units: pd.Series) -> str:
    """The unit of a measure; two units of one measure have no common error."""
    known = sorted(units.dropna().astype(str).unique())
    if len(known) > 1:
        raise NotEnoughError(f"The readings stand in {len(known)} units ({', '.join(known)}): convert them to one.")
    return known[0] if known else ""
