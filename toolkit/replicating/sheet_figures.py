"""One printed figure of a replication sheet: read, and tied to the method and the columns that recompute it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import pandas as pd

from toolkit.errors import FitError, SheetError
from toolkit.mixed.formula_grammar import read_formula
from toolkit.replicating.method import Method
from toolkit.replicating.methods import METHODS
from toolkit.replicating.printed import Printed, read_printed
from toolkit.replicating.sheet_data import MAIN, shaped
from toolkit.replicating.sheet_inputs import read_group
from toolkit.replicating.sheet_problems import Lines, Problem, no_column, unknown_keys

READ_WORDS = ("read", "quoted", "recalled")
FIGURE_KEYS = {
    "name", "printed", "where", "read", "read_in", "method", "take", "with", "decimals", "tolerance",
    "tolerance_because", "explanation", "data", "keep", "steps",
}  # fmt: skip
EVERY_KEYS = {"where", "read", "read_in", "method", "with", "data", "keep"}
WHOLE = {"n", "df", "df2", "V", "U", "W", "yes", "discordant", "q_df", "rank", "runs", "longest_run"}


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One printed figure and the way it is recomputed."""

    name: str
    printed: Printed
    where: str
    read: str
    read_in: str
    method: Method
    take: str
    settings: Mapping[str, Any]
    tolerance: float | None
    tolerance_because: str
    explanation: str
    line: int
    rows: pd.DataFrame | None = None


