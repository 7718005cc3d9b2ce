"""Cells that compute themselves again when something above them is chosen: `%%live` in a cell's first line.

A live cell is plain Python. What it shows is what any cell shows: prints, figures, its last line. It knows which names
it reads and which it makes, so that a choice runs again just the cells that follow from it, in their order. Until they
are done, their old answers stay in sight, pale and marked as out of date.
"""

from __future__ import annotations

import ast
import asyncio
import math
import os
import re
import sys
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from html import escape
from typing import Any

from toolkit.notebook.errors_in_words import in_words, readers_part
from toolkit.progress import watched_by

OUT_OF_DATE = "Out of date: something above was changed. This is being computed again."
LATER = "later"
WAITING = "Being drawn: it comes when the cells below are done."
DEFERS = "SESSION_OUTCOMES_LAB"  # set where a browser is looking; elsewhere every cell is computed in its turn
EACH = 0.4  # seconds between two words on how far a cell is
FEWEST_TO_TELL = 5  # pieces of work from which on the rest of the time is told
QUIET = 0.3  # seconds without a cell, after which what was put off is computed
STOPPED = "Out of date: a cell above could not be computed again."
_PLAIN = "text/plain"
_IN_QUERY = re.compile(r"@([^\W\d]\w*)")  # how a frame's `query` reads a name of the notebook
_WIDGET = "application/vnd.jupyter.widget-view+json"


@dataclass(eq=False)
class LiveCell:
    """One cell: its code, the names it reads and makes, and what it shows at the moment."""

    key: str
    code: str
    reads: frozenset[str]
    makes: frozenset[str]
    later: bool = False
    shown: dict[str, Any] = field(default_factory=dict)
    handle: Any = None

    def show(self, bundle: dict[str, Any]) -> None:
        """Show something in the cell's place, from now on."""
        from IPython import display

        if self.handle is None:
            self.handle = display.display(bundle, raw=True, display_id=True)  # type: ignore[no-untyped-call]
        else:
            self.handle.update(bundle, raw=True)

    def mark(self, said: str, *, progress: str = "") -> None:
        """Leave the old answer in sight, pale, under a line that says that it is out of date, or how far it is."""
        kind = "out-of-date stopped" if said == STOPPED else "out-of-date"
        if not self.shown:
            html = f"<div class='{kind}'><p role='status'>{escape(said)}</p>{progress}</div>"
            self.show({"text/html": html, _PLAIN: said})
            return
        old = self.shown.get("text/html") or f"<pre>{escape(str(self.shown.get(_PLAIN, '')))}</pre>"
        note = f"<p role='status' style='border-left:4px solid #c75000;padding-left:.6em'><b>{escape(said)}</b></p>"
        pale = f"<div style='opacity:.35' aria-hidden='true'>{old}</div>"
        html = f"<div class='{kind}'>{note}{progress}{pale}</div>"
        self.show({"text/html": html, _PLAIN: f"{said}\n{self.shown.get(_PLAIN, '')}"})


