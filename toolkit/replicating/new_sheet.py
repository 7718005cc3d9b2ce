"""A sheet to start from: commented, for a data file and a method, with the file's columns beside the method's words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from toolkit.errors import SheetError
from toolkit.replicating.format_page import toml_value
from toolkit.replicating.glossary import meaning_of
from toolkit.replicating.method import Method
from toolkit.replicating.methods import METHODS
from toolkit.replicating.sheet_data import read_data_sets
from toolkit.replicating.sheet_problems import Lines, Problem, stop_if_any


def new_sheet(method: str, *, data: str | Path | None = None, beside: str | Path = ".") -> str:
    """The text of a commented sheet for one method, ready to be filled in.

    Args:
        method: its name. data: a CSV, TSV or XLSX file, as seen from `beside`; None where the paper prints
            summary figures only. beside: the folder the sheet will stand in.

    Returns:
        The text: with data, columns whose names speak for themselves are filled in, the others are to be chosen.

    Raises:
        SheetError: there is no such method, it needs data and none are given, or the file cannot be read.

    Example:
        >>> "take = " in new_sheet("p_of_statistic")
        True
    """
    if method not in METHODS:
        raise SheetError(f'there is no method "{method}": use one of {", ".join(METHODS)}')
    known = METHODS[method]
    required = [name for name in known.columns if name not in known.optional]
    if data is None and (required or not known.groups):
        raise SheetError(f"{method} works on data: name the data file as well, replicate --new {method} --data FILE")
    frame = None if data is None else _read(Path(beside), str(data))
    lines = [
        'format = "replication/1"',
        'title = "…"                    # what was studied, in a few words',
        'design = "…"                   # paired trial, agreement of two readers, …',
        'citation = "…"                 # authors (year) journal volume:pages',
    ]
    if frame is not None:
        lines += ["", *_data_part(frame, str(data), _signs(Path(beside) / str(data)))]
    if frame is not None and known.columns:
        lines += ["", *_columns_part(known, frame)]
    lines += _inputs_part(known, needed=frame is None or not known.columns)
    return "\n".join([*lines, "", *_figure_part(known)]) + "\n"


def _read(folder: Path, name: str) -> pd.DataFrame:
    """The data file, by the sheet's own reader."""
    problems: list[Problem] = []
    part = {"file": name, **_signs(folder / name)}
    frame = read_data_sets(folder / "replication.toml", {"data": part}, Lines(""), problems).get("main")
    stop_if_any(Path(name), problems)
    if frame is None:
        raise SheetError(f"{name} cannot be read: save it as CSV in UTF-8 with one header row")
    return frame


def _signs(path: Path) -> dict[str, str]:
    """Separator and decimal sign, where a CSV's first line shows a semicolon."""
    if path.suffix.lower() not in (".csv", ".txt"):
        return {}
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            head = [file.readline(2000) for _ in range(5)]
    except OSError:
        return {}
    if head[0].count(";") <= head[0].count(","):
        return {}
    comma = any(re.search(r"(?:^|;)\s*-?\d+,\d+\s*(?:;|$)", line.strip()) for line in head[1:])
    return {"separator": ";", **({"decimal": ","} if comma else {})}


def _data_part(frame: pd.DataFrame, name: str, signs: Mapping[str, str]) -> list[str]:
    shown = [f"#   {column}: {_seen(frame[column])}" for column in frame.columns[:40]]
    return [
        "[data]",
        f"file = {toml_value(name)}",
        *(f"{key} = {toml_value(value)}" for key, value in signs.items()),
        '# missing = ["NA"]             # words that mean "no value"',
        '# keep = {column = "value"}    # only some rows',
        "# steps = []                   # replicate --format steps",
        f"# {len(frame)} rows; the columns, and what stands in them:",
        *shown,
    ]


def _seen(column: pd.Series) -> str:
    """What stands in a column: a span of numbers, or a few of its words."""
    yes_no = pd.api.types.is_bool_dtype(column)
    numbers = pd.to_numeric(column.astype(str) if yes_no else column, errors="coerce")
    gaps = int(column.isna().sum())
    more = f", {gaps} empty" if gaps else ""
    if numbers.notna().sum() == column.notna().sum() and column.notna().any():
        return f"{numbers.min():g} to {numbers.max():g}{more}"
    words = [str(word)[:20] for word in column.dropna().drop_duplicates().head(5)]
    left = column.nunique() - len(words)
    return f"{', '.join(words)}{f' and {left} more' if left > 0 else ''}{more}"


def _columns_part(method: Method, frame: pd.DataFrame) -> list[str]:
    lines = ["[columns]"]
    names = {str(name).lower().replace(" ", "_"): str(name) for name in frame.columns}
    for word in method.columns:
        guess = names.get(word)
        optional = word in method.optional and guess is None
        value = toml_value(guess) if guess else '"…"'
        lines.append(f"{'# ' if optional else ''}{word} = {value}    # {meaning_of(method, word)}")
    return lines


def _inputs_part(method: Method, *, needed: bool) -> list[str]:
    lines: list[str] = []
    for name, figures in method.groups.items():
        mark = "" if needed and (name not in method.optional or not method.columns) else "# "
        lines += ["", f"{mark}[inputs.{name}]    # {meaning_of(method, name)}"]
        lines += [f'{mark}{figure} = "…"' for figure in figures]
    return lines


def _figure_part(method: Method) -> list[str]:
    settings: list[str] = []
    for key, default in method.settings.items():
        choices = method.choices.get(key)
        among = f" one of {', '.join(map(str, choices))}" if choices else ""
        settings.append(f"#   {key} = {toml_value(default)}    {meaning_of(method, key)}{among}".rstrip())
    return [
        '[[figure]]                      # one block a figure; or printed = {name = "…", name = "…"} without take',
        'name = "…"                      # what the paper calls it',
        'printed = "…"                   # as printed, with its decimals, in quotation marks',
        'where = "p. …, Table …"',
        'read = "read"                   # or "quoted" (and read_in = "…"), "recalled"',
        f'method = "{method.name}"',
        f'take = "{method.gives[0]}"    # one of {", ".join(method.gives)}',
        *(["# with = {…}                   # settings, and what holds if left out:", *settings] if settings else []),
    ]


def columns_of(path: str | Path) -> list[str]:
    """The column names of a data file: what drop-downs offer."""
    path = Path(path)
    return [str(name) for name in _read(path.parent, path.name).columns]


def filled_sheet(text: str, answers: dict[str, Any]) -> str:
    """A new sheet with some of its `…` replaced: the first line of each key takes the answer.

    Example:
        >>> filled_sheet('title = "…"', {"title": "Bending"})
        'title = "Bending"'
    """
    lines = text.splitlines()
    for key, value in answers.items():
        for place, line in enumerate(lines):
            if re.match(rf"(# )?{re.escape(key)} = ", line):
                lines[place] = f"{key} = {toml_value(value)}"
                break
    return "\n".join(lines)
