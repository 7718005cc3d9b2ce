"""The dials of a simulated clinic: who comes, what is true, which other explanations are at work, what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

Design = Literal["order_drawn", "side_drawn", "comparison_sessions", "other_side", "none"]


@dataclass(frozen=True, kw_only=True)
class ClinicDials:
    """What happens in the simulated clinic. Lengths in the measure's unit, shares from 0 to 1.

    Design: `n_clients`, `n_practitioners`, `visits` (mean number a client would come), `design` (what the records
    hold to compare with), `second_baseline` (is a second reading taken before), `blinded_share` of re-measurements.
    People: `level` and `between_sd` of the true reading over clients, `day_sd` from visit to visit, `sem` of one
    reading (standard error of measurement), `heavy_tails` (degrees of freedom of the reading noise; 0 = normal).
    Truth: `effect` of the technique (mean over clients), `effect_sd` between clients, `practitioner_effect_sd`,
    `spill_over` (share of the effect that reaches the untreated side).
    Explanations: `restricted_below` (sides first read below this many SDs under the level are treated; None = all),
    `warm_up` (rise with each further reading), `wait_rise` (rise over any stretch as long as the treatment),
    `course_per_week` (true drift over weeks), `keen` (log-odds of coming back per unit of observed change),
    `not_written` (share of unmoved sides whose after-reading is left empty), `unmoved_below` (observed change that
    counts as unmoved), `lean` (added to an after-reading by a reader who knows that treatment came before),
    `round_to` (instrument or habit rounds to this step; 0 = none), `measured_only_share` of sessions, `reader_change`
    (all readings are higher by this from day 120 on: another examiner, another instrument).
    Recording: `waiting_share` of the draws, `technique_noise` (readings after the technique scatter so many times as
    much), `ceiling` (no reading is higher; None = none), `missing_share` (after-readings lost by chance), `fault` (one
    thing done wrong, see `toolkit.faults`).
    Words: `measure`, `unit`, `region`, `intervention`, `better` as the export holds them, `start` (first day).
    """

    n_clients: int = 60
    n_practitioners: int = 4
    visits: float = 5.0
    design: Design = "order_drawn"
    second_baseline: bool = True
    blinded_share: float = 1.0
    level: float = 35.0
    between_sd: float = 6.0
    day_sd: float = 2.0
    sem: float = 2.5
    heavy_tails: float = 0.0
    effect: float = 0.0
    effect_sd: float = 0.0
    practitioner_effect_sd: float = 0.0
    spill_over: float = 0.0
    restricted_below: float | None = None
    warm_up: float = 0.0
    wait_rise: float = 0.0
    course_per_week: float = 0.0
    keen: float = 0.0
    not_written: float = 0.0
    unmoved_below: float = 2.0
    lean: float = 0.0
    round_to: float = 0.0
    reader_change: float = 0.0
    measured_only_share: float = 0.3
    waiting_share: float = 0.5
    technique_noise: float = 1.0
    ceiling: float | None = None
    missing_share: float = 0.0
    fault: str = ""
    measure: str = "cervical_lateral_flexion"
    unit: str = "deg"
    region: str = "upper_trapezius"
    intervention: str = "percussive_release"
    better: str = "higher"
    start: str = "2023-01-02"


ALL_EXPLANATIONS: dict[str, Any] = {
    "restricted_below": 0.0,
    "warm_up": 0.8,
    "wait_rise": 0.5,
    "course_per_week": 0.15,
    "keen": 0.15,
    "not_written": 0.6,
    "effect_sd": 1.0,
    "round_to": 1.0,
}


def with_all_explanations(dials: ClinicDials, **also: Any) -> ClinicDials:
    """The same clinic with every other explanation turned on at once; `also` sets further dials.

    Example:
        >>> with_all_explanations(ClinicDials(), lean=1.0, blinded_share=0.0).warm_up
        0.8
    """
    return replace(dials, **{**ALL_EXPLANATIONS, **also})
