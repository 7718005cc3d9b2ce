"""What a notebook says when something is wrong: a sentence that tells what to do, in place of a programmer's report.

`start.py lab` has each kernel load this before the first cell runs, so that it holds after a restart too; the first
cell of each notebook loads it for kernels that were started in another way. Light on purpose: nothing but errors.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from toolkit.errors import ToolkitError

IN_WORDS = (ToolkitError, NameError, OSError)
NOT_KNOWN = (
    "“{name}” is not known yet: the cell that makes it has not been run since this notebook was opened or restarted. "
    "Choose Run → Run All Cells in the menu. If you typed the word yourself, check its spelling; the name of a file "
    'needs quotation marks, as in "my_year.xlsx".'
)
NOT_THERE = "There is no file or folder {name}. Check the spelling, and that it stands in the folder of this notebook."
CANNOT_BE_USED = "{name} cannot be used ({why}). Close it in other programs, and check that you may read and write it."


def start() -> None:
    """Let the notebook at hand say in one sentence what is wrong; nothing happens outside a notebook."""
    from IPython.core.getipython import get_ipython

    shell: Any = get_ipython()
    if shell is not None:
        load_ipython_extension(shell)


def load_ipython_extension(shell: Any) -> None:
    """Called by a kernel that loads this module when it starts."""
    shell.set_custom_exc(IN_WORDS, _say_what_is_wrong)


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


def _say_what_is_wrong(shell: Any, kind: Any, value: BaseException, trace: Any, tb_offset: Any = None) -> list[str]:
    """Show the sentence of an error instead of its traceback."""
    said = in_words(value)
    if not said:
        shell.showtraceback((kind, value, trace), tb_offset=tb_offset)
        return [str(value)]
    print(said)
    return [said]
