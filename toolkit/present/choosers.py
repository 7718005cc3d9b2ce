"""Drop-downs for the notebooks, made from the records at hand.

A chooser shows itself when it is the last line of a cell; later cells ask it what was chosen. Without a browser
(a notebook that is run from top to bottom) it answers with its first choice, the one with most clients.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError
from toolkit.present.notebook import Words
from toolkit.present.words import capital, counted, spaced, threshold

if TYPE_CHECKING:
    import ipywidgets

    from toolkit.records.account import Records

COMPARISON = "measured_only"
Options = list[tuple[str, str]]


class Chooser:
    """Something that shows its widget in a notebook, and the choice in words where there is no browser."""

    widget: ipywidgets.Box

    def _repr_mimebundle_(self, **given: Any) -> Any:
        return self.widget._repr_mimebundle_(**given)

    def __repr__(self) -> str:
        return "; ".join(f"{each.description} {each.value}" for each in self.widget.children if hasattr(each, "value"))


def _drop_down(name: str, options: Options) -> ipywidgets.Dropdown:
    """One drop-down, wide enough for its words."""
    from ipywidgets import Dropdown, Layout

    return Dropdown(
        description=name, options=options, layout=Layout(width="34rem"), style={"description_width": "8rem"}
    )


def _refill(box: Any, options: Options) -> None:
    """Give a drop-down other options, keeping what was chosen where it is still there."""
    kept = box.value
    box.options = options
    box.value = kept if kept in {value for _, value in options} else options[0][1]


class QuestionChooser(Chooser):
    """Measure, region and intervention from drop-downs that hold only what the records hold.

    `question` is the question as chosen, ready for `audit(…, question=chooser.question)`.
    """

    def __init__(self, records: Records, *, smallest_change: float | None, why: str, first: Sequence[str] = ()) -> None:
        from ipywidgets import VBox

        rows = records.rows.astype({"measure": str, "region": str, "intervention": str})
        self._rows = rows[~rows["intervention"].isin(["", COMPARISON])]
        if self._rows.empty:
            raise NotEnoughError("The records hold no session with an intervention, so there is no question to choose.")
        self._book = records.codebook
        self._size = {} if smallest_change is None else {"smallest_change_that_matters": smallest_change, "source": why}
        self._measure = _drop_down("Measure", self._options(self._rows, "measure"))
        self._region = _drop_down("Region", self._options(self._here("measure"), "region"))
        self._intervention = _drop_down("Intervention", self._options(self._here("measure", "region"), "intervention"))
        self._measure.observe(self._measure_chosen, names="value")
        self._region.observe(self._region_chosen, names="value")
        self.widget = VBox([self._measure, self._region, self._intervention])
        for box, code in zip(self.widget.children, first, strict=False):
            box.value = code if code in {value for _, value in box.options} else box.value
        self._size_of = self._measure.value  # 3 degrees say nothing of a sign or of pain

    @property
    def question(self) -> dict[str, Any]:
        """The question as chosen."""
        boxes = {"measure": self._measure, "region": self._region, "intervention": self._intervention}
        size = self._size if self._measure.value == self._size_of else {}
        return {**{name: box.value or "any" for name, box in boxes.items()}, **size}

    @property
    def words(self) -> Words:
        """The question in words, to be read before the answer."""
        chosen, known = self.question, self._book.measure(str(self._measure.value))
        parts = [f"Does {spaced(chosen['intervention'])} on {spaced(chosen['region'])} move {known.label}?"]
        if "smallest_change_that_matters" in chosen:
            size = threshold(chosen["smallest_change_that_matters"], known.unit)
            parts.append(f"It matters from {size} on ({chosen['source']}).")
        return Words(lines=tuple(("", part) for part in parts))

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
        return capital(self._book.measure(code).label) if column == "measure" else capital(spaced(code) or "any region")

    def _measure_chosen(self, change: Any) -> None:
        del change
        _refill(self._region, self._options(self._here("measure"), "region"))
        self._region_chosen(None)

    def _region_chosen(self, change: Any) -> None:
        del change
        _refill(self._intervention, self._options(self._here("measure", "region"), "intervention"))


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


class ClientChooser(Chooser):
    """One measure, then one client among those who were read most often; `visits` holds that client's readings."""

    def __init__(self, records: Records) -> None:
        from ipywidgets import VBox

        self._book = records.codebook
        rows = records.rows.astype({"measure": str, "client": str, "measured_side": str})
        numbers = [name for name in rows["measure"].unique() if self._book.measure(name).kind == "number"]
        self._rows = rows[rows["measure"].isin(numbers) & rows["before"].notna()]
        if self._rows.empty:
            raise NotEnoughError("The records hold no measure with numbers, so no client's course can be shown.")
        counts = self._rows["measure"].value_counts()
        names = [(capital(self._book.measure(str(code)).label), str(code)) for code in counts.index]
        self._measure = _drop_down("Measure", names)
        self._client = _drop_down("Client", self._clients())
        self._measure.observe(self._measure_chosen, names="value")
        self.widget = VBox([self._measure, self._client])

    def _measure_chosen(self, change: Any) -> None:
        del change
        _refill(self._client, self._clients())

    def _clients(self) -> Options:
        """Clients and sides, most visits first."""
        here = self._rows[self._rows["measure"] == self._measure.value]
        visits = here.groupby(["client", "measured_side"])["session_id"].nunique()
        visits = visits.sort_values(ascending=False, kind="stable")
        return [
            (f"{client}, {side} ({counted(n, 'visit')})", f"{client}|{side}") for (client, side), n in visits.items()
        ]

    @property
    def measure(self) -> str:
        """The measure's codebook name."""
        return str(self._measure.value)

    @property
    def label(self) -> str:
        """The measure's name in words."""
        return str(self._book.measure(self.measure).label)

    @property
    def unit(self) -> str:
        """The measure's unit."""
        return str(self._book.measure(self.measure).unit)

    @property
    def better(self) -> str:
        """Which direction is better: higher or lower."""
        return str(self._book.measure(self.measure).better)

    @property
    def visits(self) -> pd.DataFrame:
        """The chosen client's readings in order: visit, before, after, intervention, region, when (days or visits)."""
        client, side = str(self._client.value).rsplit("|", 1)
        rows = self._rows
        mine = rows[(rows["measure"] == self.measure) & (rows["client"] == client) & (rows["measured_side"] == side)]
        mine = mine.sort_values("visit", kind="stable")
        days = mine["day"] if mine["day"].notna().all() else mine["visit"]
        columns = ["visit", "before", "after", "intervention", "region"]
        return mine[columns].assign(when=days.astype(float)).reset_index(drop=True)


