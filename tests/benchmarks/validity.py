"""Can "it moved" be believed? Hidden clinics with a known truth, judged by four rules.

    python tests/benchmarks/validity.py            all scenarios, 500 clinics a cell, all cores; stop and resume at will
    python tests/benchmarks/validity.py --clinics 50 --out /some/file.csv

For each scenario × true effect × clinic: (a) a paired t test over rows, (b) over clients, (c) a mixed model with
z-tests, each claiming "it works" where p < 0.05 and the mean is better; (d) the first rule, which believed order,
blinding and second readings as written; (e) the toolkit's claim rule; and the test that
knows the design: the toolkit's model on all readings, those not written down among them, the reader's lean known and
taken off, with known normal quantiles. Writes validity.csv (a row a cell) and validity.json (seed, versions) beside
this file, and keeps each clinic in validity.part.csv until all are played. Columns: the share of clinics in which
each rule claims; the share of each level; `claimed`, the levels that say the technique did it (`probably_moved` only
where nothing was drawn); the share of 95 % intervals that hold the truth, of the readings written down and with the
bound; mean estimate, and mean with the missing filled in against it; `caught`, the share of clinics whose draw was
found not to be one. Clinics are played in rounds over all cells, so that a run that is stopped (`--minutes`) leaves
about as many of each.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
import warnings
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from tqdm import tqdm
from validity_clinics import DRAWN, SCENARIOS, SEED, USUAL, judged_by_all

from toolkit.claim.rule import LEVELS

HERE = Path(__file__).resolve().parent
EFFECTS = (0.0, 3.0)


def one_clinic(task: tuple[str, float, int]) -> dict[str, Any]:
    """One simulated clinic, judged by every rule, without the warnings of the usual tests."""
    warnings.simplefilter("ignore")
    return judged_by_all(*task)


def summary(clinics: pd.DataFrame) -> pd.DataFrame:
    """One row a scenario and effect: shares of claims, power, coverage."""
    rows = []
    for (name, effect), cell in clinics.groupby(["scenario", "effect"], sort=False):
        shares = cell["level"].value_counts(normalize=True)
        compared = cell[cell["compared"]]
        row = {"scenario": name, "effect": effect, "clinics": len(cell)}
        row |= {key: cell[key].mean() for key in (*USUAL, "knows_design")}
        row |= {level: shares.get(level, 0.0) for level in LEVELS}
        row["claimed"] = sum(shares.get(level, 0.0) for level in _claims(SCENARIOS[name].dials.design))
        row |= {key: compared[key].mean() if len(compared) else np.nan for key in ("covers", "bound_covers", "missing")}
        row |= {key: compared[key].mean() if len(compared) else np.nan for key in ("estimate", "against")}
        row["caught"] = cell["caught"].mean()
        rows.append(row)
    return pd.DataFrame(rows)


def _claims(design: str) -> tuple[str, ...]:
    """The levels that say the technique did it: as far as the design allows."""
    return ("moved_enough", "moved") if design in DRAWN else ("moved_enough", "moved", "probably_moved")


def run(tasks: list[tuple[str, float, int]], part: Path | None, workers: int, minutes: float) -> pd.DataFrame:
    """Judge all clinics, adding to what an earlier, interrupted run has left in `part`; stop after so many minutes."""
    done = pd.read_csv(part) if part is not None and part.exists() else pd.DataFrame()
    known = set(zip(done["scenario"], done["effect"], done["clinic"], strict=True)) if len(done) else set()
    todo = [task for task in tasks if task not in known]
    parts = [done] if len(done) else []
    end = time.monotonic() + 60 * minutes
    with ProcessPoolExecutor(workers) as pool:
        batch: list[dict[str, Any]] = []
        for found in tqdm(pool.map(one_clinic, todo, chunksize=4), total=len(todo), unit="clinic"):
            batch.append(found)
            if part is not None and len(batch) == 100:
                pd.DataFrame(batch).to_csv(part, mode="a", header=not part.exists(), index=False)
                parts.append(pd.DataFrame(batch))
                batch = []
            if time.monotonic() > end:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    if batch and part is not None:
        pd.DataFrame(batch).to_csv(part, mode="a", header=not part.exists(), index=False)
    everything = pd.concat([*parts, pd.DataFrame(batch)], ignore_index=True)
    wanted = pd.DataFrame(tasks, columns=["scenario", "effect", "clinic"])
    return wanted.merge(everything, on=["scenario", "effect", "clinic"]).sort_values(
        ["scenario", "effect", "clinic"], key=_in_their_order, kind="stable"
    )


def in_rounds(names: list[str], effects: list[float], clinics: int) -> list[tuple[str, float, int]]:
    """Every clinic to be judged, in rounds: two of each cell without an effect for one with it."""
    tasks = [(name, effect, number) for number in range(clinics) for name in names for effect in effects]
    return sorted(tasks, key=lambda task: task[2] // 2 if task[1] == 0 else task[2])


def _in_their_order(column: pd.Series) -> pd.Series:
    """Scenarios in the order in which they are listed."""
    return column.map({name: place for place, name in enumerate(SCENARIOS)}) if column.name == "scenario" else column


def main() -> None:
    """Run, write, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--clinics", type=int, default=500)
    words.add_argument("--only", default="", help="part of a scenario's name")
    words.add_argument("--effects", type=float, nargs="*", default=list(EFFECTS))
    words.add_argument("--minutes", type=float, default=1e6, help="stop after so long, with what is there")
    words.add_argument("--out", type=Path, default=HERE / "validity.csv")
    words.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = words.parse_args()
    tasks = in_rounds([name for name in SCENARIOS if asked.only in name], asked.effects, asked.clinics)
    part = asked.out.with_suffix(".part.csv")
    table = summary(run(tasks, part, asked.workers, asked.minutes))
    table.to_csv(asked.out, index=False, float_format="%.4f")
    about = {
        "seed": SEED,
        "clinics": int(table["clinics"].min()),
        "made": datetime.now(UTC).isoformat(timespec="minutes"),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "pandas": pd.__version__,
    }
    asked.out.with_suffix(".json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
    if len(tasks) == table["clinics"].sum():
        part.unlink(missing_ok=True)
    print(table.to_string(index=False, float_format=lambda v: f"{v:.3f}"))


if __name__ == "__main__":
    main()
