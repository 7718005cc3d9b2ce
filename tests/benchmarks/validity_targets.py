"""What the validity benchmark's table is held to, and the cells that cannot meet it, with the reason why.

Targets are shares of clinics. A cell of n clinics misses one only where chance alone would show such a share with a
probability below `by_chance` (exact binomial): the Monte-Carlo error of the simulation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from scipy.stats import binomtest
from validity_attacks import DRAW_FAULTS
from validity_clinics import DRAWN, SCENARIOS, SMALLEST, Scenario

from toolkit.simulate import ClinicDials

Row = Mapping[str, Any]
ENOUGH_CLIENTS = 60
FULLY_BLIND = 1.0


@dataclass(frozen=True, kw_only=True)
class Target:
    """A share of a cell's clinics that is to be at most, or at least, a limit (which may depend on the cell)."""

    name: str
    applies: Callable[[ClinicDials, float], bool]
    share: Callable[[Row], float]
    limit: Callable[[Row], float]
    side: Literal["at most", "at least"]


def _moved(row: Row) -> float:
    return float(row["moved"] + row["moved_enough"])


def _honest(dials: ClinicDials) -> bool:
    """Was nothing done wrong in the draw, the writing down or the reading?"""
    return not dials.fault


def _draw_that_is_none(dials: ClinicDials) -> bool:
    return dials.fault in DRAW_FAULTS


def _large_drawn_blind(dials: ClinicDials) -> bool:
    return (
        _honest(dials)
        and dials.n_clients >= ENOUGH_CLIENTS
        and dials.design in DRAWN
        and dials.blinded_share >= FULLY_BLIND
    )


def _nothing_missing(dials: ClinicDials, effect: float) -> bool:
    del effect
    nothing = dials.not_written == 0 and dials.missing_share == 0 and dials.design != "none"
    return nothing and _honest(dials) and dials.ceiling is None


TARGETS = (
    Target(
        name="honest draws: found wanting in at most 1.5 %",
        applies=lambda dials, _: dials.design in DRAWN and _honest(dials),
        share=lambda row: float(row["caught"]),
        limit=lambda _: 0.015,
        side="at most",
    ),
    Target(
        name="draws that are none: found wanting in at least 95 %",
        applies=lambda dials, effect: effect == 0 and _draw_that_is_none(dials),
        share=lambda row: float(row["caught"]),
        limit=lambda _: 0.95,
        side="at least",
    ),
    Target(
        name="true 3°, 15 clients with 3 sessions, honest: moved in at least 80 %",
        applies=lambda dials, effect: effect == 3.0 and dials.n_clients == 15 and _honest(dials),
        share=_moved,
        limit=lambda _: 0.80,
        side="at least",
    ),
    Target(
        name="true 3°, drawn, honest: moved within 5 points of the first rule",
        applies=lambda dials, effect: effect == 3.0 and dials.design in DRAWN and _honest(dials),
        share=_moved,
        limit=lambda row: max(0.0, float(row["first_rule"]) - 0.05),
        side="at least",
    ),
    Target(
        name="no effect, drawn: moved in at most 2.5 %",
        applies=lambda dials, effect: effect == 0 and dials.design in DRAWN,
        share=_moved,
        limit=lambda _: 0.025,
        side="at most",
    ),
    Target(
        name="no effect, not drawn or attacked: probably moved in at most 5 %",
        applies=lambda dials, effect: effect == 0 and (dials.design not in DRAWN or not _honest(dials)),
        share=lambda row: float(row["probably_moved"]),
        limit=lambda _: 0.05,
        side="at most",
    ),
    Target(
        name="not drawn: never moved",
        applies=lambda dials, _: dials.design not in DRAWN,
        share=_moved,
        limit=lambda _: 0.0,
        side="at most",
    ),
    Target(
        name="nothing to compare with: never probably moved either",
        applies=lambda dials, _: dials.design == "none",
        share=lambda row: float(row["probably_moved"]),
        limit=lambda _: 0.0,
        side="at most",
    ),
    Target(
        name="true 3°, 60 clients or more, drawn, blind: moved in at least 90 %",
        applies=lambda dials, effect: effect == 3.0 and _large_drawn_blind(dials),
        share=_moved,
        limit=lambda _: 0.90,
        side="at least",
    ),
    Target(
        name="60 clients or more, drawn, blind: at least 80 % of the power of the test that knows the design",
        applies=lambda dials, effect: effect == 3.0 and _large_drawn_blind(dials),
        share=_moved,
        limit=lambda row: 0.8 * float(row["knows_design"]),
        side="at least",
    ),
    Target(
        name="no effect, 60 clients or more: no better than waiting in at least 80 %",
        applies=lambda dials, effect: (
            effect == 0 and dials.n_clients >= ENOUGH_CLIENTS and dials.design != "none" and _honest(dials)
        ),
        share=lambda row: float(row["no_better_than_waiting"]),
        limit=lambda _: 0.80,
        side="at least",
    ),
    Target(
        name="effect as large as what matters: no better than waiting in at most 2.5 %",
        applies=lambda dials, effect: effect == SMALLEST and _honest(dials) and dials.ceiling is None,
        share=lambda row: float(row["no_better_than_waiting"]),
        limit=lambda _: 0.025,
        side="at most",
    ),
    Target(
        name="no reading missing: intervals hold the truth in at least 94 %",
        applies=_nothing_missing,
        share=lambda row: float(row["covers"]),
        limit=lambda _: 0.94,
        side="at least",
    ),
    Target(
        name="no reading missing: intervals hold the truth in at most 97 %",
        applies=_nothing_missing,
        share=lambda row: float(row["covers"]),
        limit=lambda _: 0.97,
        side="at most",
    ),
    Target(
        name="readings missing: intervals with the bound hold the truth in at least 95 %",
        applies=lambda dials, _: (
            (dials.not_written > 0 or dials.missing_share > 0) and dials.design != "none" and _honest(dials)
        ),
        share=lambda row: float(row["bound_covers"]),
        limit=lambda _: 0.95,
        side="at least",
    ),
)


