"""Whatever few rows come in, no explanation and no step ever shows a number that is none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from explanation_cases import case_from, case_of_clinic
from hypothesis import given, settings
from hypothesis import strategies as st

from toolkit.explanations.adjustment_steps import adjustment_steps
from toolkit.explanations.all_explanations import EXPLANATIONS, explanations_of
from toolkit.explanations.case import Case
from toolkit.simulate import ClinicDials

reading = st.one_of(st.none(), st.integers(0, 60), st.sampled_from([0.0, 1.0, 35.0]))
row = st.fixed_dictionaries(
    {
        "client": st.sampled_from(["1", "2", "3", "x"]),
        "practitioner": st.sampled_from(["p", "q"]),
        "order": st.sampled_from(["", "technique_first", "wait_first"]),
        "intervention": st.sampled_from(["pressing", "pressing", "measured_only"]),
        "measured_side": st.sampled_from(["left", "right"]),
        "examiner": st.sampled_from(["", "e", "f"]),
        "examiner_blinded": st.sampled_from(["yes", "no", "unknown"]),
        "before": reading,
        "before_2": reading,
        "after_wait": reading,
        "after": reading,
        "comfort": st.one_of(st.none(), st.integers(0, 10)),
    }
)
DIALS = ClinicDials(measure="ankle", region="calf", intervention="pressing")


def frame_of(rows: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(row.wrapped_strategy.mapping) if not rows else None)
    for name in ("before", "before_2", "after_wait", "after", "comfort"):
        frame[name] = frame[name].astype(float)
    days = pd.to_timedelta(np.arange(len(frame)), unit="D")
    return frame.assign(
        session_id=[f"s{i}" for i in range(len(frame))],
        date=pd.Timestamp("2026-01-05") + days,
        region="calf",
        treated_side="left",
        measure="ankle",
        side_drawn="",
    )


def assert_every_number_is_one(case: Case) -> None:
    for explanation in explanations_of(case):
        assert explanation.says
        assert "nan" not in explanation.says.split()
        assert "inf" not in explanation.says.split()
        if explanation.size is not None:
            assert all(
                math.isfinite(v) for v in (explanation.size.value, explanation.size.ci_low, explanation.size.ci_high)
            ), explanation
            assert explanation.size.unit
            assert explanation.size.method
            assert explanation.size.n > 0
        elif explanation.status in ("open", "bounded", "adjusted"):
            assert explanation.what_would_close_it
    for step in adjustment_steps(case):
        shown = [v for v in (step.estimate, step.ci_low, step.ci_high) if v is not None]
        assert all(math.isfinite(v) for v in shown), step


@settings(max_examples=25)
@given(st.lists(row, min_size=0, max_size=14), st.sampled_from(["higher", "lower"]))
def test_a_few_rows_give_numbers_or_words(rows, better):
    case = case_from(frame_of(rows) if rows else case_of_clinic(1).rows.iloc[:0], replace(DIALS, better=better))
    assert_every_number_is_one(case)


@pytest.mark.parametrize("design", ["order_drawn", "side_drawn", "comparison_sessions", "other_side", "none"])
@pytest.mark.parametrize("second", [True, False])
def test_no_explanation_is_silent_in_any_design(design, second):
    case = case_of_clinic(1, design=design, second_baseline=second, not_written=0.3, n_clients=30, blinded_share=0.5)
    assert_every_number_is_one(replace(case, allowance=1.0))
    assert [explanation.explanation for explanation in explanations_of(case)] == [
        each(case).explanation for each in EXPLANATIONS
    ]


def test_columns_of_categories_change_nothing():
    case = case_of_clinic(1, n_clients=20, not_written=0.3, blinded_share=0.5)
    names = ["client", "practitioner", "session_id", "examiner", "examiner_blinded", "order", "measured_side"]
    as_categories = case.rows.astype(dict.fromkeys(names, "category"))
    other = case_from(as_categories, ClinicDials(n_clients=20))
    assert [explanation.says for explanation in explanations_of(other)] == [
        explanation.says for explanation in explanations_of(case)
    ]


@pytest.mark.parametrize("same", ["before", "all"])
def test_constant_readings_give_words(same):
    case = case_of_clinic(1, n_clients=20)
    flat = {"before": {"before": 30.0}, "all": dict.fromkeys(("before", "before_2", "after", "after_wait"), 30.0)}[same]
    assert_every_number_is_one(case_from(case.rows.assign(**flat), ClinicDials()))


def test_readings_never_taken_give_words():
    rows = case_of_clinic(1, n_clients=20).rows.assign(after=np.nan, after_wait=np.nan)
    assert_every_number_is_one(case_from(rows, ClinicDials()))


def test_signs_give_numbers():
    rows = case_of_clinic(1, n_clients=40).rows
    signs = {
        name: (rows[name] > 35).where(rows[name].notna()).astype(float) for name in ("before", "before_2", "after")
    }
    signs["after_wait"] = (rows["after_wait"] > 35).where(rows["after_wait"].notna()).astype(float)
    assert_every_number_is_one(case_from(rows.assign(**signs), ClinicDials(unit="yes_no")))
