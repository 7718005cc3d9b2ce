"""Responders: clients not rows, a threshold for a mean of sessions, and what error alone would show."""

import numpy as np
import pandas as pd
import pytest
from clinic import SAID, clinic
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.beyond_error import Responders, responders

SEM = 2.0
MDC95 = 1.959964 * np.sqrt(2) * SEM


def _judged(rows: pd.DataFrame, **more: object) -> Responders:
    return responders(rows, threshold=MDC95, threshold_source="own records", **{**SAID, **more})


def _rows(changes: dict[str, list[float]]) -> pd.DataFrame:
    flat = [(name, change) for name, all_of in changes.items() for change in all_of]
    return pd.DataFrame({"client": [name for name, _ in flat], "session_id": range(len(flat)), "before": 30.0}).assign(
        after=[30.0 + change for _, change in flat]
    )


def test_the_mean_of_four_sessions_is_judged_against_half_the_threshold() -> None:
    found = _judged(_rows({"A": [3.0], "B": [3.0] * 4, "C": [2.0] * 4, "D": [6.0]}))
    assert found.clients.set_index("client")["beyond_error"].to_dict() == {
        "A": False, "B": True, "C": False, "D": True,
    }  # fmt: skip


def test_a_client_of_many_rows_is_one_client() -> None:
    found = _judged(_rows({"A": [9.0] * 40, "B": [0.0], "C": [0.0], "D": [0.0]}))
    assert (found.beyond_error.value, found.beyond_error.n) == (0.25, 4)


def test_a_fall_beyond_error_counts_as_worse() -> None:
    found = _judged(_rows({"A": [-9.0], "B": [0.0]}))
    assert (found.beyond_error.value, found.worse.value) == (0.0, 0.5)


def test_what_matters_is_reached_at_its_own_size_and_error_only_beyond() -> None:
    found = _judged(
        _rows({"A": [MDC95], "B": [6.0], "C": [5.6], "D": [0.0]}),
        smallest_change_that_matters=6.0,
        smallest_change_source="a citation",
    )
    assert found.beyond_error.value == 0.5
    assert (found.beyond_mic.value, found.both.value) == (0.25, 0.25)


def test_error_alone_shows_two_and_a_half_percent_whatever_the_sessions() -> None:
    found = _judged(clinic(1, 12, visits=5), sem=SEM)
    assert found.expected["beyond_error"] == pytest.approx(0.025, abs=1e-4)


def test_the_expected_shares_are_what_simulation_gives() -> None:
    rng = np.random.default_rng(11)
    who = np.repeat(np.arange(20_000), 3)
    rows = pd.DataFrame(
        {
            "client": who,
            "session_id": np.arange(len(who)),
            "before": 30 + rng.normal(0, SEM, len(who)),
            "after": 30 + rng.normal(0, SEM, len(who)),
        }
    )
    found = _judged(rows, sem=SEM, smallest_change_that_matters=2.0)
    for kind, share in (("beyond_error", found.beyond_error), ("worse", found.worse), ("beyond_mic", found.beyond_mic)):
        seen = round(share.value * 20_000)
        assert stats.binomtest(seen, 20_000, found.expected[kind]).pvalue > 0.001


def test_a_missing_sem_takes_the_threshold_for_an_mdc95() -> None:
    rows = clinic(1, 12)
    assert _judged(rows).expected["beyond_error"] == pytest.approx(
        _judged(rows, sem=SEM).expected["beyond_error"], abs=1e-6
    )


def test_nobody_beyond_error_still_has_an_upper_limit() -> None:
    found = _judged(_rows({name: [0.5] for name in "ABCDEFGHIJ"}))
    assert found.beyond_error.value == 0.0
    assert found.beyond_error.ci_high == pytest.approx(0.2775, abs=1e-4)  # Wilson, 0 of 10: Newcombe (1998) Table I


def test_the_sentence_sets_chance_and_the_worse_beside_it_and_claims_no_cause() -> None:
    said = _judged(clinic(1, 12)).sentence()
    assert "error alone would show 2.5 %" in said
    assert "got worse by as much" in said
    assert "does not mean because of the treatment" in said


def test_the_table_has_the_expected_share_in_every_row() -> None:
    table = _judged(clinic(1, 12), smallest_change_that_matters=4.0).table()
    assert len(table) == 4
    assert table["expected_if_nothing_happened"].between(0, 1).all()


@pytest.mark.parametrize("wrong", [0.0, -2.0, np.nan])
def test_a_threshold_that_is_no_size_is_refused(wrong: float) -> None:
    with pytest.raises(ToolkitError, match=r"threshold is .* give a size above 0"):
        responders(clinic(1, 5), threshold=wrong, threshold_source="x", **SAID)


def test_no_pair_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="holds both"):
        _judged(clinic(1, 5).assign(after=np.nan))
