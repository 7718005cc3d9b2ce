"""The hidden clinics of the validity benchmark, and how each rule judges one of them.

A scenario is a clinic with some of its dials turned, judged once, at several looks, or in several questions at once.
For several looks or questions a rule's answer is the strongest it gives at any of them, as a reader would quote it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from validity_attacks import ATTACKS, ATTACKS_LATER, CONTROLS, NEED_THE_SHEET, SEALED

from toolkit.claim.question import Question
from toolkit.claim.rule import LEVELS
from toolkit.effect import missing_readings as bounds
from toolkit.effect.comparison import Compared, find_comparison
from toolkit.effect.estimate import Attributable, design_of, estimate
from toolkit.errors import FitError, NotEnoughError
from toolkit.findings.finding import Judged, claim_of, judge, with_family
from toolkit.findings.measured import ruler_of
from toolkit.mixed.mixed import fit_mixed_arrays
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, SimulatedClinic, simulate_clinic, with_all_explanations

SEED = 20260105
SMALLEST = 3.0
CLEAN = ClinicDials()
ALL = with_all_explanations(CLEAN)
DRAWN = frozenset({"order_drawn", "side_drawn"})
USUAL = ("rows_t", "clients_t", "mixed_z", "first_rule")
N_DRAWS = 1999


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A clinic's dials, and how often or for how many questions it is judged (no effect in the further regions).

    `sealed`: judged with its sealed schedule.
    """

    dials: ClinicDials
    looks: int = 1
    regions: int = 1
    sealed: bool = False


SCENARIOS: dict[str, Scenario] = {
    "clean": Scenario(dials=CLEAN),
    "restricted sides only": Scenario(dials=replace(CLEAN, restricted_below=0.0)),
    "warm-up and waiting": Scenario(dials=replace(CLEAN, warm_up=0.8, wait_rise=0.5)),
    "keen clients return": Scenario(dials=replace(CLEAN, keen=0.15, effect_sd=1.0)),
    "course over weeks": Scenario(dials=replace(CLEAN, course_per_week=0.3)),
    "unmoved not written down": Scenario(dials=replace(CLEAN, not_written=0.6)),
    "leaning reader, unblinded": Scenario(dials=replace(CLEAN, lean=1.0, blinded_share=0.0)),
    "heavy tails, whole degrees": Scenario(dials=replace(CLEAN, heavy_tails=4.0, round_to=1.0)),
    "practitioners differ": Scenario(dials=replace(CLEAN, practitioner_effect_sd=1.0)),
    "another reader from mid-year": Scenario(dials=replace(CLEAN, reader_change=3.0)),
    "looked at four times": Scenario(dials=CLEAN, looks=4),
    "five regions at once": Scenario(dials=CLEAN, regions=5),
    "all rivals": Scenario(dials=ALL),
    "all rivals, unblinded": Scenario(dials=replace(ALL, blinded_share=0.0)),
    "all rivals, leaning 1, unblinded": Scenario(dials=replace(ALL, lean=1.0, blinded_share=0.0)),
    "all rivals, leaning 1, blinded": Scenario(dials=replace(ALL, lean=1.0, blinded_share=1.0)),
    "all rivals, 12 clients": Scenario(dials=replace(ALL, n_clients=12)),
    "all rivals, 30 clients": Scenario(dials=replace(ALL, n_clients=30)),
    "all rivals, 200 clients": Scenario(dials=replace(ALL, n_clients=200)),
    "all rivals, side drawn": Scenario(dials=replace(ALL, design="side_drawn")),
    "all rivals, comparison sessions": Scenario(dials=replace(ALL, design="comparison_sessions")),
    "all rivals, other side not drawn": Scenario(dials=replace(ALL, design="other_side")),
    "all rivals, nothing to compare": Scenario(dials=replace(ALL, design="none")),
    **{name: Scenario(dials=dials) for name, dials in {**ATTACKS, **CONTROLS}.items()},
    **{name: Scenario(dials=dials, sealed=True) for name, dials in SEALED.items()},
    **{name: Scenario(dials=dials) for name, dials in ATTACKS_LATER.items()},
}


