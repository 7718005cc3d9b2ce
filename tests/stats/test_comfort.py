"""Comfort beside outcome: within clients, between clients, and the four groups."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.comfort import comfort_against_outcome, repeated_measures_correlation

SAID = {"measure": "lunge", "unit": "deg", "better": "higher"}


def _sessions(seed: int, n: int, visits: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    who = np.repeat(np.arange(n), visits)
    comfort = np.clip(6 + rng.normal(0, 1.5, n)[who] + rng.normal(0, 1, len(who)), 0, 10)
    before = rng.normal(30, 5, len(who))
    return pd.DataFrame(
        {
            "client": who,
            "session_id": np.arange(len(who)),
            "comfort": comfort,
            "before": before,
            "after": before + 2 + 0.8 * comfort + rng.normal(0, 2, len(who)),
        }
    )


@pytest.mark.filterwarnings("ignore")  # pandas 3.1 deprecations inside pingouin 0.7
def test_the_correlation_within_clients_is_pingouin_s() -> None:
    import pingouin

    rows = _sessions(1, 12, 4).assign(change=lambda frame: frame["after"] - frame["before"])
    found = repeated_measures_correlation(rows, client="client", x="comfort", y="change")
    theirs = pingouin.rm_corr(data=rows, x="comfort", y="change", subject="client").iloc[0]
    assert (found.value, found.df, found.p) == pytest.approx((theirs["r"], theirs["dof"], theirs["pval"]), rel=1e-6)
    assert [round(found.ci_low, 2), round(found.ci_high, 2)] == pytest.approx(list(theirs["CI95"]), abs=0.0051)


def test_differences_between_clients_do_not_enter_the_correlation_within() -> None:
    rows = _sessions(2, 8, 3).assign(change=lambda frame: frame["after"] - frame["before"])
    moved = rows.assign(change=rows["change"] + 50 * rows["client"])
    one, other = (
        repeated_measures_correlation(each, client="client", x="comfort", y="change").value for each in (rows, moved)
    )
    assert one == pytest.approx(other)


def test_comfortable_clients_who_did_not_move_are_counted() -> None:
    rows = pd.DataFrame(
        {"client": list("ABCDE"), "comfort": [9, 8, 9, 3, 2], "before": 30.0, "after": [31, 40, 30, 39, 30]}
    )
    shares = comfort_against_outcome(rows, moved_from=5, **SAID).shares
    assert {name: share.value for name, share in shares.items()} == {
        "comfortable and moved": 0.2,
        "comfortable and did not move": 0.4,
        "not comfortable and moved": 0.2,
        "not comfortable and did not move": 0.2,
    }


def test_rows_without_a_comfort_or_a_reading_are_counted() -> None:
    rows = _sessions(3, 6, 2)
    rows.loc[0, "comfort"] = np.nan
    rows.loc[5, "after"] = np.nan
    assert comfort_against_outcome(rows, moved_from=5, **SAID).n_missing == 2


def test_clients_who_come_once_leave_the_correlation_within_out_and_say_why() -> None:
    found = comfort_against_outcome(_sessions(4, 6, 1), moved_from=5, **SAID)
    assert found.within is None
    assert "two or more occasions" in found.notes[0]
    assert found.between is not None
    assert len(found.table()) == 5


def test_comfort_is_no_evidence_says_the_sentence() -> None:
    assert (
        "no evidence that a reading moved"
        in comfort_against_outcome(_sessions(4, 6, 2), moved_from=5, **SAID).sentence()
    )


def test_a_comfort_beyond_ten_is_refused() -> None:
    with pytest.raises(ToolkitError, match="comfort outside 0 to 10"):
        comfort_against_outcome(_sessions(4, 6, 1).assign(comfort=11), moved_from=5, **SAID)


def test_no_comfort_at_all_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="no row holds a comfort"):
        comfort_against_outcome(_sessions(4, 6, 1).assign(comfort=np.nan), moved_from=5, **SAID)


def test_a_comfort_that_never_varies_within_clients_is_refused() -> None:
    rows = _sessions(5, 6, 3).assign(comfort=8.0, change=1.0)
    with pytest.raises(NotEnoughError, match="one of the two never varies"):
        repeated_measures_correlation(rows, client="client", x="comfort", y="change")
