"""Can "it moved" be believed? Hidden clinics with a known truth, judged by four rules.

    python tests/benchmarks/validity.py            all scenarios, 500 clinics a cell, all cores; stop and resume at will
    python tests/benchmarks/validity.py --clinics 50 --out /some/file.csv

For each scenario × true effect × clinic: (a) a paired t test over rows, (b) over clients, (c) a mixed model with
z-tests, each claiming "it works" where p < 0.05 and the mean is better; (d) the toolkit's claim rule; and the test that
knows the design: the toolkit's model on all readings, those not written down among them, the reader's lean known and
taken off, with known normal quantiles. Writes validity.csv (a row a cell) and validity.json (seed, versions) beside
this file. Columns: the share of clinics in which each rule claims; the share of each level; `claimed`, the levels that
say the technique did it (`probably_moved` only where nothing was drawn); the share of 95 % intervals that hold the
truth, of the readings written down and with the bound; mean estimate, and mean with the missing filled in against it.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
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
EFFECTS = (0.0, 1.5, 3.0, 6.0)


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
        rows.append(row)
    return pd.DataFrame(rows)


def _claims(design: str) -> tuple[str, ...]:
    """The levels that say the technique did it: as far as the design allows."""
    return ("moved_enough", "moved") if design in DRAWN else ("moved_enough", "moved", "probably_moved")


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
