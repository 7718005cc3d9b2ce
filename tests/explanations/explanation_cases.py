"""Cases for the explanations: from a simulated clinic, and from a few rows written by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from toolkit.effect.comparison import find_comparison, technique_rows
from toolkit.effect.estimate import bounded, estimate
from toolkit.errors import FitError, NotEnoughError
from toolkit.explanations.case import Case
from toolkit.simulate import ClinicDials, simulate_clinic


def case_from(rows: pd.DataFrame, dials: ClinicDials, **also: Any) -> Case:
    """The case of a clinic's question; `also` sets further fields."""
    rows = rows if "comfort" in rows else rows.assign(comfort=np.nan)
    asked = {"measure": dials.measure, "region": dials.region, "intervention": dials.intervention}
    technique = technique_rows(rows, **asked)
    compared = find_comparison(rows, **asked, better=dials.better)
    complete = filled = None
    if compared is not None:
        try:
            complete = estimate(compared, n_draws=199)
            filled = bounded(compared, complete, n_draws=199)
        except (NotEnoughError, FitError):
            complete = filled = None
    case = Case(
        rows=rows,
        technique=technique[technique["measured_side"] == technique["treated_side"]],
        measure=dials.measure,
        unit=dials.unit,
        better=dials.better,
        compared=compared,
        complete=complete,
        attributable=filled,
        sem=dials.sem,
        sem_source="known",
        allowance=0.0,
        blinded_share=None,
    )
    return replace(case, **also)


def case_of_clinic(seed: int, case: dict[str, Any] | None = None, **dials: Any) -> Case:
    """The case of one simulated clinic."""
    chosen = ClinicDials(**dials)
    return case_from(simulate_clinic(chosen, rng=seed).rows, chosen, **(case or {}))


def written(
    before: list[float], after: list[float], client: list[str], *, better: str = "higher", **columns: Any
) -> Case:
    """A case of rows written by hand, with nothing to compare with."""
    n = len(before)
    frame = pd.DataFrame(
        {
            "session_id": [f"s{i}" for i in range(n)],
            "client": client,
            "practitioner": "p1",
            "date": pd.Timestamp("2026-01-05") + pd.to_timedelta(np.arange(n), unit="D"),
            "region": "calf",
            "treated_side": "left",
            "measured_side": "left",
            "intervention": "pressing",
            "order": "",
            "measure": "ankle",
            "before": before,
            "before_2": np.nan,
            "after_wait": np.nan,
            "after": after,
            "examiner": "e1",
            "examiner_blinded": "unknown",
            "side_drawn": "",
            "comfort": np.nan,
        }
    ).assign(**columns)
    dials = ClinicDials(measure="ankle", region="calf", intervention="pressing", better=better)
    return case_from(frame, dials, sem=None)
