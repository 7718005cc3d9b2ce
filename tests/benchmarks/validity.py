"""Can "it moved" be believed? Hidden clinics with a known truth, judged by four rules.

    python tests/benchmarks/validity.py            all scenarios, 500 clinics a cell, all cores; stop and resume at will
    python tests/benchmarks/validity.py --clinics 50 --out /some/file.csv

For each scenario × true effect × clinic: (a) a paired t test over rows, (b) over clients, (c) a mixed model with
z-tests, each claiming "it works" where p < 0.05 and the mean is better; (d) the toolkit's claim rule; and the test that
knows the design: the toolkit's model on all readings, those not written down among them, with known normal quantiles.
Writes validity.csv (a row a cell) and validity.json (seed, versions) beside this file.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from scipy import stats
from tqdm import tqdm

from toolkit.attributable.compared import find_comparison
from toolkit.attributable.estimate import Attributable, estimate
from toolkit.claim import LEVELS
from toolkit.errors import FitError, NotEnoughError
from toolkit.findings.finding import claim_of, judge
from toolkit.findings.ruler import ruler_of
from toolkit.models.mixed import fit_mixed_arrays
from toolkit.questions.question import Question
from toolkit.simulate import ClinicDials, SimulatedClinic, simulate_clinic, with_all_rivals

HERE = Path(__file__).resolve().parent
SEED = 20260105
EFFECTS = (0.0, 1.5, 3.0, 6.0)
SMALLEST = 3.0
CLEAN = ClinicDials()
ALL = with_all_rivals(CLEAN)

SCENARIOS: dict[str, ClinicDials] = {
    "clean": CLEAN,
    "restricted sides only": replace(CLEAN, restricted_below=0.0),
    "warm-up and waiting": replace(CLEAN, warm_up=0.8, wait_rise=0.5),
    "keen clients return": replace(CLEAN, keen=0.15, effect_sd=1.0),
    "course over weeks": replace(CLEAN, course_per_week=0.3),
    "unmoved not written down": replace(CLEAN, not_written=0.6),
    "leaning reader, unblinded": replace(CLEAN, lean=1.0, blinded_share=0.0),
    "heavy tails, whole degrees": replace(CLEAN, heavy_tails=4.0, round_to=1.0),
    "practitioners differ": replace(CLEAN, practitioner_effect_sd=1.0),
    "all rivals": ALL,
    "all rivals, unblinded": replace(ALL, blinded_share=0.0),
    "all rivals, leaning 1, unblinded": replace(ALL, lean=1.0, blinded_share=0.0),
    "all rivals, leaning 1, blinded": replace(ALL, lean=1.0, blinded_share=1.0),
    "all rivals, 12 clients": replace(ALL, n_clients=12),
    "all rivals, 30 clients": replace(ALL, n_clients=30),
    "all rivals, 200 clients": replace(ALL, n_clients=200),
    "all rivals, side drawn": replace(ALL, design="side_drawn"),
    "all rivals, comparison sessions": replace(ALL, design="comparison_sessions"),
    "all rivals, other side not drawn": replace(ALL, design="other_side"),
    "all rivals, nothing to compare": replace(ALL, design="none"),
}


def usual_tests(rows: pd.DataFrame) -> dict[str, bool]:
    """What the three usual tests claim from after − before."""
    rows = rows[rows["intervention"] != "measured_only"]
    if rows["measured_side"].ne(rows["treated_side"]).any():
        rows = rows[rows["measured_side"] == rows["treated_side"]]
    change = (rows["after"] - rows["before"]).dropna()
    clients = change.groupby(rows["client"]).mean()
    out = {
        "rows_t": _stands_out(stats.ttest_1samp(change, 0.0)) and change.mean() > 0,
        "clients_t": _stands_out(stats.ttest_1samp(clients, 0.0)) and clients.mean() > 0,
    }
    kept = rows.loc[change.index]
    fit = fit_mixed_arrays(
        change.to_numpy(),
        np.ones((len(change), 1)),
        ["mean"],
        {"client": kept["client"].to_numpy(), "practitioner": kept["practitioner"].to_numpy()},
    )
    z = fit.contrast("mean", ddf="normal")
    return {**out, "mixed_z": bool(z.p is not None and z.p < 0.05 and z.value > 0)}


def _stands_out(test: Any) -> bool:
    return bool(test.pvalue < 0.05)


def knows_the_design(clinic: SimulatedClinic, complete: Attributable | None) -> bool:
    """Would the model claim a difference, had every reading been written down and the reader's lean been known?

    `complete` is the toolkit's estimate from what was written down: the same thing where nothing is missing.
    """
    dials = clinic.dials
    found = complete
    if dials.not_written > 0:
        compared = find_comparison(
            clinic.all_readings,
            measure=dials.measure,
            region=dials.region,
            intervention=dials.intervention,
            better=dials.better,
        )
        try:
            found = None if compared is None else estimate(compared, n_draws=999)
        except (NotEnoughError, FitError):
            found = None
    if found is None:
        return False
    lean = dials.lean * (1 - dials.blinded_share)
    return bool(found.ci_low > lean if found.se is None else (found.mean - lean) / found.se > 1.959964)


def one_clinic(task: tuple[str, float, int]) -> dict[str, Any]:
    """One simulated clinic, judged by every rule."""
    name, effect, number = task
    place = list(SCENARIOS).index(name)
    dials = replace(SCENARIOS[name], effect=effect)
    clinic = simulate_clinic(dials, rng=np.random.default_rng([SEED, place, round(effect * 10), number]))
    rows = clinic.rows.assign(date=pd.to_datetime(clinic.rows["date"]))
    question = Question(
        measure=dials.measure,
        region=dials.region,
        intervention=dials.intervention,
        better=dials.better,
        unit=dials.unit,
        smallest_change_that_matters=SMALLEST,
    )
    ruler = ruler_of(rows, measure=dials.measure, unit=dials.unit)
    judged = judge(rows, question, declared=True, ruler=ruler, relation="", look=1, rng=number)
    level = claim_of(judged, measure="m", region="r", intervention="i").level
    found, complete = judged.attributable, judged.complete
    return {
        "scenario": name,
        "effect": effect,
        "clinic": number,
        "level": level,
        **usual_tests(clinic.rows),
        "knows_design": knows_the_design(clinic, judged.complete),
        "estimate": complete.mean if complete else np.nan,
        "covers": bool(complete and complete.ci_low <= effect <= complete.ci_high),
        "bound_covers": bool(found and found.ci_low <= effect <= found.ci_high),
        "compared": found is not None,
        "missing": bool(found and found.n_filled),
    }


def summary(clinics: pd.DataFrame) -> pd.DataFrame:
    """One row a scenario and effect: shares of claims, power, coverage."""
    rows = []
    for (name, effect), cell in clinics.groupby(["scenario", "effect"], sort=False):
        shares = cell["level"].value_counts(normalize=True)
        compared = cell[cell["compared"]]
        row = {"scenario": name, "effect": effect, "clinics": len(cell)}
        row |= {key: cell[key].mean() for key in ("rows_t", "clients_t", "mixed_z", "knows_design")}
        row |= {level: shares.get(level, 0.0) for level in LEVELS}
        row |= {"moved_or_better": shares.get("moved", 0.0) + shares.get("moved_enough", 0.0)}
        row |= {key: compared[key].mean() if len(compared) else np.nan for key in ("covers", "bound_covers", "missing")}
        row["mean_estimate"] = compared["estimate"].mean() if len(compared) else np.nan
        rows.append(row)
    return pd.DataFrame(rows)


def run(tasks: list[tuple[str, float, int]], part: Path | None, workers: int) -> pd.DataFrame:
    """Judge all clinics, adding to what an earlier, interrupted run has left in `part`."""
    done = pd.read_csv(part) if part is not None and part.exists() else pd.DataFrame()
    known = set(zip(done["scenario"], done["effect"], done["clinic"], strict=True)) if len(done) else set()
    todo = [task for task in tasks if task not in known]
    parts = [done] if len(done) else []
    with ProcessPoolExecutor(workers) as pool:
        batch: list[dict[str, Any]] = []
        for found in tqdm(pool.map(one_clinic, todo, chunksize=8), total=len(todo), unit="clinic"):
            batch.append(found)
            if part is not None and len(batch) == 400:
                pd.DataFrame(batch).to_csv(part, mode="a", header=not part.exists(), index=False)
                parts.append(pd.DataFrame(batch))
                batch = []
    if batch and part is not None:
        pd.DataFrame(batch).to_csv(part, mode="a", header=not part.exists(), index=False)
    everything = pd.concat([*parts, pd.DataFrame(batch)], ignore_index=True)
    wanted = pd.DataFrame(tasks, columns=["scenario", "effect", "clinic"])
    return wanted.merge(everything, on=["scenario", "effect", "clinic"])


def main() -> None:
    """Run, write, print."""
    warnings.simplefilter("ignore")
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--clinics", type=int, default=500)
    words.add_argument("--only", default="", help="part of a scenario's name")
    words.add_argument("--effects", type=float, nargs="*", default=list(EFFECTS))
    words.add_argument("--out", type=Path, default=HERE / "validity.csv")
    words.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = words.parse_args()
    tasks = [
        (name, effect, number)
        for name in SCENARIOS
        if asked.only in name
        for effect in asked.effects
        for number in range(asked.clinics)
    ]
    part = asked.out.with_suffix(".part.csv")
    table = summary(run(tasks, part, asked.workers))
    table.to_csv(asked.out, index=False, float_format="%.4f")
    about = {
        "seed": SEED,
        "clinics": asked.clinics,
        "made": datetime.now(UTC).isoformat(timespec="minutes"),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "pandas": pd.__version__,
    }
    asked.out.with_suffix(".json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
    part.unlink(missing_ok=True)
    print(table.to_string(index=False, float_format=lambda v: f"{v:.3f}"))


if __name__ == "__main__":
    main()
