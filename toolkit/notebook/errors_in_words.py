"""An error as a sentence that tells what to do, and the part of its report that is the reader's own."""

from __future__ import annotations

import re
from pathlib import Path
from types import TracebackType

from toolkit.errors import ToolkitError

NOT_KNOWN = (
    "“{name}” is not known yet: the cell that makes it has not been run since this notebook was opened or restarted. "
    "Choose Run → Run All Cells in the menu. If you typed the word yourself, check its spelling; the name of a file "
    'needs quotation marks, as in "my_year.xlsx".'
)
NOT_THERE = "There is no file or folder {name}. Check the spelling, and that it stands in the folder of this notebook."
CANNOT_BE_USED = "{name} cannot be used ({why}). Close it in other programs, and check that you may read and write it."
LIVE = "toolkit.notebook.live"


def in_words(error: BaseException) -> str:
    """The sentence for an error, or "" where it is a fault of ours and the whole report is wanted.

    Example:
        >>> in_words(PermissionError(13, "Permission denied", "/records/year.xlsx"))[:46]
        'year.xlsx cannot be used (Permission denied). '
    """
    if isinstance(error, ToolkitError):
        said = str(error)
        first = said.partition(" ")[0]  # a file's name stays as it is written
        return f"This cannot go on. {said[:1].upper() + said[1:] if first.isalpha() else said}"
    if isinstance(error, NameError) and _raised_in_a_cell(error):
        return NOT_KNOWN.format(name=error.name or "A word in this cell")
    if isinstance(error, OSError) and error.filename is not None:
        name = Path(str(error.filename)).name
        if isinstance(error, FileNotFoundError):
            return NOT_THERE.format(name=name)
        return CANNOT_BE_USED.format(name=name, why=re.sub(r"^\[.*?\]\s*", "", error.strerror or str(error)))
    return ""


def _raised_in_a_cell(error: BaseException) -> bool:
    """Whether the last step before the error stands in a cell, not in a file."""
    step = error.__traceback__
    while step is not None and step.tb_next is not None:
        step = step.tb_next
    return step is None or "__file__" not in step.tb_frame.f_globals


def readers_part(error: BaseException) -> TracebackType | None:
    """The steps to an error that stand in the reader's own cells; all steps where none does."""
    steps, step = [], error.__traceback__
    while step is not None:
        steps.append(step)
        step = step.tb_next
    own = [
        one for one in steps if "__file__" not in one.tb_frame.f_globals and "__builtins__" in one.tb_frame.f_globals
    ]
    return _chained(own) or error.__traceback__


def after_the_live_cell(trace: TracebackType | None) -> TracebackType | None:
    """The steps of a reader's own error without those by which a live cell came to the reader's code."""
    steps, step = list[TracebackType](), trace
    while step is not None:
        steps.append(step)
        step = step.tb_next
    ours = [place for place, one in enumerate(steps) if one.tb_frame.f_globals.get("__name__") == LIVE]
    return _chained(steps[ours[-1] + 1 :]) or trace if ours else trace


def _chained(steps: list[TracebackType]) -> TracebackType | None:
    chain: TracebackType | None = None
    for one in reversed(steps):
        chain = TracebackType(chain, one.tb_frame, one.tb_lasti, one.tb_lineno)
    return chain
