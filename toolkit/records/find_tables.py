"""Where the tables of a sheet are: the band of header rows, the columns that belong together, the rows of data.

What speaks for a header is its place and kind (a line of texts with numbers or dates below it, merged cells above it)
and its words. A title has one cell to itself; a legend stands above, below or beside. A sheet may hold several tables.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from toolkit.records.field_words import field_of_header
from toolkit.records.grid import Grid, is_date, is_number, shown, turned
from toolkit.records.header_words import read_levels
from toolkit.records.lexicon import Words, fold, words_of_language

_DEEPEST_BAND = 4
_FAR = 6
_SCAN_ALL = 20_000
_SCAN_TOP = 300
_TURN_WIDEST = 400


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """One table of a grid: header parts by column (upper level first), rows of data, and the texts around it.

    `points` says how much of the header is understood; `above` are texts between the table before and this one,
    nearest last; `below` those under its last row of data.
    """

    grid: Grid
    top: int
    bottom: int
    headers: dict[int, tuple[str, ...]]
    rows: list[int]
    points: float
    above: list[str] = field(default_factory=list)
    pairs: list[tuple[str, str]] = field(default_factory=list)

    @property
    def columns(self) -> list[int]:
        """The columns of the table."""
        return list(self.headers)


def tables_in(grid: Grid) -> list[Found]:
    """The tables of a sheet, read in whichever direction its headers make more sense.

    Args:
        grid: the sheet.
    """
    upright = _upright(grid)
    if not grid.cells or grid.height > _TURN_WIDEST or grid.width > _TURN_WIDEST:
        return upright
    best = max((found.points for found in upright if found.rows), default=0.0)
    sideways = [found for found in _upright(turned(grid)) if found.rows and _phases(found) > 1]
    across = max((found.points for found in sideways), default=0.0)
    return sideways if across >= best + 2 and across >= 1.5 * best else upright


def _phases(found: Found) -> int:
    """How many different phases the headers of a table name."""
    words = words_of_language(found.grid.language or "en")
    return len({read_levels(parts, words).phase for parts in found.headers.values() if parts} - {""})


def _upright(grid: Grid) -> list[Found]:
    """The tables of a sheet whose headers stand above their data."""
    words = words_of_language(grid.language or "en")
    bands = _without_repeats(grid, _bands(grid, words), words)
    tables: list[Found] = []
    title: list[str] = []
    for place, (top, bottom) in enumerate(bands):
        end = bands[place + 1][0] if place + 1 < len(bands) else grid.height
        start = bands[place - 1][1] + 1 if place else 0
        headers = _headers(grid, top, bottom)
        rows = list(range(bottom + 1, end))
        groups = _column_groups(grid, headers, rows, words)
        above = _texts_above(grid, start, top, set(range(start, top)) if not place else _loose_rows(grid, start, top))
        title = above if not place else title
        pairs = _pairs_above(grid, start, top)
        for columns in groups:
            mine = {column: headers.get(column, ()) for column in columns}
            filled = [row for row in rows if grid.texts(row, columns)]
            tables.append(
                Found(
                    grid=grid,
                    top=top,
                    bottom=bottom,
                    headers=mine,
                    rows=filled,
                    points=points_of(mine.values(), words),
                    above=above if not place else [*title, *above],
                    pairs=pairs,
                )
            )
    return tables


def points_of(headers: Iterable[tuple[str, ...]], words: Words) -> float:
    """How much of a header is understood: a point a field, less for each column of readings."""
    fields: set[str] = set()
    readings: set[str] = set()
    for parts in headers:
        if not parts:
            continue
        name = field_of_header(parts[-1], words) or (
            field_of_header(" ".join(parts), words) if len(parts) > 1 else None
        )
        if name:
            fields.add(name)
            continue
        if read_levels(parts, words).phase:
            readings.add(fold(" ".join(parts)))
    return len(fields) + 0.75 * min(len(readings), 12)


def _bands(grid: Grid, words: Words) -> list[tuple[int, int]]:
    """(first, last row) of every header band, top to bottom; the first plausible one where no words are known."""
    last = grid.height if grid.height <= _SCAN_ALL else _SCAN_TOP
    found: list[tuple[int, int, float]] = []
    plain: list[tuple[int, int]] = []
    row = 0
    while row < last:
        if not _is_header_row(grid, row) or not (_bottom_of_band(grid, row) or _speaks_for_itself(grid, row, words)):
            row += 1
            continue
        top = _top_of_band(grid, row, words)
        while found and found[-1][1] >= top:
            found.pop()
        points = points_of(_headers(grid, top, row).values(), words)
        if points >= 2:
            found.append((top, row, points))
        elif len(grid.texts(row)) > 2 or (len(grid.texts(row)) == 2 and not found):
            plain.append((top, row))
        row += 1
    if not found:
        return plain[:1]
    best = max(points for _, _, points in found)
    return [(top, bottom) for top, bottom, points in found if points >= min(2.5, best)]


def _without_repeats(grid: Grid, bands: list[tuple[int, int]], words: Words) -> list[tuple[int, int]]:
    """The bands without those that only say the header again, as on every printed page.

    Only where a column names the client and a row of data stands right above: a line that says whose rows follow makes
    a table of its own.
    """
    kept: list[tuple[int, int]] = []
    for top, bottom in bands:
        again = kept and top == bottom and grid.texts(bottom) == grid.texts(kept[-1][1])
        start = kept[-1][1] + 1 if kept else 0
        above = next((row for row in range(top - 1, start - 1, -1) if grid.texts(row)), None)
        numbers = 0 if above is None else sum(is_number(grid.cells[above][column]) for column in grid.texts(above))
        if again and numbers > 1 and "client" in {field_of_header(text, words) for text in grid.texts(bottom).values()}:
            continue
        kept.append((top, bottom))
    return kept


def _is_header_row(grid: Grid, row: int) -> bool:
    """Whether a row is made of texts only, two or more."""
    filled = [cell for cell in grid.cells[row] if cell not in ("", None)]
    return len(filled) > 1 and all(isinstance(cell, str) for cell in filled) and not any(map(is_number, filled))


def _bottom_of_band(grid: Grid, row: int) -> bool:
    """Whether the next rows hold data: numbers or dates, before any other line that could be a header.

    A header at the very foot, or with nothing but blank lines below it (an empty form), counts too.
    """
    below = [line for line in range(row + 1, min(row + 1 + _FAR, grid.height)) if grid.texts(line)]
    for line in below:
        texts = grid.texts(line)
        numbers = sum(is_number(grid.cells[line][column]) for column in texts)
        if numbers and len(texts) > 1:
            return True
        if len(texts) > 1 and _continues_header(grid, row, line):
            return False
    return not any(len(grid.texts(line)) > 1 for line in below) or bool(below)


def _speaks_for_itself(grid: Grid, row: int, words: Words) -> bool:
    """Whether a row's words make it the last of a header although the line below holds no number."""
    if row + 1 >= grid.height:
        return False
    if not set(grid.texts(row + 1)) <= set(grid.texts(row)) or any(top == row for top, _, _, _ in grid.wide):
        return False
    mine = points_of(((text,) for text in grid.texts(row).values()), words)
    return mine >= 4 and points_of(((text,) for text in grid.texts(row + 1).values()), words) < mine / 2


