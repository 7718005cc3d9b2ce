"""How good is the ruler: reliability, measurement error, agreement of two readings, agreement on signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from toolkit.errors import ToolkitError
from toolkit.result import Result
from toolkit.stats.data import (
    By,
    Group,
    Part,
    answer,
    checked_level,
    frame_of,
    groups_of,
    groups_of_readings,
    need_columns,
    plain_number,
    refuse_sign,
)
from toolkit.stats.generalisability import readings_needed as needed_readings
from toolkit.stats.generalisability import variance_shares
from toolkit.stats.intraclass import icc
from toolkit.stats.reading_error import ReadingError, reading_error
from toolkit.stats.sem import mdc, sem_agreement, sem_consistency, within_person
from toolkit.stats.sem import sem_from_icc as sem_of_icc

if TYPE_CHECKING:
    pass

Weights = Literal["none", "linear", "quadratic"]


def reliability(
    data: Any,
    *,
    first: str = "before",
    second: str = "before_2",
    client: str = "client",
    by: By = None,
    level: float = 0.95,
    subject: str | None = None,
    reader: str | None = None,
    value: str = "value",
    unit: str | None = None,
) -> Result:
    """Intraclass correlations: how well one reading tells people apart.

    Two layouts. Two columns (`first`, `second`: the same side read twice) give ICC(2,1), and clients may repeat. One
    row a reading (`subject`, `reader`, `value`) gives the six forms, readers complete or with gaps.

    Parameters
    ----------
    data
        A frame, `Records` or two columns.
    first, second
        Columns of the two readings taken under the same conditions.
    client
        Column of clients (two-column layout).
    by
        Column or columns: a group of rows for each of their combinations.
    level
        Confidence level of the intervals.
    subject, reader, value
        Columns of the one-row-a-reading layout; `reader` may be a reader, an instrument or the number of the reading.
    unit
        Unit of the readings, where the data have no column of it.

    Returns
    -------
    Result
        A row a form of the ICC: "ICC(2,1)" alone, or ICC(1,1) to ICC(3,k).

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than two people read twice, or readings without variation.

    References
    ----------
    Shrout & Fleiss (1979) Psychological Bulletin 86:420-428; McGraw & Wong (1996) Psychological Methods 1:30-46;
    Harville & Fenech (1985) Biometrics 41:137-152 (gaps).

    Examples
    --------
    >>> import pandas as pd
    >>> data = pd.DataFrame({"client": list("abcd"), "before": [30, 34, 41, 38], "before_2": [32, 33, 42, 41]})
    >>> round(float(reliability(data)), 2)
    0.93
    """
    level = checked_level(level)
    if subject or reader:
        return _by_readings(data, subject or "subject", reader or "reader", value, by=by, level=level, unit=unit)
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, unit=unit)

    def computed(group: Group) -> Part:
        found = _own_error(group, first, second, level)
        counted = {"n_clients": found.n_clients, "n_rows": found.n_pairs}
        return Part(rows=[found.icc.standard_row(**counted)], says=found.sentence(), detail=found)

    return answer(groups, by_names, computed, title="Reliability of a reading")


def _by_readings(data: Any, subject: str, reader: str, value: str, *, by: By, level: float, unit: str | None) -> Result:
    groups, by_names = groups_of_readings(data, subject, reader, value, by=by, unit=unit)

    def computed(group: Group) -> Part:
        found = icc(group.rows, subject=subject, reader=reader, value=value, confidence_level=level)
        counted = {"n_clients": found.n_subjects, "n_rows": found.n_readings}
        rows = [one.standard_row(**counted) for one in found.estimates]
        return Part(rows=rows, says=found.sentence(), detail=found)

    return answer(groups, by_names, computed, title="Reliability of a reading")


def _own_error(group: Group, first: str, second: str, level: float) -> ReadingError:
    """The reading error of a group's two columns."""
    refuse_sign(group)
    rows = group.rows
    said: dict[str, Any] = {"measure": group.name, "unit": group.unit, "confidence_level": level}
    return reading_error(rows[first], rows[second], rows["client"], **said)


def measurement_error(
    data: Any,
    *,
    first: str = "before",
    second: str = "before_2",
    client: str = "client",
    by: By = None,
    level: float = 0.95,
    subject: str | None = None,
    reader: str | None = None,
    value: str = "value",
    unit: str | None = None,
) -> Result:
    """The standard error of measurement (SEM) and the smallest change one person's reading can show (MDC95, MDC90).

    Parameters
    ----------
    data, first, second, client, by, level, subject, reader, value, unit
        As `reliability`.

    Returns
    -------
    Result
        Two columns: rows SEM, MDC95, MDC90, "second minus first" and ICC(2,1). One row a reading: SEM of agreement and
        of consistency with their MDC95, the within-person SD and the repeatability coefficient.

    Raises
    ------
    ToolkitError
        A column is missing or holds words.
    NotEnoughError
        Fewer than two people read twice, or second readings that repeat the first.

    References
    ----------
    Weir (2005) Journal of Strength and Conditioning Research 19:231-240; Bland & Altman (1996) BMJ 313:744.

    Examples
    --------
    >>> import pandas as pd
    >>> data = pd.DataFrame({"client": list("abcd"), "before": [30, 34, 41, 38], "before_2": [32, 33, 42, 41]})
    >>> found = measurement_error(data, unit="deg")
    >>> round(float(found), 2), round(float(found.row("MDC95")["estimate"]), 2)
    (1.21, 3.35)
    """
    level = checked_level(level)
    if subject or reader:
        of = (subject or "subject", reader or "reader", value)
        groups, by_names = groups_of_readings(data, *of, by=by, unit=unit)
        return answer(groups, by_names, lambda g: _error_of_readings(g, *of, level), title="Measurement error")
    groups, by_names = groups_of(data, columns=(first, second), client=client, by=by, unit=unit)

    def computed(group: Group) -> Part:
        found = _own_error(group, first, second, level)
        counted = {"n_clients": found.n_clients, "n_rows": found.n_pairs}
        parts = (found.sem, found.mdc95, found.mdc90, found.shift, found.icc)
        return Part(rows=[one.standard_row(**counted) for one in parts], says=found.sentence(), detail=found)

    return answer(groups, by_names, computed, title="Measurement error")


