"""What a notebook's kernel learns: errors in words, figures with their words, cells that follow a choice.

`start.py lab` has each kernel load this before the first cell runs, so that it holds after a restart too; the first
cell of each notebook loads it for kernels that were started in another way. Light on purpose: it imports nothing big.
"""

from __future__ import annotations

import gc
import sys
from importlib.util import find_spec
from typing import Any

from toolkit.errors import ToolkitError
from toolkit.notebook.errors_in_words import after_the_live_cell, in_words, readers_part
from toolkit.notebook.live import LiveCells

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
    gc.freeze()  # what is imported stays: going over it again and again costs a tenth of the time to the first answer
    gc.set_threshold(20_000, 20, 20)
    shell.set_custom_exc((Exception,), _say_what_is_wrong)
    if not isinstance(getattr(shell, "live_cells", None), LiveCells):
        shell.live_cells = LiveCells(shell)
        shell.register_magic_function(shell.live_cells.run_cell, magic_kind="cell", magic_name="live")
    page = shell.display_formatter.formatters["text/html"]
    page.for_type_by_name("matplotlib.figure", "Figure", figure_html)


def figure_html(figure: Any) -> str | None:
    """A figure with its alternative text; None for a figure that brings no words and is drawn by pyplot anyway."""
    from toolkit.looks.style import as_svg, readable_on_a_phone

    words = str(figure.get_label())
    if not words and "matplotlib.pyplot" in sys.modules:
        return None
    drawing = as_svg(figure, figure.get_suptitle() or "Figure", words or "A figure without words of its own.")
    return readable_on_a_phone(drawing)


def _say_what_is_wrong(shell: Any, kind: Any, value: BaseException, trace: Any, tb_offset: Any = None) -> list[str]:
    """The sentence of an error on top, then the report; of an error in words, the reader's own lines only."""
    said = in_words(value)
    if said:
        print(said)
        trace = readers_part(value)
    elif (shorter := after_the_live_cell(trace)) is not trace:
        trace, tb_offset = shorter, 0
    shell.showtraceback((kind, value, trace), tb_offset=None if said else tb_offset)
    return [said or str(value)]
