"""The coming season planned from last year's records: how many clients, and what to record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from toolkit.auditing import judge_question
from toolkit.errors import QuestionError
from toolkit.planning.season import RecordKeeping, SeasonPlan, dials_from, plan_and_rank
from toolkit.result import Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from toolkit.simulate import ClinicDials


@dataclass(frozen=True, kw_only=True, eq=False)
class Season(Shown):
    """How the coming season would end, by number of clients and by what is recorded.

    Attributes
    ----------
    clients : SeasonPlan
        Share of simulated seasons that show the effect, a row a number of clients.
    record_keeping : RecordKeeping
        The same for each single change of record-keeping, the one that buys most first.
    dials : ClinicDials
        The simulated clinic, read off the records.
    notes : tuple of str
        What could not be read off the records and was taken as usual.
    """

    clients: SeasonPlan
    record_keeping: RecordKeeping
    dials: ClinicDials
    notes: tuple[str, ...]

    def sentence(self) -> str:
        """How many clients, and which change buys most."""
        return f"{self.clients.sentence()} {self.record_keeping.sentence()}"

    def table(self) -> pd.DataFrame:
        """One row a number of clients."""
        return self.clients.table()

    def plot(self) -> Figure:
        """The share of seasons that show the effect, against the number of clients."""
        from toolkit.looks.design_plots import planning_figure

        plan = self.clients
        drawn = plan.curve.rename(columns={"clients": "n_clients", "seen": "power"})
        return planning_figure(drawn.assign(curve=f"true change {plan.effect:g} {plan.unit}"))


def plan_season(
    source: Any,
    *,
    question: str | Path | Mapping[str, Any],
    effect: float | None = None,
    n_clients: Sequence[int] | None = None,
    n_seasons: int = 40,
    columns: str | Path | Mapping[str, Any] | None = None,
    codebook: str | Path | None = None,
) -> Season:
    """Play the coming season through by simulation: how many clients it takes, and what to record.

    Parameters
    ----------
    source
        Last year's records, as `load_records` takes them.
    question
        The question to plan for: a sheet or a mapping.
    effect
        The true effect played through; the smallest change that matters if left out.
    n_clients
        Numbers of clients to try. If left out, as many as there were, and a half and a quarter of them where these show
        the effect in four seasons of five, else twice and four times as many.
    n_seasons
        Simulated seasons for each line.
    columns, codebook
        As `load_records`.

    Returns
    -------
    Season
        `clients` and `record_keeping` (frames), the dials, notes.

    Raises
    ------
    QuestionError
        No effect is given and the question names no smallest change that matters; or the measure is a sign.
    NotEnoughError
        Fewer than five clients have readings.

    Examples
    --------
    >>> from toolkit import demo
    >>> from toolkit.resources import dataset_file
    >>> question = dataset_file("demo/questions/stretching.toml")
    >>> found = plan_season(demo(), question=question, n_seasons=2, n_clients=[12])
    >>> found.clients.curve["clients"].tolist()
    [12]
    """
    judged = judge_question(source, question, columns=columns, codebook=codebook)
    dials, notes = dials_from(judged)
    smallest = judged.question.smallest_change_that_matters
    size = effect if effect is not None else smallest
    if size is None:
        raise QuestionError("Name the true effect to plan for, in the measure's unit: --effect 3 (Python: effect=3).")
    how: dict[str, Any] = {"effect": size, "smallest": smallest, "n_seasons": n_seasons}
    clients, ranked = plan_and_rank(dials, n_clients=n_clients or None, **how)
    return Season(clients=clients, record_keeping=ranked, dials=dials, notes=tuple(notes))
