"""A list a column: what the toolkit takes it for, what stands in it, and another meaning where it is wrong."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
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

NOT_USED = "not used"
SHOWN_VALUES = 4
_READING = "reading|"


class ColumnsChooser(Chooser):
    """What each column means, to be looked at and changed; `columns` is what `load_records` takes, None as proposed."""

    def __init__(self, path: Path) -> None:
        from ipywidgets import HTML, Accordion, VBox

        from toolkit.records.codebook import load_codebook
        from toolkit.records.propose import propose_for_table
        from toolkit.records.reading_files import read_file

        table = read_file(path)[0]
        proposal, cells = propose_for_table(table, codebook=load_codebook()), table.cells
        self._start = tomllib.loads(proposal.to_toml())
        known = proposal.table().set_index("column")
        self._boxes = {
            str(header): self._box(str(header), proposal.mapping.readings)
            for header in cells.columns
            if str(header) in known.index
        }
        self._first = {header: box.value for header, box in self._boxes.items()}
        self._asked = {question: _asked_box(question) for question in proposal.mapping.asked}
        rows = [
            VBox([box, HTML(_seen(cells[header], str(known.loc[header, "reason"])))])
            for header, box in self._boxes.items()
        ]
        unsure = int((proposal.guesses["confidence"] == "unsure").sum())
        title = f"What each of the {counted(len(rows), 'column')} was taken for" + f" ({unsure} not understood)" * (
            unsure > 0
        )
        folded = Accordion(children=[VBox(rows)], titles=(title,), selected_index=0 if unsure else None)
        asked = [VBox([HTML(f"<p>{escape(question.text)}</p>"), box]) for question, box in self._asked.items()]
        self.widget = VBox([HTML(f"<p>{escape(proposal.sentence())}</p>"), *asked, folded])
        self.tell(*self._boxes.values(), *self._asked.values())

    @property
    def columns(self) -> dict[str, Any] | None:
        """What the columns mean, as a columns.toml says it; None where nothing was changed or answered.

        Raises:
            ToolkitError: two columns were given the same meaning.
        """
        answers = [setting for box in self._asked.values() for setting in box.value]
        if not answers and all(box.value == self._first[header] for header, box in self._boxes.items()):
            return None
        from toolkit.records.mapping import FIELDS

        said = {key: value for key, value in copy.deepcopy(self._start).items() if key not in (*FIELDS, "readings")}
        readings: list[dict[str, str]] = []
        for header, box in self._boxes.items():
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
        return _answered(said, answers)

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
        box = drop_down(header, options)
        meant = [name for name, column in self._start.items() if column == header]
        box.value = _reading_code(own, own.side, own.phase) if own is not None else (meant[0] if meant else "")
        return box

    def __repr__(self) -> str:
        taken = [f"{header}: {box.label}" for header, box in self._boxes.items() if box.value]
        return f"{counted(len(taken), 'column')} understood. " + "; ".join(taken)


def _reading_code(own: ReadingColumn, side: str, phase: str) -> str:
    return f"{_READING}{own.measure}|{side}|{phase}|{own.unit}"


def _asked_box(question: Question) -> Any:
    """The answers to what only the person can know; the first says that it is left open."""
    from ipywidgets import Dropdown, Layout

    options = [("not answered yet", ()), *((choice.label, choice.settings) for choice in question.choices)]
    return Dropdown(description="Answer", options=options, layout=Layout(width="34rem"))


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
        path: the file. In a folder or in several sheets the first table is shown.
    """
    return ColumnsChooser(Path(path))