def usual_tests(rows: pd.DataFrame) -> dict[str, bool]:
    """What the three usual tests claim from after − before, and the first rule, which believed the words."""
    here = rows[rows["intervention"] != "measured_only"]
    if here["measured_side"].ne(here["treated_side"]).any():
        here = here[here["measured_side"] == here["treated_side"]]
    change = (here["after"] - here["before"]).dropna()
    clients = change.groupby(here["client"]).mean()
    kept = here.loc[change.index]
    fit = fit_mixed_arrays(
        change.to_numpy(),
        np.ones((len(change), 1)),
        ["mean"],
        {"client": kept["client"].to_numpy(), "practitioner": kept["practitioner"].to_numpy()},
    )
    z = fit.contrast("mean", ddf="normal")
    return {
        "rows_t": _better(stats.ttest_1samp(change, 0.0).pvalue, change.mean()),
        "clients_t": _better(stats.ttest_1samp(clients, 0.0).pvalue, clients.mean()),
        "mixed_z": _better(1.0 if z.p is None else z.p, z.value),
        "first_rule": first_rule(rows),
    }


def first_rule(rows: pd.DataFrame) -> bool:
    """Would the first rule claim the technique moved readings? It believed order, blinding and second readings.

    A mixed model of the rows that are there; missing changes at the lower quartile (technique) and
    the median (comparison) of the comparison's; half of the own SEM off the limit unless 80 % of all were blind.
    """
    compared = find_comparison(
        rows, measure=CLEAN.measure, region=CLEAN.region, intervention=CLEAN.intervention, better=CLEAN.better
    )
    if compared is None:
        return False
    there = compared.rows.dropna(subset=["y"])
    waits = there.loc[there["arm"] == 0, "y"]
    low = _model_limit(replace(compared, rows=there))
    if len(there) < len(compared.rows):
        filled = bounds.fill(compared.rows, (float(waits.quantile(0.25)), float(waits.quantile(0.5))))
        low = min(low, _model_limit(replace(compared, rows=filled)))
    apart = (rows["before_2"] - rows["before"]).dropna().astype(float)
    blind = (compared.rows.loc[compared.rows["y"].notna(), "blinded"] == "yes").mean() >= 0.8
    return bool(low - (0.0 if blind else apart.std() / np.sqrt(2) / 2) > 0)


def _model_limit(compared: Compared) -> float:
    """The lower limit of the plain mixed model, clients and practitioners random."""
    design = design_of(compared)
    columns = np.column_stack([design.label, design.covariates])
    names = ["technique", *(f"x{k}" for k in range(design.covariates.shape[1]))]
    groups = {"client": design.client, "practitioner": design.practitioner}
    try:
        return float(fit_mixed_arrays(design.y, columns, names, groups).contrast("technique", ddf="normal").ci_low)
    except FitError:
        return -np.inf


def _better(p: float, mean: float) -> bool:
    return bool(p < 0.05 and mean > 0)


def knows_the_design(clinic: SimulatedClinic, complete: Attributable | None) -> bool:
    """Would the model claim a difference, had every reading been written down and the reader's lean been known?

    `complete` is the toolkit's estimate from what was written down: the same thing where nothing is missing.
    """
    dials = clinic.dials
    found = complete
    if dials.not_written > 0:
        asked = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
        compared = find_comparison(clinic.all_readings, **asked, better=dials.better)
        try:
            found = None if compared is None else estimate(compared, n_draws=999)
        except (NotEnoughError, FitError):
            found = None
    if found is None:
        return False
    lean = dials.lean * (1 - dials.blinded_share)
    return bool(found.ci_low > lean if found.se is None else (found.mean - lean) / found.se > 1.959964)


def _level(judged: Judged) -> str:
    return claim_of(judged, measure="m", region="r", intervention="i").level


def _strongest(levels: Sequence[str]) -> str:
    """The level a reader would quote of several: the one that claims most for the technique."""
    return min(levels, key=[str(level) for level in LEVELS].index)


def _parts_by_looks(rows: pd.DataFrame, looks: int) -> list[pd.DataFrame]:
    """The records as they stood at each of several looks, the last one holding all."""
    return [rows.iloc[: round(len(rows) * (k + 1) / looks)] for k in range(looks)]


