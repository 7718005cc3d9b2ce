"""The data sets of a replication sheet: files, tables written in the sheet, arms; each brought into shape.

`[data]` is the sheet's own data set; `[data.NAME]` are further ones, which a figure takes with `data = "NAME"`. A
further one has a file or a table of its own, or starts from another one (`from = "main"`, the sheet's own).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import ExportError, SheetError
from toolkit.records.workbook_guard import bounded_bytes
from toolkit.replicating.sheet_problems import Lines, Problem, check_reshaping, unknown_keys
from toolkit.replicating.step_functions import same_value
from toolkit.replicating.steps import run_steps

MAIN = "main"
SOURCE_KEYS = frozenset({"file", "table", "from", "missing", "separator", "decimal", "sheet"})
SHAPE_KEYS = frozenset({"repeat_by", "keep", "stack", "steps"})
_KNOWN = set(SOURCE_KEYS | SHAPE_KEYS)
MOST_BYTES = 50_000_000


def read_data_sets(
    path: Path, raw: Mapping[str, Any], lines: Lines, problems: list[Problem]
) -> dict[str, pd.DataFrame | None]:
    """Every data set of a sheet by name; None where it cannot be read (the reason goes to `problems`)."""
    whole = raw.get("data")
    if not isinstance(whole, Mapping):
        return {}
    further = {key: part for key, part in whole.items() if isinstance(part, dict) and key not in _KNOWN}
    own = {key: value for key, value in whole.items() if key not in further}
    parts = ({MAIN: own} if own or not further else {}) | further
    found: dict[str, pd.DataFrame | None] = {}
    for name, part in parts.items():
        header = "[data]" if name == MAIN else f"[data.{name}]"
        found[name] = _one(path, part, header, found, lines, problems)
    return found


def _one(
    path: Path,
    part: Mapping[str, Any],
    header: str,
    found: Mapping[str, pd.DataFrame | None],
    lines: Lines,
    problems: list[Problem],
) -> pd.DataFrame | None:
    """One data set: read, then brought into shape."""
    before = len(problems)
    problems += unknown_keys(part, _KNOWN, lines, header, 0)
    if "from" in part:
        frame = found.get(str(part["from"]))
        if str(part["from"]) not in found:
            what, known = f'there is no data set "{part["from"]}" above this one', ", ".join(found) or "none"
            problems.append(Problem(line=lines.of(header, "from"), what=what, remedy=f"use one of: {known}"))
    elif "table" in part:
        frame = _table(part, header, lines, problems)
    else:
        frame = _file(path, part, header, lines, problems)
    if frame is None or len(problems) > before:
        return None
    try:
        return shaped(frame, part, header, lines, problems)
    except SheetError as fault:
        problems.append(Problem(line=lines.of(header, "steps"), what=str(fault), remedy="correct the step"))
        return None


def shaped(
    frame: pd.DataFrame,
    part: Mapping[str, Any],
    header: str,
    lines: Lines,
    problems: list[Problem],
    *,
    nth: int = 0,
) -> pd.DataFrame | None:
    """The data after `keep`, `repeat_by`, `stack` and the `steps`, in this order.

    Raises:
        SheetError: a step that these data cannot follow.
    """
    before = len(problems)
    check_reshaping(frame, part, lines, problems, header=header, nth=nth)
    if len(problems) > before:
        return None
    return run_steps(_short_forms(frame, part), part.get("steps", []))


def _short_forms(frame: pd.DataFrame, part: Mapping[str, Any]) -> pd.DataFrame:
    """Keep the rows asked for, repeat rows that are counts, stack columns into rows."""
    frame = kept(frame, part.get("keep", {}))
    short = []
    if "repeat_by" in part:
        short.append({"do": "repeat", "by": part["repeat_by"]})
    if "stack" in part:
        short.append({"do": "stack", **part["stack"]})
    return run_steps(frame, short).reset_index(drop=True)


def kept(frame: pd.DataFrame, keep: Mapping[str, Any]) -> pd.DataFrame:
    """Only the rows whose columns hold these values, one or a list each."""
    for name, wanted in keep.items():
        frame = frame[same_value(frame[name], wanted)]
    return frame


def _reading(part: Mapping[str, Any], header: str, lines: Lines, problems: list[Problem]) -> dict[str, Any] | None:
    """How the text is to be read: separator, decimal sign, words that mean nothing was read."""
    missing = part.get("missing", ["NA"])
    if not isinstance(missing, list):
        problems.append(Problem(line=lines.of(header, "missing"), what='"missing" is no list', remedy='write ["NA"]'))
        return None
    separator, decimal = part.get("separator", ","), part.get("decimal", ".")
    for key, sign in (("separator", separator), ("decimal", decimal)):
        if not isinstance(sign, str) or len(sign) != 1 or ord(sign) > 126:
            what, remedy = f"{key} = {sign!r} is not one sign", f'write {key} = ";" or the like'
            problems.append(Problem(line=lines.of(header, key), what=what, remedy=remedy))
            return None
    if separator == decimal:
        what = "the separator and the decimal sign are the same"
        problems.append(Problem(line=lines.of(header, "decimal"), what=what, remedy='write separator = ";"'))
        return None
    words = ["", *map(str, missing)]
    return {"na_values": words, "keep_default_na": False, "sep": separator, "decimal": decimal}


def _table(part: Mapping[str, Any], header: str, lines: Lines, problems: list[Problem]) -> pd.DataFrame | None:
    """A table written in the sheet itself."""
    how = _reading(part, header, lines, problems)
    text = part["table"]
    if how is None:
        return None
    if not isinstance(text, str) or not text.strip():
        remedy = 'write it as in a CSV file between three quotation marks: table = """ … """'
        problems.append(Problem(line=lines.of(header, "table"), what="the table is no text", remedy=remedy))
        return None
    tidy = "\n".join(line.strip() for line in text.strip().splitlines())
    try:
        return _named(pd.read_csv(io.StringIO(tidy), skipinitialspace=True, **how))
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as fault:
        what = f"the table cannot be read ({str(fault).strip()[:100]})"
        remedy = "write one line of column names, then one line a row, commas between"
        problems.append(Problem(line=lines.of(header, "table"), what=what, remedy=remedy))
        return None


def _file(
    path: Path, part: Mapping[str, Any], header: str, lines: Lines, problems: list[Problem]
) -> pd.DataFrame | None:
    name = str(part.get("file", ""))
    source = path.parent / name

    def wrong(what: str, remedy: str) -> pd.DataFrame | None:
        problems.append(Problem(line=lines.of(header, "file"), what=what, remedy=remedy))
        return None

    try:
        there, near = source.is_file(), source.resolve().is_relative_to(path.resolve().parent.parent)
    except (OSError, ValueError, RuntimeError):
        there, near = False, True
    if Path(name).is_absolute() or name.startswith(("\\", "//")):
        return wrong("the data file is named by its whole path", "put it beside the sheet and give its name")
    if not near:
        return wrong("the data file lies outside the sheet's folder and the one above", "put it beside the sheet")
    if not there:
        return wrong(f'the data file "{name}" is not there', "give its path as seen from the sheet")
    if source.stat().st_size > MOST_BYTES:
        return wrong(f"the data file {source.name} is larger than 50 MB", "keep the rows and columns the paper uses")
    how = _reading(part, header, lines, problems)
    if how is None:
        return None
    try:
        if source.suffix.lower() == ".xlsx":
            sheet = part.get("sheet", 0)
            return _named(
                pd.read_excel(
                    bounded_bytes(source), sheet_name=sheet, na_values=how["na_values"], keep_default_na=False
                )
            )
        if source.suffix.lower() == ".tsv" and "separator" not in part:
            how["sep"] = "\t"
        return _named(pd.read_csv(bounded_bytes(source), encoding="utf-8-sig", **how))
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as fault:
        kind = "as CSV " if source.suffix.lower() != ".xlsx" else ""
        what = f"the data file {source.name} cannot be read {kind}({str(fault).strip()[:100]})"
        return wrong(what, "save it as CSV in UTF-8 with one header row")
    except (ValueError, OSError, KeyError, ExportError) as fault:
        return wrong(f"the data file {source.name} cannot be read ({str(fault).strip()[:100]})", "save it as CSV")


def _named(frame: pd.DataFrame) -> pd.DataFrame:
    """Column names as text, without blanks at their ends."""
    return frame.rename(columns={name: str(name).strip() for name in frame.columns})
