"""The error of one reading and what it lets one see: SEM, within-person SD, repeatability, smallest detectable change.

SEM is the standard error of measurement: the standard deviation of one reading about the person's true value. It is had
from an ICC and a standard deviation, from the differences of readings taken twice, or from a study's variance
components; every way gives its interval, because ten people read twice leave a SEM uncertain by half.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.number_words import figure_text, quantity
from toolkit.quantiles import chi2_quantile
from toolkit.result import Estimate, Shown
from toolkit.stats import checks
from toolkit.stats.clustered import client_codes, pooled_df, sd_interval
from toolkit.stats.intraclass import IccTable
from toolkit.stats.reading_error import Z90, Z95


def sem_from_icc(
    icc: float, sd: float, *, n: int, unit: str, n_readings: int = 2, confidence_level: float = 0.95
) -> Estimate:
    """SEM = SD √(1 − ICC), as most published studies give it.

    The interval is a chi-square interval with (n − 1)(n_readings − 1) df, the error's df in a study of n people read
    n_readings times; it supposes that `sd` is the standard deviation of the readings the ICC was computed from.

    Parameters
    ----------
    icc
        The published ICC, at most 1.
    sd
        Standard deviation of the readings between people, in `unit`.
    n
        People in the study.
    unit
        Unit of the readings.
    n_readings
        Readings (or readers) a person.

    Raises
    ------
    SheetError
        ICC above 1, or a negative SD.
    NotEnoughError
        Fewer than two people or readings.

    References
    ----------
    Weir (2005) J Strength Cond Res 19:231-240.

    Examples
    --------
    >>> sem = sem_from_icc(0.8, 7.5, n=30, unit="points")
    >>> round(sem.value, 2), round(sem.ci_low, 2), round(sem.ci_high, 2)
    (3.35, 2.67, 4.51)
    """
    checks.level(confidence_level)
    if not icc <= 1 or not sd >= 0:
        raise SheetError(f"An ICC is at most 1 and an SD not negative; here they are {icc} and {sd}. Check the source.")
    if n < 2 or n_readings < 2:
        raise NotEnoughError(f"A SEM needs at least 2 people with 2 readings; here {n} with {n_readings}.")
    df = float((n - 1) * (n_readings - 1))
    return _sem(
        float(sd * np.sqrt(1 - icc)),
        df,
        unit=unit,
        n=n,
        n_of="people",
        method=f"SD √(1 − ICC), chi-square interval with {df:g} df",
        confidence_level=confidence_level,
    )


def sem_consistency(study: IccTable, *, unit: str, confidence_level: float = 0.95) -> Estimate:
    """SEM within one reader's scale: √ error mean square; constant differences between readers are left out.

    References
    ----------
    Weir (2005) J Strength Cond Res 19:231-240 (his SEM is this one).
    """
    return _sem(
        float(np.sqrt(study.ms_error)),
        study.df_error_effective,
        unit=unit,
        n=study.n_subjects,
        n_of="subjects",
        method=f"√ error mean square, chi-square interval with {study.df_error_effective:.3g} effective df",
        confidence_level=confidence_level,
        name="SEM (consistency)",
    )


def sem_agreement(study: IccTable, *, unit: str, confidence_level: float = 0.95) -> Estimate:
    """SEM of a reading by any reader: √ (reader variance + error variance).

    A negative reader variance counts as none. The interval is Graybill & Wang's modified large-sample one. With two or
    three readers its upper limit is very wide: so few readers say little about readers.

    References
    ----------
    de Vet et al. (2006) J Clin Epidemiol 59:1033-1039; Graybill & Wang (1980) J Am Stat Assoc 75:869-873.
    """
    checks.level(confidence_level)
    df = study.n_readers - 1.0
    per_reader = study.n_readings / study.n_readers
    ms_readers = max(study.var_error + per_reader * study.var_readers, 0.0)
    parts = np.array([ms_readers / per_reader, (1 - 1 / per_reader) * study.var_error])
    low, high = sum_interval(parts, np.array([df, study.df_error_effective]), confidence_level=confidence_level)
    value = max(study.var_readers, 0.0) + study.var_error
    return Estimate(
        name="SEM (agreement)",
        value=float(np.sqrt(value)),
        ci_low=float(np.sqrt(min(low, value))),
        ci_high=float(np.sqrt(max(high, value))),
        unit=unit,
        n=study.n_subjects,
        n_of="subjects",
        method=f"√ (reader + error variance), {study.n_readers} readers, modified large-sample interval",
        confidence_level=confidence_level,
    )


def sum_interval(
    parts: npt.NDArray[np.float64], df: npt.NDArray[np.float64], *, confidence_level: float
) -> tuple[float, float]:
    """Limits for a sum of expected mean squares times positive weights (Graybill & Wang 1980).

    `parts` are weight × mean square, `df` their degrees of freedom.
    """
    tail = (1 - confidence_level) / 2
    below = 1 - df / chi2_quantile(1 - tail, df)
    above = df / chi2_quantile(tail, df) - 1
    total = float(parts.sum())
    low = total - float(np.sqrt(((below * parts) ** 2).sum()))
    return max(low, 0.0), total + float(np.sqrt(((above * parts) ** 2).sum()))


def mdc(sem: Estimate, *, percent: int = 95, group_of: int = 1) -> Estimate:
    """Smallest detectable change: z √2 SEM for one person, divided by √n for the mean of a group of n people.

    Parameters
    ----------
    sem
        A SEM with its interval.
    percent
        95 (z = 1.96) or 90 (z = 1.645).
    group_of
        People whose mean change is judged; 1 = one person.

    References
    ----------
    Weir (2005) J Strength Cond Res 19:231-240; de Vet et al. (2006), groups.

    Examples
    --------
    >>> round(mdc(sem_from_icc(0.8, 7.5, n=30, unit="points")).value, 2)
    9.3
    """
    factors = {95: Z95, 90: Z90}
    if percent not in factors:
        raise SheetError(f"A smallest detectable change is given at 95 or 90 percent, not {percent}.")
    if group_of < 1:
        raise SheetError(f"A group has at least one person, not {group_of}.")
    factor = factors[percent] * float(np.sqrt(2 / group_of))
    group = "" if group_of == 1 else f", mean of {group_of} people"
    return Estimate(
        name=f"MDC{percent}{group}",
        value=factor * sem.value,
        ci_low=factor * sem.ci_low,
        ci_high=factor * sem.ci_high,
        unit=sem.unit,
        n=sem.n,
        n_of=sem.n_of,
        method=f"{factors[percent]:g} √2 SEM{' / √n' if group else ''}; SEM: {sem.method}",
        confidence_level=sem.confidence_level,
        df=sem.df,
    )


@dataclass(frozen=True, kw_only=True)
class WithinPerson(Shown):
    """How far readings of one person scatter when taken again: SD within a person and the repeatability coefficient.

    Two readings of one person differ by less than `repeatability` in about 95 of 100 pairs.
    """

    sd: Estimate
    repeatability: Estimate
    n_people: int
    n_readings: int
    n_set_aside: int

    def sentence(self) -> str:
        """Repeatability in words."""
        r = self.repeatability
        return (
            f"{self.n_readings} readings of {self.n_people} people: two readings of the same person lie within "
            f"{quantity(r.value, r.unit)} of each other in about 95 of 100 pairs "
            f"({figure_text(r.ci_low)} to {figure_text(r.ci_high)})."
        )

    def table(self) -> pd.DataFrame:
        """Within-person SD and repeatability coefficient."""
        return pd.DataFrame([self.sd.as_row(), self.repeatability.as_row()])


def within_person(
    readings: pd.DataFrame,
    *,
    unit: str,
    subject: str = "subject",
    value: str = "value",
    multiplier: float = 1.96,
    confidence_level: float = 0.95,
) -> WithinPerson:
    """Within-person standard deviation and repeatability coefficient from readings taken again and again.

    A shift between first and second readings counts as error here (unlike `reading_error`). Numbers of readings may
    differ from person to person; people read once are set aside.

    Parameters
    ----------
    readings
        Tidy frame, one row a reading.
    unit
        Unit of the readings.
    subject
        Column of the person.
    value
        Column of the readings.
    multiplier
        1.96, or 2 as in Bland & Altman (1986); the coefficient is multiplier × √2 × SD.

    Raises
    ------
    NotEnoughError
        Fewer than two people read twice, or readings of each person identical.

    References
    ----------
    Bland & Altman (1986) Lancet 327:307-310; (1996) BMJ 313:744.

    Examples
    --------
    >>> rows = pd.DataFrame({"subject": [1, 1, 2, 2], "value": [30.0, 32, 41, 40]})
    >>> round(within_person(rows, unit="deg").sd.value, 3)
    1.118
    """
    checks.level(confidence_level)
    checks.columns_present(readings, [subject, value])
    read = checks.numbers(readings[value], name=value)
    keep = ~np.isnan(read) & readings[subject].notna().to_numpy()
    own = client_codes(readings[subject][keep])
    keep[keep] = np.bincount(own)[own] >= 2 if len(own) else False
    who = client_codes(readings[subject][keep])
    checks.enough_people(int(who.max()) + 1 if len(who) else 0, what="two readings or more")
    means = np.bincount(who, weights=read[keep]) / np.bincount(who)
    squares, df = float(((read[keep] - means[who]) ** 2).sum()), float(keep.sum() - len(means))
    if squares <= 0:
        raise NotEnoughError(
            "Every person's readings are identical, so no scatter can be seen. Readings copied from one another look "
            "like this: take them anew, unseen."
        )
    per_person = np.bincount(who, weights=(read[keep] - means[who]) ** 2).astype(float)
    effective = pooled_df(per_person, np.bincount(who).astype(float) - 1)
    sd = _sem(
        float(np.sqrt(squares / df)),
        effective,
        unit=unit,
        n=len(means),
        n_of="people",
        method=f"√ mean square within people, chi-square interval with {effective:.3g} effective df",
        confidence_level=confidence_level,
        name="within-person SD",
    )
    factor = multiplier * float(np.sqrt(2))
    repeatability = Estimate(
        name="repeatability coefficient",
        value=factor * sd.value,
        ci_low=factor * sd.ci_low,
        ci_high=factor * sd.ci_high,
        unit=unit,
        n=sd.n,
        n_of="people",
        method=f"{multiplier:g} √2 × within-person SD",
        confidence_level=confidence_level,
        df=effective,
    )
    return WithinPerson(
        sd=sd,
        repeatability=repeatability,
        n_people=len(means),
        n_readings=int(keep.sum()),
        n_set_aside=int((~keep).sum()),
    )


def _sem(
    value: float,
    df: float,
    *,
    unit: str,
    n: int,
    n_of: str,
    method: str,
    confidence_level: float,
    name: str = "SEM",
) -> Estimate:
    """A standard deviation of error as an Estimate with its chi-square interval."""
    low, high = sd_interval(value, df, confidence_level=confidence_level)
    return Estimate(
        name=name,
        value=value,
        ci_low=low,
        ci_high=high,
        unit=unit,
        n=n,
        n_of=n_of,
        df=df,
        method=method,
        confidence_level=confidence_level,
    )
