"""Two protocols compared: known differences, chosen allocations evened out, and refusals in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st

from toolkit.comparing.allocation import allocation, scores, standardised
from toolkit.comparing.compare import compare_protocols, e_values
from toolkit.comparing.ways_of_counting import adjusted_difference, plain_difference, weighted_and_robust
from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks.protocol_page import protocol_page
from toolkit.result import Estimate

ASKED = {"measure": "lunge", "unit": "deg", "better": "higher", "protocol_a": "long", "protocol_b": "short"}


def clinic(
    seed: int, *, n: int = 240, difference: float = 2.0, chosen: float = 0.0, drift: float = 0.0, client_sd: float = 0.5
) -> pd.DataFrame:
    """Sessions of 60 clients. `chosen`: stiff sides get the long way more often; `drift`: they gain by themselves."""
    rng = np.random.default_rng(seed)
    client = rng.integers(0, 60, n)
    stiff = rng.normal(0, 1, n)
    got_a = rng.random(n) < 1 / (1 + np.exp(-chosen * stiff))
    before = 35 - 4 * stiff + rng.normal(0, 1, n)
    gain = 1 + drift * stiff + difference * got_a + rng.normal(0, client_sd, 60)[client] + rng.normal(0, 2, n)
    return pd.DataFrame(
        {
            "session_id": [f"s{k}" for k in range(n)],
            "client": [f"c{k}" for k in client],
            "practitioner": np.where(client % 3 == 0, "p1", "p2"),
            "visit": 1 + np.arange(n) % 5,
            "date": pd.NaT,
            "region": "calf",
            "intervention": np.where(got_a, "long", "short"),
            "measure": "lunge",
            "order": "",
            "examiner_blinded": "yes",
            "before": before,
            "before_2": np.nan,
            "after": before + gain,
        }
    )


def test_a_known_difference_is_found_by_all_four_ways():
    found = compare_protocols(clinic(1), **ASKED, drawn="drawn")
    assert [one.ci_low < 2 < one.ci_high for one in found.estimates] == [True] * 4


def test_a_word_that_is_neither_drawn_nor_chosen_is_refused():
    with pytest.raises(ToolkitError, match="write 'drawn' where chance decided"):
        compare_protocols(clinic(1), **ASKED, drawn="random")


def test_the_adjusted_difference_is_that_of_statsmodels():
    rows = clinic(2, client_sd=2.0).assign(practitioner="p")
    frame = rows.assign(y=rows["after"] - rows["before"], a=(rows["intervention"] == "long").astype(float))
    reference = smf.mixedlm("y ~ a + before", frame, groups=frame["client"]).fit(reml=True)
    assert compare_protocols(rows, **ASKED).adjusted.value == pytest.approx(reference.params["a"], abs=1e-3)


def test_where_stiff_sides_get_one_protocol_the_plain_difference_misleads_and_the_others_do_not():
    found = [compare_protocols(clinic(s, chosen=1.0, drift=1.5, n=400), **ASKED) for s in range(12)]
    means = np.mean([[one.value for one in each.estimates] for each in found], axis=0)
    assert means[0] > 2.8
    assert means[1:] == pytest.approx([2.0] * 3, abs=0.45)


def test_weights_make_what_was_known_before_alike():
    balance = compare_protocols(clinic(3, chosen=1.0), **ASKED).allocation.balance.set_index("characteristic")
    assert abs(balance.loc["reading before", "difference"]) > 0.5
    assert abs(balance.loc["reading before", "adjusted_difference"]) < 0.1


@given(seed=st.integers(0, 1000))
def test_scores_are_chances_even_where_the_choice_is_clear_cut(seed):
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1, 30)
    got = scores(standardised(pd.DataFrame({"x": x})), (x > 0).astype(float))
    assert np.isfinite(got).all()
    assert ((got > 0) & (got < 1)).all()


def test_with_nothing_known_all_weights_are_alike():
    got = allocation(pd.DataFrame(index=range(6)), np.array([1.0, 1, 1, 0, 0, 0]))
    assert np.ptp(got.weight) == pytest.approx(0, abs=1e-9)
    assert got.effective_n == pytest.approx((3, 3))


def test_the_e_value_is_that_of_the_published_formula():
    # VanderWeele & Ding (2017): E = RR + sqrt(RR (RR − 1)), RR = exp(0.91 d).
    # d = 0.5 by hand: RR = exp(0.455) = 1.57617, RR (RR − 1) = 0.90815, its root 0.95297, E = 2.52914.
    one = Estimate(name="x", value=0.5, ci_low=-0.1, ci_high=1.1, unit="deg", n=9, method="t")
    whole, near = e_values(one, sd=1.0)
    assert whole == pytest.approx(2.52914, abs=2e-5)
    assert near == 1.0


def test_one_practitioner_is_left_out_at_a_time():
    without = compare_protocols(clinic(4), **ASKED).without_practitioner
    assert without["left_out"].tolist() == ["p1", "p2"]


def test_chosen_protocols_are_never_said_to_do_better():
    chosen, drawn = (compare_protocols(clinic(5, difference=3.0), **ASKED, drawn=how) for how in ("chosen", "drawn"))
    assert "did better" in drawn.sentence()
    assert "did better" not in chosen.sentence()
    assert "chosen, not drawn" in chosen.sentence()


def test_two_that_do_alike_are_said_to_do_alike():
    found = compare_protocols(clinic(6, difference=0.0), **ASKED, drawn="drawn", smallest_change_that_matters=3.0)
    assert "do not differ by as much as matters" in found.sentence()


def test_too_few_sessions_of_one_protocol_are_counted_in_the_refusal():
    rows = clinic(7)
    few = pd.concat([rows[rows["intervention"] == "long"].head(3), rows[rows["intervention"] == "short"]])
    with pytest.raises(NotEnoughError, match="long has 3 sessions of 3 clients"):
        compare_protocols(few, **ASKED)


def test_a_protocol_that_is_not_there_is_named():
    with pytest.raises(NotEnoughError, match="0 with wobble"):
        compare_protocols(clinic(8), **{**ASKED, "protocol_b": "wobble"})


def test_the_page_says_what_the_result_says_and_no_markup_from_the_data():
    rows = clinic(9).replace({"intervention": {"short": "<b>short"}})
    found = compare_protocols(rows, **{**ASKED, "protocol_b": "<b>short"})
    page = protocol_page(found, about="records", cautions=["Follow local codes."])
    assert "<b>short" not in page
    assert page.count("<table") == 3
    assert "Follow local codes." in page


def test_intervals_of_the_adjusted_difference_hold_their_level():
    # 95 % intervals over 150 clinics: at least 132 must cover (binomial, 0.1 % error).
    hits = 0
    for seed in range(150):
        rows = clinic(100 + seed, n=80)
        got_a = (rows["intervention"] == "long").astype(float)
        frame = rows.assign(got_a=got_a, y=rows["after"] - rows["before"], base=rows["before"])
        found = adjusted_difference(frame, unit="deg", confidence_level=0.95)
        hits += found.ci_low < 2 < found.ci_high
    assert hits >= 132


def test_the_plain_difference_by_hand():
    # client means 1, 2, 3 under one way and 0, 0, 3 under the other: 2 − 1 = 1; squares about them 2 and 6, six clients
    sessions = pd.DataFrame({"client": list("aabcdef"), "got_a": [1, 1, 1, 1, 0, 0, 0], "y": [0.0, 2, 2, 3, 0, 0, 3]})
    found = plain_difference(sessions.assign(got_a=sessions["got_a"].astype(float)), unit="deg", confidence_level=0.95)
    assert (found.value, found.se) == pytest.approx((1.0, np.sqrt(6 / 5 * 8 / 9)))


def test_where_nothing_was_chosen_weighting_changes_nothing():
    known = pd.DataFrame({"before": [30.0, 32, 34, 36] * 4})
    got_a = np.repeat([1.0, 0.0], 8)
    sessions = pd.DataFrame({"client": [f"c{k}" for k in range(16)], "got_a": got_a, "y": np.arange(16.0)})
    weighted, robust = weighted_and_robust(sessions, known, unit="deg", confidence_level=0.95)
    assert (weighted.value, robust.value) == pytest.approx((3.5 - 11.5, 3.5 - 11.5))
