"""The drawn order: balanced, sealed, and not to be guessed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import SheetError
from toolkit.planning.order_schedule import draw_orders, kept_to, open_order, opened, seal

KEY = b"Z" * 32


@given(n=st.integers(1, 30), seed=st.integers(0, 10_000))
def test_no_client_is_ever_far_from_half_and_half(n, seed):
    drawn = draw_orders(["A", "B"], sessions=n, rng=seed)
    waits = drawn.assign(w=drawn["order"] == "wait_first").groupby("client")["w"].cumsum()
    places = drawn["session"]
    assert (abs(waits - (places - waits)) <= 2).all()


@given(n=st.integers(1, 12), seed=st.integers(0, 10_000))
def test_what_is_sealed_opens_to_what_was_drawn(n, seed):
    drawn = draw_orders(["A", "B"], sessions=n, rng=seed)
    assert opened(seal(drawn, key=KEY), key=KEY)["order"].tolist() == drawn["order"].tolist()


def test_seals_tell_nothing_about_the_order_without_the_key():
    drawn = draw_orders([f"c{k}" for k in range(200)], sessions=10, rng=1)
    first = seal(drawn, key=KEY)["seal"].str[:2] == "01"
    table = np.array(
        [[(first & (drawn["order"] == o)).sum(), (~first & (drawn["order"] == o)).sum()] for o in set(drawn["order"])]
    )
    assert stats.chi2_contingency(table).pvalue > 0.001


def test_a_changed_line_is_found():
    sealed = seal(draw_orders(["A"], sessions=2, rng=1), key=KEY)
    flipped = sealed.assign(seal=["00" + sealed["seal"][0][2:], "01" + sealed["seal"][1][2:]])
    with pytest.raises(SheetError, match="does not fit this key"):
        opened(flipped.assign(seal=[("01" if s[:2] == "00" else "00") + s[2:] for s in sealed["seal"]]), key=KEY)
    with pytest.raises(SheetError, match="does not fit this key"):
        open_order(sealed, client="A", session=1, key=bytes(32))


def test_sessions_worked_in_another_order_are_named():
    import pandas as pd

    drawn = draw_orders(["A"], sessions=2, rng=1)
    other = {"technique_first": "wait_first", "wait_first": "technique_first"}[drawn["order"][1]]
    records = pd.DataFrame(
        {"client": ["A", "A"], "session_id": ["a", "b"], "visit": [1, 2], "order": [drawn["order"][0], other]}
    )
    assert kept_to(records, drawn)["session"].tolist() == [2]


@pytest.mark.parametrize("bad", [{"clients": []}, {"clients": ["A", "A"]}, {"sessions": 0}, {"block_sizes": (3,)}])
def test_what_cannot_be_drawn_is_said(bad):
    asked = {"clients": ["A"], "sessions": 2, "rng": 1} | bad
    with pytest.raises(SheetError, match=r"each client once|even numbers"):
        draw_orders(asked.pop("clients"), **asked)
