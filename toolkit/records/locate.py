"""From grids and texts to the raw tables that hold readings: which tables of a file are read, and what the rest says.

A text file whose header stands in its first line goes the fast way (see `separated`), any other is laid out as a grid.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.dates import proven_order
from toolkit.records.encodings import Decoded, decode
from toolkit.records.field_words import field_of_header
from toolkit.records.find_tables import Found, tables_in
from toolkit.records.grid import Grid, is_number, make_grid
from toolkit.records.header_words import read_header, read_levels
from toolkit.records.lexicon import language_of, words_of_language
from toolkit.records.mapping import FIELDS
from toolkit.records.pairs import pair_sign
from toolkit.records.propose_fields import said_by_sheet
from toolkit.records.raw_table import Around, RawTable, check_headers
from toolkit.records.separated import SEPARATORS, Split, find_separator, split_text
from toolkit.records.texts import clean_text, distinct, first_texts, is_empty, plain
from toolkit.records.unfold import blanks_to_continue, column_of, legend_texts, unfold, what_line

_LAID_OUT = 5_000
_SAMPLE = 80
_FEWER = 2
_HEAD = 20_000
_OWN_NAMES = frozenset(map(plain, FIELDS))
_ENOUGH_OWN = 8
_LOOK = 400_000
_NOTHING_BELOW = "there is a header, but no row below it. Nothing was recorded, or not exported."


def raw_tables(grids: Sequence[Grid], *, sha256: str, kind: str, settings: Mapping[str, Any]) -> list[RawTable]:
    """The tables of a file that hold readings; the others are named in the notes.

    Args:
        grids: the file's sheets.
        sha256: the file's hash.
        kind: text or workbook.
        settings: `header_row` of a columns.toml.

    Raises:
        ExportError: no table with rows is there.
    """
    file = grids[0].file if grids else "(file)"
    if "header_row" in settings:
        return _told_header(grids, int(settings["header_row"]) - 1, sha256=sha256, kind=kind)
    shown = [grid for grid in grids if not grid.hidden] or list(grids)
    found = [one for grid in shown for one in tables_in(grid)]
    filled = [one for one in found if one.rows]
    if not filled or (any(map(_holds_readings, found)) and not any(map(_holds_readings, filled))):
        nothing = "no table was found: no line of headers with rows below it."
        raise ExportError(f"{file}: {_NOTHING_BELOW if found else nothing}")
    read = [one for one in filled if _holds_readings(one)] or [max(filled, key=lambda one: one.points)]
    legend = legend_texts(grids, read)
    titles = _titles(grids, read)
    tables: list[RawTable] = []
    for one in read:
        tables += unfold(one, sha256=sha256, kind=kind, titles=[one.grid.sheet, *titles], legend=legend)
    if not any(len(table.rows) for table in tables):
        raise ExportError(f"{file}: {_NOTHING_BELOW}")
    tables = [table for table in tables if len(table.rows)]
    if len({table.file for table in tables}) == 1 and len(grids) == 1:
        tables = [table.renamed(table.file.replace(f" [{grids[0].sheet}]", "", 1)) for table in tables]
    elif len(tables) == 1:
        tables = [tables[0].renamed(file)]
    seen = {id(one.grid) if not one.grid.turned else one.grid.sheet for one in read}
    left = [grid for grid in grids if id(grid) not in seen and grid.sheet not in seen and grid.height]
    if left:
        names = ", ".join(f"{grid.file} [{grid.sheet}]" for grid in left)
        tables[0] = tables[0].noted(f"not read, as no readings before and after stand there: {names}")
    return tables


def _holds_readings(found: Found) -> bool:
    """Whether a table has columns of readings, or of a phase and a value, and not a summary's."""
    words = words_of_language(found.grid.language or "en")
    fields: set[str] = set()
    phases: list[str] = []
    for place, parts in found.headers.items():
        if not parts:
            continue
        name = field_of_header(parts[-1], words)
        told = read_levels(parts, words)
        if name and not (told.phase and told.rest == read_header(parts[-1], words).rest):
            fields.add(name)
        elif told.phase or told.order:
            phases.append(told.phase)
        if pair_sign(_sample_of(found, place), parts, words):
            phases += ["before", "after"]
    if said_by_sheet(Around(sheet=found.grid.sheet, language=found.grid.language or "en"))[0]:
        phases += ["before", "after"] if len(fields) > 1 and len(found.headers) > len(fields) else []
    enough = len(fields - {"comment", "difference"}) > 1 or bool(found.pairs) or {"client"} & fields
    return bool(enough) and (len(set(phases)) > 1 or {"phase", "value"} <= fields or (bool(phases) and len(fields) > 2))


