"""Sessions compared with others that nobody drew: stiffness calibrated, both brackets, practitioners and sites."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from toolkit.comparing.simulated_protocols import ProtocolDials, simulate_protocols
from toolkit.effect import many_sessions
from toolkit.effect.comparison import Compared, find_comparison
from toolkit.effect.estimate import Attributable, estimate, model_behind, sessions_of
from toolkit.effect.not_drawn import adjust_not_drawn, first_fit, within_contrast
from toolkit.effect.one_left_out import of_rows, one_left_out
from toolkit.errors import NotEnoughError

STIFF = ProtocolDials(choice="stiffness", share=0.9)


def rows_of(dials: ProtocolDials, seed: int) -> pd.DataFrame:
    return simulate_protocols(dials, rng=seed).assign(order="", side_drawn="", date=pd.NaT)


def compared_of(rows: pd.DataFrame, **more: object) -> Compared:
    asked = {"measure": "ankle_dorsiflexion_lunge", "region": "soleus", "better": "higher"} | more
    found = find_comparison(rows, intervention="long_hold", comparison="short_hold", **asked)
    assert found is not None
    return found


def found_in(dials: ProtocolDials, seed: int) -> Attributable:
    return estimate(compared_of(rows_of(dials, seed)))


def test_a_choice_by_stiffness_makes_no_difference_where_there_is_none():
    found = [found_in(STIFF, seed) for seed in range(40)]
    claims = sum(one.ci_low > 0 or one.ci_high < 0 for one in found)
    assert claims <= 5  # 5 % of 40 are 2; six or more would come in 1.4 % of such tests
    assert abs(np.mean([one.mean for one in found])) < 3 * 0.75 / np.sqrt(40)


def test_what_a_colleague_would_adjust_makes_a_difference_out_of_reading_error():
    # the same clinics, the change score adjusted for the reading it starts from: statsmodels' mixed model
    rows = pd.concat([rows_of(STIFF, seed).assign(client=lambda f, s=seed: f["client"] + str(s)) for seed in range(6)])
    frame = rows.assign(y=rows["after"] - rows["before"], a=(rows["intervention"] == "long_hold").astype(float))
    usual = smf.mixedlm("y ~ a + before", frame, groups=frame["client"]).fit()
    assert usual.params["a"] < -2
    assert usual.pvalues["a"] < 1e-6


def test_gains_that_grow_with_stiffness_are_not_taken_for_the_protocols():
    grow = ProtocolDials(choice="stiffness", share=0.9, gain_by_stiffness=0.25)
    means = [found_in(grow, seed).mean for seed in range(40)]
    assert abs(np.mean(means)) < 3 * 0.8 / np.sqrt(40)


def test_a_true_difference_is_found_where_the_choice_left_some_overlap():
    mild = ProtocolDials(choice="stiffness", share=0.7, effect=3.0, gain_by_stiffness=0.25)
    found = [found_in(mild, seed) for seed in range(20)]
    assert sum(one.ci_low > 0 for one in found) >= 17
    assert np.mean([one.mean for one in found]) == pytest.approx(3.0, abs=0.4)


def test_without_a_second_reading_the_interval_holds_both_brackets_and_needs_both():
    once = ProtocolDials(choice="stiffness", share=0.9, second_baseline=False)
    found = found_in(once, 1)
    change, adjusted = found.adjusted.ways
    assert (change.name, adjusted.name) == ("change score", "baseline-adjusted score")
    assert adjusted.p < 0.05
    assert found.p > 0.05
    limits = [way.interval(0.95) for way in (change, adjusted)]
    assert (found.ci_low, found.ci_high) == (min(low for low, _ in limits), max(high for _, high in limits))
    assert "together" in found.method


def test_the_change_score_is_that_of_statsmodels():
    rows = rows_of(ProtocolDials(choice="stiffness", share=0.7, second_baseline=False, n_practitioners=1), 2)
    frame = rows.assign(
        y=rows["after"] - rows["before"], a=(rows["intervention"] == "long_hold").astype(float), v=np.log(rows["visit"])
    )
    reference = smf.mixedlm("y ~ a + v", frame, groups=frame["client"]).fit(reml=True)
    ours = adjust_not_drawn(sessions_of(compared_of(rows).rows), second_baseline=False).ways[0]
    assert ours.value == pytest.approx(reference.params["a"], abs=1e-3)
    assert ours.se >= reference.bse["a"] * (1 - 1e-3)


def test_sessions_that_waited_first_are_left_out_in_both_arms():
    rows = rows_of(ProtocolDials(effect=1.0), 3)
    for name in ("long_hold", "short_hold"):
        waited = rows.index[rows["intervention"] == name][:10]
        spoilt = rows.copy()
        spoilt.loc[waited, "order"] = "wait_first"
        spoilt.loc[waited, "after"] += 50  # a rest came in between: whatever it did is not the protocol's
        assert estimate(compared_of(spoilt)).mean == pytest.approx(estimate(compared_of(rows.drop(waited))).mean)


def test_exchanging_the_two_turns_the_sign_and_nothing_else():
    rows = rows_of(ProtocolDials(effect=3.0), 4)
    one = estimate(compared_of(rows))
    swapped = rows.replace({"intervention": {"long_hold": "short_hold", "short_hold": "long_hold"}})
    other = estimate(compared_of(swapped))
    assert one.mean > 1
    assert (-other.mean, -other.ci_high, -other.ci_low) == pytest.approx((one.mean, one.ci_low, one.ci_high), abs=1e-6)


def test_a_measure_that_is_better_when_lower_is_turned_round():
    rows = rows_of(ProtocolDials(effect=3.0), 4)
    turned = rows.assign(**{phase: 100 - rows[phase] for phase in ("before", "before_2", "after")})
    found = estimate(compared_of(turned, better="lower"))
    assert found.mean == pytest.approx(estimate(compared_of(rows)).mean, abs=1e-6)


def test_untreated_sides_of_the_other_intervention_are_not_compared():
    rows = rows_of(ProtocolDials(effect=1.0), 5)
    other_side = rows.assign(measured_side="right", after=rows["after"] + 30)
    assert estimate(compared_of(pd.concat([rows, other_side]))).mean == pytest.approx(estimate(compared_of(rows)).mean)


def test_another_region_of_the_other_intervention_is_no_comparison():
    rows = rows_of(ProtocolDials(), 6)
    rows.loc[rows["intervention"] == "short_hold", "region"] = "gastrocnemius"
    asked = {"measure": "ankle_dorsiflexion_lunge", "region": "soleus", "better": "higher"}
    assert find_comparison(rows, intervention="long_hold", comparison="short_hold", **asked) is None


def test_a_protocol_that_goes_with_the_practitioner_cannot_be_told_from_her():
    rows = rows_of(ProtocolDials(), 7)
    tied = rows.assign(practitioner=np.where(rows["intervention"] == "long_hold", "P1", "P2"))
    with pytest.raises(NotEnoughError, match="no practitioner used both"):
        estimate(compared_of(tied))


def test_a_protocol_that_goes_with_the_site_cannot_be_told_from_it():
    rows = rows_of(ProtocolDials(), 7)
    tied = rows.assign(site=np.where(rows["intervention"] == "long_hold", "north", "south"))
    with pytest.raises(NotEnoughError, match="no site used both"):
        estimate(compared_of(tied))


def test_one_practitioner_alone_is_a_contrast_within():
    assert within_contrast(pd.DataFrame({"arm": [1.0, 0.0], "practitioner": ["P1", "P1"]}), "practitioner")


def test_sessions_read_once_before_are_left_out_where_the_others_were_read_twice_and_counted():
    rows = rows_of(ProtocolDials(), 8)
    rows.loc[rows.index[:20], "before_2"] = np.nan
    found = estimate(compared_of(rows))
    assert found.adjusted.n_left_out == 20
    assert "20 sessions read once before left out" in found.method


def test_a_hidden_gain_of_one_site_is_not_taken_for_the_protocols():
    # the north uses the long hold more and gains 4 deg more whatever is done
    north, south = (rows_of(ProtocolDials(choice="stiffness", share=0.5), seed) for seed in (20, 21))
    rng = np.random.default_rng(1)
    parts = []
    for name, rows, often in (("north", north, 0.8), ("south", south, 0.2)):
        first = rows["client"].drop_duplicates()
        long = dict(zip(first, rng.random(len(first)) < often, strict=True))
        got = rows["client"].map(long).to_numpy(dtype=bool)
        parts.append(
            rows.assign(
                site=name,
                client=name + rows["client"],
                practitioner=name + rows["practitioner"],
                session_id=name + rows["session_id"],
                intervention=np.where(got, "long_hold", "short_hold"),
                after=rows["after"] + (4.0 if name == "north" else 0.0),
            )
        )
    both = pd.concat(parts, ignore_index=True)
    assert estimate(compared_of(both)).ci_low < 0 < estimate(compared_of(both)).ci_high
    assert estimate(compared_of(both.drop(columns="site").assign(practitioner="P"))).ci_low > 0


def test_the_model_behind_the_number_is_the_one_it_was_read_from():
    compared = compared_of(rows_of(ProtocolDials(effect=2.0), 9))
    quoted = estimate(compared).adjusted.ways[0]
    behind = first_fit(sessions_of(compared.rows), second_baseline=True)
    assert behind.contrast("technique").value == pytest.approx(quoted.value, abs=1e-9)
    assert model_behind(compared).contrast("technique").value == pytest.approx(quoted.value, abs=1e-9)


def _jackknife_by_fits(frame, columns, ratio):
    """Each client left out in turn and the weighed least squares solved anew, as the definition has it."""
    y = frame["y"].to_numpy(dtype=float)
    code = pd.factorize(frame["client"])[0]
    n = np.bincount(code)
    share = (1 - 1 / np.sqrt(1 + ratio * n))[code]
    stack = np.column_stack([y, columns])
    stack -= share[:, None] * np.stack([(np.bincount(code, weights=one) / n)[code] for one in stack.T], axis=1)
    values = np.array([np.linalg.lstsq(stack[code != k, 1:], stack[code != k, 0])[0][0] for k in range(len(n))])
    return float(np.sqrt((len(n) - 1) / len(n) * np.sum((values - values.mean()) ** 2)))


@pytest.mark.parametrize("alone", [False, True])
def test_leaving_out_one_client_is_what_fits_without_each_of_them_say(alone):
    rng = np.random.default_rng(3)
    client = np.repeat(np.arange(30), rng.integers(1, 6, 30))
    site = client % 3
    if alone:
        site = np.where(client == 4, 3, site)  # the only client of her site: its column goes with her
    arm = (rng.random(len(client)) < 0.5).astype(float)
    frame = pd.DataFrame({"client": client, "y": arm + rng.normal(size=30)[client] + rng.normal(size=len(client))})
    columns = np.column_stack([arm, np.ones(len(arm)), *(site == k for k in range(1, site.max() + 1))])
    n = np.bincount(client)
    ratio = 0.7
    share = (1 - 1 / np.sqrt(1 + ratio * n))[client]
    stack = np.column_stack([columns, frame["y"]])
    stack -= share[:, None] * np.stack([(np.bincount(client, weights=one) / n)[client] for one in stack.T], axis=1)
    found = one_left_out(of_rows(stack, client), (stack.T @ stack)[None])
    assert found == pytest.approx(_jackknife_by_fits(frame, columns, ratio), rel=1e-9)


@pytest.mark.parametrize("second_baseline", [True, False])
def test_very_many_sessions_are_told_from_sums_as_from_rows(monkeypatch, second_baseline):
    rows = pd.concat(
        [
            rows_of(replace(STIFF, each_visit=True, second_baseline=second_baseline), seed).assign(site=f"s{seed}")
            for seed in range(2)
        ]
    )
    for name in ("client", "practitioner", "session_id"):
        rows[name] = rows["site"] + rows[name]
    compared = compared_of(rows)
    by_rows = adjust_not_drawn(sessions_of(compared.rows), second_baseline=second_baseline)
    monkeypatch.setattr(many_sessions, "MANY", 100)
    by_sums = estimate(compared).adjusted
    assert by_sums is not None
    assert by_sums.method == by_rows.method
    for one, other in zip(by_sums.ways, by_rows.ways, strict=True):
        assert (one.value, one.se, one.df) == pytest.approx((other.value, other.se, other.df), rel=1e-9)
    monkeypatch.setattr(many_sessions, "chosen_from_sums", None)  # the road by sums was taken
    with pytest.raises(TypeError):
        estimate(compared)
