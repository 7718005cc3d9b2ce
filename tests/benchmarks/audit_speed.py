"""What one audit costs beside two statsmodels MixedLM fits of the same rows, in the same run.

    python tests/benchmarks/audit_speed.py

Rows: 60 clients, 600 rows, one declared question, order drawn; once with every reading written down and once with all
other explanations at work (readings missing, so that the estimate is made three times). The audit's computation is
everything between loaded records and finished findings: estimate, bound, steps, explanations, effect sizes, ruler,
claim; no figure. MixedLM fits the same compared sessions: with a random intercept for clients alone, and with the
effect varying between clients as the toolkit's model has it (which also has practitioners). CPU time, the best of
seven, one thread.
"""

from __future__ import annotations

import os
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pandas as pd
import statsmodels.formula.api as smf

from toolkit.auditing import audit
from toolkit.claim.question import Question
from toolkit.effect.comparison import find_comparison
from toolkit.effect.estimate import sessions_of
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic, with_all_explanations

CLEAN = ClinicDials(n_clients=60, visits=12, effect=3.0, start="2024-01-08")
CASES = {
    "every reading written down": CLEAN,
    "all rivals, readings missing": replace(with_all_explanations(CLEAN), visits=14),
}


def best(job: Callable[[], object], runs: int = 7) -> float:
    """Least CPU seconds of several runs, after one to warm up."""
    job()
    taken = []
    for _ in range(runs):
        begun = time.process_time()
        job()
        taken.append(time.process_time() - begun)
    return min(taken)


def ratios(dials: ClinicDials) -> dict[str, float]:
    """Seconds of an audit and of two fits, for 600 rows of this clinic."""
    asked = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
    records = load_records(simulate_clinic(dials, rng=1).rows.head(600))
    question = Question(**asked, better=dials.better, unit=dials.unit, smallest_change_that_matters=3.0)
    compared = find_comparison(records.rows, **asked, better=dials.better)
    assert compared is not None
    rows = sessions_of(compared.rows.dropna(subset=["y"]))

    def twice(varying: str | None) -> None:
        for _ in range(2):
            smf.mixedlm("y ~ arm + base + gap", rows, groups=rows["client"], re_formula=varying).fit()

    ours = best(lambda: audit(records, question=question))
    plain, same = best(lambda: twice(None)), best(lambda: twice("~arm"))
    return {
        "rows": len(records.rows),
        "clients": records.rows["client"].nunique(),
        "sessions fitted": len(rows),
        "audit, s": ours,
        "two fits, intercepts, s": plain,
        "two fits, effect varies, s": same,
        "audit / two fits, effect varies": ours / same,
        "audit / two fits, intercepts": ours / plain,
    }


def main() -> None:
    """Print the table."""
    warnings.simplefilter("ignore")
    table = pd.DataFrame({name: ratios(dials) for name, dials in CASES.items()})
    print(table.to_string(float_format=lambda value: f"{value:.3g}"))


if __name__ == "__main__":
    main()