def _sample_of(found: Found, place: int) -> list[str]:
    """The different texts of the first cells of a column."""
    cells = [found.grid.cells[row][place] for row in found.rows[:_SAMPLE]]
    return list(dict.fromkeys(cell for cell in cells if isinstance(cell, str)))


def _titles(grids: Sequence[Grid], read: Sequence[Found]) -> list[str]:
    """Texts that speak for the whole file: its name, and the lines of sheets without a table."""
    with_tables = {one.grid.sheet for one in read}
    loose = [
        text
        for grid in grids
        if grid.sheet not in with_tables and grid.height < 40
        for row in range(grid.height)
        for text in grid.texts(row).values()
    ]
    return [Path(grids[0].file).stem, *loose[:40]]


def _told_header(grids: Sequence[Grid], start: int, *, sha256: str, kind: str) -> list[RawTable]:
    """The tables whose header stands in the row that a columns.toml names, on every sheet with the same header."""
    tables = []
    for grid in grids:
        if grid.height <= start + 1 or not grid.texts(start):
            continue
        label = f"{grid.file} [{grid.sheet}]" if len(grids) > 1 else grid.file
        headers = check_headers(list(map(str, grid.cells[start])), file=label)
        rows = [row for row in range(start + 1, grid.height) if grid.texts(row)]
        cells = {header: column_of([grid.cells[row][place] for row in rows]) for place, header in enumerate(headers)}
        tables.append(
            RawTable(
                file=label,
                sha256=sha256,
                cells=pd.DataFrame(cells),
                rows=np.array([row + 1 for row in rows], dtype=np.int64),
                kind=kind,
            )
        )
    filled = [table for table in tables if len(table.rows)]
    if not filled:
        raise ExportError(f"{grids[0].file}: no sheet has a header in row {start + 1} and rows below it.")
    same = [table for table in filled if list(table.cells.columns) == list(filled[0].cells.columns)]
    return [with_surroundings(table) for table in same]


def read_text(path: Path, data: bytes, *, sha256: str, settings: Mapping[str, Any]) -> list[RawTable]:
    """A separated text file as raw tables: straight through where the header stands in the first line, else as a grid.

    Args:
        path: the file.
        data: its bytes.
        sha256: its hash.
        settings: `separator` and `header_row` of a columns.toml.

    Raises:
        ExportError: no text, no table, or lines that cannot be split.
    """
    decoded = decode(data, file=path.name)
    if "header_row" not in settings:
        told = settings.get("headers", frozenset())
        sign, text = find_separator(decoded.utf8, settings.get("separator"))
        if sign and (laid_out := _laid_out(text, sign, path.name, told)) is not None:
            tables = raw_tables([laid_out], sha256=sha256, kind="text", settings={})
            return [
                replace(table, encoding=decoded.encoding, separator=SEPARATORS.get(sign, sign), sample=decoded.sample)
                for table in tables
            ]
    header_row = int(settings.get("header_row", 1))
    split = split_text(decoded.utf8, file=path.name, separator=settings.get("separator"), header_row=header_row)
    return [_straight(path, split, decoded, sha256)]


def _straight(path: Path, split: Split, decoded: Decoded, sha256: str) -> RawTable:
    """The raw table of a text that was split line by line."""
    if not len(split.rows) and not len(split.broken):
        raise ExportError(f"{path.name}: {_NOTHING_BELOW}")
    return with_surroundings(
        RawTable(
            file=path.name,
            sha256=sha256,
            cells=split.cells,
            rows=split.rows,
            kind="text",
            encoding=decoded.encoding,
            separator=split.separator,
            sample=decoded.sample,
            rows_blank=split.rows_blank,
            broken=split.broken,
        )
    )