def _continues_header(grid: Grid, row: int, line: int) -> bool:
    """Whether the text line right below is the lower level of the same header."""
    return line == row + 1 and _is_header_row(grid, line)


def _top_of_band(grid: Grid, bottom: int, words: Words) -> int:
    """The first row of the header band that ends at `bottom`: levels above it, without titles and key lines."""
    top = bottom
    while top > 0 and bottom - top + 1 < _DEEPEST_BAND and _is_upper_level(grid, top - 1, top, words):
        top -= 1
    return top


def _is_upper_level(grid: Grid, row: int, lower: int, words: Words) -> bool:
    """Whether `row` is a level of the header above `lower`, not a title, a legend or a line of keys."""
    texts, below = grid.texts(row), grid.texts(lower)
    if not texts or any(len(text) > 60 for text in texts.values()):
        return False
    numbers = [column for column in texts if is_number(grid.cells[row][column])]
    spans = {column: grid.spanned.get((row, column)) for column in texts}
    wide = [column for column, span in spans.items() if span and span[3] > span[1]]
    if numbers and _dates_of_visits(grid, row, texts, below):
        return True
    if numbers and not (len(numbers) == len([c for c in texts if c not in wide]) == 0 or set(numbers) <= set(wide)):
        return False
    if len(texts) == 1:
        column = next(iter(texts))
        whole = wide and spans[column] and spans[column][1] == 0 and spans[column][3] >= max(below, default=0) - 1  # type: ignore[index]
        return bool(not whole and (wide or column > 0) and column not in below) or bool(
            not whole and column > 0 and len(below) > 1
        )
    first = min(texts)
    if field_of_header(texts[first], words) and first in below and field_of_header(below[first], words):
        return False
    if any("=" in text or ":" in text for text in texts.values()) and len(texts) < 3:
        return False
    return bool(wide) or len(texts) < len(below) + 3


