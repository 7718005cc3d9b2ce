"""Bounded scales: ranks, counts of better and worse, clients at the end of the scale."""

import pandas as pd
import pytest
from scipy import stats

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.stats.ordinal import scale_change


def _ratings(before: list[float], after: list[float], clients: str = "") -> pd.DataFrame:
    who = list(clients) or [f"c{at}" for at in range(len(before))]
    return pd.DataFrame({"client": who, "before": before, "after": after})


PAIN = _ratings([6, 5, 7, 4, 3, 8, 0, 6], [4, 5, 3, 3, 4, 5, 0, 2])


def test_better_worse_and_unchanged_are_counted_in_the_right_direction() -> None:
    found = scale_change(PAIN, measure="pain_rating", better="lower")
    assert (found.n_better, found.n_worse, found.n_unchanged) == (5, 1, 2)
    assert found.probability.value == pytest.approx(0.75)


def test_the_signed_rank_test_is_scipy_s_permutation_version() -> None:
    found = scale_change(PAIN, measure="pain_rating", better="lower")
    moved = (PAIN["before"] - PAIN["after"])[lambda change: change != 0]
    method = stats.PermutationMethod(n_resamples=10**6)
    assert found.wilcoxon.p == pytest.approx(stats.wilcoxon(moved, method=method).pvalue)


def test_clients_who_could_not_improve_are_counted_and_told() -> None:
    found = scale_change(PAIN, measure="pain_rating", better="lower")
    assert found.at_best == 1
    assert "1 began at the best end" in found.sentence()


def test_all_the_same_is_reported_without_a_rank_biserial() -> None:
    found = scale_change(_ratings([3, 4, 5], [3, 4, 5]), measure="comfort", better="higher")
    assert found.rank_biserial is None
    assert found.wilcoxon.p == 1.0
    assert len(found.table()) == 4


def test_a_rating_beyond_the_scale_is_refused() -> None:
    with pytest.raises(ToolkitError, match=r"1 row\(s\) hold a rating outside 0 to 10"):
        scale_change(_ratings([3, 11], [3, 4]), measure="pain_rating", better="lower")


def test_one_client_is_refused() -> None:
    with pytest.raises(NotEnoughError, match="only one client rated twice"):
        scale_change(_ratings([3, 5], [3, 4], "AA"), measure="pain_rating", better="lower")
