"""From a path or a frame to raw tables of text: CSV, TSV, XLSX, Parquet, whatever their encoding and separator.

Nothing is understood here: no number, no date, no header. That keeps one place where files can go wrong, and every
message about a file (which line, what was found, what was expected) comes from this module and the readers it calls.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.arrow_texts import encoded_strings
from toolkit.records.bounds import MOST_BYTES, Clock, check_bytes, check_cells, check_file, check_shape
from toolkit.records.locate import raw_tables, read_text, with_proven_orders, with_surroundings
from toolkit.records.pairs import pairs_apart
from toolkit.records.raw_table import RawTable, check_headers
from toolkit.records.texts import cell_text, from_codes, from_texts, longest
from toolkit.safe_text import printable

ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods", ".parquet")
_BINARY = {
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"GIF8": "a GIF picture",
    b"BM": "a bitmap picture",
    b"%PDF": "a PDF document",
    b"\x1f\x8b": "a gzip archive",
    b"\x7fELF": "a program",
    b"SQLite format 3": "a database",
    b"{\\rtf": "a word processor's document",
}
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_LONGEST_LINE = 1_000_000
_NOTHING = b"\xef\xbb\xbf\xff\xfe \t\r\n\x00"


def find_files(source: str | Path | Sequence[str | Path]) -> list[Path]:
    """The files a source names: one path, several, or a folder with exports in it.

    Raises:
        ExportError: a path does not exist, or a folder holds no export.
    """
    given = [source] if isinstance(source, (str, Path)) else list(source)
    if not given:
        raise ExportError("No file was given. Name the export, or several: audit JANUARY.csv FEBRUARY.csv")
    files: list[Path] = []
    for item in given:
        path = Path(item)
        if path.is_dir():
            inside = sorted(
                p for p in path.iterdir() if p.suffix.lower() in ENDINGS and not p.name.startswith((".", "~"))
            )
            if not inside:
                raise ExportError(f"{path}: the folder holds no export ({', '.join(ENDINGS)}).")
            files += inside
        elif not path.exists():
            raise ExportError(f"{path}: there is no such file. Check the spelling and the folder.")
        else:
            files.append(path)
    return files


def read_file(path: Path, *, settings: Mapping[str, Any] | None = None) -> list[RawTable]:
    """Read one file within the bounds of `toolkit.records.bounds`; see `_read_file`."""
    clock = Clock(file=path.name)
    told = str((settings or {}).get("pairs", ""))
    tables = [table.renamed(printable(table.file)) for table in _read_file(path, settings=settings)]
    tables = with_proven_orders([pairs_apart(table, told=told) for table in tables])
    for table in tables:
        clock.check()
        check_shape(table.rows_read, table.cells.shape[1], file=table.file)
        for name in table.cells.columns:
            check_cells(longest(table.cells[name]), file=table.file, column=str(name))
    return tables


def _read_file(path: Path, *, settings: Mapping[str, Any] | None = None) -> list[RawTable]:
    """Read one file as raw tables (a workbook may hold several sheets with the same header).

    Args:
        path: CSV, TSV, XLSX or Parquet.
        settings: `separator`, `header_row` and `sheet` from a columns.toml.

    Raises:
        ExportError: the file cannot be opened, is something else than its ending says, or is damaged.
    """
    chosen = settings or {}
    _refuse_lock_file(path)
    data = _bytes_of(path)
    _refuse_other_kinds(data, file=path.name)
    digest = hashlib.sha256(data).hexdigest()
    if data.startswith((b"PK", _OLE)):
        from toolkit.records.workbooks import read_grids

        return raw_tables(read_grids(path, data, settings=chosen), sha256=digest, kind="workbook", settings=chosen)
    if data.startswith(b"PAR1"):
        return [_read_parquet(path, sha256=digest)]
    if path.suffix.lower() in (".xlsx", ".xls", ".ods", ".parquet"):
        raise ExportError(
            f"{path.name}: the ending says {path.suffix.lower()[1:].upper()}, but the content is not. "
            "Open it in the program that made it and export it again."
        )
    return read_text(path, data, sha256=digest, settings=chosen)


def _bytes_of(path: Path) -> bytes:
    """The file's content; an empty, locked or unreadable file is refused in words."""
    try:
        check_file(path)
        check_bytes(path.stat().st_size, file=path.name)
        with path.open("rb") as file:
            head = file.read(_LONGEST_LINE)
            _refuse_endless_line(head, file=path.name)
            if len(head) < _LONGEST_LINE:
                data = head
            else:
                file.seek(0)
                data = file.read(MOST_BYTES)
    except OSError as fault:
        raise ExportError(
            f"{path.name}: the file cannot be opened ({fault.strerror}). Close it in other programs, and check that "
            "you may read it."
        ) from None
    if not head.strip(_NOTHING) and not data.strip(_NOTHING):
        raise ExportError(f"{path.name}: the file is empty. Export the sessions again, with a header in the first row.")
    return data