def _dates_of_visits(grid: Grid, row: int, texts: dict[int, str], below: dict[int, str]) -> bool:
    """Whether a row holds nothing but the dates of visits, each above the first of its columns."""
    dates = [column for column in texts if is_date(grid.cells[row][column])]
    first = min(texts)
    return (
        len(dates) > 1
        and set(texts) - set(dates) <= ({first} - set(dates))
        and all(column in below and column + 1 in below and column + 1 not in texts for column in dates)
    )


def _headers(grid: Grid, top: int, bottom: int) -> dict[int, tuple[str, ...]]:
    """The header parts of every column, upper level first; merged and left-out repeats spread over their columns."""
    levels = [_spread(grid, row, bottom) for row in range(top, bottom + 1)]
    headers: dict[int, tuple[str, ...]] = {}
    for column in range(grid.width):
        parts: list[str] = []
        for level in levels:
            text = level.get(column, "")
            if text and (not parts or parts[-1] != text):
                parts.append(text)
        headers[column] = tuple(parts)
    return headers


def _spread(grid: Grid, row: int, bottom: int) -> dict[int, str]:
    """column → text of one header row; a text stands for the merged columns, or the blank ones to its right."""
    texts = grid.texts(row)
    level = dict(texts)
    merged_here = any(top <= row <= low for top, _, low, _ in grid.wide)
    for top, left, low, right in grid.wide:
        if top <= row <= low:
            text = shown(grid.cells[top][left])
            level |= dict.fromkeys(range(left, right + 1), text) if text and row == top else {}
    if row == bottom or merged_here:
        return level
    below = set().union(*(grid.texts(line) for line in range(row + 1, bottom + 1)))
    for column, text in texts.items():
        if column not in below:
            continue
        place = column + 1
        while place < grid.width and place not in texts and place in below:
            level[place] = text
            place += 1
    return level


def _column_groups(grid: Grid, headers: dict[int, tuple[str, ...]], rows: list[int], words: Words) -> list[list[int]]:
    """The columns of each table that stands side by side under one header band."""
    sample = rows if len(rows) <= _SCAN_ALL else rows[:_SCAN_TOP]
    used = [any(grid.cells[row][column] not in ("", None) for row in sample) for column in range(grid.width)]
    runs: list[list[int]] = [[]]
    for column in range(grid.width):
        if headers[column] or used[column]:
            runs[-1].append(column)
        elif runs[-1]:
            runs.append([])
    runs = [run for run in runs if run]
    groups: list[list[int]] = []
    for run in runs:
        if groups and not _stands_alone(headers, groups[0], run, words):
            groups[-1] += run
        else:
            groups.append(run)
    return groups


def _stands_alone(headers: dict[int, tuple[str, ...]], first: list[int], run: list[int], words: Words) -> bool:
    """Whether columns behind a gap are a table of their own: they name a field again, or hold only a summary."""
    mine = {name for column in run if headers[column] and (name := field_of_header(headers[column][-1], words))}
    known = {name for column in first if headers[column] and (name := field_of_header(headers[column][-1], words))}
    return bool(mine & known - {"comment"}) or bool(
        len(run) > 1 and not mine and not any(read_levels(headers[c], words).phase for c in run if headers[c])
    )


def _loose_rows(grid: Grid, start: int, top: int) -> set[int]:
    """The lines right above a later table that belong to it, not to the data before: texts without numbers."""
    loose: set[int] = set()
    for row in range(top - 1, start - 1, -1):
        texts = grid.texts(row)
        if len(texts) > 2 or any(is_number(grid.cells[row][column]) for column in texts):
            break
        loose.add(row)
    return loose


def _texts_above(grid: Grid, start: int, top: int, rows: set[int]) -> list[str]:
    """The texts above a table, nearest last."""
    return [text for row in range(start, top) if row in rows for text in grid.texts(row).values()]


def _pairs_above(grid: Grid, start: int, top: int) -> list[tuple[str, str]]:
    """(key, value) of the lines above a table that hold two cells, or one cell "key: value"."""
    pairs: list[tuple[str, str]] = []
    for row in range(start, top):
        texts = list(grid.texts(row).values())
        if len(texts) % 2 == 0:
            pairs += [(key.rstrip(":"), value) for key, value in zip(texts[::2], texts[1::2], strict=True)]
        for text in texts:
            head, _, code = text.partition(" ")
            if len(texts) == 1 and len(code) <= 12 and any(map(str.isdigit, code)) and " " not in code.strip():
                pairs.append((head, code.strip()))
            for part in text.replace("|", ";").replace("    ", ";").split(";"):
                key, sign, value = part.partition(":")
                if sign and value.strip() and len(fold(key).split()) <= 3:
                    pairs.append((key.strip(), value.strip()))
    return pairs
