"""Records: the rows that can be used, the rows set aside and why, and where all of it came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.free_text import rows_without_text
from toolkit.records.lost_rows import no_rows_lost
from toolkit.records.mapping import Mapping
from toolkit.records.public_frames import (
    COLUMNS,
    accounts_figure,
    changes_frame,
    long_frame,
    readings_frame,
    save_readings,
)
from toolkit.result import Shown
from toolkit.writing import table_maker, write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, kw_only=True, eq=False)
class Source:
    """Where records came from, and the accounts: rows and readings read = kept + set aside.

    `files` has one line a sheet: file, sha256, layout, kind, encoding, separator, sample (words outside ASCII),
    rows_read, rows_blank, mapping, notes. `sha256` is that of the file, or of the hashes
    of several together.
    """

    files: pd.DataFrame
    sha256: str
    layout: str
    rows_read: int
    rows_kept: int
    rows_set_aside: int
    readings_read: int
    readings_kept: int
    readings_set_aside: int


def no_sites() -> pd.DataFrame:
    """The accounts by site where there is one site, or none is named."""
    return pd.DataFrame({"site": []})


@dataclass(frozen=True, kw_only=True, eq=False)
class Records(Shown):
    """What an export holds, row by row accounted for: `source.rows_read = source.rows_kept + source.rows_set_aside`.

    `load_records` makes it. `readings`, `long` and `changes` are for going on by yourself; every function of the
    toolkit that takes a frame takes `Records` too.

    Attributes
    ----------
    rows : pandas.DataFrame
        What the toolkit itself works on: as `readings`, words plain, an empty word where nothing was written.
    set_aside : pandas.DataFrame
        One line a row or reading that is not used: file, row, column, value, reason, remedy, scope, readings.
    flags : pandas.DataFrame
        What is worth knowing about kept rows: file, row, column, value, what.
    source : Source
        Where the records came from, and the accounts.
    codebook : Codebook
        The measures, regions and words the records were read with.
    mapping : Mapping
        What the columns of the export were taken for.
    lost : pandas.DataFrame
        Rows set aside whole, with what their cells still tell: client, session, what was done, the order, the reason.
    sites : pandas.DataFrame
        Where two sites or more were read: what was read, kept and set aside at each; codes then carry their site's name
        (`north/C001`).

    Examples
    --------
    >>> from toolkit import demo, load_records
    >>> records = load_records(demo())
    >>> records.readings["measure"].nunique(), records.changes()["client"].nunique()
    (5, 150)
    """

    rows: pd.DataFrame
    set_aside: pd.DataFrame
    flags: pd.DataFrame
    source: Source
    codebook: Codebook
    mapping: Mapping
    sites: pd.DataFrame = field(default_factory=no_sites)
    lost: pd.DataFrame = field(default_factory=no_rows_lost)

    def sentence(self) -> str:
        """How many rows were read, kept and set aside, and what they hold."""
        source, rows = self.source, self.rows
        names = source.files["file"].str.replace(r" [\[(].*[\])]$", "", regex=True).nunique()
        files = "1 file" if names == 1 else f"{names} files"
        return (
            f"{source.rows_read} rows read from {files}: {source.rows_kept} kept, "
            f"{source.rows_set_aside} set aside. Kept are {source.readings_kept} readings in "
            f"{rows['session_id'].nunique()} sessions of {rows['client'].nunique()} clients; "
            f"{source.readings_set_aside} readings were set aside."
        )

    @property
    def readings(self) -> pd.DataFrame:
        """One row a measured side of one measure in one session: tidy, words as categories, missing is missing.

        Columns (`columns` has them as a table): who and when (`session_id`, `client`, `practitioner`, `site`, `date`,
        `day`, `visit`), what was done (`region`, `treated_side`, `intervention`, `order`), what was read (`measure`,
        `measured_side`, `unit`, `better`), the readings in `unit` (`before`, `before_2`, `after_wait`, `after`), and
        the details of the session.

        Examples
        --------
        >>> from toolkit import demo, load_records
        >>> load_records(demo()).readings.groupby("measure")["before"].mean().round(0)["pain_rating"]
        np.float64(5.0)
        """
        return self._readings.copy(deep=False)

    @cached_property
    def _readings(self) -> pd.DataFrame:
        return readings_frame(self.rows, self.codebook)

    @property
    def columns(self) -> pd.DataFrame:
        """What each column of `readings` holds: `column`, `holds`, `filled` (how many rows have it)."""
        frame = self._readings
        return pd.DataFrame(
            {
                "column": list(frame.columns),
                "holds": [COLUMNS.get(str(name), "") for name in frame.columns],
                "filled": [int(frame[name].notna().sum()) for name in frame.columns],
            }
        )

    @property
    def long(self) -> pd.DataFrame:
        """One row a reading taken: as `readings`, with `phase` (before, before_2, after_wait, after) and `value`."""
        return long_frame(self._readings)

    def changes(
        self, *, first: str = "before", second: str = "after", by: str | Sequence[str] | None = None
    ) -> pd.DataFrame:
        """One row a client and measure: the mean change from `first` to `second`, better is positive.

        Parameters
        ----------
        first, second
            Columns of `readings` to compare.
        by
            Further columns that make groups (region, intervention …).

        Returns
        -------
        pandas.DataFrame
            `client`, `measure`, `unit`, `better`, the columns of `by`, then `change`, `mean_first`, `mean_second` (in
            `unit`, means over the client's rows that have both readings), `n_rows`, `n_sessions`.

        Raises
        ------
        ToolkitError
            A column is not there.
        """
        return changes_frame(self._readings, first=first, second=second, by=by)

    def save(self, path: str | Path, *, replace: bool = False) -> Path:
        """Write the readings: ``.csv``, ``.xlsx`` (with what was set aside and the columns' meaning) or ``.parquet``.

        Parameters
        ----------
        path
            The file; its ending says what is written.
        replace
            Write over an earlier output of the toolkit.

        Raises
        ------
        ToolkitError
            The ending is another one, the folder does not exist, or the file is somebody else's.
        """
        return save_readings(self, Path(path), replace=replace)

    def plot(self) -> Figure:
        """How many rows and readings were kept, and how many were set aside for what."""
        return accounts_figure(self.table())

    def table(self) -> pd.DataFrame:
        """Rows and readings by what became of them: one line for what was kept, one for each reason."""
        kept = {"what": "kept", "rows": self.source.rows_kept, "readings": self.source.readings_kept}
        aside = self.shown_set_aside()
        reasons = aside.assign(
            reason=aside["reason"].where(~aside["reason"].str.startswith("the same as "), "the same as an earlier row"),
            rows=(aside["scope"] == "row").astype(int),
        )
        counts = (
            reasons.groupby("reason", sort=False)[["rows", "readings"]].sum().sort_values("readings", ascending=False)
        )
        lines = [
            {"what": f"set aside: {reason}", **{str(k): int(v) for k, v in row.items()}}
            for reason, row in counts.iterrows()
        ]
        return pd.DataFrame([kept, *lines])

    def shown_set_aside(self) -> pd.DataFrame:
        """What was set aside, as a report may show it: a free text of the export is named by its length."""
        return rows_without_text(self.set_aside, known=self._headers())

    def shown_flags(self) -> pd.DataFrame:
        """What is worth knowing about kept rows, as a report may show it."""
        return rows_without_text(self.flags, known=self._headers())

    def _headers(self) -> list[str]:
        mapping = self.mapping
        return [*mapping.fields.values(), *(one.column for one in mapping.readings), *mapping.ignored]

    def write_set_aside(self, path: str | Path, *, replace: bool = False, with_text: bool = False) -> Path:
        """Write what was set aside as CSV; cells that a spreadsheet would run as a formula are made plain text.

        Free text of the export is named by its length; `with_text` writes it out.
        """
        rows = self.set_aside if with_text else self.shown_set_aside()
        return write_file(path, table_maker(rows), replace=replace)
