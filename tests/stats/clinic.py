"""Made-up rows for the tests of this room: clients with one row or several, all from a seed."""

from __future__ import annotations

import numpy as np
import pandas as pd


def clinic(seed: int, n: int, *, change: float = 3.0, visits: int = 1, spread: float = 4.0) -> pd.DataFrame:
    """`n` clients with `visits` sessions each; `change` is the true mean change."""
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(n), visits)
    before = rng.normal(34, 6, n)[who] + rng.normal(0, 2, len(who))
    return pd.DataFrame(
        {
            "client": [f"c{at:03d}" for at in who],
            "session_id": [f"s{at:04d}" for at in range(len(who))],
            "row": np.arange(2, len(who) + 2),
            "before": before,
            "after": before + change + rng.normal(0, spread, len(who)),
        }
    )


SAID = {"measure": "ankle_dorsiflexion_lunge", "unit": "deg", "better": "higher"}
