"""Drop-downs for the notebooks, made from the records at hand.

A chooser shows itself when it is the last line of a cell; later cells ask it what was chosen. Without a browser
(a notebook that is run from top to bottom) it answers with its first choice, the one with most clients.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.looks.words import capital, counted, scale_of, threshold, unit_words
from toolkit.notebook.client import ClientChooser
from toolkit.notebook.pieces import Chooser, Options, Words, drop_down, refill, words
from toolkit.resources import dataset_file

if TYPE_CHECKING:
    from toolkit.records.account import Records


COMPARISON = "measured_only"
DEMO = "the demo clinic (simulated, so its truth is known)"
DEMO_SITES = "the demo: three sites"
TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods", ".parquet")


class QuestionChooser(Chooser):
    """Measure, region and intervention from drop-downs that hold only what the records hold.

    `question` is the question as chosen, ready for `audit(…, question=chooser.question)`.
    """

    def __init__(self, records: Records, *, smallest_change: float | None, why: str, first: Sequence[str] = ()) -> None:
        from ipywidgets import BoundedFloatText, Layout, VBox

        rows = records.rows.astype({"measure": str, "region": str, "intervention": str})
        self._rows = rows[~rows["intervention"].isin(["", COMPARISON])]
        if self._rows.empty:
            raise NotEnoughError("The records hold no session with an intervention, so there is no question to choose.")
        self._book = records.codebook
        self._why, self._sizes = why, dict[str, float]()  # 3 degrees say nothing of a sign or of pain
        self._measure = drop_down("Measure", self._options(self._rows, "measure"))
        self._region = drop_down("Region", self._options(self._here("measure"), "region"))
        self._intervention = drop_down("Intervention", self._options(self._here("measure", "region"), "intervention"))
        self._measure.observe(self._measure_chosen, names="value")
        self._region.observe(self._region_chosen, names="value")
        for box, code in zip((self._measure, self._region, self._intervention), first, strict=False):
            box.value = code if code in {value for _, value in box.options} else box.value
        if smallest_change is not None:
            self._sizes[first[0] if first else self._measure.value] = smallest_change
        self._size = BoundedFloatText(
            min=0,
            max=1000,
            step=0.5,
            layout=Layout(width="34rem", max_width="98%"),
            style={"description_width": "8rem"},
        )
        self._show_size()
        self._size.observe(self._size_chosen, names="value")
        self.widget = VBox([self._measure, self._region, self._intervention, self._size])
        self.tell(*self.widget.children)

    @property
    def question(self) -> dict[str, Any]:
        """The question as chosen. Not written down before looking, so it pays for all the records could answer."""
        boxes = {"measure": self._measure, "region": self._region, "intervention": self._intervention}
        chosen = {name: str(box.value or "any") for name, box in boxes.items()}
        size = self.smallest_change
        matters = {} if size is None else {"smallest_change_that_matters": size, "source": self._why}
        return {**chosen, **matters}

    @property
    def measure(self) -> str:
        """The measure's codebook name."""
        return str(self._measure.value)

    @property
    def region(self) -> str:
        """The region as the records hold it."""
        return str(self._region.value)

    @property
    def intervention(self) -> str:
        """The intervention as the records hold it."""
        return str(self._intervention.value)

    @property
    def unit(self) -> str:
        """The measure's unit."""
        return str(self._book.measure(self.measure).unit)

    @property
    def smallest_change(self) -> float | None:
        """The smallest change that matters; None for a measure it was not set for."""
        return self._sizes.get(str(self._measure.value))

    @property
    def words(self) -> Words:
        """The question in words, to be read before the answer."""
        chosen, known = self.question, self._book.measure(str(self._measure.value))
        technique, region = (self.name_of(what, chosen[what]) for what in ("intervention", "region"))
        parts = [f"Does {technique} on {region} move {known.label}?"]
        if "smallest_change_that_matters" in chosen:
            size = threshold(chosen["smallest_change_that_matters"], known.unit)
            parts.append(f"It matters from {size} on ({chosen['source']}).")
        else:
            parts.append("From which change on it matters is not set for this measure: write it under “Matters from”.")
        return words(*parts)

    def name_of(self, what: str, code: str) -> str:
        """A measure, region or intervention in words."""
        return "any region" if code == "any" else self._book.label(what, code)

    def _here(self, *names: str) -> pd.DataFrame:
        """The rows that fit what is chosen in these boxes."""
        chosen = {"measure": self._measure, "region": getattr(self, "_region", None)}
        rows = self._rows
        for name in names:
            rows = rows[rows[name] == chosen[name].value]
        return rows

    def _options(self, rows: pd.DataFrame, column: str) -> Options:
        """What a column holds, most clients first, each with its number of clients."""
        clients = rows.groupby(column)["client"].nunique().sort_values(ascending=False, kind="stable")
        return [
            (f"{self._label(column, str(code))} ({counted(n, 'client')})", str(code)) for code, n in clients.items()
        ]

    def _label(self, column: str, code: str) -> str:
        """A code's name in words."""
        return capital(self._book.label(column, code) or "any region")

    def _show_size(self) -> None:
        """The size box for the measure chosen: its unit, and the size set for it (0: none)."""
        unit = self._book.measure(str(self._measure.value)).unit
        self._size.description = f"Matters from ({unit_words(unit)})"
        self._size.value = (self.smallest_change or 0.0) * scale_of(unit)

    def _size_chosen(self, change: Any) -> None:
        del change
        unit = self._book.measure(str(self._measure.value)).unit
        if self._size.value > 0:
            self._sizes[str(self._measure.value)] = float(self._size.value) / scale_of(unit)
        else:
            self._sizes.pop(str(self._measure.value), None)

    def _measure_chosen(self, change: Any) -> None:
        del change
        if hasattr(self, "_size"):
            self._show_size()
        refill(self._region, self._options(self._here("measure"), "region"))
        self._region_chosen(None)

    def _region_chosen(self, change: Any) -> None:
        del change
        refill(self._intervention, self._options(self._here("measure", "region"), "intervention"))


