"""From the tables found on a sheet to raw tables of one row a visit: merged cells filled, visits side by side taken
apart, a client's name above his table put beside his rows, lines of averages and titles counted as what they are.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.errors import ExportError
from toolkit.records.field_words import field_of_header
from toolkit.records.find_tables import Found
from toolkit.records.grid import Grid, is_date, is_number, shown
from toolkit.records.header_words import read_levels
from toolkit.records.lexicon import Words, fold, words_of_language
from toolkit.records.raw_table import MOST_COLUMNS, Around, RawTable, column_letter
from toolkit.records.surroundings import legend_of
from toolkit.records.texts import cell_text, distinct, from_codes

_INHERITED = ("client", "date", "day", "visit", "region", "treated_side", "intervention", "order", "practitioner")
_OFTEN_BLANK = 0.2
_ONCE_A_DAY = 0.4
_LINE_ABOVE = "(line above)"


@dataclass(frozen=True, kw_only=True)
class _Column:
    """One column of a table being unfolded: its header parts, its cells, the visit it belongs to ("" = every visit)."""

    parts: tuple[str, ...]
    cells: list[Any]
    place: int
    visit: str = ""


def unfold(found: Found, *, sha256: str, kind: str, titles: Sequence[str], legend: dict[str, str]) -> list[RawTable]:
    """The raw tables of one table of a sheet: one, or one a visit where visits stand side by side.

    Args:
        found: the table.
        sha256: the file's hash.
        kind: text, workbook …
        titles: texts that speak for the whole sheet and file, nearest first.
        legend: what codes and signs mean.
    """
    grid, words = found.grid, words_of_language(found.grid.language or "en")
    rows, lines = _sorted_lines(found, words)
    down = _merged_down(grid)
    columns = [
        _Column(parts=parts, cells=[_filled(grid, row, place, down) for row in rows], place=place)
        for place, parts in found.headers.items()
    ]
    columns = [one for one in columns if one.parts or any(cell not in ("", None) for cell in one.cells)]
    columns = _with_lines_above(columns, rows, lines, words)
    columns, once = _days_continued(_continued(columns, words), words)
    around = Around(
        language=grid.language or "en",
        sheet=grid.sheet,
        titles=(*_headings(columns), *reversed(found.above), *titles),
        pairs=tuple(found.pairs),
        legend=legend,
    )
    others = _others(lines)
    tables = []
    for visit, mine in _by_visit(columns, words).items():
        table = _raw_table(found, mine, rows, around=_of_visit(around, visit), sha256=sha256, kind=kind)
        if visit:
            table = _only_held(table.renamed(f"{grid.file} ({visit})"), words)
        tables.append(table)
    tables[0] = replace(tables[0], others=others)
    if once:
        tables = [
            table.noted(f"{once} rows without a date were given the one above: it is written once a day")
            for table in tables
        ]
    if grid.turned:
        tables = [
            table.noted("each column is a visit: row numbers are those of the columns, A = 1") for table in tables
        ]
    return tables


def _sorted_lines(found: Found, words: Words) -> tuple[list[int], list[tuple[int, str, str]]]:
    """(rows of sessions, (row, text, what it is) of the other lines)."""
    grid, rows, lines = found.grid, [], []
    header = {column: shown(grid.cells[found.bottom][column]) for column in found.columns}
    for row in found.rows:
        texts = grid.texts(row, found.columns)
        what = what_line(texts, [grid.cells[row][column] for column in texts], words)
        if not what and texts == {column: text for column, text in header.items() if text}:
            what = "the header again"
        if what:
            lines.append((row, next(iter(texts.values())), what))
        else:
            rows.append(row)
    return rows, lines


def what_line(texts: dict[int, str], cells: Sequence[Any], words: Words) -> str:
    """What a line is that is no session: a line of text, of averages or totals; "" for a row of data.

    Args:
        texts: column → text of the filled cells.
        cells: the same cells with their types.
        words: the sheet's words.
    """
    names = [text for text, cell in zip(texts.values(), cells, strict=True) if not is_number(cell)]
    if len(texts) == 1 and (names or "".join(texts.values()).startswith(("19", "20"))):
        return "a line of text"
    if not names:
        return ""
    first = fold(names[0])
    head = first.split()[0] if first else ""
    said = words.own("summary").get(first) or (words.table("summary").get(first) if len(first) > 4 else None)
    said = said or (words.own("summary").get(head) if len(head) > 3 else None)
    if said and len(names) <= 2 and next(iter(texts.values())) == names[0]:
        return "a line of averages" if said == "average" else "a line of totals"
    return ""


def _others(lines: list[tuple[int, str, str]]) -> pd.DataFrame:
    """The lines that are no sessions, as a frame."""
    return pd.DataFrame([(row + 1, text, what) for row, text, what in lines], columns=["row", "value", "what"])


def _merged_down(grid: Grid) -> dict[tuple[int, int], int]:
    """(row, column) → first row, for the cells below the first of a merged range that runs down one column."""
    down: dict[tuple[int, int], int] = {}
    for top, left, bottom, right in grid.merges:
        if left == right and (top, left) not in down:
            down |= {(row, left): top for row in range(top + 1, bottom + 1)}
    return down


def _filled(grid: Grid, row: int, column: int, down: dict[tuple[int, int], int]) -> Any:
    """A cell; of a merged range that runs down a column the value of its first cell."""
    return grid.cells[down.get((row, column), row)][column] if down else grid.cells[row][column]


def _with_lines_above(
    columns: list[_Column], rows: list[int], lines: list[tuple[int, str, str]], words: Words
) -> list[_Column]:
    """A client or date that stands alone on a line above its rows, as a column; where the table has none itself."""
    known = {field_of_header(one.parts[-1], words) for one in columns if one.parts}
    texts = [(row, text) for row, text, what in lines if what == "a line of text"]
    if ("client" in known and known & {"date", "day", "visit"}) or not texts or not rows or texts[0][0] > rows[0]:
        return columns
    dated = [is_number(text) and any(sign.isdigit() for sign in text) and len(text) > 5 for _, text in texts]
    field = "Date" if all(dated) else "Client" if "client" not in known and not any(dated) else ""
    if not field or (field == "Date" and known & {"date", "day", "visit"}):
        return columns
    cells, place = [], 0
    for row in rows:
        while place + 1 < len(texts) and texts[place + 1][0] < row:
            place += 1
        cells.append(texts[place][1].rpartition(":")[2].strip() if texts[place][0] < row else "")
    return [_Column(parts=(f"{field} {_LINE_ABOVE}",), cells=cells, place=-1), *columns]


def _continued(columns: list[_Column], words: Words) -> list[_Column]:
    """Columns in which who, when and what are written only on the first line of a client or a visit, filled down."""
    fields = {place: field_of_header(one.parts[-1], words) if one.parts else None for place, one in enumerate(columns)}
    by_field = {name: place for place, name in fields.items() if name in _INHERITED}
    if "client" not in by_field:
        return columns
    client = columns[by_field["client"]].cells
    blank = [cell in ("", None) for cell in client]
    if not client or blank[0] or sum(blank) < _OFTEN_BLANK * len(blank):
        return columns
    when = next((columns[by_field[name]].cells for name in ("date", "day", "visit") if name in by_field), client)
    filled = {name: list(columns[place].cells) for name, place in by_field.items()}
    for row in range(1, len(client)):
        if not blank[row]:
            continue
        same_visit = when[row] in ("", None)
        for name, cells in filled.items():
            if cells[row] in ("", None) and (same_visit or name == "client"):
                cells[row] = cells[row - 1]
    return [
        replace(one, cells=filled[fields[place] or ""])
        if fields[place] in filled and by_field[fields[place] or ""] == place
        else one
        for place, one in enumerate(columns)
    ]


def _days_continued(columns: list[_Column], words: Words) -> tuple[list[_Column], int]:
    """(the columns, rows filled) where the date is written once a day, above the first of several clients."""
    fields = [field_of_header(one.parts[-1], words) if one.parts else None for one in columns]
    if "client" not in fields or fields.count("date") != 1:
        return columns, 0
    place, client = fields.index("date"), columns[fields.index("client")].cells
    cells = list(columns[place].cells)
    blank = [cell in ("", None) and who not in ("", None) for cell, who in zip(cells, client, strict=True)]
    alone = sum(not is_date(cell) for cell in cells if cell not in ("", None))
    if not cells or cells[0] in ("", None) or alone or sum(blank) < _ONCE_A_DAY * len(cells):
        return columns, 0
    for row in range(1, len(cells)):
        if blank[row]:
            cells[row] = cells[row - 1]
    return [replace(one, cells=cells) if at == place else one for at, one in enumerate(columns)], sum(blank)


def blanks_to_continue(found: Found, words: Words) -> bool:
    """Whether clients or dates are left out below their first row, so that rows must be read in their order."""
    for place, parts in found.headers.items():
        if parts and field_of_header(parts[-1], words) in ("client", "date") and found.rows:
            cells = [found.grid.cells[row][place] for row in found.rows]
            if cells[0] not in ("", None) and sum(cell in ("", None) for cell in cells) >= _OFTEN_BLANK * len(cells):
                return True
    return False


def _headings(columns: list[_Column]) -> list[str]:
    """Headers of columns without any cell: a title that stands where a header would."""
    return [
        " ".join(one.parts) for one in columns if one.parts and not any(cell not in ("", None) for cell in one.cells)
    ]


def _by_visit(columns: list[_Column], words: Words) -> dict[str, list[_Column]]:
    """The columns of each visit where several stand side by side, with those that belong to every visit."""
    told = [_told_visit(one.parts, words) for one in columns]
    visits = list(dict.fromkeys(visit for visit, _ in told if visit))
    phased = [
        visit for (visit, _), one in zip(told, columns, strict=True) if visit and read_levels(one.parts, words).phase
    ]
    if len(set(phased)) < 2:
        return {"": columns}
    groups: dict[str, list[_Column]] = {}
    for visit in visits:
        groups[visit] = [
            replace(one, parts=parts or one.parts, visit=mine)
            for one, (mine, parts) in zip(columns, told, strict=True)
            if mine in ("", visit)
        ]
    return groups


def _told_visit(parts: tuple[str, ...], words: Words) -> tuple[str, tuple[str, ...]]:
    """("visit 2" or a date, the parts without it) where the header names a visit."""
    table = words.table("visit")
    for place, part in enumerate(parts):
        if is_number(part) and len(parts) > 1 and len(part) > 5:
            return part, (*parts[:place], *parts[place + 1 :])
        tokens = fold(part).split()
        for spot, token in enumerate(tokens):
            glued = re.fullmatch(r"[vs](\d{1,2})", token)
            beside = [
                near
                for near in (spot + 1, spot - 1)
                if 0 <= near < len(tokens) and re.fullmatch(r"\d{1,2}(?:e|a|er)?", tokens[near])
            ]
            if glued or (token in table and beside):
                number = glued[1] if glued else re.sub(r"\D", "", tokens[beside[0]])
                used = {spot} if glued else {spot, beside[0]}
                rest = " ".join(one for where, one in enumerate(tokens) if where not in used)
                kept = (*parts[:place], *((rest,) if rest else ()), *parts[place + 1 :])
                return f"visit {int(number)}", kept
    return "", parts


def _of_visit(around: Around, visit: str) -> Around:
    """The surroundings of one of several visits side by side."""
    if visit.startswith("visit "):
        return replace(around, visit=visit.removeprefix("visit "))
    return replace(around, date=visit) if visit else around


def _only_held(table: RawTable, words: Words) -> RawTable:
    """A visit's table without the rows of clients who have no reading on that visit."""
    phased = [header for header, parts in table.parts.items() if read_levels(parts, words).phase]
    held = np.zeros(len(table.cells), dtype=bool)
    for header in phased:
        codes, texts = distinct(table.cells[header])
        held |= np.array([bool(text.strip()) for text in texts], dtype=bool)[codes]
    cells = table.cells.loc[held].reset_index(drop=True)
    return replace(table, cells=cells, rows=table.rows[held], rows_blank=table.rows_blank + int((~held).sum()))