def missed(row: Row, *, by_chance: float, scenarios: Mapping[str, Scenario] = SCENARIOS) -> list[str]:
    """The targets that one cell of the table (a row of `validity.summary`) misses by more than chance."""
    dials, effect = scenarios[row["scenario"]].dials, float(row["effect"])
    return [t.name for t in TARGETS if t.applies(dials, effect) and _missed(t, row, by_chance)]


def _missed(target: Target, row: Row, by_chance: float) -> bool:
    n, limit = int(row["clinics"]), target.limit(row)
    alternative = "greater" if target.side == "at most" else "less"
    return bool(binomtest(round(target.share(row) * n), n, limit, alternative=alternative).pvalue < by_chance)


_HOLDS_95 = "readings missing: intervals with the bound hold the truth in at least 95 %"
_HOLDS_94 = "no reading missing: intervals hold the truth in at least 94 %"
_LEANS = (
    "The reader knows what was done and adds 1° to every reading after the technique. The records are those of a "
    "clinic whose technique does 1° more, so no interval from them can hold the truth; the claim is kept honest by the "
    "allowance, which is taken off its low end."
)
_WITHIN_5 = "true 3°, drawn, honest: moved within 5 points of the first rule"
_FEW = (
    "The first rule takes the limit from a normal interval that does not let effects vary between clients: with few "
    "clients, and readings missing where nothing moved, its interval is a tenth narrower than the estimates scatter. "
    "The toolkit's holds its level also where effects vary. With every reading written down there is more to be seen "
    "(“knows the design”); a better weighing of few clients may win back a part."
)
_ALLOWANCE = (
    "Nobody was blind, so half a SEM is taken off: the published one (1.46°), as a reader who remembers makes the own "
    "one too small (1.25°, which the first rule took off). Readings of waits are missing where nothing moved, so that "
    "the difference written down is 2.6° and not 3°, and little is left. Blind readers bring it back (“all rivals”)."
)
_LEFT_OUT = (
    "Six in ten unmoved sides are not written down, most of them after waiting: the difference that is written down is "
    "smaller than 3°, and what is missing is filled in against the technique. Where fewer sessions than a coin gives "
    "were treated first (one honest clinic in ten), the missing ones are filled in too; without that, leaving out half "
    "of the sessions without gain would be believed in 40 %."
)
KNOWN_TO_MISS: dict[tuple[str, float, str], str] = {
    **{
        (name, 3.0, _WITHIN_5): _FEW
        for name in ("all rivals, 12 clients", "all rivals, 30 clients", "honest: 8 clients")
    },
    ("all rivals, unblinded", 3.0, _WITHIN_5): _ALLOWANCE,
    ("unmoved not written down", 3.0, _WITHIN_5): _LEFT_OUT,
    **{("leaning reader, unblinded", effect, _HOLDS_94): _LEANS for effect in (0.0, 3.0)},
    **{("all rivals, leaning 1, unblinded", effect, _HOLDS_95): _LEANS for effect in (0.0, 3.0)},
}
