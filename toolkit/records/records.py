"""The road from an export to records: read, map, understand, judge, compare, count."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from collections.abc import Mapping as Table
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.account import Records, Source, no_sites
from toolkit.records.checks import (
    flag_copies,
    flag_near_clients,
    flag_sides,
    own_sessions,
    set_contradictions_aside,
    set_repeats_aside,
)
from toolkit.records.codebook import Codebook, load_codebook
from toolkit.records.context import understand_context
from toolkit.records.identifiers import refuse_identifiers
from toolkit.records.layouts import reading_rows, session_rows, wide_rows
from toolkit.records.ledger import Ledger
from toolkit.records.long_readings import join_readings
from toolkit.records.lost_rows import lost_rows
from toolkit.records.mapping import READING_FIELDS, Mapping, find_mapping, read_mapping
from toolkit.records.pairs import pairs_apart
from toolkit.records.raw_table import RawTable
from toolkit.records.reading_files import read_file, read_frame
from toolkit.records.readings import Rulers, rulers_of
from toolkit.records.settling import settle_mapping
from toolkit.records.sheets import sheet_of
from toolkit.records.sites import account_by_site, at_site, files_by_site, scoped, several_sites
from toolkit.records.texts import n_different, row_keys, stack
from toolkit.records.tidy import as_written, settle_scopes, tidy_rows
from toolkit.records.vocabulary import vocabulary_of

__all__ = ["Records", "Source", "load_records"]


_SAID_ELSEWHERE = ("client", "technique", "order", "date_order", "year")
"""Questions whose matter is told where the cells are read."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sheet:
    """One table with what its columns mean."""

    table: RawTable
    mapping: Mapping
    site: str = ""


def load_records(
    source: str | Path | Sequence[str | Path] | Table[str, Any] | pd.DataFrame,
    *,
    columns: str | Path | Table[str, Any] | None = None,
    codebook: Codebook | str | Path | None = None,
) -> Records:
    """Read an export of sessions and account for every row of it.

    Parameters
    ----------
    source
        A file (CSV, TSV, XLSX, Parquet), several, a folder, or a DataFrame in one of the three layouts. Several sites:
        a folder with a folder for each, or a mapping of site names to folders or files (`records.sites`).
    columns
        A columns.toml or a mapping with the same content; the columns.toml beside the file when None, and without one
        the toolkit's own header names, or a proposal from headers and values.
    codebook
        A loaded codebook, or the path of a user's extension; the codebook.toml beside the export when None, and without
        one the project's own.

    Returns
    -------
    Records
        `readings`, `long`, `changes()`, `set_aside`, `mapping`, `save(path)`; shown, it says what was kept.

    Raises
    ------
    ExportError
        A file cannot be read, or its layout is not understood.
    IdentifierError
        Columns look like names, birth dates, addresses.
    SheetError
        The columns.toml or the codebook extension is wrong.

    Examples
    --------
    >>> rows = pd.DataFrame({"client": ["K1"], "practitioner": ["P1"], "date": ["2026-03-04"],
    ...     "region": ["upper_trapezius"], "treated_side": ["left"], "intervention": ["percussive_release"],
    ...     "measure": ["cervical_rotation"], "measured_side": ["left"], "unit": ["deg"],
    ...     "before": [60], "after": [66]})
    >>> load_records(rows).source.rows_kept
    1
    """
    beside = codebook if codebook is not None else _additions_beside(source)
    book = beside if isinstance(beside, Codebook) else load_codebook(beside)
    rulers, ledger = rulers_of(book), Ledger()
    sheets = _read(source, columns, book)
    parts, read = _understood(sheets, book, rulers, ledger)
    rows, members = _joined(parts, ledger)
    rows = own_sessions(rows, ledger)
    rows = set_repeats_aside(rows, ledger)
    rows = set_contradictions_aside(rows, ledger)
    flag_copies(rows, ledger)
    flag_near_clients(rows, ledger, told={word for sheet in sheets for word in sheet.mapping.words_for("client")})
    flag_sides(rows, codebook=book, rulers=rulers, ledger=ledger)
    _refuse_if_all_is_asked(rows, sheets)
    shown, own_units = as_written(rows, book)
    set_aside = settle_scopes(ledger.set_aside_frame(), rows, members)
    accounts = _source(sheets, rows, members, set_aside, read)
    lost = lost_rows(ledger.sheets, set_aside, dates=rows["date"])
    sites = account_by_site(read, set_aside) if rows["site"].nunique() > 1 else no_sites()
    mapping = sheets[0].mapping
    for held in (sheets, read, ledger.sheets):  # cells are let go before words are written out
        held.clear()
    shown = shown.drop(columns=["readings", "wide_id"])
    del rows
    return Records(
        rows=tidy_rows(shown),
        set_aside=set_aside,
        flags=ledger.flag_frame(),
        source=accounts,
        codebook=own_units,
        mapping=mapping,
        lost=lost,
        sites=sites,
    )


