"""Dials that move a rival explanation in a simulated clinic: the usual test is fooled, the ladder is not.

The truth is known, because we set it. Each turn of a dial simulates the clinic anew and judges it by the same rule as
real records.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from toolkit.errors import ToolkitError
from toolkit.looks.words import capital, counted, threshold, with_interval
from toolkit.notebook.pieces import Chooser, Words
from toolkit.notebook.show import claim, ladder
from toolkit.simulate import ClinicDials, simulate_clinic

DIALS: tuple[tuple[str, str, float, float, float], ...] = (
    ("effect", "Truth: the technique adds (°)", 0.0, 6.0, 0.5),
    ("warm_up", "Each further reading loosens by (°)", 0.0, 2.0, 0.2),
    ("wait_rise", "A rest as long adds (°)", 0.0, 3.0, 0.5),
    ("keen", "Keen clients come back (0: no)", 0.0, 0.4, 0.05),
    ("not_written", "Unmoved sides left out (share)", 0.0, 0.9, 0.1),
    ("lean", "A reader who knows leans by (°)", 0.0, 3.0, 0.5),
)


class RivalDials(Chooser):
    """Dials that move a rival in a simulated clinic, and what the usual test and the ladder then say."""

    def __init__(self, judge: Callable[..., Any], *, dials: ClinicDials, smallest_change: float, seed: int) -> None:
        from ipywidgets import HTML, Checkbox, FloatSlider, IntSlider, Layout, VBox

        self._judge, self._start, self._size = judge, dials, smallest_change
        look = {"layout": Layout(width="34rem"), "style": {"description_width": "16rem"}, "continuous_update": False}
        self._sliders = {
            name: FloatSlider(description=words, min=low, max=high, step=step, value=getattr(dials, name), **look)
            for name, words, low, high, step in DIALS
        }
        self._chosen = Checkbox(description="Only sides that read low are treated", value=False, indent=False)
        self._blind = Checkbox(description="The reader does not know what was done", value=True, indent=False)
        self._year = IntSlider(description="Another year of the same clinic", min=1, max=50, value=seed, **look)
        self._answer = HTML()
        boxes = [*self._sliders.values(), self._chosen, self._blind, self._year]
        for box in boxes:
            box.observe(self._turned, names="value")
        self.widget = VBox([*boxes, self._answer])
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
        del change
        if not self._listening:
            return
        self.found = judge_clinic(self._judge, self.dials, smallest_change=self._size, seed=int(self._year.value))
        self._answer.value = self.words._repr_html_() + ladder(self.found)._repr_html_()

    @property
    def words(self) -> Words:
        """The truth, the usual test's answer and the claim, one below the other."""
        finding, dials = self.found.findings["findings"][0], self.dials
        usual = finding["ladder"][0]
        size = with_interval(usual["estimate"], usual["ci_low"], usual["ci_high"], dials.unit)
        says = "it works" if usual["ci_low"] > 0 else "it harms" if usual["ci_high"] < 0 else "nothing to be seen"
        truth = f"The technique truly adds {threshold(dials.effect, dials.unit)}."
        test = f"{capital(says)}: {size}, {counted(usual['n_rows'], 'row')}."
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
