"""Drop-downs and dials for the notebooks, made from the records at hand.

A chooser shows itself when it is the last line of a cell; later cells ask it what was chosen. Without a browser
(a notebook that is run from top to bottom) it answers with its first choice, the one with most clients.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.present.notebook import Words, claim, ladder
from toolkit.present.words import capital, counted, spaced, threshold, unit_words
from toolkit.simulate import ClinicDials, simulate_clinic

if TYPE_CHECKING:
    import ipywidgets

    from toolkit.records.account import Records

COMPARISON = "measured_only"
Options = list[tuple[str, str]]


class _Chooser:
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


class QuestionChooser(_Chooser):
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

    @property
    def question(self) -> dict[str, Any]:
        """The question as chosen."""
        boxes = {"measure": self._measure, "region": self._region, "intervention": self._intervention}
        return {**{name: box.value or "any" for name, box in boxes.items()}, **self._size}

    @property
    def words(self) -> Words:
        """The question in words, to be read before the answer."""
        chosen, known = self.question, self._book.measure(str(self._measure.value))
        parts = [f"Does {spaced(chosen['intervention'])} on {spaced(chosen['region'])} move {known.label}?"]
        if self._size:
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
        smallest_change: the smallest change that matters, in the measure's unit; None = the published one, if any.
        why: where that size comes from.
        first: measure, region and intervention to begin with, where the records hold them.

    Raises:
        NotEnoughError: there is no session with an intervention.
    """
    return QuestionChooser(records, smallest_change=smallest_change, why=why, first=first)


class ClientChooser(_Chooser):
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


def choose(name: str, options: Sequence[str] | Options) -> _Chosen:
    """One drop-down over names; `.value` is what was chosen."""
    return _Chosen(name, [option if isinstance(option, tuple) else (str(option), str(option)) for option in options])


class _Chosen(_Chooser):
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


DIALS: tuple[tuple[str, str, float, float, float], ...] = (
    ("effect", "Truth: the technique adds", 0.0, 6.0, 0.5),
    ("warm_up", "Each further reading loosens by", 0.0, 2.0, 0.2),
    ("wait_rise", "A rest as long adds", 0.0, 3.0, 0.5),
    ("keen", "Those who gain come back (0 = no)", 0.0, 0.4, 0.05),
    ("not_written", "Unmoved sides not written down", 0.0, 0.9, 0.1),
    ("lean", "A reader who knows leans by", 0.0, 3.0, 0.5),
)


class RivalDials(_Chooser):
    """Dials that move a rival in a simulated clinic, and what the usual test and the ladder then say."""

    def __init__(self, judge: Callable[..., Any], *, dials: ClinicDials, smallest_change: float, seed: int) -> None:
        from ipywidgets import Checkbox, FloatSlider, IntSlider, Layout, Output, VBox

        self._judge, self._start, self._size = judge, dials, smallest_change
        look = {"layout": Layout(width="34rem"), "style": {"description_width": "16rem"}, "continuous_update": False}
        self._sliders = {
            name: FloatSlider(description=words, min=low, max=high, step=step, value=getattr(dials, name), **look)
            for name, words, low, high, step in DIALS
        }
        self._chosen = Checkbox(description="Only sides that read low are treated", value=False, indent=False)
        self._blind = Checkbox(description="The reader does not know what was done", value=True, indent=False)
        self._year = IntSlider(description="Another year of the same clinic", min=1, max=50, value=seed, **look)
        self._out = Output()
        boxes = [*self._sliders.values(), self._chosen, self._blind, self._year]
        for box in boxes:
            box.observe(self._turned, names="value")
        self.widget = VBox([*boxes, self._out])
        self._listening = True
        self._turned(None)

    @property
    def dials(self) -> ClinicDials:
        """The clinic as the dials stand."""
        values = {name: slider.value for name, slider in self._sliders.items()}
        return replace(
            self._start,
            **values,
            restricted_below=0.0 if self._chosen.value else None,
            blinded_share=1.0 if self._blind.value else 0.0,
        )

    def turn(self, **settings: float | bool) -> RivalDials:
        """Set dials by name, as a hand would: those of `DIALS`, and chosen, blind, year."""
        boxes = {"chosen": self._chosen, "blind": self._blind, "year": self._year, **self._sliders}
        unknown = sorted(set(settings) - set(boxes))
        if unknown:
            raise ToolkitError(f"There is no dial “{unknown[0]}”. There are: {', '.join(boxes)}.")
        self._listening = False
        for name, value in settings.items():
            boxes[name].value = value
        self._listening = True
        self._turned(None)
        return self

    def _turned(self, change: Any) -> None:
        """Simulate and judge again, and show the two answers."""
        from IPython import display

        del change
        if not self._listening:
            return
        self.found = judge_clinic(self._judge, self.dials, smallest_change=self._size, seed=int(self._year.value))
        self._out.clear_output(wait=True)
        with self._out:
            display.display(self.words, ladder(self.found))  # type: ignore[no-untyped-call]

    @property
    def words(self) -> Words:
        """The truth, the usual test's answer and the claim, one below the other."""
        finding, dials = self.found.findings["findings"][0], self.dials
        usual = finding["ladder"][0]
        says = "it works" if usual["ci_low"] > 0 else "it harms" if usual["ci_high"] < 0 else "nothing to be seen"
        ends = f"{usual['ci_low']:.1f} to {usual['ci_high']:.1f} {unit_words(dials.unit)}"
        truth = f"The technique truly adds {threshold(dials.effect, dials.unit)}."
        test = f"{capital(says)}: {usual['estimate']:.1f} (95 % interval {ends}, {usual['n_rows']} rows)."
        return Words(lines=(("Truth", truth), ("The usual test", test), *claim(self.found).lines))


def judge_clinic(judge: Callable[..., Any], dials: ClinicDials, *, smallest_change: float, seed: int) -> Any:
    """Simulate a clinic and judge it on the question whose truth is known."""
    clinic = simulate_clinic(dials, rng=seed)
    question = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
    size = {"smallest_change_that_matters": smallest_change, "unit": dials.unit, "comparison": "wait"}
    return judge(clinic.rows, question={**question, **size})


def turn_rivals(
    judge: Callable[..., Any],
    *,
    dials: ClinicDials | None = None,
    smallest_change: float = 3.0,
    seed: int = 1,
) -> RivalDials:
    """Dials over a simulated clinic.

    Args:
        judge: the audit, called with rows and a question.
        dials: the clinic to begin with; a clean clinic of 40 clients in which the technique does nothing if left out.
        smallest_change: the smallest change that matters, in degrees.
        seed: the year to begin with.
    """
    start = dials or ClinicDials(n_clients=40, visits=4.0)
    return RivalDials(judge, dials=start, smallest_change=smallest_change, seed=seed)
