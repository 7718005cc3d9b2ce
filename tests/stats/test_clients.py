"""From rows to clients: nobody counts twice, nothing is dropped in silence."""

import numpy as np
import pandas as pd
import pytest
from clinic import clinic
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.clients import client_share, clients_change, complete_pairs, design_effect, design_effect_of


def test_a_client_s_rows_are_averaged() -> None:
    rows = pd.DataFrame({"client": ["A", "A", "B"], "before": [30, 32, 40], "after": [34, 38, 41]})
    found = clients_change(rows).set_index("client")
    assert found["change"].to_dict() == {"A": 5.0, "B": 1.0}
    assert found["n_rows"].to_dict() == {"A": 2, "B": 1}


def test_a_lower_reading_counts_as_better_where_lower_is_better() -> None:
    rows = pd.DataFrame({"client": ["A"], "before": [7], "after": [4]})
    assert clients_change(rows, better="lower")["change"].tolist() == [3.0]


def test_two_sides_of_one_session_are_one_session() -> None:
    rows = pd.DataFrame(
        {"client": ["A", "A", "A"], "session_id": ["s1", "s1", "s2"], "before": [1, 2, 3], "after": [2, 3, 4]}
    )
    found = clients_change(rows)
    assert (found["n_rows"].item(), found["n_sessions"].item()) == (3, 2)


def test_the_same_session_name_at_two_clients_is_two_sessions() -> None:
    rows = pd.DataFrame({"client": ["A", "B"], "session_id": ["1", "1"], "before": [1, 2], "after": [2, 3]})
    assert clients_change(rows)["n_sessions"].tolist() == [1, 1]


def test_rows_lacking_a_reading_are_counted() -> None:
    rows = clinic(1, 6)
    rows.loc[2, "after"] = np.nan
    rows.loc[4, "before"] = np.nan
    pairs = complete_pairs(rows)
    assert (pairs.n_rows, pairs.n_complete, pairs.n_missing) == (6, 4, 2)


@given(seed=st.integers(0, 10_000), n=st.integers(2, 12), visits=st.integers(1, 4))
def test_the_order_of_rows_does_not_matter(seed: int, n: int, visits: int) -> None:
    rows = clinic(seed, n, visits=visits)
    shuffled = rows.sample(frac=1, random_state=seed)
    pd.testing.assert_frame_equal(clients_change(rows), clients_change(shuffled), rtol=1e-12)


def test_the_client_share_is_the_one_way_icc_of_scipy_s_anova() -> None:
    rng = np.random.default_rng(3)
    rows = clinic(3, 12, visits=4)
    rows["after"] += np.repeat(rng.normal(0, 5, 12), 4)
    changes = (rows["after"] - rows["before"]).to_numpy().reshape(12, 4)
    f = stats.f_oneway(*changes).statistic
    assert client_share(complete_pairs(rows)) == pytest.approx((f - 1) / (f + 3))


def test_the_design_effect_is_that_of_equal_clusters() -> None:
    pairs = complete_pairs(clinic(3, 12, visits=4))
    assert design_effect_of(pairs) == pytest.approx(design_effect(rows_per_client=4, icc=client_share(pairs)))


def test_clients_who_come_once_have_no_design_effect() -> None:
    assert design_effect_of(complete_pairs(clinic(1, 9))) == 1.0


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (
            {"client": ["A"], "before": ["34°"], "after": [36]},
            r"'before' holds something that is not a number .* row 1",
        ),
        ({"client": ["A"], "before": [np.inf], "after": [36]}, "'before' holds something that is not a number"),
        ({"client": [None], "before": [34], "after": [36]}, r"client is empty in 1 row\(s\), first in row 1"),
        ({"before": [34], "after": [36]}, "no column 'client'"),
        ({"client": ["A"], "after": [36]}, "no column 'before'.*The columns are: client, after"),
    ],
)
def test_a_wrong_column_is_named_with_its_row(wrong: dict[str, list[object]], said: str) -> None:
    with pytest.raises(ToolkitError, match=said):
        clients_change(pd.DataFrame(wrong))


def test_the_spreadsheet_s_own_row_number_is_used() -> None:
    rows = clinic(1, 3).astype({"before": object})
    rows.loc[1, "before"] = "about 30"
    with pytest.raises(ToolkitError, match="row 3") as caught:
        clients_change(rows)
    assert "about 30" not in str(caught.value)


def test_no_pair_at_all_is_refused_with_what_to_do() -> None:
    rows = clinic(1, 3).assign(after=np.nan)
    with pytest.raises(NotEnoughError, match=r"None of the 3 row\(s\) holds both .* Record both readings"):
        clients_change(rows)


def test_better_must_be_one_of_two_words() -> None:
    with pytest.raises(ToolkitError, match="write 'higher' or 'lower'"):
        clients_change(clinic(1, 3), better="up")
