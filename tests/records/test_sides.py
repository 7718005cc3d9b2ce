"""Sides that do not fit: flagged, never set aside."""

import numpy as np
import pandas as pd

from toolkit.records.records import Records, load_records


def flags(records: Records) -> str:
    return " | ".join(records.flags["what"])


def test_treating_one_side_and_measuring_only_the_other_is_flagged(wide: pd.DataFrame) -> None:
    sheet = wide.assign(
        measure="ankle_dorsiflexion_lunge", region="gastrocnemius", measured_side="right", before="30", before_2="31"
    )
    sheet["after"] = "35"
    records = load_records(sheet)
    assert records.source.rows_kept == 6
    assert "one side was treated and only the other measured" in flags(records)


def test_tissue_that_limits_the_opposite_side_is_known(wide: pd.DataFrame) -> None:
    # Tissue on the left limits side-bending to the right (general anatomy; the codebook's limits).
    bend = wide.assign(measure="cervical_lateral_flexion")
    what = "limits this movement to the opposite side, which was not measured"
    assert what in flags(load_records(bend))
    assert what not in flags(load_records(bend.assign(measured_side="right")))


def test_both_sides_measured_is_no_mismatch(wide: pd.DataFrame) -> None:
    sheet = pd.concat([wide, wide.assign(measured_side="right", before="50")]).assign(
        measure="cervical_lateral_flexion"
    )
    assert "was not measured" not in flags(load_records(sheet))


def test_a_missing_side_of_a_sided_measure_is_flagged(wide: pd.DataFrame) -> None:
    assert "name no measured side" in flags(load_records(wide.assign(measured_side="")))


def clinic(swap_from: int | None) -> pd.DataFrame:
    """Twenty clients with a lasting left-right difference, six visits each; sides exchanged from a visit on."""
    rng = np.random.default_rng(5)
    rows = []
    for client in range(20):
        lean = rng.normal(0, 8)
        for visit in range(6):
            for side, sign in (("left", 1), ("right", -1)):
                written = side
                if swap_from is not None and visit >= swap_from:
                    written = "right" if side == "left" else "left"
                reading = round(45 + sign * lean / 2 + rng.normal(0, 1))
                rows.append((f"K{client}", f"2026-0{visit + 1}-{client + 1:02d}", written, reading))
    frame = pd.DataFrame(rows, columns=["client", "date", "measured_side", "before"])
    return frame.assign(
        practitioner="P1",
        region="upper_trapezius",
        treated_side="both",
        intervention="percussive_release",
        measure="cervical_rotation",
        unit="deg",
        after=frame["before"] + 2,
    )


def test_swapped_halves_are_flagged() -> None:
    records = load_records(clinic(3))
    assert "left and right of cervical_rotation may have been swapped from 2026-0" in flags(records)


def test_a_steady_clinic_is_not_flagged() -> None:
    assert "swapped" not in flags(load_records(clinic(None)))