def choose_client(records: Records) -> ClientChooser:
    """Drop-downs for one client's course.

    Raises:
        NotEnoughError: no measure has numbers.
    """
    return ClientChooser(records)


class PairChooser(QuestionChooser):
    """A measure, a region and two interventions to compare."""

    def __init__(self, records: Records, *, first: Sequence[str] = ()) -> None:
        super().__init__(records, smallest_change=None, why="", first=first)
        self._other = _drop_down("Compared with", self._others())
        for box in (self._measure, self._region, self._intervention):
            box.observe(self._others_again, names="value")
        self.widget.children = (*self.widget.children, self._other)

    def _others(self) -> Options:
        """The other interventions on the same measure and region."""
        found = self._options(self._here("measure", "region"), "intervention")
        others = [option for option in found if option[1] != self._intervention.value]
        return others or [("nothing to compare with here", "")]

    def _others_again(self, change: Any) -> None:
        del change
        _refill(self._other, self._others())

    @property
    def question(self) -> dict[str, Any]:
        """What to compare, ready for `compare_protocols(records.rows, **chooser.question)`.

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


def choose_two(records: Records, *, first: Sequence[str] = ()) -> PairChooser:
    """Drop-downs for two interventions on one measure and region."""
    return PairChooser(records, first=first)


def choose(name: str, options: Sequence[str] | Options) -> _Chosen:
    """One drop-down over names; `.value` is what was chosen."""
    return _Chosen(name, [option if isinstance(option, tuple) else (str(option), str(option)) for option in options])


class _Chosen(Chooser):
    """One drop-down."""

    def __init__(self, name: str, options: Options) -> None:
        from ipywidgets import VBox

        if not options:
            raise NotEnoughError(f"There is nothing to choose from under “{name}”.")
        self._box = _drop_down(name, options)
        self.widget = VBox([self._box])

    @property
    def value(self) -> str:
        """What was chosen."""
        return str(self._box.value)
