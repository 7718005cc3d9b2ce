"""What the claim rule of this toolkit would have concluded from a replicated analysis, and why."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from toolkit.claim.rule import Evidence, Level, level_of
from toolkit.errors import SheetError, ToolkitError
from toolkit.number_words import figure_text
from toolkit.replicating.compare import Replication
from toolkit.replicating.other_readings import Recomputer
from toolkit.replicating.sheet_figures import Figure
from toolkit.result import Shown

_GROUPS = {
    "adjusted_for_baseline": ("difference", "ci_low", "ci_high"),
    "three_comparisons": ("adjusted_value", "adjusted_ci_low", "adjusted_ci_high"),
    "two_groups_t": ("difference", "ci_low", "ci_high"),
    "two_groups_of_summary": ("difference", "ci_low", "ci_high"),
    "two_shares": ("difference", "ci_low", "ci_high"),
    "mann_whitney": ("shift", "shift_low", "shift_high"),
}
_PAIRED = {
    "paired_t": ("mean", "ci_low", "ci_high"),
    "typical_change": ("shift", "shift_low", "shift_high"),
    "change_of_summary": ("mean_change", "ci_low", "ci_high"),
    "mcnemar": ("difference", "ci_low", "ci_high"),
}
_WORDS: dict[Level, str] = {
    "moved_enough": "moved, by enough to matter",
    "moved": "moved",
    "probably_moved": "probably moved",
    "no_better_than_waiting": "no better than the comparison",
    "worse_than_waiting": "worse than the comparison",
    "readings_changed": "the readings changed; what moved them is open",
    "not_enough": "not enough to tell",
}


@dataclass(frozen=True, kw_only=True)
class Verdict(Shown):
    """The strongest sentence of the rule, the figure it rests on, and what held it down.

    `estimate`, `low` and `high` are in the figure's unit, turned so that better is positive.
    """

    level: Level | None
    rests_on: str
    estimate: float | None
    low: float | None
    high: float | None
    why: tuple[str, ...]

    def sentence(self) -> str:
        """The verdict in words."""
        if self.level is None:
            return f"The rule has nothing to say: {' '.join(self.why)}"
        span = f"{figure_text(self.estimate)} ({figure_text(self.low)} to {figure_text(self.high)})"
        return f"The rule would say: {_WORDS[self.level]}. It rests on {self.rests_on}: {span}. {' '.join(self.why)}"

    def table(self) -> pd.DataFrame:
        """One row: level, figure, interval; then one row a reason."""
        first = {"what": "level", "says": _WORDS[self.level] if self.level else "nothing to say"}
        return pd.DataFrame([first, *({"what": "why", "says": reason} for reason in self.why)])


def verdict(
    replication: Replication,
    *,
    drawn: bool,
    blinded: bool,
    better: str = "higher",
    smallest: float | None = None,
    allowance: float = 0.0,
    rests_on: str | None = None,
) -> Verdict:
    """What the claim rule would say of the analysis, were these the toolkit's own records.

    Args:
        replication: of a sheet. drawn: was it drawn by chance who got what? blinded: did whoever read not know?
        better: "higher" or "lower". smallest: smallest change that matters, in the figure's unit.
        allowance: for a reader who knew what was done (half the measure's SEM), in the figure's unit.
        rests_on: name (or its beginning) of the figure to judge by; the first change or difference if left out.

    Returns:
        A `Verdict`; its level is None where the paper compares nothing before and after, or nothing between groups.

    Raises:
        SheetError: `better` is neither word, or no figure has that name.

    Example:
        >>> from toolkit.replicating.run import replicate
        >>> from toolkit.resources import dataset_file
        >>> verdict(replicate(dataset_file("open/sleep_drugs")), drawn=False, blinded=False).level
        'readings_changed'
    """
    if better not in ("higher", "lower"):
        raise SheetError(f"better is {better!r}: write higher or lower, whichever means improvement")
    sign = 1.0 if better == "higher" else -1.0
    asked = [one.figure for one in replication.compared if one.figure.name.startswith(rests_on or "")]
    if not asked:
        raise SheetError(f'no figure is called "{rests_on}": use the beginning of a name as the sheet has it')
    between, within = _interval_of(asked, _GROUPS, sign), _interval_of(asked, _PAIRED, sign)
    if between is None and within is None:
        nothing = ("None of its figures is a change or a difference with an interval (reliability, a model, a table).",)
        return Verdict(level=None, rests_on="", estimate=None, low=None, high=None, why=nothing)
    figure, estimate, low, high = next(known for known in (between, within) if known is not None)
    level = level_of(
        Evidence(
            basis=None if between is None else "randomised_order" if drawn else "comparison_sessions",
            randomised=between is not None and drawn,
            second_baseline=False,
            mean=estimate if between else None,
            low=low if between else None,
            high=high if between else None,
            allowance=0.0 if blinded else allowance,
            smallest=smallest,
            readings_mean=within[1] if within else None,
            readings_low=within[2] if within else None,
            readings_high=within[3] if within else None,
        )
    )
    why = _reasons(between is not None, drawn=drawn, blinded=blinded, allowance=allowance, smallest=smallest)
    return Verdict(level=level, rests_on=figure.name, estimate=estimate, low=low, high=high, why=why)


def _interval_of(
    figures: list[Figure], methods: dict[str, tuple[str, str, str]], sign: float
) -> tuple[Figure, float, float, float] | None:
    """Estimate and limits of the first figure of such a method, in the order of the methods, better = positive."""
    for name, takes in methods.items():
        for figure in figures:
            if figure.method.name != name:
                continue
            frame = figure.rows if figure.rows is not None else pd.DataFrame()
            try:
                numbers = Recomputer(frame).numbers(figure.method, figure.settings)
            except ToolkitError:
                continue
            if all(take in numbers for take in takes):
                estimate, *ends = (sign * float(numbers[take]) for take in takes)
                return figure, estimate, min(ends), max(ends)
    return None


def _reasons(between: bool, *, drawn: bool, blinded: bool, allowance: float, smallest: float | None) -> tuple[str, ...]:
    """What held the sentence down, and what would let it say more."""
    why = []
    if not between:
        why.append("Nobody was left untreated: warm-up, regression to the mean and time move readings as well.")
    elif not drawn:
        why.append("Who got what was not drawn by chance, and there is no second reading before: the cause stays open.")
    else:
        why.append("Chance decided who got what, as you say; the rule would check it in the records.")
    if not blinded and between:
        said = f"an allowance of {figure_text(allowance)} was taken off" if allowance else "no allowance was taken off"
        why.append(f"Whoever read knew what was done: {said} the lower limit (half the measure's SEM is usual).")
    if smallest is None:
        why.append("No smallest change that matters was named, so nothing can be called enough, or no better.")
    why.append("Readings that are missing, and looks at the data before, are not seen in a paper.")
    return tuple(why)
