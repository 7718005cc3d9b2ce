"""A handful of clients never gives an answer without a number or a reason."""

import numpy as np

from toolkit import audit
from toolkit.simulate import ClinicDials, simulate_clinic


def test_no_silent_gap_where_the_adjustment_outweighs_the_variance():
    rows = simulate_clinic(ClinicDials(n_clients=3, visits=2.0, start="2024-01-08"), rng=1).rows
    asked = {"measure": "cervical_lateral_flexion", "region": "upper_trapezius", "intervention": "percussive_release"}
    model = audit(rows, question=asked).to_dict()["by_region_and_intervention"]
    assert model["rows"] or model["model"]["not_fitted"]
    assert all(np.isfinite([row["ci_low"], row["ci_high"]]).all() for row in model["rows"])