def _refuse_lock_file(path: Path) -> None:
    """Refuse the small file that a spreadsheet program keeps beside a workbook while it is open."""
    if path.name.startswith(("~$", ".~lock.")):
        meant = path.name.removeprefix("~$").removeprefix(".~lock.").removesuffix("#")
        raise ExportError(
            f"{path.name}: this is only the sign that a workbook is open in a spreadsheet program. Save and close the "
            f"workbook there, and name the workbook itself ({meant})."
        )


def _refuse_endless_line(head: bytes, *, file: str) -> None:
    """Refuse, before the rest is read, a text that has no line break where any table would have many."""
    if len(head) == _LONGEST_LINE and b"\n" not in head and b"\r" not in head and b"\x00" not in head[:1000]:
        raise ExportError(
            f"{file}, line 1: no line break within the first {_LONGEST_LINE:,} characters; expected one line a row. "
            "This is not a table of sessions, or its line breaks were lost."
        )


def _refuse_other_kinds(data: bytes, *, file: str) -> None:
    """Refuse pictures, documents, protected workbooks, whatever their ending says."""
    for magic, kind in _BINARY.items():
        if data.startswith(magic) and not data[:200].isascii():
            raise ExportError(f"{file}: this is {kind}, not a table of sessions. Export the sessions as CSV or XLSX.")
    if data.startswith((b"%PDF", b"{\\rtf")):
        raise ExportError(f"{file}: this is a document, not a table of sessions. Export the sessions as CSV or XLSX.")


def _read_parquet(path: Path, *, sha256: str) -> RawTable:
    """A Parquet file as a raw table."""
    from pyarrow import ArrowException, parquet

    try:
        held = parquet.ParquetFile(path)
        size = sum(held.metadata.row_group(place).total_byte_size for place in range(held.metadata.num_row_groups))
        check_bytes(size, file=path.name)
        check_shape(held.metadata.num_rows, held.metadata.num_columns, file=path.name)
        frame = held.read().to_pandas()
    except (ArrowException, OSError) as fault:
        raise ExportError(f"{path.name}: the Parquet file is damaged ({fault}). Export it again.") from None
    return read_frame(frame, file=path.name, sha256=sha256, kind="parquet")


def read_frame(frame: pd.DataFrame, *, file: str = "(table)", sha256: str = "", kind: str = "frame") -> RawTable:
    """A DataFrame as a raw table, every cell as the text a spreadsheet would show.

    Row numbers count as in a spreadsheet with the header in row 1, so the first row of the frame is row 2.

    Raises:
        ExportError: the frame has no rows, no columns, or a column twice.
    """
    names = check_headers([str(name) for name in frame.columns], file=file)
    if not len(frame):
        raise ExportError(f"{file}: there is a header, but no row below it. Nothing was recorded, or not exported.")
    columns = {name: cell_texts(frame.iloc[:, place]) for place, name in enumerate(names)}
    cells = pd.DataFrame(columns)
    digest = sha256 or hashlib.sha256(pd.util.hash_pandas_object(cells, index=False).to_numpy().tobytes()).hexdigest()
    return with_surroundings(
        RawTable(file=file, sha256=digest, cells=cells, rows=np.arange(2, len(frame) + 2), kind=kind)
    )


def cell_texts(column: pd.Series) -> pd.Categorical:
    """The texts a spreadsheet would show for a column of values, as a categorical; missing values are ""."""
    if column.dtype == object:
        return from_texts([cell_text(value) for value in column])
    if isinstance(column.dtype, pd.StringDtype) and not column.hasnans:
        return encoded_strings(column.array)
    codes, values = pd.factorize(column, use_na_sentinel=True)
    texts = [cell_text(value) for value in values] + [""]
    return from_codes(np.where(codes < 0, len(texts) - 1, codes), texts)
