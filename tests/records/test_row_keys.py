"""Rows compared by whole numbers: the same as rows compared by what they say."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from toolkit.records import texts
from toolkit.records.checks import near_clients
from toolkit.records.codebook import load_codebook
from toolkit.records.readings import judge, judge_cells, rulers_of
from toolkit.records.texts import (
    all_differ,
    first_rows,
    from_texts,
    group_codes,
    held_in,
    n_different,
    plain_strings,
    row_keys,
    shared,
)
from toolkit.records.tidy import _visits
from toolkit.records.values import read_numbers


def frame_of(rng: np.random.Generator) -> pd.DataFrame:
    """Rows of which some columns follow from others, some do not, and some cells are missing."""
    rows = int(rng.integers(0, 60))
    session = rng.integers(0, max(int(rng.integers(1, 2 * rows + 2)), 1), rows)
    odd = rng.random(rows) < 0.1
    return pd.DataFrame(
        {
            "session_id": from_texts([f"S{one}" for one in session]),
            "client": from_texts([f"K{one % 5 + two}" for one, two in zip(session, odd, strict=True)]),
            "date": pd.to_datetime("2026-01-01") + pd.to_timedelta(np.where(odd, np.nan, session % 9), "D"),
            "row": rng.integers(-1, 40, rows),
            "before": np.where(rng.random(rows) < 0.2, np.nan, rng.integers(0, 3, rows) / 2),
        }
    )


@pytest.mark.parametrize("dense", [0, 1, 4, 1000])
def test_keys_are_equal_where_rows_are(dense: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(texts, "_DENSE", dense)
    rng, again = np.random.default_rng(dense), 0
    for _ in range(60):
        frame = frame_of(rng)
        names = list(rng.permutation(frame.columns)[: int(rng.integers(1, 6))])
        plain = list(frame[names].astype(object).where(frame[names].notna(), None).itertuples(index=False, name=None))
        numbers = {said: place for place, said in enumerate(dict.fromkeys(plain))}
        expected = np.array([numbers[said] for said in plain], dtype=np.int64)
        keys = row_keys(frame, names)
        assert (pd.factorize(keys)[0] == expected).all()
        assert group_codes(frame, names).tolist() == expected.tolist()
        assert shared(keys).tolist() == [plain.count(said) > 1 for said in plain]
        assert all_differ(keys) == (len(numbers) == len(plain))
        assert n_different(keys) == len(numbers)
        some = keys[rng.random(len(keys)) < 0.3]
        assert held_in(keys, some).tolist() == [key in set(some.tolist()) for key in keys.tolist()]
        assert first_rows(expected).tolist() == [plain.index(said) for said in numbers]
        again += len(numbers) < len(plain)
    assert again > 10


def test_visits_are_numbered_by_client_and_day_then_by_what_they_say() -> None:
    rng = np.random.default_rng(3)
    for round_ in range(60):
        rows, clients = int(rng.integers(1, 40)), int(rng.integers(1, 6))
        day = rng.permutation(100)[:rows] if round_ % 2 else rng.integers(0, 6, rows)
        client = rng.integers(0, clients, rows)
        frame = pd.DataFrame(
            {
                "session_id": from_texts([f"S{place}" for place in range(rows)]),
                "client": from_texts([f"K{one}" for one in client]),
                "date": pd.to_datetime("2026-01-01") + pd.to_timedelta(day, "D"),
                "day": np.nan,
                "visit": np.zeros(rows, dtype=np.int64),
                "before": np.arange(rows) + 20.0,
            }
        )
        found = _visits(frame).to_numpy()
        moved = rng.permutation(rows)
        assert (_visits(frame.iloc[moved].reset_index(drop=True)).to_numpy() == found[moved]).all()
        for one in range(clients):
            mine = client == one
            assert sorted(found[mine].tolist()) == list(range(1, int(mine.sum()) + 1))
            assert (np.diff(day[mine][np.argsort(found[mine])]) >= 0).all()


def test_visits_without_days_keep_the_order_of_the_export() -> None:
    frame = pd.DataFrame(
        {
            "session_id": from_texts(["b", "a", "c", "b"]),
            "client": from_texts(["K1", "K1", "K1", "K1"]),
            "date": pd.to_datetime([None] * 4),
            "day": np.nan,
            "visit": np.zeros(4, dtype=np.int64),
            "before": [3.0, 1.0, 2.0, 4.0],
        }
    )
    assert _visits(frame).tolist() == [1, 2, 3, 1]


def test_many_cells_are_judged_as_each_by_itself() -> None:
    rng, rulers = np.random.default_rng(4), rulers_of(load_codebook())
    cells = ["50", "51.5", "", "35*", "same", "999", "~40 deg", "12 kg", "abc", "300", "45 to 47", "yes", "n/a"]
    column = pd.Series(from_texts(rng.choice(cells, 8_000).tolist()))
    unit = pd.Series(from_texts(rng.choice(["deg", "", "kg"], 8_000).tolist()))
    measure = rng.choice([rulers.names.index(name) for name in ("cervical_rotation", "grip_strength")], 8_000)
    alone = judge(read_numbers(column), measure=measure, unit=unit, rulers=rulers)
    together = judge_cells(column, read=read_numbers, measure=measure, unit=unit, rulers=rulers)
    np.testing.assert_array_equal(together.value, alone.value)
    np.testing.assert_array_equal(together.mark, alone.mark)
    assert together.reasons == alone.reasons
    assert (together.problem == alone.problem).all()
    assert len(set(alone.problem.tolist())) > 4
    said = [[one.units[place] for place in one.written] for one in (together, alone)]
    assert said[0] == said[1]
    assert len(set(said[0])) == 3


def test_names_looked_at_together_are_grouped_as_each_by_itself() -> None:
    rng = np.random.default_rng(5)
    names = ["".join(rng.choice(list("K012( )-aä\nß"), rng.integers(1, 6))) for _ in range(500)]
    names = list(dict.fromkeys(names))
    expected: dict[str, list[str]] = {}
    for name in names:
        bare = re.sub(r"[(\[].*?[)\]]", " ", name.replace("\n", " ")).casefold()
        key = re.sub(r"[^a-z0-9\u00c0-\uffff]", "", re.sub(r"(?<!\d)0+(?=\d)", "", bare))
        expected.setdefault(key or name, []).append(name)
    groups = near_clients(names)
    assert groups == [group for group in expected.values() if len(group) > 1]
    assert len(groups) > 20
    assert near_clients([]) == []


def test_columns_of_one_text_share_what_they_hold() -> None:
    held: dict[tuple[str, int], object] = {}
    one, other = (pd.Series(from_texts(["deg"] * 5)) for _ in range(2))
    first, second = plain_strings(one, held), plain_strings(other, held)
    first.iloc[0] = "kg"
    assert second.tolist() == ["deg"] * 5
    assert len(held) == 1
    assert plain_strings(pd.Series(pd.Categorical(["a", None, "b"]))).tolist() == ["a", "", "b"]
    assert plain_strings(pd.Series(pd.Categorical([None, None]))).tolist() == ["", ""]