def _error_of_readings(group: Group, subject: str, reader: str, value: str, level: float) -> Part:
    """SEM in its two senses, and within a person, from one row a reading."""
    said: dict[str, Any] = {"subject": subject, "value": value, "confidence_level": level}
    study = icc(group.rows, reader=reader, **said)
    own = within_person(group.rows, unit=group.unit, **said)
    agreement = sem_agreement(study, unit=group.unit, confidence_level=level)
    consistency = sem_consistency(study, unit=group.unit, confidence_level=level)
    named = {
        "SEM (agreement)": agreement,
        "MDC95 (agreement)": mdc(agreement),
        "SEM (consistency)": consistency,
        "MDC95 (consistency)": mdc(consistency),
        own.sd.name: own.sd,
        own.repeatability.name: own.repeatability,
    }
    counted = {"n_clients": study.n_subjects, "n_rows": study.n_readings}
    rows = [found.standard_row(**counted) | {"what": name} for name, found in named.items()]
    return Part(rows=rows, says=own.sentence(), detail=(study, own))


def sem_from_icc(icc: Any, sd: Any, *, n: int, n_readings: int = 2, level: float = 0.95, unit: str = "") -> Result:
    """The SEM and the smallest detectable change from what a paper prints: an ICC and the SD between people.

    Parameters
    ----------
    icc, sd
        The published ICC, and the SD (in `unit`) of the readings it was computed from; numbers or `Estimate`s.
    n
        People in the study.
    n_readings
        Readings (or readers) a person.
    level
        Confidence level of the intervals.
    unit
        Unit of the readings.

    Returns
    -------
    Result
        Rows SEM, MDC95, MDC90.

    Raises
    ------
    ToolkitError
        An ICC above 1, a negative SD, or fewer than two people or readings.

    References
    ----------
    Weir (2005) Journal of Strength and Conditioning Research 19:231-240.

    Examples
    --------
    >>> found = sem_from_icc(0.8, 7.5, n=30, unit="points")
    >>> found.frame["estimate"].round(2).tolist()
    [3.35, 9.3, 7.8]
    """
    numbers = plain_number(icc, "icc"), plain_number(sd, "sd")
    sem = sem_of_icc(*numbers, n=n, unit=unit, n_readings=n_readings, confidence_level=checked_level(level))
    parts = (sem, mdc(sem), mdc(sem, percent=90))
    return Result.of(
        [one.standard_row(n_clients=n) for one in parts],
        says=f"{sem.sentence()}; {parts[1].sentence()}.",
        title="Measurement error from a published ICC",
        detail=parts,
    )


def readings_needed(
    data: Any,
    *,
    wanted_sem: Any,
    subject: str = "client",
    reader: str | None = None,
    value: str = "value",
    largest: int = 50,
    unit: str = "",
) -> Result:
    """How many readings to average until the measurement error is as small as wanted.

    Parameters
    ----------
    data
        A frame with one row a reading.
    wanted_sem
        The SEM wished for, in the readings' unit; a number, an `Estimate` or a `Result`.
    subject, reader, value
        Columns: who was read, by whom (or which reading it was), the reading.
    largest
        Numbers tried, from 1 on.
    unit
        Unit of the readings.

    Returns
    -------
    Result
        A row a number averaged: the SEM with its interval; `averaged`, and `enough` where it is as small as wanted.

    Raises
    ------
    ToolkitError
        A column is missing, or the wanted SEM is not above 0.
    NotEnoughError
        One person, one reader, or no variation.

    References
    ----------
    Brennan (2001) Generalizability Theory; Weir (2005) Journal of Strength and Conditioning Research 19:231-240.

    Examples
    --------
    >>> import pandas as pd
    >>> data = pd.DataFrame({"client": [1, 1, 2, 2, 3, 3], "who": list("ab") * 3, "value": [30.0, 32, 41, 40, 36, 39]})
    >>> found = readings_needed(data, wanted_sem=1.0, reader="who")
    >>> int(found.frame.loc[found.frame["enough"], "averaged"].min())
    3
    """
    if reader is None:
        raise ToolkitError("Say which column tells the readers, or the readings, apart (reader=).")
    frame = frame_of(data, columns=(subject, reader, value))
    need_columns(frame, (subject, reader, value))
    wanted = plain_number(wanted_sem, "wanted_sem")
    shares = variance_shares(frame, unit=unit, subject=subject, facets=[reader], value=value)
    found = needed_readings(shares, wanted_sem=wanted, largest=largest)
    rows = [
        {"what": "SEM of the mean", "estimate": row["sem"], "ci_low": row["ci_low"], "ci_high": row["ci_high"]}
        | {"level": shares.confidence_level, "n_clients": shares.n_subjects, "n_rows": shares.n_readings, "unit": unit}
        | {"method": "variance components", "averaged": row["averaged"], "enough": bool(row["sem"] <= wanted)}
        for row in found.table().to_dict("records")
    ]
    return Result.of(rows, says=found.sentence(), title="How many readings to average", detail=found)