def _additions_beside(source: Any) -> Path | None:
    """The user's own codebook.toml in the folder of the export, None where there is none."""
    given = list(source.values()) if isinstance(source, Table) else source
    first = given[0] if isinstance(given, (list, tuple)) and given else given
    if not isinstance(first, (str, Path)):
        return None
    place = Path(first)
    beside = (place if place.is_dir() else place.parent) / "codebook.toml"
    return beside if beside.is_file() else None


def _read(source: Any, columns: Any, codebook: Codebook) -> list[_Sheet]:
    """Every sheet of the source with its mapping."""
    given = None if columns is None else read_mapping(columns)
    if isinstance(source, pd.DataFrame):
        told = given.settings.get("pairs", "") if given else ""
        table = pairs_apart(read_frame(source), told=told)
        return [_settled(table, given, codebook)]
    sheets: list[_Sheet] = []
    names: Counter[str] = Counter()
    for site, path in files_by_site(source):
        beside = find_mapping(path) if given is None else None
        mine = read_mapping(beside) if beside else given
        tables = read_file(path, settings=_settings(mine))
        headers = {str(header) for table in tables for header in table.cells.columns}
        for table in tables:
            table = table.renamed(f"{site}/{table.file}") if site else table
            names[table.file] += 1
            if names[table.file] > 1:
                table = table.renamed(f"{table.file} ({names[table.file]})")
            sheets.append(_settled(table, mine, codebook, headers, site=site))
    return sheets


def _settings(given: Mapping | None) -> dict[str, Any] | None:
    """What a user's mapping says of the file itself, and the headers it names."""
    if given is None:
        return None
    named = {*given.fields.values(), *(one.column for one in given.readings)}
    return {**given.settings, "headers": frozenset(named)}


def _settled(
    table: RawTable, given: Mapping | None, codebook: Codebook, elsewhere: Iterable[str] = (), *, site: str = ""
) -> _Sheet:
    """A table with its mapping; refused where columns tell who a client is."""
    mapping = settle_mapping(table, given=given, codebook=codebook, elsewhere=elsewhere)
    refuse_identifiers(table, mapping)
    return _Sheet(table=table, mapping=mapping, site=site)


def _understood(
    sheets: list[_Sheet], codebook: Codebook, rulers: Rulers, ledger: Ledger
) -> tuple[dict[str, list[pd.DataFrame]], list[pd.DataFrame]]:
    """(rows by layout, every row read with its site and how many readings it holds) of all sheets."""
    parts: dict[str, list[pd.DataFrame]] = {"wide": [], "long": []}
    read, frames = [], []
    for sheet in sheets:
        mapping, words = sheet.mapping, vocabulary_of(codebook, sheet.mapping)
        _flag_mapping(sheet, ledger)
        raw = at_site(sheet_of(sheet.table, mapping, ledger), sheet.site)
        read.append(raw[["file", "row", "readings", "site"]])
        ledger.sheets.append((raw, mapping, words))
        frames.append(understand_context(raw, mapping=mapping, words=words, ledger=ledger))
    many = several_sites(frames)
    for sheet, frame in zip(sheets, frames, strict=True):
        mapping, words = sheet.mapping, vocabulary_of(codebook, sheet.mapping)
        frame = scoped(frame) if many else frame
        if mapping.layout == "session_rows":
            parts["wide"].append(session_rows(frame, mapping=mapping, words=words, rulers=rulers, ledger=ledger))
        elif mapping.layout == "long":
            parts["long"].append(reading_rows(frame, mapping=mapping, words=words, rulers=rulers, ledger=ledger))
        else:
            parts["wide"].append(wide_rows(frame, mapping=mapping, words=words, rulers=rulers, ledger=ledger))
    return parts, read


