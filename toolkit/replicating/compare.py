"""Printed against recomputed: does a figure come out again, and if not, which other reading of the analysis does it?"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from toolkit.errors import ToolkitError
from toolkit.number_words import figure_text
from toolkit.replicating.other_readings import OTHER_WAY, Recomputer, other_readings, other_way_round
from toolkit.replicating.paper import PaperPage, hangs_together
from toolkit.replicating.printed import Printed
from toolkit.replicating.sheet import Sheet
from toolkit.replicating.sheet_figures import Figure
from toolkit.result import Shown

WITHIN_ROUNDING = "agrees within rounding"
WITHIN_TOLERANCE = "agrees within stated tolerance"
OTHER_WAY_ROUND = "agrees the other way round"
WIDE_TOLERANCE = "within a stated tolerance wider than the last printed digit"
DIFFERS = "not reproduced with what is stated"
_MOST_DIGITS = 12  # beyond, the last bits of arithmetic differ from computer to computer
AGREES = (WITHIN_ROUNDING, WITHIN_TOLERANCE, OTHER_WAY_ROUND)

_COLUMNS = (
    "figure", "where", "read", "printed", "recomputed", "outcome", "digits_away", "method", "take", "uses",
    "would_agree", "tried", "explanation", "in_r",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Compared:
    """One figure, printed and recomputed.

    `recomputed` is None where the method gives no answer (`why_not` says why); `digits_away` is the difference in
    units of the last printed digit; `tried` are the other readings of the analysis that were tried because the figure
    did not come out, `would_agree` those of them that give the printed figure. "agrees the other way round" is a
    difference, ratio or limit that comes out to every printed digit once the two readings (or groups) change places.
    """

    figure: Figure
    recomputed: float | None
    outcome: str
    digits_away: float | None
    tried: tuple[str, ...] = ()
    would_agree: tuple[str, ...] = ()
    why_not: str = ""

    @property
    def agrees(self) -> bool:
        """Whether the figure comes out again."""
        return self.outcome in AGREES

    def sentence(self) -> str:
        """The figure in one line of words."""
        text = f"{self.figure.name}: printed {self.figure.printed.text}, "
        if self.recomputed is None:
            return f"{text}{self.outcome}: {self.why_not}"
        text += f"recomputed {_shown(self.recomputed, self.figure.printed)}, {self.outcome}"
        if self.outcome == WIDE_TOLERANCE:
            wide = figure_text(self.figure.tolerance)
            text += f" ({wide}, {figure_text(self.digits_away)} units of the last digit apart)"
        if self.agrees or self.digits_away is None or self.outcome == WIDE_TOLERANCE:
            return f"{text}. {self.figure.tolerance_because}" if self.outcome == WIDE_TOLERANCE else text
        text += f" ({figure_text(self.digits_away)} units of the last printed digit apart)"
        if self.would_agree:
            text += f"; it would agree with: {', '.join(self.would_agree)}"
        elif self.tried:
            text += f"; tried without agreement: {', '.join(self.tried)}"
        return f"{text}. {self.figure.explanation}".rstrip()


@dataclass(frozen=True, kw_only=True, eq=False)
class Replication(Shown):
    """All figures of one sheet, printed and recomputed."""

    sheet: Sheet
    compared: tuple[Compared, ...]
    page: PaperPage | None = None
    """The sheet's printed numbers checked among each other, where it has a `[[check]]`."""

    @property
    def n_agreeing(self) -> int:
        """Figures that come out again, within rounding or the stated tolerance."""
        return sum(one.agrees for one in self.compared)

    @property
    def n_within_rounding(self) -> int:
        """Figures that come out again to every printed digit."""
        return sum(one.outcome == WITHIN_ROUNDING for one in self.compared)

    @property
    def n_wide(self) -> int:
        """Figures that agree only within a stated tolerance wider than the last printed digit; counted apart."""
        return sum(one.outcome == WIDE_TOLERANCE for one in self.compared)

    @property
    def n_other_way(self) -> int:
        """Figures that agree to every printed digit once the two sides change places."""
        return sum(one.outcome == OTHER_WAY_ROUND for one in self.compared)

    @property
    def total(self) -> int:
        """Figures listed."""
        return len(self.compared)

    def sentence(self) -> str:
        """How many figures come out again."""
        text = (
            f"{self.sheet.title} ({self.sheet.design}): {self.n_agreeing} of {self.total} printed figures come out "
            f"again, {self.n_within_rounding} of them to every printed digit"
        )
        if self.n_other_way:
            text += f", {self.n_other_way} with the two sides the other way round"
        if self.n_wide:
            text += f"; {self.n_wide} more only within a stated tolerance wider than the last printed digit"
        return text

    def table(self) -> pd.DataFrame:
        """One row a figure."""
        return pd.DataFrame([_row(one) for one in self.compared])