def judged_by_all(name: str, effect: float, number: int) -> dict[str, Any]:
    """One simulated clinic, judged by every rule."""
    scenario = SCENARIOS[name]
    dials = replace(scenario.dials, effect=effect)
    rng = np.random.default_rng([SEED, list(SCENARIOS).index(name), round(effect * 10), number])
    clinic = simulate_clinic(dials, rng=rng)
    clinics = [clinic, *(simulate_clinic(_elsewhere(dials, k), rng=rng) for k in range(1, scenario.regions))]
    sheets = [_as_read(one) for one in clinics]
    parts = _parts_by_looks(sheets[0][0], scenario.looks)
    looked = [*parts[:-1], *(rows for rows, _ in sheets)]
    usual = pd.DataFrame([usual_tests(one) for one in looked])
    if scenario.regions > 1 and effect > 0:
        usual = usual.iloc[:1]
    judged, level = _answers(clinics, sheets, parts, scenario, effect=effect, rng=number)
    return {
        "scenario": name,
        "effect": effect,
        "clinic": number,
        "level": level,
        **usual.any().to_dict(),
        "knows_design": knows_the_design(clinic, judged.complete),
        **_estimates(judged, effect),
    }


def _as_read(clinic: SimulatedClinic) -> tuple[pd.DataFrame, pd.DataFrame | None]:
    """A clinic's rows and what was lost of them: as the records' own reading leaves them where that loses any."""
    if clinic.dials.fault not in NEED_THE_SHEET:
        visit = clinic.rows.groupby("client")["session_id"].transform(lambda ids: pd.factorize(ids)[0] + 1)
        return clinic.rows.assign(date=pd.to_datetime(clinic.rows["date"]), visit=visit), None
    records = load_records(clinic.rows)
    return records.rows, records.lost


def _elsewhere(dials: ClinicDials, k: int) -> ClinicDials:
    """The same clinic in another region, where the technique does nothing."""
    return replace(dials, region=f"region_{k}", effect=0.0)


def _answers(
    clinics: list[SimulatedClinic],
    sheets: list[tuple[pd.DataFrame, pd.DataFrame | None]],
    parts: list[pd.DataFrame],
    scenario: Scenario,
    *,
    effect: float,
    rng: int,
) -> tuple[Judged, str]:
    """The judgement of the first question on all records, and the level that counts.

    Several looks: the strongest level of all looks. Several regions: without an effect the strongest level of all of
    them (any claim is false), with one the level of the region that has it.
    """
    looks = len(parts)
    tables = [(part, None, clinics[0]) for part in parts[:-1]]
    tables += [(rows, lost, clinic) for (rows, lost), clinic in zip(sheets, clinics, strict=True)]
    judged = [
        _judged(rows, lost, clinic, scenario, look=min(k + 1, looks), looks=looks, rng=rng)
        for k, (rows, lost, clinic) in enumerate(tables)
    ]
    if scenario.regions > 1:
        judged = with_family(judged)
        return judged[0], _strongest([_level(one) for one in judged]) if effect == 0 else _level(judged[0])
    return judged[-1], _strongest([_level(one) for one in judged])


def _judged(
    rows: pd.DataFrame,
    lost: pd.DataFrame | None,
    clinic: SimulatedClinic,
    scenario: Scenario,
    *,
    look: int,
    looks: int,
    rng: int,
) -> Judged:
    """One declared question about a clinic's own technique, judged as an audit does."""
    dials = clinic.dials
    question = Question(
        measure=dials.measure,
        region=dials.region,
        intervention=dials.intervention,
        better=dials.better,
        unit=dials.unit,
        smallest_change_that_matters=SMALLEST,
        looks_planned=looks,
    )
    return judge(
        rows,
        question,
        declared=True,
        ruler=ruler_of(rows, measure=dials.measure, unit=dials.unit),
        relation="",
        look=look,
        rng=rng,
        lost=lost,
        schedule=clinic.schedule if scenario.sealed else None,
        n_draws=N_DRAWS,
    )


def _estimates(judged: Judged, effect: float) -> dict[str, Any]:
    """The estimates of one question, and whether their intervals hold the truth."""
    found, complete = judged.attributable, judged.complete
    return {
        "estimate": complete.mean if complete else np.nan,
        "against": found.mean_against if found else np.nan,
        "covers": bool(complete and complete.ci_low <= effect <= complete.ci_high),
        "bound_covers": bool(found and found.ci_low <= effect <= found.ci_high),
        "compared": found is not None,
        "missing": bool(found and found.n_filled),
        "caught": bool(judged.borne and judged.borne.draw and not judged.borne.draw.passed),
    }
