"""How often a technique that does nothing is called effective: Kenward–Roger and Satterthwaite beside z and plain rows.

python tests/benchmarks/error_rates.py          2,000 runs a cell; prints the table, writes error_rates.csv beside it
python tests/benchmarks/error_rates.py 200      fewer runs, printed only

Clients come 3 to 8 times to crossed practitioners. Drawn by session: each session treated or only measured at random;
drawn by client: half of the clients treated. SDs: clients 1.5, practitioners 1, readings 2; where the effect varies,
its SD between clients is 2 and its mean 0, and the model has that slope. Promise: 5 %.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent))

from toolkit.errors import FitError  # noqa: E402
from toolkit.mixed.mixed import fit_mixed_arrays  # noqa: E402

RUNS = 2000
METHODS = ("kenward_roger", "satterthwaite", "normal", "rows")
Arrays = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def null_clinic(rng: np.random.Generator, *, clients: int, practitioners: int, drawn_by: str, varies: bool) -> Arrays:
    """Change, treated, client and practitioner of one clinic whose technique does nothing on average."""
    client = np.repeat(np.arange(clients), rng.integers(3, 9, clients))
    n = len(client)
    practitioner = rng.integers(0, practitioners, n)
    if drawn_by == "client":
        treated = rng.permutation(np.arange(clients) % 2)[client].astype(float)
    else:
        treated = rng.integers(0, 2, n).astype(float)
    change = (
        rng.normal(0, 1.5, clients)[client] + rng.normal(0, 1.0, practitioners)[practitioner] + rng.normal(0, 2.0, n)
    )
    slopes = rng.normal(0, 2.0, clients)
    return change + (slopes[client] * treated if varies else 0.0), treated, client, practitioner


def p_values(clinic: Arrays, *, varies: bool) -> dict[str, float]:
    """p of the treatment by each method; NaN where the model refused."""
    change, treated, client, practitioner = clinic
    x, names = np.column_stack([np.ones(len(change)), treated]), ["Intercept", "treated"]
    try:
        fit = fit_mixed_arrays(
            change,
            x,
            names,
            {"client": client, "practitioner": practitioner},
            slope=("treated", treated) if varies else None,
        )
        found = {m: fit.contrast("treated", ddf=m).p for m in METHODS[:3]}  # type: ignore[arg-type]
        found["rows"] = fit_mixed_arrays(change, x, names, {}).contrast("treated").p
    except FitError:
        found = dict.fromkeys(METHODS, float("nan"))
    return found


def rates(*, clients: int, practitioners: int, drawn_by: str, varies: bool, runs: int, seed: int) -> dict[str, float]:
    """Share of runs with p below 0.05, by method, and of runs in which the model could not be fitted."""
    rng = np.random.default_rng([seed, clients, practitioners, drawn_by == "client", varies])
    settings = {"clients": clients, "practitioners": practitioners, "drawn_by": drawn_by, "varies": varies}
    found = pd.DataFrame([p_values(null_clinic(rng, **settings), varies=varies) for _ in range(runs)])  # type: ignore[arg-type]
    return {**{m: float((found[m] < 0.05).mean()) for m in METHODS}, "refused": float(found["rows"].isna().mean())}


def cells() -> list[dict[str, int | str | bool]]:
    """The 27 clinics: drawn by session with and without a varying effect, drawn by client."""
    designs = (("session", False), ("session", True), ("client", False))
    return [
        {"drawn_by": drawn_by, "varies": varies, "clients": clients, "practitioners": practitioners}
        for (drawn_by, varies), clients, practitioners in product(designs, (6, 12, 60), (2, 4, 8))
    ]


def table(*, runs: int, seed: int = 20260203) -> pd.DataFrame:
    """One row a clinic, one column a method."""
    return pd.DataFrame([{**cell, **rates(**cell, runs=runs, seed=seed)} for cell in cells()])  # type: ignore[arg-type]


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    found = table(runs=wanted)
    sys.stdout.write(f"false-positive rates at 5 %, {wanted} runs a row\n{found.round(3).to_string(index=False)}\n")
    if wanted == RUNS:
        found.to_csv(HERE / "error_rates.csv", index=False, float_format="%.4g", lineterminator="\n")
