"""The ruler from a practitioner's own records: every measure that was read twice before treatment.

Takes the tidy rows (one row = one measured side of one measure in one session) with `before` and `before_2`.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.measurement import checks
from toolkit.measurement.kappa import Kappa, cohen_kappa
from toolkit.measurement.reliability import ReadingError, reading_error
from toolkit.result import Shown


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

    Args:
        rows: tidy rows with client, measure, unit, before, before_2. Signs are 0/1 in both columns.
        confidence_level: of the intervals.

    Returns:
        RecordedErrors; a measure with too few pairs is listed in `not_available` with the reason. For signs each client
        counts once: the first pair (repeated pairs of a client would make kappa's interval too short).

    Raises:
        SheetError: a column is missing, or text stands among the readings.

    Example:
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