class LiveCells:
    """The live cells of one notebook, in the order in which they were first run."""

    def __init__(self, shell: Any) -> None:
        self._shell = shell
        self._cells: dict[str, LiveCell] = {}
        self._put_off: list[LiveCell] = []
        self._last_cell = time.monotonic()
        shell.events.register("post_run_cell", self._note_a_cell)

    def run_cell(self, line: str, code: str) -> None:
        """What `%%live` does: run the cell, show what it gives, remember it; with `later` the others go first."""
        reads, makes = names_of(self._shell.transform_cell(code))
        key = self._key(code)
        cell = LiveCell(key=key, code=code, reads=reads, makes=makes, later=line.strip() == LATER)
        self._cells[key] = cell
        if cell.later and os.environ.get(DEFERS):
            cell.mark(WAITING)
            self._put_off.append(cell)
            self._look_again()
            return
        shown, problem = self._computed(cell)
        if problem is not None:
            self._cells.pop(key)
            if cell.handle is not None:  # how far it was
                cell.show({_PLAIN: ""})
            raise problem
        if shown.get("text/html") or shown.get(_PLAIN):
            cell.shown = shown
            cell.show(shown)

    def follow(self, names: Iterable[str]) -> None:
        """Compute again, in order, every cell that reads one of these names or what such a cell makes."""
        changed, waiting = set(names), []
        for cell in self._cells.values():
            if cell.reads & changed:
                waiting.append(cell)
                changed |= cell.makes
        for cell in waiting:
            cell.mark(OUT_OF_DATE)
        waiting.sort(key=lambda cell: cell.later)  # they make nothing that others read
        for place, cell in enumerate(waiting):
            cell.shown, problem = self._computed(cell)
            cell.show(cell.shown)
            if problem is not None:
                for later in waiting[place + 1 :]:
                    later.mark(STOPPED)
                return

    def _note_a_cell(self, *given: Any) -> None:
        del given
        self._last_cell = time.monotonic()

    def _look_again(self) -> None:
        """Come back when the notebook has been quiet for a while."""
        asyncio.get_running_loop().call_later(QUIET, self._compute_put_off)

    def _compute_put_off(self) -> None:
        """Compute what was put off, one cell at a time, as long as no other cell is run."""
        if self._put_off and time.monotonic() - self._last_cell >= QUIET:
            cell = self._put_off.pop(0)
            if self._cells.get(cell.key) is cell:  # not run anew meanwhile
                cell.shown, _ = self._computed(cell)
                cell.show(cell.shown)
        if self._put_off:
            self._look_again()

    def follow_chooser(self, chooser: object) -> None:
        """Compute again what reads a chooser, under whatever name the notebook knows it."""
        self.follow(name for name, value in list(self._shell.user_ns.items()) if value is chooser)

    def _key(self, code: str) -> str:
        """The notebook's own name of the cell, else its code."""
        parent = self._shell.get_parent() if hasattr(self._shell, "get_parent") else {}
        return str(parent.get("metadata", {}).get("cellId") or code)

    def _computed(self, cell: LiveCell) -> tuple[dict[str, Any], BaseException | None]:
        """Run the cell's code and gather all it shows; where it fails, what to say and the failure."""
        from IPython.utils.capture import capture_output

        problem: BaseException | None = None
        last: Any = None
        telling = watched_by(_Telling(cell, self._shell))
        with self._shell.builtin_trap, self._shell.display_trap, telling, capture_output() as said:
            try:
                last = self._evaluated(cell.code)
                _flush_figures()
            except (Exception, KeyboardInterrupt) as error:
                problem = error
        parts = [part.data for part in said.outputs if _WIDGET not in part.data]  # bars of others, done by now
        if last is not None and problem is None:
            bundle = self._shell.display_formatter.format(last)[0] or _own_bundle(last)
            if _WIDGET in bundle:
                return dict(bundle), None
            parts.append(bundle)
        if said.stdout:
            parts.insert(0, {_PLAIN: said.stdout})
        if problem is not None:
            parts.append(_failure(problem))
        return _together(parts), problem

    def _evaluated(self, code: str) -> Any:
        """Run code in the notebook's own names; the value of its last line, None where that is no expression."""
        source = self._shell.transform_cell(code)
        name = self._shell.compile.cache(source)
        tree = ast.parse(source, filename=name)
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        space = self._shell.user_ns
        exec(compile(tree, name, "exec"), space)
        if last is None:
            return None
        value = eval(compile(ast.Expression(last.value), name, "eval"), space)
        return None if source.rstrip().endswith(";") else value


class _Telling:
    """How far a live cell's computation is, in the cell's own place, a few times a second."""

    def __init__(self, cell: LiveCell, shell: Any) -> None:
        self._cell, self._shell, self._publisher = cell, shell, shell.display_pub
        self._began, self._last = time.monotonic(), -math.inf

    def __call__(self, done: int, of: int, what: str) -> None:
        now = time.monotonic()
        if now - self._last < EACH and 0 < done < of:
            return
        self._last = now
        said = f"{done} of {of} {what} done."
        if FEWEST_TO_TELL <= done < of:
            said += f" About {(now - self._began) / done * (of - done):.0f} s left."
        bar = f"<progress value='{done}' max='{of}' aria-label='{escape(what)} done' style='width:20rem'></progress>"
        capturing, self._shell.display_pub = self._shell.display_pub, self._publisher
        try:
            self._cell.mark(said, progress=bar)
        finally:
            self._shell.display_pub = capturing


