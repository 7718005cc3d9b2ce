"""From opening the first notebook to its first answer: how long, and on what the time goes.

    python tests/benchmarks/first_answer.py

Starts a kernel as `start.py lab` does, runs the first notebook's code cells on the demo clinic up to and including the
first that shows a claim, and prints wall times: starting the kernel, importing (timed inside the kernel, wherever an
import happens), the rest. Twice, each in a fresh kernel: the second finds the files in the machine's memory. It prints,
and never fails for slowness.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

RUNS = ("first run", "second run")
LONGEST = 600  # seconds a cell may take before the kernel is taken for dead
WATCH_IMPORTS = """
import builtins as _builtins, time as _time
class _Watch:
    seconds, depth, plain = 0.0, 0, _builtins.__import__
    def __call__(self, *given, **named):
        began, self.depth = _time.perf_counter(), self.depth + 1
        try:
            return type(self).plain(*given, **named)
        finally:
            self.depth -= 1
            if self.depth == 0:
                self.seconds += _time.perf_counter() - began
_watch = _builtins.__import__ = _Watch()
"""


@dataclass(frozen=True, kw_only=True)
class Spent:
    """Seconds from opening to the first answer, and their parts."""

    kernel: float
    importing: float
    cells: float
    answer: str

    @property
    def whole(self) -> float:
        """All of it."""
        return self.kernel + self.cells

    @property
    def rest(self) -> float:
        """Reading the records, judging, showing."""
        return self.cells - self.importing


def cells_to_the_first_claim() -> list[str]:
    """The first notebook's code cells, up to the one that shows a claim."""
    import nbformat

    from toolkit.resources import notebook_folder

    (path,) = notebook_folder().glob("1_*.ipynb")
    code = [str(cell.source) for cell in nbformat.read(path, 4).cells if cell.cell_type == "code"]
    last = next(place for place, source in enumerate(code) if "show.claim(" in source)
    return code[: last + 1]


def first_answer(cells: list[str], folder: str) -> Spent:
    """Start a kernel, run the cells, say what the time went on."""
    from jupyter_client.manager import start_new_kernel

    began = time.perf_counter()
    manager, client = start_new_kernel(kernel_name="python3", cwd=folder)
    try:
        kernel = time.perf_counter() - began
        run(client, WATCH_IMPORTS)
        began = time.perf_counter()
        said = [run(client, cell) for cell in cells][-1]
        spent = time.perf_counter() - began
        importing = float(run(client, "print(_watch.seconds)"))
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
    return Spent(kernel=kernel, importing=importing, cells=spent, answer=said)


def run(client: Any, code: str) -> str:
    """Run one cell; what it shows, as text. Stops where the cell fails: there is no answer to time then."""
    shown: list[str] = []

    def keep(message: dict[str, Any]) -> None:
        content = message["content"]
        shown.append(str(content.get("text") or content.get("data", {}).get("text/plain", "")))

    reply = client.execute_interactive(code, output_hook=keep, timeout=LONGEST)["content"]
    if reply["status"] != "ok":
        raise SystemExit(f"This cell gave no answer:\n{code}\n{''.join(shown)}{reply.get('evalue', '')}")
    return "".join(shown)


def as_lines(name: str, spent: Spent) -> list[str]:
    """One run in words: seconds and shares."""
    parts = (("starting the kernel", spent.kernel), ("importing", spent.importing), ("the rest", spent.rest))
    rows = [f"  {part:<20} {seconds:6.2f} s  {100 * seconds / spent.whole:3.0f} %" for part, seconds in parts]
    return [f"{name}: {spent.whole:.2f} s from opening to the first answer", *rows]


def main() -> None:
    """Time it and print it."""
    from toolkit.notebook.lab import lab_environment

    os.environ.update(lab_environment())
    cells = cells_to_the_first_claim()
    print(f"{len(cells)} code cells of the first notebook, demo clinic, {os.cpu_count()} processor(s)")
    with tempfile.TemporaryDirectory() as folder:
        for name in RUNS:
            spent = first_answer(cells, folder)
            print("\n".join(as_lines(name, spent)))
    print("The answer:", spent.answer.splitlines()[1])


if __name__ == "__main__":
    main()