def _raw_table(
    found: Found, columns: list[_Column], rows: list[int], *, around: Around, sha256: str, kind: str
) -> RawTable:
    """Columns under names of their own, every cell as text."""
    if len(columns) > MOST_COLUMNS:
        raise ExportError(
            f"{found.grid.file}: {len(columns)} columns were found; an export of sessions has at most {MOST_COLUMNS}. "
            "Keep only the columns that describe the session and its readings."
        )
    cells: dict[str, pd.Categorical] = {}
    parts: dict[str, tuple[str, ...]] = {}
    for one in columns:
        name = " ".join(one.parts) or f"(unnamed column {column_letter(one.place)})"
        if " ".join(name.casefold().split()) in {" ".join(known.casefold().split()) for known in cells}:
            name = f"{name} (column {column_letter(one.place)})"
        cells[name] = column_of(one.cells)
        parts[name] = one.parts or (name,)
    label = f"{found.grid.file} [{found.grid.sheet}]" if found.grid.sheet else found.grid.file
    return RawTable(
        file=label,
        sha256=sha256,
        cells=pd.DataFrame(cells),
        rows=np.array([row + 1 for row in rows], dtype=np.int64),
        kind=kind,
        parts=parts,
        around=around,
        rows_blank=max((rows[-1] - rows[0] + 1 - len(rows)), 0) if rows else 0,
    )