def choose_question(
    records: Records,
    *,
    smallest_change: float | None = None,
    why: str = "own judgement",
    first: Sequence[str] = (),
) -> QuestionChooser:
    """Drop-downs for one question.

    Args:
        records: what was read.
        smallest_change: the smallest change that matters, in the unit of the measure that is shown first; it is not
            carried over to another measure.
        why: where that size comes from.
        first: measure, region and intervention to begin with, where the records hold them.

    Raises:
        NotEnoughError: there is no session with an intervention.
    """
    return QuestionChooser(records, smallest_change=smallest_change, why=why, first=first)


def choose_client(records: Records) -> ClientChooser:
    """Drop-downs for one client's course.

    Raises:
        NotEnoughError: no measure has numbers.
    """
    return ClientChooser(records)


class PairChooser(QuestionChooser):
    """A measure, a region and two interventions to compare."""

    def __init__(self, records: Records, *, smallest_change: float | None = None, first: Sequence[str] = ()) -> None:
        super().__init__(records, smallest_change=smallest_change, why="own judgement", first=first)
        self._other = drop_down("Compared with", self._others())
        for box in (self._measure, self._region, self._intervention):
            box.observe(self._others_again, names="value")
        self.widget.children = (*self.widget.children, self._other)
        self.tell(self._other)

    def _others(self) -> Options:
        """The other interventions on the same measure and region."""
        found = self._options(self._here("measure", "region"), "intervention")
        others = [option for option in found if option[1] != self._intervention.value]
        return others or [("nothing to compare with here", "")]

    def _others_again(self, change: Any) -> None:
        del change
        refill(self._other, self._others())

    @property
    def question(self) -> dict[str, Any]:
        """What to compare: measure, region, protocol_a, protocol_b, with unit and direction.

        Raises:
            NotEnoughError: there is only one intervention on this measure and region.
        """
        chosen, known = super().question, self._book.measure(str(self._measure.value))
        if not self._other.value:
            raise NotEnoughError("There is only one intervention on this measure and region: choose another region.")
        return {
            "measure": chosen["measure"],
            "region": chosen["region"],
            "unit": known.unit,
            "better": known.better,
            "protocol_a": chosen["intervention"],
            "protocol_b": str(self._other.value),
        }


def choose_two(records: Records, *, smallest_change: float | None = None, first: Sequence[str] = ()) -> PairChooser:
    """Drop-downs for two interventions on one measure and region; arguments as `choose_question`."""
    return PairChooser(records, smallest_change=smallest_change, first=first)


def choose_file(*, folder: str | Path = ".", sites: bool = False) -> FileChooser:
    """A drop-down over the demo clinic and the tables in a folder; `.path` is what was chosen.

    Args:
        folder: where to look; the notebook's own folder if left out.
        sites: begin with the demo of three sites, and list folders that hold a folder with tables for each site.
    """
    return FileChooser(Path(folder), sites=sites)


class FileChooser(Chooser):
    """One drop-down over files: the demo clinic, then what lies in the folder."""

    def __init__(self, folder: Path, *, sites: bool = False) -> None:
        from ipywidgets import VBox

        found = sorted(file for file in folder.glob("*") if file.suffix.lower() in TABLES and file.is_file())
        if sites:
            tables = (file for file in folder.glob("*/*/*") if file.suffix.lower() in TABLES and file.is_file())
            found += sorted({file.parent.parent for file in tables})
        own = [(file.name, str(file)) for file in found if not file.name.startswith((".", "~$"))]
        shipped = [(DEMO, str(dataset_file("demo") / "sessions.csv"))]
        if sites:
            shipped.insert(0, (DEMO_SITES, str(dataset_file("three_sites"))))
        self._box = drop_down("Your records", [*shipped, *own])
        self.widget = VBox([self._box])
        self.tell(self._box)

    @property
    def path(self) -> Path:
        """The file that was chosen."""
        return Path(str(self._box.value))

    @property
    def is_demo(self) -> bool:
        """Whether it is the demo clinic, whose truth is known."""
        return self._box.label in (DEMO, DEMO_SITES)


def guess(words: str = "I expect a change of") -> Guess:
    """A box for what the reader expects before looking."""
    return Guess(words)


class Guess(Chooser):
    """One number that the reader expects; `value` is None until it is written."""

    def __init__(self, words: str) -> None:
        from ipywidgets import Layout, Text, VBox

        look = {"layout": Layout(width="34rem", max_width="98%"), "style": {"description_width": "auto"}}
        self._box = Text(description=words, placeholder="a number, then Enter", continuous_update=False, **look)
        self.widget = VBox([self._box])
        self.tell(self._box)

    @property
    def value(self) -> float | None:
        """The number, in the measure's unit."""
        try:
            return float(self._box.value.strip().replace(",", "."))
        except ValueError:
            return None


def choose(name: str, options: Sequence[str] | Options) -> _Chosen:
    """One drop-down over names; `.value` is what was chosen."""
    return _Chosen(name, [option if isinstance(option, tuple) else (str(option), str(option)) for option in options])


class _Chosen(Chooser):
    """One drop-down."""

    def __init__(self, name: str, options: Options) -> None:
        from ipywidgets import VBox

        if not options:
            raise NotEnoughError(f"There is nothing to choose from under “{name}”.")
        self._box = drop_down(name, options)
        self.widget = VBox([self._box])
        self.tell(self._box)

    @property
    def value(self) -> str:
        """What was chosen."""
        return str(self._box.value)
