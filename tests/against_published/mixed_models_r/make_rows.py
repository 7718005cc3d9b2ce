"""Write the simulated rows that lme4 and this toolkit both fit: unbalanced, crossed, nested, with slopes, near zero.

Run from this folder: python make_rows.py ; then: Rscript compute.R
"""

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent


def clinic(
    *, seed: int, clients: int, practitioners: int, sd_client: float, sd_practitioner: float, sd_slope: float, most: int
) -> pd.DataFrame:
    """Unbalanced sessions: each client comes 1 to `most` times, to practitioners of uneven share."""
    rng = np.random.default_rng(seed)
    client = np.repeat(np.arange(clients), rng.integers(1, most + 1, clients))
    n = len(client)
    share = rng.dirichlet(np.full(practitioners, 2.0))
    practitioner = rng.choice(practitioners, n, p=share)
    region = rng.choice(["calf", "neck", "shoulder"], n, p=[0.5, 0.3, 0.2])
    intervention = rng.choice(["measured_only", "press", "stretch"], n, p=[0.3, 0.4, 0.3])
    treated = (intervention != "measured_only").astype(int)
    baseline = rng.normal(30, 5, n)
    change = (
        2
        - 0.2 * (baseline - 30)
        + 1.5 * treated
        + 0.5 * (region == "neck")
        + rng.normal(0, sd_client, clients)[client]
        + rng.normal(0, sd_practitioner, practitioners)[practitioner]
        + rng.normal(0, sd_slope, clients)[client] * treated
        + rng.normal(0, 2, n)
    )
    return pd.DataFrame(
        {
            "client": [f"c{c:03d}" for c in client],
            "practitioner": [f"p{p}" for p in practitioner],
            "region": region,
            "intervention": intervention,
            "treated": treated,
            "baseline": baseline.round(2),
            "weight": rng.choice([0.5, 1.0, 2.0], n),
            "change": change.round(3),
        }
    )


COLUMNS = ("seed", "clients", "practitioners", "sd_client", "sd_practitioner", "sd_slope", "most")
SETS = {
    "crossed": (11, 14, 4, 1.5, 1.0, 0.0, 9),
    "few": (12, 8, 2, 2.0, 1.5, 0.0, 8),
    "zero": (15, 12, 5, 1.5, 0.0, 0.0, 9),
    "slope": (14, 25, 4, 1.5, 1.0, 2.0, 12),
    "larger": (15, 60, 8, 1.5, 0.7, 1.0, 12),
}

if __name__ == "__main__":
    for name, settings in SETS.items():
        clinic(**dict(zip(COLUMNS, settings, strict=True))).to_csv(HERE / f"{name}.csv", index=False)
