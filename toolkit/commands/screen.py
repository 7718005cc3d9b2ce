"""What a command puts on the screen: sentences and tables that fit 80 columns, commands named as they are typed."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Mapping
from typing import Any

WIDTH = 80
TYPED_AS = "SESSION_OUTCOMES_TYPED"  # set by the start script: how its user calls the toolkit
NAME = "session-outcomes"
NARROWEST = 8  # columns a cell may be folded to


def typed(command: str = "") -> str:
    """A command as the user types it, `python3 start.py audit` or `session-outcomes audit`."""
    return f"{os.environ.get(TYPED_AS) or NAME} {command}".strip()


def fitted(thing: Any, *, width: int = WIDTH) -> str:
    """Words, or a result, in lines that fit; what cannot be broken (a path) stays whole."""
    if hasattr(thing, "sentence") and hasattr(thing, "table"):
        notes = [str(note) for note in getattr(thing, "notes", ())]
        parts = [folded(thing.sentence(), width=width), table_lines(thing.frame, width=width), *map(folded, notes)]
        return "\n\n".join(filter(None, parts))
    return "\n".join(folded(line, width=width) for line in str(thing).split("\n"))


def folded(line: str, *, width: int = WIDTH) -> str:
    """One line broken into lines that fit, later ones indented like the first.

    Example:
        >>> folded("  a long way round", width=10)
        '  a long\\n  way\\n  round'
    """
    if len(line) <= width:
        return line
    indent = line[: len(line) - len(line.lstrip())]
    return textwrap.fill(
        line.strip(),
        width,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def table_lines(frame: Any, *, width: int = WIDTH) -> str:
    """A frame as a table that fits; where even folded cells do not, a block a row."""
    from toolkit.result_views import for_reading

    if frame.empty:
        return ""
    shown = for_reading(frame)
    names = [str(name).replace("_", " ") for name in shown.columns]
    rows = [[str(cell) for cell in row] for row in shown.itertuples(index=False)]
    widths = _widths([names, *rows], width)
    return _blocks(names, rows, width) if widths is None else "\n".join(_row(row, widths) for row in [names, *rows])


def _widths(rows: list[list[str]], width: int) -> list[int] | None:
    """How wide each column may be; the widest give way first; None where there are too many."""
    room = width - 2 * (len(rows[0]) - 1)
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    least = [
        min(widths[place], max(NARROWEST, *(_longest_word(row[place]) for row in rows))) for place in range(len(widths))
    ]
    while sum(widths) > room:
        place = max(range(len(widths)), key=lambda at: widths[at] - least[at])
        if widths[place] <= least[place]:
            return None
        widths[place] -= 1
    return widths


def _longest_word(cell: str) -> int:
    return max(map(len, cell.split()), default=0)


def _row(row: list[str], widths: list[int]) -> str:
    """One row, cells folded to their widths."""
    cells = [textwrap.wrap(cell, size, break_on_hyphens=False) or [""] for cell, size in zip(row, widths, strict=True)]
    lines = [
        "  ".join((cell[at] if at < len(cell) else "").ljust(size) for cell, size in zip(cells, widths, strict=True))
        for at in range(max(map(len, cells)))
    ]
    return "\n".join(line.rstrip() for line in lines)


def _blocks(names: list[str], rows: list[list[str]], width: int) -> str:
    """Each row as a block of name and value."""
    blocks = []
    for row in rows:
        lines = [f"{name}: {cell}" for name, cell in zip(names, row, strict=True) if cell]
        blocks.append("\n".join(folded(line if at == 0 else f"  {line}", width=width) for at, line in enumerate(lines)))
    return "\n\n".join(blocks)


def answers_table(findings: list[Mapping[str, Any]]) -> str:
    """All questions of an audit as a table: the question, its clients, what is left, the answer in a few words."""
    import pandas as pd

    from toolkit.looks.report import answers_in_order
    from toolkit.looks.report_tables import overview_table

    table = overview_table(answers_in_order(findings))
    frame = pd.DataFrame(list(table.rows), columns=list(table.columns))
    return f"{folded(table.caption)}\n\n{table_lines(frame)}"
