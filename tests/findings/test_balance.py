"""Were the compared sessions alike: by hand, drawn and not drawn, and on few records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from toolkit.auditing import judge_question
from toolkit.effect.comparison import Compared
from toolkit.findings.balance import balance_parts, known_before, overlap_scores
from toolkit.records.records import load_records
from toolkit.simulate import ClinicDials, simulate_clinic


@pytest.fixture(scope="module")
def seen() -> pd.DataFrame:
    dials = ClinicDials(n_clients=30, design="comparison_sessions", effect=3.0, start="2024-01-08")
    return simulate_clinic(dials, rng=2).rows


def row_of(parts, name: str) -> dict:
    return next(row for row in parts["rows"] if row["characteristic"] == name)


def with_rows(judged, frame: pd.DataFrame, basis: str = "comparison_sessions"):
    return replace(judged, compared=Compared(basis=basis, rows=frame, against="sessions that were only measured"))


def compared_rows(base: list[float], arm: list[int], client: str, **more) -> pd.DataFrame:
    frame = pd.DataFrame({"client": list(client), "arm": np.array(arm, float), "base": base, "y": 1.0, "gap": 0.0})
    frame["session_id"] = [f"s{place}" for place in range(len(frame))]
    more = {"practitioner": "P1", "has_second": False, "blinded": "no", "date": pd.NaT, **more}
    return frame.assign(**more)


def test_the_difference_by_hand(seen, asked):
    # technique 10, 12, 14 (mean 12, SD 2), comparison 9, 11, 13 (mean 11, SD 2): 1 / √((4 + 4)/2) = 0.5
    # the formula: Austin (2009) Statistics in Medicine 28:3083-3107, equation for continuous characteristics
    frame = compared_rows([10, 12, 14, 9, 11, 13], [1, 1, 1, 0, 0, 0], "abcabc")
    parts = balance_parts(with_rows(judge_question(seen, asked), frame), seen)
    row = row_of(parts, "reading before")
    assert (row["technique"], row["comparison"]) == (12.0, 11.0)
    assert row["difference"] == pytest.approx(0.5)
    assert (row["n_clients"], row["n_technique"], row["n_comparison"]) == (3, 3, 3)


def test_a_share_by_hand(seen, asked):
    # 3 of 4 against 1 of 4: 0.5 / √(0.75 × 0.25) = 1.1547 (the same source, for shares)
    frame = compared_rows([1.0] * 8, [1] * 4 + [0] * 4, "abcdabcd", practitioner=list("PPPQPQQQ"))
    parts = balance_parts(with_rows(judge_question(seen, asked), frame), seen)
    assert abs(row_of(parts, "sessions by P")["difference"]) == pytest.approx(1.1547, abs=1e-4)


def test_a_drawn_order_differs_by_chance_and_says_so(rows, asked):
    parts = balance_parts(judge_question(rows, asked), rows)
    assert parts["drawn"]
    assert "differs by chance" in parts["says"]


def test_a_comparison_not_drawn_may_be_what_explains_the_result(seen, asked):
    parts = balance_parts(judge_question(seen, asked), load_records(seen).rows)
    assert not parts["drawn"]
    assert "was not drawn at random" in parts["says"]
    assert {"reading before", "weeks since the first visit", "visit number"} <= {
        row["characteristic"] for row in parts["rows"]
    }


def test_what_differs_clearly_is_named_with_its_size(seen, asked):
    judged = judge_question(seen, asked)
    frame = judged.compared.rows.assign(base=judged.compared.rows["base"] + 20 * judged.compared.rows["arm"])
    parts = balance_parts(with_rows(judged, frame), seen)
    assert "Clearly apart: " in parts["says"]
    assert f"reading before ({row_of(parts, 'reading before')['difference']:+.2f} SD)" in parts["says"]


def test_arms_without_a_common_value_are_wholly_apart_and_not_left_out(seen, asked):
    frame = compared_rows([5, 5, 5, 9, 9, 9], [1, 1, 1, 0, 0, 0], "abcabc")
    parts = balance_parts(with_rows(judge_question(seen, asked), frame), seen)
    assert np.isnan(row_of(parts, "reading before")["difference"])
    assert "reading before (wholly apart)" in parts["says"]


def test_a_fall_that_is_better_shows_the_readings_as_they_were(seen, asked):
    judged = judge_question(seen, asked)
    known, _ = known_before(judged.compared, seen, unit="deg", better="higher")
    turned, _ = known_before(
        replace(judged.compared, rows=judged.compared.rows.assign(base=-judged.compared.rows["base"])),
        seen,
        unit="deg",
        better="lower",
    )
    assert turned["reading before"].to_numpy() == pytest.approx(known["reading before"].to_numpy())


def test_what_came_after_the_draw_is_not_put_down_to_chance(rows, asked):
    judged = judge_question(rows, asked)
    waited = judged.compared.rows["arm"] == 0
    gone = judged.compared.rows.assign(y=judged.compared.rows["y"].mask(waited & (judged.compared.rows.index % 2 == 0)))
    parts = balance_parts(replace(judged, compared=replace(judged.compared, rows=gone)), rows)
    assert "no reading after" in parts["says"]
    assert "need not be chance" in parts["says"]


def test_few_clients_cannot_rule_out_a_difference(seen, asked):
    few = seen[seen["client"].isin(sorted(seen["client"].unique())[:5])]
    says = balance_parts(judge_question(few, asked), few)["says"]
    assert "cannot rule out a difference" in says or "Clearly apart" in says


def test_nothing_compared_has_no_balance(rows, asked):
    assert balance_parts(judge_question(rows.assign(order=""), asked), rows) is None


def test_intervals_hold_the_truth_about_as_often_as_they_say(seen, asked):
    # 60 clinics without a difference, 24 clients with 4 sessions each; 95 % promised, 99.9 % of a binomial: 10 misses
    judged, missed = judge_question(seen, asked), 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        client = np.repeat(np.arange(24), 4)
        base = rng.normal(0, 3, 24)[client] + rng.normal(0, 2, len(client))
        frame = compared_rows(list(base), list(rng.integers(0, 2, len(client))), "a" * len(client))
        frame["client"] = client.astype(str)
        row = row_of(balance_parts(with_rows(judged, frame), seen), "reading before")
        missed += not row["ci_low"] <= 0 <= row["ci_high"]
    assert missed <= 10


def test_scores_of_alike_sessions_overlap_and_of_others_do_not(seen, asked):
    alike = compared_rows(list(np.tile([10.0, 12, 14, 16], 4)), [1] * 8 + [0] * 8, "abcdefgh" * 2)
    apart = alike.assign(base=alike["base"] + 40 * alike["arm"])
    spread = {}
    for name, frame in (("alike", alike), ("apart", apart)):
        compared = Compared(basis="comparison_sessions", rows=frame, against="sessions that were only measured")
        known, units = known_before(compared, seen, unit="deg", better="higher")
        scores = overlap_scores(known, list(units))
        means = scores.groupby("group")["score"].mean()
        spread[name] = means["comparison"] - means["technique"]
    assert abs(spread["alike"]) < 0.05
    assert spread["apart"] > 0.5
