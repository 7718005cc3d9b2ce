"""The replication sheet: one TOML file that states a source, its data, and its printed figures.

The layout (`format = "replication/1"`) is documented by `toolkit.replicating.format_page`, which is what
`replicate --format` prints: every word, every method with an example that runs. `[data]` and its further data sets are
read by `sheet_data`, their steps by `steps`, `[inputs]` by `sheet_inputs`, the figures by `sheet_figures`, and the
`[[check]]` of printed numbers among each other by `paper`.

Everything wrong in a sheet is reported at once, each with its line and what to do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating.paper import PaperRow, read_checks
from toolkit.replicating.sheet_data import MAIN, read_data_sets
from toolkit.replicating.sheet_figures import Figure, FigureReader
from toolkit.replicating.sheet_inputs import read_inputs
from toolkit.replicating.sheet_problems import Lines, Problem, stop_if_any, unknown_keys
from toolkit.settings import parse_toml, read_text

FORMAT = "replication/1"
TOP_KEYS = {
    "format", "title", "design", "citation", "data", "columns", "inputs", "every_figure", "figure", "check", "note",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """A checked replication sheet with its data read in (`data` is None where a paper prints summaries only)."""

    path: Path
    title: str
    design: str
    citation: str
    data: pd.DataFrame | None
    figures: tuple[Figure, ...]
    inputs: Mapping[str, Mapping[str, Any]] = field(default_factory=lambda: MappingProxyType({}))
    checks: tuple[PaperRow, ...] = ()
    doubts: tuple[str, ...] = ()
    """Printed summary figures that cannot be, each with its line; the figures are recomputed all the same."""
    data_sets: Mapping[str, pd.DataFrame] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def label(self) -> str:
        """The folder's name, with the sheet's own where a folder holds several."""
        own = self.path.stem.removeprefix("replication").strip("_")
        return f"{self.path.parent.name}/{own}" if own else self.path.parent.name


def read_sheet(path: str | Path) -> Sheet:
    """Read a replication sheet, check all of it, and read its data.

    Args:
        path: the TOML file; see the top of `toolkit.replicating.sheet` for its layout.

    Returns:
        A `Sheet` whose figures carry their method and settings.

    Raises:
        SheetError: one message that lists everything wrong, each with file, line and remedy.
    """
    path = Path(path)
    if not path.is_file():
        raise SheetError(f"{path.name}: there is no such replication sheet. Give the path of a replication.toml.")
    text = read_text(path)
    raw = parse_toml(text, name=path.name, example="Text values need quotation marks.")
    lines, problems = Lines(text), list[Problem]()
    _check_shapes(path, raw)
    problems += unknown_keys(raw, TOP_KEYS, lines, "", 0)
    for key in ("title", "design", "citation"):
        if not isinstance(raw.get(key), str) or not raw[key].strip():
            problems.append(Problem(line=1, what=f'"{key}" is missing', remedy=f'add {key} = "…" at the top'))
    if raw.get("format") != FORMAT:
        problems.append(
            Problem(line=lines.of("", "format"), what="the format is not stated", remedy=f'write format = "{FORMAT}"')
        )
    doubts: list[Problem] = []
    data = read_data_sets(path, raw, lines, problems)
    inputs = read_inputs(raw, lines, problems, doubts)
    reader = FigureReader(raw, data=data, inputs=inputs, lines=lines, problems=problems, doubts=doubts)
    figures = [figure for i, entry in enumerate(raw.get("figure", [])) for figure in reader.read(i, entry)]
    checks = read_checks(raw, lines, problems)
    if not raw.get("figure") and not raw.get("check"):
        what = "no figure is listed"
        problems.append(Problem(line=1, what=what, remedy="add at least one [[figure]] (or a [[check]])"))
    stop_if_any(path, problems)
    return Sheet(
        path=path,
        title=raw["title"],
        design=raw["design"],
        citation=raw["citation"],
        data=data.get(MAIN),
        figures=tuple(figures),
        inputs=MappingProxyType(inputs),
        checks=checks,
        doubts=tuple(dict.fromkeys(f"line {one.line}: {one.what}. What to do: {one.remedy}." for one in doubts)),
        data_sets=MappingProxyType({name: frame for name, frame in data.items() if frame is not None}),
    )


def _check_shapes(path: Path, raw: Mapping[str, Any]) -> None:
    """Refuse a sheet whose parts are not the tables they should be: nothing else can be read of it."""
    inputs, listed, checks = raw.get("inputs", {}), raw.get("figure", []), raw.get("check", [])
    tables = [("[data]", raw.get("data", {})), ("[columns]", raw.get("columns", {})), ("[inputs.a_name]", inputs)]
    tables += [("[every_figure]", raw.get("every_figure", {}))]
    tables += [("[[check]]", part) for part in (checks if isinstance(checks, list) else [None])]
    tables += [("[inputs.a_name]", part) for part in (inputs.values() if isinstance(inputs, dict) else ())]
    tables += [("[[figure]]", part) for part in (listed if isinstance(listed, list) else [None])]
    for header, part in tables:
        if not isinstance(part, dict):
            raise SheetError(f"{path.name}: a part of the sheet is written in another way: head it with {header}.")