def compare_sheet(sheet: Sheet) -> Replication:
    """Recompute every figure of a sheet and compare it with what is printed.

    Args:
        sheet: a checked sheet, see `toolkit.replicating.sheet.read_sheet`.

    Returns:
        A `Replication`. A figure whose method gives no answer is listed with the reason; nothing is left out.
    """
    nothing = pd.DataFrame()
    known: dict[int, tuple[Recomputer, Recomputer | None]] = {}
    compared = []
    for figure in sheet.figures:
        frame = figure.rows if figure.rows is not None else nothing
        if id(frame) not in known:
            complete = frame.dropna()
            fewer = Recomputer(complete.reset_index(drop=True)) if 0 < len(complete) < len(frame) else None
            known[id(frame)] = (Recomputer(frame), fewer)
        compared.append(_compare(figure, *known[id(frame)]))
    page = hangs_together(sheet.checks) if sheet.checks else None
    return Replication(sheet=sheet, compared=tuple(compared), page=page)


def _compare(figure: Figure, whole: Recomputer, fewer: Recomputer | None) -> Compared:
    try:
        number = whole.number(figure, figure.settings)
    except ToolkitError as reason:
        return Compared(figure=figure, recomputed=None, outcome=DIFFERS, digits_away=None, why_not=str(reason))
    outcome = outcome_of(figure.printed, number, tolerance=figure.tolerance)
    away = figure.printed.digits_away(number)
    if outcome == WITHIN_ROUNDING:
        return Compared(figure=figure, recomputed=number, outcome=outcome, digits_away=away)
    turned = other_way_round(figure, whole)
    if outcome == DIFFERS and turned is not None and figure.printed.holds(turned):
        return Compared(
            figure=figure, recomputed=number, outcome=OTHER_WAY_ROUND, digits_away=away, tried=(OTHER_WAY,),
            would_agree=(OTHER_WAY,),
        )  # fmt: skip
    readings = list(other_readings(figure, whole, fewer, number))
    return Compared(
        figure=figure,
        recomputed=number,
        outcome=outcome,
        digits_away=away,
        tried=tuple(name for name, _ in readings),
        would_agree=tuple(name for name, value in readings if figure.printed.holds(value)),
    )


def outcome_of(printed: Printed, number: float, *, tolerance: float | None = None) -> str:
    """Which of the three outcomes a recomputed number has.

    Args:
        printed: the figure as printed. number: as recomputed. tolerance: stated in the sheet, in the figure's unit.

    Returns:
        "agrees within rounding", "agrees within stated tolerance", "within a stated tolerance wider than the last
        printed digit" (said and counted apart) or "not reproduced with what is stated".

    Example:
        >>> from toolkit.replicating.printed import read_printed
        >>> outcome_of(read_printed("4.06"), 4.0621)
        'agrees within rounding'
        >>> outcome_of(read_printed("4.06"), 4.0681, tolerance=0.01)
        'agrees within stated tolerance'
    """
    if printed.holds(number):
        return WITHIN_ROUNDING
    if tolerance is not None and abs(number - printed.value) <= tolerance:
        return WITHIN_TOLERANCE if tolerance <= printed.last_digit * (1 + 1e-9) else WIDE_TOLERANCE
    return DIFFERS


def _row(one: Compared) -> dict[str, object]:
    figure = one.figure
    values = (
        figure.name,
        figure.where,
        f"{figure.read}: {figure.read_in}" if figure.read_in else figure.read,
        figure.printed.text,
        "" if one.recomputed is None else _shown(one.recomputed, figure.printed),
        one.outcome,
        "" if one.digits_away is None else f"{one.digits_away:.2f}",
        figure.method.name,
        figure.take,
        figure.method.uses,
        "; ".join(one.would_agree),
        "; ".join(one.tried),
        figure.explanation
        or (figure.tolerance_because if one.outcome in (WITHIN_TOLERANCE, WIDE_TOLERANCE) else "")
        or one.why_not,
        figure.method.r_call(figure.settings),
    )
    return dict(zip(_COLUMNS, values, strict=True))


def _shown(number: float, printed: Printed) -> str:
    """A recomputed number with two digits more than the printed one (12 at most): one sees where it would round."""
    if "e" in printed.text.lower() or (number != 0 and abs(number) < 1e-4):
        return f"{number:.{min(printed.decimals + 2, _MOST_DIGITS)}e}"
    whole = len(str(int(abs(number))))
    return f"{number:.{max(0, min(printed.decimals + 2, _MOST_DIGITS - whole))}f}"
