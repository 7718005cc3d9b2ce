"""Was the question declared? Written down before the first session it is judged on, and to the usual error."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

import pandas as pd

from toolkit.claim.question import Question

MOST_ALPHA = 0.05


@dataclass(frozen=True, kw_only=True)
class Declared:
    """Whether a question counts as declared, and why (not), in a sentence."""

    yes: bool
    says: str


def declared_status(
    question: Question, dates: pd.Series, *, sealed_on: str | None = None, today: date | None = None
) -> Declared:
    """Does a question count as written down before looking?

    Parameters
    ----------
    question
        With `declared_on` and `alpha` as its sheet says.
    dates
        Days of the sessions that it is judged on, one a session; missing where a session has none.
    sealed_on
        The day of its seal, which counts before a day written by hand.
    today
        For the check that nothing was declared in the future; the computer's day if left out.

    Examples
    --------
    >>> asked = Question(measure="m", region="any", intervention="i", declared_on="2026-01-05")
    >>> declared_status(asked, pd.Series(pd.to_datetime(["2026-01-04", "2026-02-01"]))).yes
    False
    """
    said = sealed_on[:10] if sealed_on else question.declared_on
    how = "sealed" if sealed_on else "dated by hand"
    if said is None:
        return Declared(yes=False, says="The question bears no day on which it was written down.")
    day = pd.Timestamp(said)
    if day.date() > (today or datetime.now(UTC).date()):
        return Declared(yes=False, says=f"The question is dated {said}, which is still to come.")
    if question.alpha > MOST_ALPHA:
        return Declared(yes=False, says=f"The question allows more error (alpha = {question.alpha:g}) than 0.05.")
    known = pd.to_datetime(dates).dropna()
    if known.empty:
        return Declared(yes=False, says=f"The question is {how} {said}; the sessions bear no days to hold it against.")
    before = int((known < day).sum())
    if before:
        return Declared(
            yes=False,
            says=f"{before} of {len(dates)} sessions that decide were held before the question was written down "
            f"({how} {said}).",
        )
    return Declared(yes=True, says=f"The question was {how} {said}, before the first of {len(dates)} sessions.")
