"""Dials that move another explanation in a simulated clinic: the usual test is fooled, the adjustment steps are not.

The truth is known, because we set it. Each turn of a dial simulates the clinic anew and judges it by the same rule as
real records.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.looks.words import capital, counted, threshold, with_interval
from toolkit.notebook.pieces import Chooser, Drawing, Words
from toolkit.notebook.show import adjustment_steps, claim
from toolkit.simulate import ClinicDials, simulate_clinic

DIALS: tuple[tuple[str, str, float, float, float], ...] = (
    ("effect", "Truth: the technique adds (°)", 0.0, 6.0, 0.5),
    ("warm_up", "Each further reading loosens by (°)", 0.0, 2.0, 0.2),
    ("wait_rise", "A rest as long adds (°)", 0.0, 3.0, 0.5),
    ("effect_sd", "Clients differ in their gain by (SD, °)", 0.0, 5.0, 0.5),
    ("keen", "Keen clients come back (0: no)", 0.0, 0.4, 0.05),
    ("not_written", "Unmoved sides left out (share)", 0.0, 0.9, 0.1),
    ("lean", "A reader who knows leans by (°)", 0.0, 3.0, 0.5),
)


class ExplanationDials(Chooser):
    """Dials that move an explanation in a simulated clinic, and what the usual test and the steps then say."""

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

    def turn(self, **settings: float | bool) -> ExplanationDials:
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
        self._answer.value = "<p role='status'><b>Out of date: being computed again.</b></p>" + self._answer.value
        self.found = judge_clinic(self._judge, self.dials, smallest_change=self._size, seed=int(self._year.value))
        self._answer.value = self.words._repr_html_() + self.steps._repr_html_()

    @property
    def steps(self) -> Drawing:
        """From the usual answer to what is left, beside the truth."""
        return adjustment_steps(self.found, truth=self.dials.effect)

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


class ManyYears:
    """The same clinic in many years, played in the background: how often each way of counting says that it works.

    What it shows is up to date while it is being counted, with how many years are done.
    """

    def __init__(self, judge: Callable[..., Any], dials: ClinicDials, *, smallest_change: float, years: int) -> None:
        from ipywidgets import HTML

        self._judge, self._dials, self._size, self.years = judge, dials, smallest_change, years
        self._says: list[tuple[bool, bool]] = []
        self.widget = HTML()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._tell()
        self._thread.start()

    def wait(self) -> ManyYears:
        """Wait until all years are played."""
        self._thread.join()
        return self

    def shares(self) -> pd.DataFrame:
        """One row a way of counting: how often it said “it works” in the years played, with Wilson's interval."""
        from statsmodels.stats.proportion import proportion_confint

        done, rows = list(self._says), []
        for place, name in enumerate(("the usual test", "the claim “moved”")):
            hits = sum(says[place] for says in done)
            low, high = proportion_confint(hits, len(done), method="wilson") if done else (0.0, 1.0)
            rows.append({"who": name, "says it works": hits, "years": len(done), "ci_low": low, "ci_high": high})
        return pd.DataFrame(rows)

    def _play(self) -> None:
        for year in range(1, self.years + 1):
            found = judge_clinic(self._judge, self._dials, smallest_change=self._size, seed=1000 + year)
            finding = found.findings["findings"][0]
            low = finding["ladder"][0]["ci_low"]
            self._says.append((low is not None and low > 0, finding["claim"]["level"] in ("moved", "moved_enough")))
            self._tell()

    def _tell(self) -> None:
        self.widget.value = self.words._repr_html_()

    @property
    def words(self) -> Words:
        """The shares in words."""
        rows = self.shares().to_dict("records")
        unit, done = self._dials.unit, rows[0]["years"]
        start = f"The technique truly adds {threshold(self._dials.effect, unit)}. {done} of {self.years} years played."
        lines: list[tuple[str, str]] = [("The same clinic, year after year", start)]
        for row in rows if done else []:
            ends = f"95 % interval {100 * row['ci_low']:.0f} to {100 * row['ci_high']:.0f} %"
            said = f"says “it works” in {row['says it works']} of {done} years ({ends})."
            lines.append((capital(row["who"]), said))
        return Words(lines=tuple(lines))

    def _repr_mimebundle_(self, **given: Any) -> Any:
        return self.widget._repr_mimebundle_(**given)

    def __repr__(self) -> str:
        return str(self.words)


def many_years(
    judge: Callable[..., Any], dials: ClinicDials, *, smallest_change: float = 3.0, years: int = 100
) -> ManyYears:
    """Play a simulated clinic for many years in the background.

    Args:
        judge: the audit, called with rows and a question. dials: the clinic.
        smallest_change: the smallest change that matters, in the unit. years: how many.
    """
    return ManyYears(judge, dials, smallest_change=smallest_change, years=years)


def judge_clinic(judge: Callable[..., Any], dials: ClinicDials, *, smallest_change: float, seed: int) -> Any:
    """Simulate a clinic and judge it on the question whose truth is known."""
    clinic = simulate_clinic(dials, rng=seed)
    question = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
    size = {"smallest_change_that_matters": smallest_change, "unit": dials.unit, "comparison": "wait"}
    return judge(clinic.rows, question={**question, **size})


def clinic_of(**changes: Any) -> ClinicDials:
    """The clean clinic of 40 clients in which the technique does nothing, with some dials set otherwise."""
    return replace(ClinicDials(n_clients=40, visits=4.0), **changes)


def turn_explanations(
    judge: Callable[..., Any],
    *,
    dials: ClinicDials | None = None,
    smallest_change: float = 3.0,
    seed: int = 1,
) -> ExplanationDials:
    """Dials over a simulated clinic.

    Args:
        judge: the audit, called with rows and a question.
        dials: the clinic to begin with; a clean clinic of 40 clients in which the technique does nothing if left out.
        smallest_change: the smallest change that matters, in degrees.
        seed: the year to begin with.
    """
    start = dials or clinic_of()
    return ExplanationDials(judge, dials=start, smallest_change=smallest_change, seed=seed)
