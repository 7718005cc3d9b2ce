"""Records of simulated clinics, and the questions asked of them."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from toolkit.records.account import Records
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic

ASKED: dict[str, Any] = {
    "measure": "cervical_lateral_flexion",
    "region": "upper_trapezius",
    "intervention": "percussive_release",
    "smallest_change_that_matters": 3.0,
    "unit": "deg",
}


@pytest.fixture(scope="session")
def asked() -> dict[str, Any]:
    return dict(ASKED)


@pytest.fixture(scope="session")
def rows() -> pd.DataFrame:
    return simulate_clinic(ClinicDials(n_clients=30, effect=4.0, start="2024-01-08"), rng=1).rows


@pytest.fixture(scope="session")
def records(rows: pd.DataFrame) -> Records:
    return load_records(rows)
