"""Records: the rows that can be used, the rows set aside and why, and where all of it came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from toolkit.records.codebook import Codebook
from toolkit.records.mapping import Mapping
from toolkit.result import Shown
from toolkit.writing import table_maker, write_file


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

    `rows` has one row per measured side of one measure in one session (readings in the codebook's unit, NaN = not
    taken), `set_aside` one line per row or reading that is not used (file, row, column, value, reason, remedy, scope,
    readings), `flags` what is worth knowing about kept rows (file, row, column, value, what). `sites`: where two sites
    or more were read, what was read, kept and set aside at each; codes then carry their site's name (`north/C001`).
    """

    rows: pd.DataFrame
    set_aside: pd.DataFrame
    flags: pd.DataFrame
    source: Source
    codebook: Codebook
    mapping: Mapping
    sites: pd.DataFrame = field(default_factory=no_sites)

    def sentence(self) -> str:
        """How many rows were read, kept and set aside, and what they hold."""
        source, rows = self.source, self.rows
        files = "1 file" if len(source.files) == 1 else f"{len(source.files)} files"
        return (
            f"{source.rows_read} rows read from {files}: {source.rows_kept} kept, "
            f"{source.rows_set_aside} set aside. Kept are {source.readings_kept} readings in "
            f"{rows['session_id'].nunique()} sessions of {rows['client'].nunique()} clients; "
            f"{source.readings_set_aside} readings were set aside."
        )

    def table(self) -> pd.DataFrame:
        """Rows and readings by what became of them: one line for what was kept, one for each reason."""
        kept = {"what": "kept", "rows": self.source.rows_kept, "readings": self.source.readings_kept}
        reasons = self.set_aside.assign(
            reason=self.set_aside["reason"].where(
                ~self.set_aside["reason"].str.startswith("the same as "), "the same as an earlier row"
            ),
            rows=(self.set_aside["scope"] == "row").astype(int),
        )
        counts = (
            reasons.groupby("reason", sort=False)[["rows", "readings"]].sum().sort_values("readings", ascending=False)
        )
        lines = [
            {"what": f"set aside: {reason}", **{str(k): int(v) for k, v in row.items()}}
            for reason, row in counts.iterrows()
        ]
        return pd.DataFrame([kept, *lines])

    def write_set_aside(self, path: str | Path, *, replace: bool = False) -> Path:
        """Write what was set aside as CSV; cells that a spreadsheet would run as a formula are made plain text."""
        return write_file(path, table_maker(self.set_aside), replace=replace)
