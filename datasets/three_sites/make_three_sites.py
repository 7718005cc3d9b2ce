"""Make three clinics that do not exist, a folder each, with the truth beside them.

    python datasets/three_sites/make_three_sites.py

Two ways of holding a calf stretch, in three sites that use the same codes (C001, P1). Who got which was chosen at each
visit: stiff clients got the long hold more often, and stiff clients gain more whatever is done. Everything is simulated
from one seed; nothing stands for any real clinic, person or device.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols

HERE = Path(__file__).resolve().parent
SEED = 20260301
EFFECT = 2.0
SITES = {
    "north": ProtocolDials(n_clients=45, share=0.75, effect=EFFECT, gain=2.5, n_practitioners=3),
    "south": ProtocolDials(n_clients=40, share=0.65, effect=EFFECT, gain=1.5, n_practitioners=3),
    "west": ProtocolDials(n_clients=35, share=0.7, effect=EFFECT, gain=2.0, n_practitioners=2),
}
GAIN_BY_STIFFNESS, NOT_WRITTEN = 0.2, 0.08
COLUMNS = [
    *(
        "client",
        "practitioner",
        "date",
        "region",
        "treated_side",
        "intervention",
        "minutes",
        "measure",
        "measured_side",
    ),
    *("unit", "before", "before_2", "after", "examiner_blinded", "comfort", "adverse_event"),
]


def make_site(dials: ProtocolDials, rng: np.random.Generator) -> pd.DataFrame:
    """One site's rows, with minutes, comfort and adverse events written down."""
    grown = {"gain_by_stiffness": GAIN_BY_STIFFNESS, "not_written": NOT_WRITTEN, "each_visit": True}
    rows = simulate_protocols(ProtocolDials(**{**dials.__dict__, **grown}), rng=rng)
    n, long = len(rows), (rows["intervention"] == dials.protocol_a).to_numpy()
    rows["minutes"] = np.clip(np.where(long, 9, 6) + rng.integers(-3, 4, n), 2, None)
    rows["comfort"] = np.clip(np.round(np.where(long, 6.0, 7.0) + rng.normal(0, 1.5, n)), 0, 10).astype(int)
    event = np.where(rng.random(n) < np.where(long, 0.04, 0.02), "soreness the next day", "none")
    rows["adverse_event"] = np.where(rng.random(n) < 0.1, "", event)
    rows["examiner_blinded"] = np.where(rng.random(n) < 0.9, "yes", "no")
    rows[["before", "before_2", "after"]] = rows[["before", "before_2", "after"]].round(1)
    return rows[COLUMNS]


def main() -> None:
    """Write the three folders and the truth."""
    for place, (name, dials) in enumerate(SITES.items()):
        folder = HERE / name
        folder.mkdir(exist_ok=True)
        make_site(dials, np.random.default_rng([SEED, place])).to_csv(folder / "sessions.csv", index=False)
    truth = {
        "scenario": "Three sites that do not exist, two ways of holding a calf stretch, simulated.",
        "seed": SEED,
        "measure": "ankle_dorsiflexion_lunge",
        "between": ["long_hold", "short_hold"],
        "true_difference_deg": EFFECT,
        "gain_by_stiffness_deg_per_deg": GAIN_BY_STIFFNESS,
        "in_words": "The long hold truly adds 2 degrees; at each visit it was chosen more often for stiff clients, "
        "who gain more anyway.",
        "verdicts_that_are_right": ["went_with_more", "not_told"],
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