def _refuse_if_all_is_asked(rows: pd.DataFrame, sheets: Sequence[_Sheet]) -> None:
    """Stop with the question where nothing can be used until it is answered."""
    kinds = ("unit", "tip")
    asked = [
        (sheet.table.file, question) for sheet in sheets for question in sheet.mapping.asked if question.kind in kinds
    ]
    if asked and not len(rows):
        file, question = asked[0]
        raise ExportError(f"{file}: {question.text} The command columns asks it and writes the file.")


def _flag_mapping(sheet: _Sheet, ledger: Ledger) -> None:
    """Say that a mapping was proposed, and which columns nothing was made of."""
    mapping, file = sheet.mapping, sheet.table.file
    if mapping.origin == "proposed":
        what = "what the columns mean was understood from headers and values; check it, and keep it as a columns.toml"
        ledger.flag_file(file, column="(all)", what=what)
    for header in mapping.ignored:
        ledger.flag_file(file, column=header, what="this column is not used")
    for question in mapping.asked:
        if question.kind in _SAID_ELSEWHERE:
            continue
        ledger.flag_file(file, column=question.column, what=question.text)
    for note in sheet.table.notes:
        ledger.flag_file(file, column="(file)", what=note)


def _joined(parts: dict[str, list[pd.DataFrame]], ledger: Ledger) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(all rows, one a measured side; members: which sheet rows each row joined from several came from)."""
    members = pd.DataFrame({"wide_id": [], "file": [], "row": []})
    frames = [frame.assign(wide_id=np.int64(-1)) for frame in parts["wide"]]
    if parts["long"]:
        joined, members = join_readings(stack(parts["long"]), ledger)
        frames.append(joined)
    parts.clear()
    return stack(frames), members


def _source(
    sheets: list[_Sheet],
    rows: pd.DataFrame,
    members: pd.DataFrame,
    set_aside: pd.DataFrame,
    read: list[pd.DataFrame],
) -> Source:
    """The accounts; refuses to go on if read = kept + set aside does not hold."""
    counts = sum(sheet.table.rows_read for sheet in sheets), sum(int(one["readings"].sum()) for one in read)
    kept_rows = _kept_sheet_rows(rows, members)
    kept_readings = int(rows[list(READING_FIELDS)].notna().to_numpy().sum())
    aside_rows, aside_readings = int((set_aside["scope"] == "row").sum()), int(set_aside["readings"].sum())
    if counts != (kept_rows + aside_rows, kept_readings + aside_readings):
        raise ExportError(
            f"The accounts do not close: {counts[0]} rows and {counts[1]} readings were read, {kept_rows} and "
            f"{kept_readings} kept, {aside_rows} and {aside_readings} set aside. Please report this."
        )
    hashes = [sheet.table.sha256 for sheet in sheets]
    joined = hashes[0] if len(set(hashes)) == 1 else hashlib.sha256("".join(hashes).encode()).hexdigest()
    return Source(
        files=pd.DataFrame([_file_line(sheet) for sheet in sheets]),
        sha256=joined,
        layout=" + ".join(dict.fromkeys(sheet.mapping.layout for sheet in sheets)),
        rows_read=counts[0],
        rows_kept=kept_rows,
        rows_set_aside=aside_rows,
        readings_read=counts[1],
        readings_kept=kept_readings,
        readings_set_aside=aside_readings,
    )


def _kept_sheet_rows(rows: pd.DataFrame, members: pd.DataFrame) -> int:
    """How many rows of the sheets have at least one reading in use."""
    direct = rows.loc[(rows["wide_id"] < 0).to_numpy(), ["file", "row"]]
    joined = members.loc[members["wide_id"].isin(rows["wide_id"]), ["file", "row"]].drop_duplicates()
    return n_different(row_keys(direct, ["file", "row"])) + len(joined)


def _file_line(sheet: _Sheet) -> dict[str, Any]:
    """One line of `Source.files`."""
    table = sheet.table
    return {
        "file": table.file,
        "sha256": table.sha256,
        "layout": sheet.mapping.layout,
        "kind": table.kind,
        "encoding": table.encoding,
        "separator": table.separator,
        "sample": ", ".join(table.sample),
        "rows_read": table.rows_read,
        "rows_blank": table.rows_blank,
        "mapping": sheet.mapping.origin,
        "notes": "; ".join(table.notes),
    }