class FigureReader:
    """Reads the `[[figure]]` tables of one sheet; what is wrong goes to `problems`, with its line."""

    def __init__(
        self,
        raw: Mapping[str, Any],
        *,
        data: Mapping[str, pd.DataFrame | None],
        inputs: Mapping[str, Mapping[str, Any]],
        lines: Lines,
        problems: list[Problem],
        doubts: list[Problem],
    ) -> None:
        self._columns: Mapping[str, Any] = raw.get("columns", {})
        self._every: Mapping[str, Any] = raw.get("every_figure", {})
        self._sets = data
        self._has_data = "data" in raw
        self._inputs, self._lines, self._problems, self._doubts = inputs, lines, problems, doubts
        self._data: pd.DataFrame | None = None
        self._shaped: dict[str, pd.DataFrame | None] = {}
        self._nth = 0
        problems += unknown_keys(self._every, EVERY_KEYS, lines, "[every_figure]", 0)

    def _wrong(self, key: str, what: str, remedy: str, *, header: str = "[[figure]]") -> None:
        nth = self._nth if header == "[[figure]]" else 0
        self._problems.append(Problem(line=self._lines.of(header, key, nth=nth), what=what, remedy=remedy))

    def read(self, nth: int, entry: Mapping[str, Any]) -> list[Figure]:
        """The nth block: one figure, or one for each number of a table `printed`; none after problems were noted."""
        self._nth = nth
        self._problems += unknown_keys(entry, FIGURE_KEYS, self._lines, "[[figure]]", nth)
        if not all(isinstance(part.get("with", {}), dict) for part in (entry, self._every)):
            self._wrong("with", "the settings of a figure are no table", "write with = {setting = value}")
            return []
        whole = {**self._every, **entry}
        if "with" in self._every:
            known = METHODS.get(str(whole.get("method")))
            shared = {} if known is None else {k: v for k, v in self._every["with"].items() if k in known.words}
            whole["with"] = {**shared, **entry.get("with", {})}
        several = whole.get("printed")
        if not isinstance(several, dict):
            found = self._one(whole)
            return [] if found is None else [found]
        if not several or "take" in entry:
            what, remedy = "printed is a table and take is given as well", 'write printed = {t = "4.06", p = "0.003"}'
            self._wrong("printed", what, remedy)
            return []
        name = whole.get("name", whole.get("method"))
        parts = [{**whole, "name": f"{name}: {take}", "take": take, "printed": text} for take, text in several.items()]
        before = len(self._problems)
        figures = []
        for part in parts:
            figures.append(self._one(part))
            if len(self._problems) > before:
                return []
        return [figure for figure in figures if figure is not None]

    def _one(self, entry: Mapping[str, Any]) -> Figure | None:
        """One figure, or None after its problems were noted."""
        before = len(self._problems)
        self._check_words(entry)
        printed, method = self._printed(entry), self._method(entry)
        if printed is None or method is None:
            return None
        self._data = self._rows(entry)
        if len(self._problems) > before:
            return None
        settings = self._settings(method, entry.get("with", {}))
        if len(self._problems) > before:
            return None
        return Figure(
            name=entry["name"],
            printed=printed,
            where=entry["where"],
            read=entry["read"],
            read_in=entry.get("read_in", ""),
            method=method,
            take=entry["take"],
            settings=MappingProxyType(settings),
            tolerance=entry.get("tolerance"),
            tolerance_because=entry.get("tolerance_because", ""),
            explanation=entry.get("explanation", ""),
            line=self._lines.of("[[figure]]", nth=self._nth),
            rows=self._data,
        )

    def _rows(self, entry: Mapping[str, Any]) -> pd.DataFrame | None:
        """The rows this figure is made of: its data set, kept and stepped as the figure says."""
        name = entry.get("data", MAIN)
        if not self._sets:
            return None
        if not isinstance(name, str) or name not in self._sets:
            what = f"the figure takes the data set {name!r}, which the sheet does not have"
            self._wrong("data", what, f"use one of: {', '.join(self._sets)}")
            return None
        frame = self._sets[name]
        part = {key: entry[key] for key in ("keep", "steps") if key in entry}
        if frame is None or not part:
            return frame
        key = f"{name} {part!r}"
        if key not in self._shaped:
            try:
                self._shaped[key] = shaped(frame, part, "[[figure]]", self._lines, self._problems, nth=self._nth)
            except SheetError as fault:
                self._wrong("steps", str(fault), "correct the step")
                return None
        return self._shaped[key]

    def _check_words(self, entry: Mapping[str, Any]) -> None:
        for key in ("name", "where", "method", "take"):
            if not isinstance(entry.get(key), str):
                self._wrong(key, f'figure {self._nth + 1} has no "{key}"', f'add {key} = "…"')
        if entry.get("read") not in READ_WORDS:
            self._wrong("read", "it is not said whether the figure was read", f"read = one of {', '.join(READ_WORDS)}")
        elif entry["read"] == "quoted" and not entry.get("read_in"):
            self._wrong("read", "a quoted figure needs the place where it was read", 'add read_in = "…"')
        tolerance = entry.get("tolerance")
        if tolerance is not None and (not isinstance(tolerance, (int, float)) or tolerance <= 0):
            self._wrong("tolerance", "the tolerance is not a number above 0", "give it in the figure's unit")
        if tolerance is not None and not entry.get("tolerance_because"):
            self._wrong("tolerance", "a tolerance needs its reason", 'add tolerance_because = "…"')

    def _method(self, entry: Mapping[str, Any]) -> Method | None:
        name = entry.get("method")
        if not isinstance(name, str):
            return None
        method = METHODS.get(name)
        if method is None:
            self._wrong("method", f'there is no method "{name}"', f"use one of: {', '.join(sorted(METHODS))}")
            return None
        if entry.get("take") not in method.gives:
            remedy = f"use one of: {', '.join(method.gives)}"
            self._wrong("take", f'{method.name} does not give "{entry.get("take")}"', remedy)
        if not method.groups and not self._has_data:
            self._wrong(
                "method", f"{method.name} works on data, and the sheet names none", 'add [data] with file = "…"'
            )
            return None
        return method

    def _printed(self, entry: Mapping[str, Any]) -> Printed | None:
        """The printed figure, or None after saying what is wrong with it."""
        text = entry.get("printed")
        if not isinstance(text, str):
            what = f"the printed figure is {'nothing' if text is None else repr(text)}, without its decimals"
            self._wrong("printed", what, 'write it in quotation marks as printed, for example "4.060"')
            return None
        try:
            printed = read_printed(text)
        except SheetError as problem:
            self._wrong("printed", str(problem), "correct the figure")
            return None
        if str(entry.get("take")).split("_")[0] == "p" and printed.value == 0 and not printed.side:
            what = f'a p-value of 0 is not possible, "{text}" is a rounded one'
            self._wrong("printed", what, 'write the limit it stands for, for example "<0.001"')
            return None
        whole = str(entry.get("take")) in WHOLE or str(entry.get("take")).startswith("n_")
        if printed.decimals == 0 and printed.last_digit >= 1 and not whole and entry.get("decimals") != 0:
            remedy = "give it with the decimals of the paper, or add decimals = 0 where the paper prints a whole number"
            self._wrong("printed", f'the figure "{text}" has no decimals', remedy)
            return None
        return printed

    def _settings(self, method: Method, own: Mapping[str, Any]) -> dict[str, Any]:
        """The method's settings: its defaults, the sheet's columns, the figure's own."""
        known = method.words
        shared = {key: value for key, value in self._columns.items() if key in known}
        for key in own:
            if key not in known:
                remedy = f"use one of: {', '.join(sorted(known))}"
                self._wrong("with", f'"{key}" is not a setting of {method.name}', remedy)
        left_out = {key: "" for key in method.optional if key in method.columns}
        settings = {**left_out, **method.settings, **shared, **own}
        for key, default in method.settings.items():
            if isinstance(default, str) and key not in method.choices and isinstance(settings[key], (bool, int, float)):
                settings[key] = str(settings[key])  # yes = true, level = 3: a word of the data
            self._check_value(method, key, settings[key], default)
        for key in method.columns:
            self._check_columns(method, key, settings.get(key), own=key in own)
        self._check_formula(settings)
        for key in method.groups:
            named = settings.get(key, key)
            unused = key in method.optional and key not in own and key not in shared and key not in self._inputs
            settings[key] = {} if unused else self._group(method, key, named)
        return settings

    def _check_value(self, method: Method, key: str, value: Any, default: Any) -> None:
        """One setting: among its choices where it has some, else of the kind of its default."""
        if key in method.choices:
            if value not in method.choices[key] or isinstance(value, bool):
                remedy = f"use one of: {', '.join(map(str, method.choices[key]))}"
                self._wrong("with", f"{key} = {value!r} is not known to {method.name}", remedy)
            return
        number, listed = isinstance(default, (int, float)), isinstance(default, tuple)
        fits = isinstance(value, (int, float) if number else (list, tuple) if listed else str)
        if fits and number and not math.isfinite(value):
            self._wrong("with", f"{key} = {value!r} is no finite number", "give a number")
            return
        if fits and number and ((default > 0 and value <= 0) or (default == 0 and value < 0)):
            least = "above 0" if default > 0 else "0 or above"
            self._wrong("with", f"{key} = {value!r} is not {least}", f"give a number {least}")
            return
        plain = (str, int, float)
        if not fits or isinstance(value, bool) or (listed and not all(isinstance(one, plain) for one in value)):
            kind = "a number" if number else "a list of texts" if listed else "a text in quotation marks"
            self._wrong("with", f"{key} = {value!r} is of another kind", f"give {kind}")

    def _check_columns(self, method: Method, key: str, names: Any, *, own: bool) -> None:
        """The columns under one key: named, and in the data."""
        if names == "" and key in method.optional:
            return
        listed = [names] if isinstance(names, str) else names or []
        if not isinstance(listed, list) or not all(isinstance(name, str) for name in listed):
            header = "[[figure]]" if own else "[columns]"
            what = f"the column {key} is named by {names!r}"
            self._wrong("with" if own else key, what, "give its name in quotation marks", header=header)
            return
        if not listed and key not in method.optional:
            remedy = f'name it under [columns] or in with = {{{key} = "…"}}'
            self._wrong("method", f'{method.name} needs the column "{key}"', remedy)
        for name in listed:
            if self._data is not None and name not in self._data.columns:
                problem = no_column(self._data, name, 0)
                where = ("with", "[[figure]]") if own else (key, "[columns]")
                self._wrong(where[0], problem.what, problem.remedy, header=where[1])

    def _check_formula(self, settings: Mapping[str, Any]) -> None:
        """A formula says only what it may, and every column of a model is in the data."""
        kinds: dict[str, type | tuple[type, ...]] = {"formula": str, "slope": str, "groups": (list, tuple)}
        if self._data is None or not all(isinstance(settings.get(key), kind) for key, kind in kinds.items()):
            return
        try:
            words = read_formula(settings["formula"]).columns
        except FitError as problem:
            what, _, remedy = str(problem).rstrip(".").rpartition(". ")
            self._wrong("with", what, remedy)
            return
        parts = [*map(str, settings["groups"]), settings["slope"]]
        for name in dict.fromkeys([*words, *(word for part in parts for word in part.split(":") if word)]):
            if name not in self._data.columns:
                absent = no_column(self._data, name, 0)
                self._wrong("with", absent.what, absent.remedy)

    def _group(self, method: Method, key: str, name: Any) -> dict[str, Any]:
        """The summary figures a method needs, complete: named in the sheet's inputs, or written in the figure."""
        if isinstance(name, dict):
            made = read_group("[[figure]]", name, self._lines, self._problems, self._doubts, nth=self._nth)
            said = f"{key} of this figure"
        elif not isinstance(name, str) or name not in self._inputs:
            remedy = f"add [inputs.{name}], or write with = {{{key} = {{…}}}}"
            self._wrong("with", f'{method.name} needs the summary figures "{name}"', remedy)
            return {}
        else:
            made, said = dict(self._inputs[name]), f"[inputs.{name}]"
        absent = [figure for figure in method.groups[key] if figure not in made]
        if absent:
            self._wrong("with", f"{said} lacks {', '.join(absent)}", "add them as printed")
        return made