def names_of(source: str) -> tuple[frozenset[str], frozenset[str]]:
    """The names that code reads from outside, and those it makes.

    Example:
        >>> reads, makes = names_of("found = audit(records, question=choice.question)")
        >>> sorted(reads), sorted(makes)
        (['audit', 'choice', 'records'], ['found'])
        >>> sorted(names_of("rows.query('measure == @which.value')")[0])
        ['rows', 'which']
    """
    reads, makes = set[str](), set[str]()
    for statement in ast.parse(source).body:
        read, made = _names_of_one(statement)
        reads |= read - makes  # what the cell made itself before is not from outside
        makes |= made
    return frozenset(reads), frozenset(makes)


def _names_of_one(statement: ast.stmt) -> tuple[set[str], set[str]]:
    """The names that one statement reads, and those it makes."""
    reads, makes = set[str](), set[str]()
    for node in ast.walk(statement):
        if isinstance(node, ast.Name):
            (reads if isinstance(node.ctx, ast.Load) else makes).add(node.id)
        elif isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name):
            reads.add(node.target.id)
        elif isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            makes.add(node.name)
        elif isinstance(node, ast.alias):
            makes.add(node.asname or node.name.partition(".")[0])
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            reads.update(_IN_QUERY.findall(node.value))
    return reads, makes


def follow(chooser: object) -> Callable[[Any], None]:
    """What a chooser's boxes call when one of them changes: once a choice, after all boxes have settled."""
    waiting: list[bool] = []

    def settled() -> None:
        waiting.clear()
        cells = live_cells()
        if cells is not None:
            cells.follow_chooser(chooser)

    def changed(change: Any) -> None:
        del change
        if waiting:
            return
        waiting.append(True)
        try:
            asyncio.get_running_loop().call_soon(settled)
        except RuntimeError:
            settled()

    return changed


def live_cells() -> LiveCells | None:
    """The live cells of the notebook at hand; None outside a notebook."""
    from IPython.core.getipython import get_ipython

    return getattr(get_ipython(), "live_cells", None)


def _flush_figures() -> None:
    """Show figures that were drawn with pyplot now, not when the cell has ended."""
    if "matplotlib.pyplot" in sys.modules and "matplotlib_inline.backend_inline" in sys.modules:
        from matplotlib_inline.backend_inline import flush_figures

        flush_figures()  # type: ignore[no-untyped-call]


def _own_bundle(value: Any) -> dict[str, Any]:
    """What a value says of itself where it shows itself in a way of its own, as widgets do."""
    bundle = value._repr_mimebundle_() if hasattr(value, "_repr_mimebundle_") else {}
    return dict(bundle[0] if isinstance(bundle, tuple) else bundle or {})


def _failure(problem: BaseException) -> dict[str, Any]:
    """A failure: the toolkit's sentence on top, the report for those who program folded below."""
    said = in_words(problem) or f"{type(problem).__name__}: {problem}"
    trace = "".join(traceback.format_exception(type(problem), problem, readers_part(problem)))
    folded = f"<details><summary>For those who program</summary><pre>{escape(trace)}</pre></details>"
    html = f"<p><b>{escape(said)}</b></p>{folded}"
    return {"text/html": html, _PLAIN: f"{said}\n{trace}"}


def _together(parts: list[dict[str, Any]]) -> dict[str, Any]:
    """Several things shown, as one."""
    plain = "\n".join(str(part.get(_PLAIN, "")).rstrip("\n") for part in parts)
    return {"text/html": "".join(map(_as_html, parts)), _PLAIN: plain} if parts else {_PLAIN: ""}


def _as_html(part: dict[str, Any]) -> str:
    """One thing shown, as HTML."""
    for kind in ("text/html", "image/svg+xml"):
        if kind in part:
            return f"<div>{part[kind]}</div>"
    if "image/png" in part:
        words = escape(str(part.get(_PLAIN, "A figure without words of its own.")))
        return f"<div><img alt='{words}' src='data:image/png;base64,{part['image/png']}'></div>"
    return f"<pre>{escape(str(part.get(_PLAIN, '')))}</pre>"
