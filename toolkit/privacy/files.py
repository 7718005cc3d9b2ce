"""De-identification from file to file: the key kept apart, the original never touched, nothing half-written."""

from __future__ import annotations

import re
from collections.abc import Mapping as Table
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.privacy.deidentify import Deidentified, deidentify
from toolkit.privacy.keys import key_from
from toolkit.records.mapping import find_mapping
from toolkit.records.raw_table import RawTable
from toolkit.records.reading_files import find_files, read_file
from toolkit.writing import check_free, table_maker, write_files


def deidentify_files(
    source: str | Path | Sequence[str | Path],
    out: str | Path,
    *,
    key: str | Path,
    client: str | Sequence[str] = (),
    date: str = "",
    date_order: str = "",
    keep: Sequence[str] = (),
    hidden_by: int = 5,
    columns: str | Path | Table[str, Any] | None = None,
    codebook: str | Path | None = None,
    replace: bool = False,
    new_key: bool = False,
) -> Deidentified:
    """De-identify an office export, or several with the same header, into one CSV with a report beside it.

    Writes `out` (CSV) and, beside it, the report of what was done to each column (`…_columns.csv`). The same key gives
    the same pseudonyms next year; days count from each client's first visit in the files given together.

    Args:
        source: a file (CSV, TSV, XLSX, Parquet), several, or a folder.
        out: the CSV to write; must not exist yet.
        key: the key's file, never in the folder of the data, nor below it. new_key: make it.
        replace: over an earlier output that nobody changed.
        client, date, date_order, keep, hidden_by, columns, codebook: see `toolkit.privacy.deidentify.deidentify`.

    Raises:
        SheetError: `out` exists or is an input, the key would lie beside the data, files with different headers.
        ExportError: a file cannot be read.
    """
    files, target = find_files(source), Path(out)
    report = target.with_name(f"{target.stem}_columns.csv")
    _check_target(target, report, files, replace=replace)
    tables = [table for path in files for table in read_file(path)]
    stacked = _stacked(tables)
    secret = key_from(key, away_from=[*files, target], new=new_key)
    done = deidentify(
        stacked,
        key=secret,
        client=client,
        date=date,
        date_order=date_order,
        keep=keep,
        hidden_by=hidden_by,
        columns=columns if columns is not None else find_mapping(files[0]),
        codebook=codebook,
    )
    _check_name(target, done.names)
    write_files({report: table_maker(done.report), target: table_maker(done.rows)}, replace=replace)
    return done


def _check_target(target: Path, report: Path, files: Sequence[Path], *, replace: bool) -> None:
    """Refuse to write over an input, over anything that exists, or into a folder that does not."""
    if target.suffix.lower() != ".csv":
        raise SheetError(f"{target.name}: what is written is a CSV file; let its name end in .csv.")
    if target.resolve() in {path.resolve() for path in files}:
        raise SheetError(f"{target.name} is one of the files to be read. The original is never written over.")
    check_free(target, report, replace=replace)


def _check_name(target: Path, names: frozenset[str]) -> None:
    """The name of what is written may not tell what was taken out of it."""
    if names & set(re.findall(r"[^\W\d_]{3,}", target.stem.casefold())):
        raise SheetError("The name of the file to write holds a word of somebody's name. Choose another name.")


def _stacked(tables: Sequence[RawTable]) -> pd.DataFrame:
    """All rows under one header; lines that could not be split are refused, since nobody knows what stands in them."""
    first = list(tables[0].cells.columns)
    for table in tables:
        if list(table.cells.columns) != first:
            raise SheetError(
                f"{table.file} has other columns than {tables[0].file}. De-identify files with different headers apart."
            )
        if len(table.broken):
            line = table.broken.iloc[0]
            raise SheetError(
                f"{table.file}, line {line['row']}: {line['found']} columns where {line['expected']} were expected, "
                f"and {len(table.broken) - 1} more such lines. Correct them: a shifted line could show a name."
            )
    return pd.concat([table.cells.astype(str) for table in tables], ignore_index=True)