def _laid_out(text: bytes, sign: str, file: str, told: frozenset[str]) -> Grid | None:
    """The text as a grid where its table does not simply begin with its first line; None where it does."""
    head = _rows_of(text[:_HEAD], sign, most=1)
    if head and (sum(plain(cell) in _OWN_NAMES for cell in head[0]) >= _ENOUGH_OWN or (told and told <= {*head[0]})):
        return None
    lines = text.count(b"\n") + 1
    sample = text if lines <= _LAID_OUT else text[:_LOOK]
    rows = _rows_of(sample, sign, most=None if lines <= _LAID_OUT else _SAMPLE)
    if not rows or any('"' in cell for cell in rows[0]) or _swallowed(rows, sign):
        return None
    grid = make_grid(rows, file=file)
    found = [one for one in tables_in(grid) if one.points >= 2]
    plain_header = len(found) == 1 and found[0].top == found[0].bottom == 0 and not found[0].grid.turned
    if not found or (plain_header and not blanks_to_continue(found[0], words_of_language(grid.language))):
        return None
    return grid if lines <= _LAID_OUT else make_grid(_rows_of(text, sign, most=None), file=file)


def _swallowed(rows: list[list[str]], sign: str) -> bool:
    """Whether a quotation mark that is not closed has made one cell of several lines."""
    width = max(map(len, rows))
    return any("\n" in cell and cell.count(sign) >= width - 1 for row in rows for cell in row)


def _rows_of(text: bytes, sign: str, *, most: int | None) -> list[list[str]]:
    """The cells of the first lines, or of all."""
    rows: list[list[str]] = []
    try:
        for row in csv.reader(io.StringIO(text.decode("utf-8", errors="ignore"), newline=""), delimiter=sign):
            rows.append(row)
            if most is not None and len(rows) >= most:
                break
    except csv.Error:
        return []
    return rows


def with_surroundings(table: RawTable) -> RawTable:
    """A table read straight, with its language, its file's name as title, and lines that are no sessions set apart."""
    headers = [str(header) for header in table.cells.columns]
    texts = [text for header in headers[:40] for text in first_texts(table.cells[header], 25)]
    language = language_of([*headers, *(text for text in texts if len(text) < 40)])
    around = Around(language=language, titles=(Path(table.file).stem,) if table.file != "(table)" else ())
    parts: dict[str, tuple[str, ...]] = {header: (header,) for header in headers}
    return _lines_apart(replace(table, around=around, parts=parts))


def with_proven_orders(tables: list[RawTable]) -> list[RawTable]:
    """The tables of one file, each told which order of day and month the dates under the same header elsewhere prove.

    The dates above visits side by side stand under "". Where dates contradict each other nothing is told.
    """
    if len(tables) < 2:
        return tables
    proven: dict[str, set[str]] = {}
    for table in tables:
        for header in map(str, table.cells.columns):
            order = proven_order(map(clean_text, distinct(table.cells[header])[1]))[0]
            proven.setdefault(header, set()).update({order} - {"", "either"})
        above = table.around.date if table.around else ""
        proven.setdefault("", set()).update({proven_order([above])[0]} - {"", "either"})
    orders = {header: found.pop() for header, found in proven.items() if len(found) == 1}
    orders = {header: order for header, order in orders.items() if order != "both"}
    return [replace(table, around=replace(table.around or Around(), date_orders=orders)) for table in tables]


def _lines_apart(table: RawTable) -> RawTable:
    """The table without lines of averages, totals or one text, which are kept count of."""
    words = words_of_language(table.around.language if table.around else "en")
    filled = np.full(len(table.cells), table.cells.shape[1], dtype=np.int16)
    for header in table.cells.columns:
        empty = is_empty(table.cells[header])
        if empty.any():
            filled -= empty
    usual = float(np.median(filled)) if len(filled) else 0.0
    lines = []
    for row in np.flatnonzero((filled == 1) | (filled <= usual - _FEWER)).tolist():
        first = next((place for place in range(min(3, table.cells.shape[1])) if table.cells.iat[row, place]), None)
        if filled[row] > 1 and (first is None or any(map(str.isdigit, str(table.cells.iat[row, first])))):
            continue
        filled_cells = {place: text for place, text in enumerate(table.cells.iloc[row].astype(str)) if text}
        if what := what_line(filled_cells, [_typed(text) for text in filled_cells.values()], words):
            lines.append((row, next(iter(filled_cells.values())), what))
    if not lines:
        return table
    gone = np.zeros(len(table.cells), dtype=bool)
    gone[[row for row, _, _ in lines]] = True
    others = pd.DataFrame(
        [(table.rows[row], text, what) for row, text, what in lines], columns=["row", "value", "what"]
    )
    cells = table.cells.loc[~gone].reset_index(drop=True)
    return replace(table, cells=cells, rows=table.rows[~gone], others=others)


def _typed(text: str) -> Any:
    """A number as a number, any other text as it is."""
    return 1.0 if is_number(text) else text
