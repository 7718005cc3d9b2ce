"""What a notebook shows of a coming season: the clinic in numbers, how many clients, what to change, the question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from toolkit.errors import ToolkitError
from toolkit.looks import figures
from toolkit.looks.html import ReportTable
from toolkit.looks.words import amount, capital, counted, sentence, threshold
from toolkit.notebook.pieces import Drawing, ToCopy, Words, drawing, rows_table, words

if TYPE_CHECKING:
    from toolkit.notebook.choosers import Guess, QuestionChooser
    from toolkit.planning.season import RecordKeeping, SeasonPlan
    from toolkit.simulate import ClinicDials


FEW = 200  # seasons: below this a share of 1 in 2 is known to 7 in 100 at best


def clinic(dials: ClinicDials, notes: Sequence[str] = ()) -> Words:
    """The clinic as read off the records, in words."""
    unit = dials.unit
    return words(
        f"{counted(dials.n_clients, 'client')}, {dials.visits:.1f} visits each, "
        f"{counted(dials.n_practitioners, 'practitioner')}.",
        f"Clients differ from each other by {amount(dials.between_sd, unit)}, and one client from day to day by "
        f"{amount(dials.day_sd, unit)} (standard deviations, SD).",
        f"One reading lies {amount(dials.sem, unit)} from the truth (SEM).",
        f"Of sides that did not move, about {100 * dials.not_written:.0f} % seem not to be written down "
        "(taken as twice the share of readings after that are missing).",
        f"Re-measured by somebody who did not know what was done: {100 * dials.blinded_share:.0f} %.",
        *[("Note", sentence(note)) for note in notes],
    )


@dataclass(frozen=True, kw_only=True)
class SeasonAsked:
    """What seasons are played with: the true effect, the smallest that matters (None: not set), and the rest."""

    effect: float
    smallest: float | None
    unit: str
    seasons: int
    seed: int
    guessed: bool = False

    @property
    def settings(self) -> dict[str, Any]:
        """Ready for the planning functions."""
        return {"effect": self.effect, "smallest": self.smallest, "n_seasons": self.seasons, "rng": self.seed}

    @property
    def words(self) -> str:
        """What is played, in words."""
        size = "from which change on it matters is not set"
        if self.smallest is not None:
            size = f"it matters from {threshold(self.smallest, self.unit)} on"
        played = f"Played with a true change of {threshold(self.effect, self.unit)}; {size}."
        if not self.guessed:
            return played
        return (
            f"{played} Nobody wrote the true change, so the error of one reading (SEM) was taken, as a first look: "
            "write your own above, or a size under “Matters from”."
        )


def season_asked(choice: QuestionChooser, belief: Guess, *, dials: ClinicDials, seasons: int, seed: int) -> SeasonAsked:
    """What the coming season is played with, from what was chosen and what is believed to be true.

    Where neither a true change nor a change that matters was written, the error of one reading (SEM) is played: a
    technique that adds less than that is hard to tell from reading, whatever it is worth.

    Raises:
        ToolkitError: what was written is not above 0, or no season is asked for.
    """
    smallest = choice.smallest_change
    effect = smallest if belief.value is None else belief.value
    guessed = effect is None
    if effect is None:
        effect = round(dials.sem, 1) or dials.sem
    if not effect > 0:
        raise ToolkitError(f"The true change is {effect:g}: write a size above 0, in the measure's unit.")
    if seasons < 1:
        raise ToolkitError(f"SEASONS is {seasons}: write how many seasons to play, 1 or more.")
    return SeasonAsked(
        effect=effect, smallest=smallest, unit=choice.unit, seasons=int(seasons), seed=seed, guessed=guessed
    )


def season_curve(plan: SeasonPlan) -> Drawing:
    """How often a season with so many clients would show the effect, with intervals."""
    name = f"true change {threshold(plan.effect, plan.unit)}; {plan.n_seasons} seasons a point, 95 % intervals"
    curves = plan.curve.rename(columns={"clients": "n_clients", "seen": "power"}).assign(curve=name)
    said = figures.alt_text_planning(curves)
    return drawing(figures.planning_figure(curves), "How often a season would end in an answer", said)


def how_many(plan: SeasonPlan) -> Words:
    """With how many clients four seasons in five end in an answer, as far as so many played seasons can tell."""
    from toolkit.planning.season import ENOUGH

    enough = plan.curve[plan.curve["seen"] >= ENOUGH]
    row = (plan.curve if enough.empty else enough).iloc[-1 if enough.empty else 0]
    truth = f"if the technique truly adds {threshold(plan.effect, plan.unit)}"
    lines = [f"With {int(row['clients'])} clients, {_share(row)} would end in an answer, {truth}."]
    if enough.empty:
        lines.append("Not one of these numbers of clients reaches 80 of 100.")
    if plan.dials.design == "none":
        lines.append(
            "Last year's records hold nothing to compare with, so no number of clients ends in an answer. Let a coin "
            "decide who waits first: the next section plays that, and what to add to it."
        )
    return words(*lines, *_rough(plan.n_seasons))


def _share(row: Any) -> str:
    """A share of seasons with its interval."""
    seen, low, high = (f"{100 * row[name]:.0f}" for name in ("seen", "ci_low", "ci_high"))
    return f"{seen} of 100 seasons (95 % interval {low} to {high})"


def _rough(n_seasons: int) -> list[str]:
    if n_seasons >= FEW:
        return []
    return [f"Only {n_seasons} seasons were played for each line: a rough picture. Set SEASONS = 200 to decide by it."]


def changes(found: RecordKeeping) -> ReportTable:
    """Each single change of record-keeping, the most promising first."""
    rows = [(capital(str(row["change"])), _share(row)) for row in found.rows.to_dict("records")]
    caption = f"Seasons that end in an answer; {found.n_seasons} played for each line, interval by Wilson"
    return rows_table(caption, ("Change", "Seasons with an answer"), rows)


def what_buys_most(found: RecordKeeping) -> Words:
    """The change that buys most, or that the seasons played do not tell the changes apart."""
    from toolkit.planning.season import AS_NOW

    now = found.rows[found.rows["change"] == AS_NOW].iloc[0]
    others = found.rows[found.rows["change"] != AS_NOW]
    best = others.iloc[0]
    if best["gain_ci_low"] > 0:
        gain = f"{100 * best['gain_ci_low']:.0f} to {100 * best['gain_ci_high']:.0f} more of 100 (95 % interval)"
        lines = [f"{capital(str(best['change']))}: {_share(best)}, against {_share(now)} as now: {gain}."]
        rest = others.iloc[1:]
        near = [str(name) for name in rest.loc[rest["ci_high"] > best["ci_low"], "change"]]
        lines += [f"Whether it buys more than {' or '.join(near)} cannot be told from these seasons."] if near else []
    else:
        lines = [
            "The seasons played do not tell any change from recording as now: no gain at all would fit them too.",
            f"Highest stands: {best['change']}, {_share(best)}; recording as now, {_share(now)}.",
        ]
    return words(*lines, *_rough(found.n_seasons))


def question_sheet(
    chooser: QuestionChooser, *, smallest: float | None, unit: str, why: str = "own judgement"
) -> ToCopy:
    """The lines of a question sheet for what was chosen, declared today."""
    asked = chooser.question
    lines = ['format = "question/1"']
    lines += [f'{name} = "{asked[name]}"' for name in ("measure", "region", "intervention")]
    size = "# smallest_change_that_matters = 0.0  # write it here" if smallest is None else ""
    lines += ['comparison = "wait"', size or f"smallest_change_that_matters = {float(smallest or 0)}"]
    lines += [f'unit = "{unit}"']
    lines += [f'source = "{why}"', "looks_planned = 1", f"declared_on = {date.today().isoformat()}"]
    return ToCopy(text="\n".join(lines))
