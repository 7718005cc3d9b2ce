"""What a notebook's kernel learns: errors in words, figures with their words, cells that follow a choice.

`start.py lab` has each kernel load this before the first cell runs, so that it holds after a restart too; the first
cell of each notebook loads it for kernels that were started in another way. Light on purpose: it imports nothing big.
"""

from __future__ import annotations

import re
import sys
from importlib.util import find_spec
from pathlib import Path
from types import TracebackType
from typing import Any

from toolkit.errors import ToolkitError

NOT_KNOWN = (
    "“{name}” is not known yet: the cell that makes it has not been run since this notebook was opened or restarted. "
    "Choose Run → Run All Cells in the menu. If you typed the word yourself, check its spelling; the name of a file "
    'needs quotation marks, as in "my_year.xlsx".'
)
NOT_THERE = "There is no file or folder {name}. Check the spelling, and that it stands in the folder of this notebook."
CANNOT_BE_USED = "{name} cannot be used ({why}). Close it in other programs, and check that you may read and write it."


NEEDED = ("pandas", "scipy", "matplotlib", "ipywidgets")
LACKING = (
    "This notebook runs on a Python that lacks {names}. Close it, open a terminal in the toolkit's folder and type  "
    "python3 start.py lab  : that opens the notebooks on a Python that has everything."
)


def start() -> None:
    """Prepare the notebook at hand; nothing happens outside a notebook.

    Raises:
        ToolkitError: this Python lacks what the toolkit stands on; the sentence says how to open the notebook.
    """
    lacking = [name for name in NEEDED if find_spec(name) is None]
    if lacking:
        raise ToolkitError(LACKING.format(names=", ".join(lacking)))
    from IPython.core.getipython import get_ipython

    shell: Any = get_ipython()
    if shell is not None:
        load_ipython_extension(shell)


def load_ipython_extension(shell: Any) -> None:
    """Called by a kernel that loads this module when it starts; doing it twice changes nothing."""
    from toolkit.notebook.live import LiveCells

    shell.set_custom_exc((Exception,), _say_what_is_wrong)
    if not isinstance(getattr(shell, "live_cells", None), LiveCells):
        shell.live_cells = LiveCells(shell)
        shell.register_magic_function(shell.live_cells.run_cell, magic_kind="cell", magic_name="live")
    page = shell.display_formatter.formatters["text/html"]
    page.for_type_by_name("matplotlib.figure", "Figure", figure_html)


def figure_html(figure: Any) -> str | None:
    """A figure with its alternative text; None for a figure that brings no words and is drawn by pyplot anyway."""
    from toolkit.looks.style import as_svg

    words = str(figure.get_label())
    if not words and "matplotlib.pyplot" in sys.modules:
        return None
    return as_svg(figure, figure.get_suptitle() or "Figure", words or "A figure without words of its own.")


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
    chain: TracebackType | None = None
    for one in reversed(own):
        chain = TracebackType(chain, one.tb_frame, one.tb_lasti, one.tb_lineno)
    return chain or error.__traceback__


def _say_what_is_wrong(shell: Any, kind: Any, value: BaseException, trace: Any, tb_offset: Any = None) -> list[str]:
    """The sentence of an error on top, then the report; of an error in words, the reader's own lines only."""
    said = in_words(value)
    if said:
        print(said)
        trace = readers_part(value)
    shell.showtraceback((kind, value, trace), tb_offset=None if said else tb_offset)
    return [said or str(value)]
