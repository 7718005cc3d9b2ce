"""A list a column: what the toolkit takes it for, what stands in it, and another meaning where it is wrong."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from html import escape
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toolkit.errors import ToolkitError
from toolkit.looks.words import counted, spaced
from toolkit.notebook.pieces import Chooser, Options, drop_down

if TYPE_CHECKING:
    from toolkit.records.mapping import ReadingColumn
    from toolkit.records.questions import Question
    from toolkit.records.raw_table import RawTable

NOT_USED = "not used"
SHOWN_VALUES = 4
_READING = "reading|"
_SHEET = re.compile(r"\[([^\[\]]+)\][^\[\]]*$")  # how a table of a workbook is named: file [sheet]


class ColumnsChooser(Chooser):
    """What each column means, to be looked at and changed; `columns` is what `load_records` takes, None as proposed.

    Tables with the same headers (a sheet a month) are one. Where a file holds several, all are read as they were
    understood, until one is chosen: then that one alone, with what is chosen in it.
    """

    def __init__(self, path: Path) -> None:
        from ipywidgets import HTML, VBox

        from toolkit.records.reading_files import read_file

        self._path, self._tables = path, _alike(read_file(path))
        self._parts: dict[str, _TableColumns] = {}
        self._table: Any = None
        self.widget = VBox()
        if len(self._tables) == 1:
            self.widget.children = self._part(next(iter(self._tables))).widget.children
            return
        options: Options = [(f"all {len(self._tables)}, each as it was understood", "")]
        options += [(name, name) for name in self._tables]
        self._table = drop_down("Table", options)
        self._said = HTML(f"<p>{escape(_several(path, len(self._tables)))}</p>")
        self._table.observe(self._table_chosen, names="value")
        self._table_chosen(None)
        self.tell(self._table)

    def _part(self, name: str) -> _TableColumns:
        """The lists of one table, made when they are first asked for."""
        if name not in self._parts:
            part = _TableColumns(self._tables[name], of_table=self._told_from_others(name))
            self.tell(*part.boxes.values(), *part.asked.values())
            self._parts[name] = part
        return self._parts[name]

    def _told_from_others(self, name: str) -> dict[str, Any]:
        """What tells a table from the others of its file: the sheet, and where one sheet holds several, the header."""
        if len(self._tables) == 1:
            return {}
        table, labels = self._tables[name], [one.file for one in self._tables.values()]
        sheet = _SHEET.search(table.file)
        told: dict[str, Any] = {} if sheet is None else {"sheet": sheet.group(1)}
        return (
            told if sheet is not None and labels.count(table.file) == 1 else {**told, "header_row": table.rows[0] - 1}
        )

    def _table_chosen(self, change: Any) -> None:
        del change
        chosen = self._part(self._table.value).widget.children if self._table.value else (self._said,)
        self.widget.children = (self._table, *chosen)

    @property
    def _shown(self) -> _TableColumns | None:
        """The table whose columns are shown; None where all are read as they were understood."""
        if self._table is None:
            return self._part(next(iter(self._tables)))
        return self._part(self._table.value) if self._table.value else None

    @property
    def columns(self) -> dict[str, Any] | None:
        """What the columns mean, as a columns.toml says it; None where nothing was changed or answered.

        Raises:
            ToolkitError: two columns were given the same meaning.
        """
        return None if self._shown is None else self._shown.columns

    def __repr__(self) -> str:
        return _several(self._path, len(self._tables)) if self._shown is None else repr(self._shown)


class _TableColumns:
    """The lists of one table: `boxes` by header, `asked` by question."""

    def __init__(self, table: RawTable, *, of_table: dict[str, Any]) -> None:
        from ipywidgets import HTML, Accordion, VBox

        from toolkit.records.codebook import load_codebook
        from toolkit.records.propose import propose_for_table

        self._of_table = {name: int(told) if name == "header_row" else told for name, told in of_table.items()}
        proposal, cells = propose_for_table(table, codebook=load_codebook()), table.cells
        self._start = tomllib.loads(proposal.to_toml())
        known = proposal.table().set_index("column")
        self.boxes: dict[str, Any] = {}
        for header in map(str, cells.columns):
            if header in known.index:
                self.boxes[header] = self._box(header, proposal.mapping.readings)
        self._first = {header: box.value for header, box in self.boxes.items()}
        self.asked = {question: _asked_box(question) for question in proposal.mapping.asked}
        rows: list[Any] = []
        for header, box in self.boxes.items():
            looks = {"layout": rows[1].layout, "style": rows[1].style} if rows else {}
            rows += [box, HTML(_seen(cells[header], str(known.loc[header, "reason"])), **looks)]
        unsure = int((proposal.guesses["confidence"] == "unsure").sum())
        title = (
            f"What each of the {counted(len(self.boxes), 'column')} was taken for"
            + f" ({unsure} not understood)" * (unsure > 0)
        )
        folded = Accordion(children=[VBox(rows)], titles=(title,), selected_index=0 if unsure else None)
        asked = [VBox([HTML(f"<p>{escape(question.text)}</p>"), box]) for question, box in self.asked.items()]
        self.widget = VBox([HTML(f"<p>{escape(proposal.sentence())}</p>"), *asked, folded])

    @property
    def columns(self) -> dict[str, Any] | None:
        """What the columns mean; None where nothing was changed or answered and this is the only table."""
        answers = [setting for box in self.asked.values() for setting in box.value]
        if not answers and all(box.value == self._first[header] for header, box in self.boxes.items()):
            return {**self._start, **self._of_table} if self._of_table else None
        from toolkit.records.mapping import FIELDS

        said = {key: value for key, value in copy.deepcopy(self._start).items() if key not in (*FIELDS, "readings")}
        readings: list[dict[str, str]] = []
        for header, box in self.boxes.items():
            if box.value == "":
                said["ignore"] = [*said.get("ignore", []), header]
            elif box.value.startswith(_READING):
                _, measure, side, phase, unit = box.value.split("|")
                readings.append({"column": header, "measure": measure, "side": side, "phase": phase, "unit": unit})
            elif box.value in said:
                raise ToolkitError(f"“{spaced(box.value)}” is chosen for two columns: {said[box.value]} and {header}.")
            else:
                said[box.value] = header
        if readings:
            said["readings"] = readings
        return {**_answered(said, answers), **self._of_table}

    def _box(self, header: str, readings: tuple[ReadingColumn, ...]) -> Any:
        """The list for one column: not used, each field, and the readings it could hold."""
        from toolkit.records.mapping import FIELDS

        options: Options = [(NOT_USED, ""), *((spaced(name), name) for name in FIELDS)]
        own = next((one for one in readings if one.column == header), None)
        if own is not None:
            sides = list(dict.fromkeys([own.side, "left", "right", "none", "both"]))
            options += [
                (f"{spaced(own.measure)}, {spaced(side)}, {spaced(phase)}", _reading_code(own, side, phase))
                for side in sides
                for phase in dict.fromkeys([own.phase, "before", "before_2", "after_wait", "after"])
            ]
        meant = [name for name, column in self._start.items() if column == header]
        taken = _reading_code(own, own.side, own.phase) if own is not None else (meant[0] if meant else "")
        return drop_down(header, options, value=taken, like=next(iter(self.boxes.values()), None))

    def __repr__(self) -> str:
        taken = [f"{header}: {box.label}" for header, box in self.boxes.items() if box.value]
        return f"{counted(len(taken), 'column')} understood. " + "; ".join(taken)


def _alike(tables: Sequence[RawTable]) -> dict[str, RawTable]:
    """The tables by name, of those with the same headers the first."""
    found: dict[tuple[str, ...], RawTable] = {}
    for table in tables:
        found.setdefault(tuple(map(str, table.cells.columns)), table)
    names: dict[str, RawTable] = {}
    for table in found.values():
        again = sum(name.startswith(table.file) for name in names)
        names[f"{table.file} (table {again + 1})" if again else table.file] = table
    return names


def _several(path: Path, n: int) -> str:
    return (
        f"{path.name} holds {n} tables with other headers each. All are read, each as it was understood. Choose one to "
        "see its columns or to change a meaning: then only that one is read."
    )


def _reading_code(own: ReadingColumn, side: str, phase: str) -> str:
    return f"{_READING}{own.measure}|{side}|{phase}|{own.unit}"


def _asked_box(question: Question) -> Any:
    """The answers to what only the person can know; the first says that it is left open."""
    from ipywidgets import Dropdown, Layout

    options = [("not answered yet", ()), *((choice.label, choice.settings) for choice in question.choices)]
    return Dropdown(description="Answer", options=options, layout=Layout(width="34rem", max_width="98%"))


def _answered(said: dict[str, Any], answers: list[tuple[str, str]]) -> dict[str, Any]:
    """The lines with the answers put in."""
    from toolkit.records.questions import with_answers

    return {key: _without_empty(value) for key, value in with_answers(said, answers).items()}


def _without_empty(value: Any) -> Any:
    """Readings without a unit name none."""
    if isinstance(value, list) and value and isinstance(value[0], Mapping):
        return [{key: word for key, word in entry.items() if word} for entry in value]
    return value


def _seen(cells: Any, reason: str) -> str:
    """The first different values of a column, and why it was taken so."""
    values = list(islice((value for value in map(str, cells.unique()) if value), SHOWN_VALUES))
    shown = ", ".join(f"“{escape(value[:24])}”" for value in values) or "nothing"
    return f"<p style='margin:-.3rem 0 .5rem 8.5rem;font-size:.9em'>holds {shown} · {escape(reason)}</p>"


def choose_columns(path: str | Path) -> ColumnsChooser:
    """Lists for what each column of a file means, with the values that stand in it.

    Args:
        path: the file. Where it holds several tables, one of them can be chosen.
    """
    return ColumnsChooser(Path(path))