def column_of(values: Sequence[Any]) -> pd.Categorical:
    """A column of cell values as texts, each distinct value turned once."""
    if any(isinstance(value, float) for value in values) and _writes_commas(values):
        values = [str(value).replace(".", ",") if isinstance(value, float) and value % 1 else value for value in values]
    known: dict[tuple[type, Any], int] = {}
    codes = np.array([known.setdefault((type(value), value), len(known)) for value in values], dtype=np.int64)
    return from_codes(codes, [cell_text(value) for _, value in known])


def _writes_commas(values: Sequence[Any]) -> bool:
    """Whether some cells of a column of a workbook were typed as texts with a decimal comma, which none doubts."""
    return any(isinstance(value, str) and re.match(r"^\D{0,3}\d+,\d{1,2}(?!\d)", value) for value in values)


def legend_texts(grids: Sequence[Grid], read: Sequence[Found]) -> dict[str, str]:
    """What codes and signs mean, from every text outside the tables that are read and from two-column lists."""
    taken = {(id(one.grid), row) for one in read for row in one.rows} | {
        (id(one.grid), row) for one in read for row in range(one.top, one.bottom + 1)
    }
    texts: list[str] = []
    pairs: list[tuple[str, str]] = []
    turned_files = any(one.grid.turned for one in read)
    for grid in grids:
        for row in range(min(grid.height, 2_000)):
            line = list(grid.texts(row).values())
            if (id(grid), row) in taken and len(line) > 2:
                continue
            if turned_files and len(line) > 2:
                continue
            texts += line
            if len(line) == 2 and not is_number(line[1]):
                pairs.append((line[0], line[1]))
    return legend_of(texts, pairs)
