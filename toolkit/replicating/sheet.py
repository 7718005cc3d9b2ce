"""The replication sheet: one TOML file that states a source, its data, and its printed figures.

The layout (`format = "replication/1"`), every part shown once:

    format = "replication/1"
    title = "Extra sleep under two drugs"          # what was studied, in a few words
    design = "paired trial"
    citation = "Student (1908) Biometrika 6:1-25"

    [data]                                          # leave out when the paper prints summary figures only
    file = "data.csv"                               # beside the sheet, or a relative path
    missing = ["NA"]                                # words that mean "no value"; NA and an empty cell if left out
    repeat_by = "count"                             # optional: each row stands for this many people
    keep = {goniometer = "universal"}               # optional: only rows with these values
    stack = {columns = ["bdi_2m", "bdi_3m"], into = "bdi", label = "month", labels = [2, 3]}   # optional: wide to long

    [columns]                                       # the method's words = the data's column names
    before = "extra_hours_drug2"
    after = "extra_hours_drug1"

    [inputs.treated]                                # optional: printed summary figures that serve as input
    n = 25
    mean = "79.6"
    sd = "17.1"
    scale_low = 0                                   # optional limits of the scale: impossible SDs are seen
    scale_high = 100
    percent_improved = "36.0"                       # percentages are checked against n

    [[figure]]
    name = "t of the difference"
    printed = "-4.06"                               # in quotation marks, with the decimals of the paper
    where = "p. 21, Table I"
    read = "read"                                   # "read" there, "quoted" elsewhere, "recalled" from memory
    read_in = "where it was quoted"                 # wanted with "quoted"
    method = "paired_t"                             # a name from the table of methods
    take = "t"                                      # which of the method's numbers
    with = {person = "subject"}                     # optional: settings or columns of this figure alone
    decimals = 0                                    # only where the paper truly prints a whole number
    tolerance = 0.5                                 # optional: how far is still close enough, and
    tolerance_because = "two optimisers"            # why
    explanation = "why it does not come out again"  # optional, your own words

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
from toolkit.replicating.sheet_figures import Figure, FigureReader
from toolkit.replicating.sheet_inputs import read_inputs
from toolkit.replicating.sheet_problems import Lines, Problem, check_reshaping, stop_if_any, unknown_keys
from toolkit.settings import parse_toml, read_text

FORMAT = "replication/1"
_TOP = {"format", "title", "design", "citation", "data", "columns", "inputs", "figure", "note"}
_DATA = {"file", "missing", "repeat_by", "keep", "stack"}


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
    problems += unknown_keys(raw, _TOP, lines, "", 0)
    for key in ("title", "design", "citation"):
        if not isinstance(raw.get(key), str) or not raw[key].strip():
            problems.append(Problem(line=1, what=f'"{key}" is missing', remedy=f'add {key} = "…" at the top'))
    if raw.get("format") != FORMAT:
        problems.append(
            Problem(line=lines.of("", "format"), what="the format is not stated", remedy=f'write format = "{FORMAT}"')
        )
    data = _read_data(path, raw, lines, problems)
    inputs = read_inputs(raw, lines, problems)
    reader = FigureReader(raw, data=data, inputs=inputs, lines=lines, problems=problems)
    figures = [reader.read(i, entry) for i, entry in enumerate(raw.get("figure", []))]
    if not figures:
        problems.append(Problem(line=1, what="no figure is listed", remedy="add at least one [[figure]]"))
    stop_if_any(path, problems)
    return Sheet(
        path=path,
        title=raw["title"],
        design=raw["design"],
        citation=raw["citation"],
        data=data,
        figures=tuple(figure for figure in figures if figure is not None),
        inputs=MappingProxyType(inputs),
    )


def _check_shapes(path: Path, raw: Mapping[str, Any]) -> None:
    """Refuse a sheet whose parts are not the tables they should be: nothing else can be read of it."""
    inputs, listed = raw.get("inputs", {}), raw.get("figure", [])
    tables = [("[data]", raw.get("data", {})), ("[columns]", raw.get("columns", {})), ("[inputs.a_name]", inputs)]
    tables += [("[inputs.a_name]", part) for part in (inputs.values() if isinstance(inputs, dict) else ())]
    tables += [("[[figure]]", part) for part in (listed if isinstance(listed, list) else [None])]
    for header, part in tables:
        if not isinstance(part, dict):
            raise SheetError(f"{path.name}: a part of the sheet is written in another way: head it with {header}.")


def _read_data(path: Path, raw: Mapping[str, Any], lines: Lines, problems: list[Problem]) -> pd.DataFrame | None:
    """The sheet's data, read and brought into the layout it asks for; None where there are none."""
    part = raw.get("data")
    if part is None:
        return None
    problems += unknown_keys(part, _DATA, lines, "[data]", 0)
    source = path.parent / str(part.get("file", ""))
    if not source.is_file():
        line = lines.of("[data]", "file")
        what = f'the data file "{part.get("file", "")}" is not there'
        problems.append(Problem(line=line, what=what, remedy="give its path as seen from the sheet"))
        return None
    before = len(problems)
    frame = _read_csv(source, part, lines, problems)
    if frame is not None:
        check_reshaping(frame, part, lines, problems)
    return None if frame is None or len(problems) > before else _reshape(frame, part)


def _read_csv(source: Path, part: Mapping[str, Any], lines: Lines, problems: list[Problem]) -> pd.DataFrame | None:
    missing = part.get("missing", ["NA"])
    if not isinstance(missing, list):
        problems.append(Problem(line=lines.of("[data]", "missing"), what='"missing" is no list', remedy='write ["NA"]'))
        return None
    try:
        return pd.read_csv(source, na_values=["", *map(str, missing)], keep_default_na=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as fault:
        what = f"the data file {source.name} cannot be read as CSV ({str(fault).strip()[:100]})"
        remedy = "save it as CSV in UTF-8 with one header row"
        problems.append(Problem(line=lines.of("[data]", "file"), what=what, remedy=remedy))
        return None


def _reshape(frame: pd.DataFrame, part: Mapping[str, Any]) -> pd.DataFrame:
    """Keep the rows asked for, repeat rows that are counts, stack columns into rows."""
    for name, value in part.get("keep", {}).items():
        frame = frame[frame[name] == value]
    if "repeat_by" in part:
        counts = frame[part["repeat_by"]].astype(int)
        frame = frame.loc[frame.index.repeat(counts)].drop(columns=part["repeat_by"])
    if "stack" in part:
        plan = part["stack"]
        others = [name for name in frame.columns if name not in plan["columns"]]
        frame = frame.melt(id_vars=others, value_vars=plan["columns"], var_name=plan["label"], value_name=plan["into"])
        if "labels" in plan:
            frame[plan["label"]] = frame[plan["label"]].map(dict(zip(plan["columns"], plan["labels"], strict=True)))
    return frame.reset_index(drop=True)
