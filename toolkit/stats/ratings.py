"""A reliability study as the rest of this room wants it: who was read, by whom, what value, complete or with gaps.

One row of the tidy frame is one reading. A person need not be read by every reader; what is missing is counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from toolkit.errors import NotEnoughError, SheetError
from toolkit.stats import checks
from toolkit.stats.clustered import Codes, Floats, level_codes


@dataclass(frozen=True, kw_only=True, eq=False)
class Ratings:
    """Readings with their subject and reader as whole numbers from 0; rows without one of the three were set aside."""

    value: Floats
    subject: Codes
    reader: Codes
    n_subjects: int
    n_readers: int
    n_set_aside: int

    @property
    def complete(self) -> bool:
        """Whether every reader read every subject."""
        return len(self.value) == self.n_subjects * self.n_readers

    def counts(self) -> Floats:
        """Readings in each cell, subjects down, readers across."""
        table = np.zeros((self.n_subjects, self.n_readers))
        np.add.at(table, (self.subject, self.reader), 1.0)
        return table


def ratings_from(frame: pd.DataFrame, *, subject: str, reader: str, value: str) -> Ratings:
    """The study in a tidy frame: text among numbers, one person, one reader and constant readings are refused.

    Raises
    ------
    SheetError
        A column is missing, a value is no number, a reader read a subject twice.
    NotEnoughError
        One subject, one reader, or readings that are all the same.
    """
    checks.columns_present(frame, [subject, reader, value])
    read = checks.numbers(frame[value], name=value)
    keep = ~np.isnan(read) & frame[subject].notna().to_numpy() & frame[reader].notna().to_numpy()
    kept = frame.loc[keep]
    if kept.empty:
        raise NotEnoughError(f"No row has a {subject}, a {reader} and a {value} together; nothing can be computed.")
    who, people = level_codes(kept[subject])
    by, readers = level_codes(kept[reader])
    _once_each(kept, who, by, subject=subject, reader=reader)
    if len(readers) < 2:
        raise NotEnoughError(
            f"Only one {reader} ({readers[0]}) read anything: agreement needs at least two readers, or two readings by "
            f"one, told apart in the column {reader!r}."
        )
    checks.enough_people(len(people), what="readings")
    checks.must_vary(
        read[keep],
        what=f"All {len(kept)} readings are the same number",
        remedy="neither people nor readers can be told apart. Check the column, or read people who differ.",
    )
    return Ratings(
        value=read[keep],
        subject=who,
        reader=by,
        n_subjects=len(people),
        n_readers=len(readers),
        n_set_aside=int((~keep).sum()),
    )


def _once_each(kept: pd.DataFrame, who: Codes, by: Codes, *, subject: str, reader: str) -> None:
    """Raise when one reader has two values for one subject."""
    again = np.flatnonzero(pd.DataFrame({"who": who, "by": by}).duplicated())
    if len(again):
        first = kept.iloc[again[0]]
        raise SheetError(
            f"{len(again)} row(s) repeat a {reader} for the same {subject}, the first: {subject} {first[subject]}, "
            f"{reader} {first[reader]}. For several readings by one reader use `variance_shares`, or name the readings "
            f"in a column of their own and give that as `reader`."
        )


def complete_pairs(
    first: npt.ArrayLike, second: npt.ArrayLike, person: npt.ArrayLike | None
) -> tuple[Floats, Floats, pd.Series, int]:
    """Complete pairs, whose they are, at least three people, differences that vary; and how many were set aside."""
    given = np.arange(len(np.asarray(first))) if person is None else person
    people = pd.Series(given.array if isinstance(given, pd.Series) else np.asarray(given, dtype=object))
    checks.same_length(first=first, second=second, person=people)
    one, two = checks.numbers(first, name="first"), checks.numbers(second, name="second")
    keep = ~(np.isnan(one) | np.isnan(two)) & people.notna().to_numpy()
    names = people[keep]
    checks.enough_people(len({str(name) for name in names.unique()}), what="both readings", needed=3)
    checks.must_vary(
        one[keep] - two[keep],
        what=f"All {int(keep.sum())} differences are the same",
        remedy="limits of agreement say nothing. Check that the two columns were read independently.",
    )
    return one[keep], two[keep], names, int((~keep).sum())
