"""The one road from records of two protocols to their difference, shared by `compare` and a site's summary."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from toolkit.claim.question import Question
from toolkit.effect.borne_out import BorneOut, bear_out
from toolkit.effect.comparison import Compared
from toolkit.effect.doubts import too_few_on_both
from toolkit.findings.finding import larger_sem, lost_of
from toolkit.findings.measured import ruler_of
from toolkit.records.account import Records


@dataclass(frozen=True, kw_only=True, eq=False)
class Road:
    """The estimate, and whether chance was in charge.

    Attributes
    ----------
    borne
        The one estimate and what the records bear out.
    kept, broken
        Was it drawn, and do the records bear it out? Said to be drawn, but nothing mends what they show instead?
    draw_says
        How the draw was checked; "" where nobody says that it was drawn.
    people
        Not drawn, and hardly any client stands on both sides: how many, in words; "" otherwise.
    """

    borne: BorneOut
    kept: bool
    broken: bool
    draw_says: str
    people: str

    @property
    def allowance(self) -> float:
        """How far a reader who knew may lean; 0 where nobody wrote down who knew."""
        return self.borne.observer.allowance if self.borne.observer.blinded is not None else 0.0


def road(
    records: Records, question: Question, compared: Compared, *, level: float = 0.95, rng: np.random.Generator | int = 0
) -> Road:
    """Check, and estimate; a comparison that was not drawn after all is estimated again as what it is."""
    borne = _borne_out(records, question, compared, level=level, rng=rng)
    said, draw = compared.randomised, borne.draw
    kept = said and borne.randomised
    draw_says = _draw_says(borne) if said else ""
    broken = said and draw is not None and not draw.passed and not draw.can_adjust
    if not kept and compared.basis == "randomised_protocol":
        borne = _borne_out(records, question, replace(compared, basis="comparison_sessions"), level=level, rng=rng)
    people = "" if kept else _different_people(borne.compared)
    return Road(borne=borne, kept=kept, broken=broken, draw_says=draw_says, people=people)


def _different_people(compared: Compared) -> str:
    arms = compared.rows.dropna(subset=["y"]).groupby("client")["arm"].nunique()
    both = int((arms > 1).sum())
    return f"{both} of {len(arms)} clients had both" if too_few_on_both(both, len(arms)) else ""


def _borne_out(
    records: Records, question: Question, compared: Compared, *, level: float, rng: np.random.Generator | int
) -> BorneOut:
    sem, source = larger_sem(ruler_of(records.rows, measure=question.measure, unit=str(question.unit)))
    return bear_out(
        compared,
        sem=sem,
        sem_source=source,
        allowance=question.leaning_allowance,
        lost=lost_of(records.lost, question, compared),
        confidence_level=level,
        rng=rng,
    )


def _draw_says(borne: BorneOut) -> str:
    """How the draw was checked: a word is not a fact."""
    if borne.draw is None:
        return "Who got which was drawn at random, as written down."
    if borne.draw.passed:
        return f"Who got which was drawn at random, as written down. {borne.draw.says}"
    return f"It was said to be drawn. {borne.draw.says}"
