"""The drawn order: balanced, sealed, and not to be guessed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from toolkit.errors import SheetError
from toolkit.planning.opened_lines import note_opened, opened_lines
from toolkit.planning.order_schedule import (
    draw_orders,
    drawn_words,
    open_order,
    opened,
    seal,
    season_of_two,
)

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
    assert opened(seal(drawn, key=KEY, season="spring"), key=KEY)["order"].tolist() == drawn["order"].tolist()


def hidden(sealed):
    return sealed["seal"].str[32:34] == "01"


def test_seals_tell_nothing_about_the_order_without_the_key():
    drawn = draw_orders([f"c{k}" for k in range(200)], sessions=10, rng=1)
    first = hidden(seal(drawn, key=KEY, season="spring"))
    table = np.array(
        [[(first & (drawn["order"] == o)).sum(), (~first & (drawn["order"] == o)).sum()] for o in set(drawn["order"])]
    )
    assert stats.chi2_contingency(table).pvalue > 0.001


@pytest.mark.parametrize("label", ["spring", "autumn"])
def test_last_seasons_opened_orders_tell_nothing_about_this_season(label):
    """The same clients and sessions under one key, even one label: what was opened then does not help."""
    last = draw_orders([f"c{k}" for k in range(100)], sessions=10, rng=1)
    this = draw_orders([f"c{k}" for k in range(100)], sessions=10, rng=2)
    then, now = hidden(seal(last, key=KEY, season="spring")), hidden(seal(this, key=KEY, season=label))
    guessed = (last["order"] == "wait_first") ^ then ^ now  # right every time where a draw's cover is used again
    right = int((guessed == (this["order"] == "wait_first")).sum())
    assert stats.binomtest(right, len(this)).pvalue > 0.001


def test_a_changed_line_is_found():
    sealed = seal(draw_orders(["A"], sessions=2, rng=1), key=KEY, season="spring")
    flipped = [s[:32] + ("01" if s[32:34] == "00" else "00") + s[34:] for s in sealed["seal"]]
    for changed in (
        sealed.assign(seal=flipped),
        sealed.assign(season="autumn"),
        sealed.assign(session=[2, 1]),
        sealed.assign(client="B"),
    ):
        with pytest.raises(SheetError, match="does not fit this key"):
            opened(changed, key=KEY)
    with pytest.raises(SheetError, match="does not fit this key"):
        open_order(sealed, client="A", session=1, key=bytes(32))


@pytest.mark.parametrize("text", ["", "01", "zz" * 49, "é" * 98, "ab" * 33, "ab" * 50])
def test_a_damaged_seal_is_said(text):
    sealed = seal(draw_orders(["A"], sessions=1, rng=1), key=KEY, season="spring")
    with pytest.raises(SheetError, match="is damaged"):
        open_order(sealed.assign(seal=text), client="A", session=1, key=KEY)


@pytest.mark.parametrize("bad", [{"clients": []}, {"clients": ["A", "A"]}, {"sessions": 0}, {"block_sizes": (3,)}])
def test_what_cannot_be_drawn_is_said(bad):
    asked = {"clients": ["A"], "sessions": 2, "rng": 1} | bad
    with pytest.raises(SheetError, match=r"each client once|even numbers"):
        draw_orders(asked.pop("clients"), **asked)


def test_lines_are_opened_one_after_the_other_and_noted(tmp_path):
    schedule = tmp_path / "order.csv"
    note_opened(schedule, client="A", session=1)
    with pytest.raises(SheetError, match="Session 2 of client A was not opened yet"):
        note_opened(schedule, client="A", session=3)
    note_opened(schedule, client="A", session=2)
    note_opened(schedule, client="A", session=1)
    assert [(one["client"], one["session"]) for one in opened_lines(schedule)] == [("A", 1), ("A", 2)]


@pytest.mark.parametrize("text", ["", "[]", '{"format": "opened/1", "lines": [1]}', '{"format": "x", "lines": []}'])
def test_a_damaged_log_of_opened_lines_is_said(tmp_path, text):
    (tmp_path / "order.opened.json").write_text(text, encoding="utf-8")
    with pytest.raises(SheetError, match="is damaged"):
        opened_lines(tmp_path / "order.csv")


def test_nothing_is_opened_where_it_cannot_be_noted(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("toolkit.writing._to_disk", full)
    with pytest.raises(SheetError, match="Nothing was opened"):
        note_opened(tmp_path / "order.csv", client="A", session=1)


def test_one_of_two_protocols_is_drawn_and_cannot_be_swapped_afterwards():
    season = season_of_two("spring", ("long_hold", "short_hold"))
    key = b"K" * 32
    sealed = seal(draw_orders(["A"], sessions=4, rng=3, block_sizes=(2,)), key=key, season=season)
    words = [drawn_words(season, order) for order in opened(sealed, key=key)["order"]]
    assert sorted(words) == ["long_hold", "long_hold", "short_hold", "short_hold"]
    swapped = sealed.assign(season=season_of_two("spring", ("short_hold", "long_hold")))
    with pytest.raises(SheetError, match="does not fit this key"):
        opened(swapped, key=key)


@pytest.mark.parametrize("between", [("a", "a"), ("a", ""), ("a|b", "c")])
def test_two_protocols_that_are_none_are_refused(between):
    with pytest.raises(SheetError, match="two different protocols"):
        season_of_two("spring", between)
