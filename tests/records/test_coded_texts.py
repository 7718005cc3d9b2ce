"""Columns of repeated texts: by their codes they say what they say as texts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from toolkit.records.coded_texts import (
    among,
    as_texts,
    below_each_other,
    by_frequency,
    each_once,
    first_of_each,
    n_within,
    repeated,
    running_numbers,
    same_texts,
    with_categories,
    written,
)

WORDS = ["b", "", "a", "c", "a", "ä"]


def frames(n=200, seed=1):
    """Rows of words, as texts and as categories; the second with words of its own."""
    rng = np.random.default_rng(seed)
    one = pd.DataFrame({"client": rng.choice(WORDS, n), "visit": rng.integers(0, 4, n)})
    return one.astype({"client": "str"}), one.assign(client=one["client"].replace("c", "zz")).astype({"client": "str"})


def test_categories_stand_in_the_order_of_the_alphabet_and_numbers_stay():
    frame = with_categories(frames()[0])
    assert frame["client"].cat.categories.tolist() == ["", "a", "b", "c", "ä"]
    assert frame["visit"].dtype == np.int64
    assert as_texts(frame["client"]).dtype == frame["client"].dtype


@pytest.mark.parametrize("coded", [(False, False), (True, True), (True, False), (False, True)])
def test_texts_and_categories_are_compared_alike(coded):
    one, other = frames(seed=1)[0], frames(seed=2)[1]
    columns = [
        with_categories(frame)["client"] if code else frame["client"]
        for code, frame in zip(coded, (one, other), strict=True)
    ]
    plain = one["client"].tolist(), other["client"].tolist()
    assert same_texts(*columns).tolist() == [a == b for a, b in zip(*plain, strict=True)]
    few = columns[1][columns[1] != "a"]
    assert among(columns[0], few).tolist() == [word in set(plain[1]) - {"a"} for word in plain[0]]


def test_among_a_missing_text_is_not_held():
    column = pd.Series(["a", None], dtype="str").astype("category")
    assert among(column, pd.Series(["a", "b"], dtype="category")).tolist() == [True, False]


@pytest.mark.parametrize("coded", [False, True])
def test_rows_are_counted_and_kept_once(coded):
    frame = with_categories(frames()[0]) if coded else frames()[0]
    plain = frames()[0]
    assert repeated(frame, ["client", "visit"])
    assert not repeated(frame.iloc[:1], ["client"])
    assert each_once(frame).astype({"client": "str"}).equals(plain.drop_duplicates())
    assert first_of_each(frame, ["visit"]).index.tolist() == plain.drop_duplicates("visit").index.tolist()
    assert by_frequency(frame["client"]) == plain["client"].value_counts().index.tolist()
    expected = plain.groupby("visit")["client"].transform("nunique")
    assert n_within(frame["client"], frame["visit"]).tolist() == expected.tolist()


def test_rows_that_differ_in_a_later_column_are_no_repeats():
    assert not repeated(pd.DataFrame({"client": ["a", "a"], "arm": [0, 1]}), ["client", "arm"])


@pytest.mark.parametrize("which", [(True, True), (True, False), (False, True)])
def test_frames_below_each_other_say_what_they_said(which):
    one, other = frames(seed=1)[0], frames(60, seed=2)[1].assign(client=lambda r: r["client"].where(r.index != 2))
    given = [with_categories(frame) if code else frame for code, frame in zip(which, (one, other), strict=True)]
    found = below_each_other(given)
    plain = pd.concat([one, other], ignore_index=True)
    assert isinstance(found["client"].dtype, pd.CategoricalDtype)
    assert found["client"].cat.categories.tolist() == sorted(set(plain["client"].dropna()))
    assert found["client"].astype("str").equals(plain["client"])
    assert found.index.tolist() == list(range(260))


def test_frames_without_rows_leave_the_other_alone():
    one = with_categories(frames()[0])
    assert below_each_other([one.iloc[:0], one]).equals(one)
    assert below_each_other([one.iloc[:0]]).empty


def test_categories_of_a_frame_without_new_words_are_kept():
    one = with_categories(frames()[0])
    found = below_each_other([one, pd.DataFrame({"client": ["a"], "visit": [1]})])
    assert found["client"].cat.categories is one["client"].cat.categories


@pytest.mark.parametrize(
    ("text", "digits", "before", "only_signs", "number"),
    [
        ("S7", 9, 40, False, 7),
        ("S007", 9, 40, False, 7),
        ("A1-12", 9, 40, False, 12),
        ("A1-12", 15, 20, True, -1),  # a digit before
        ("1234567890123", 9, 40, False, 567890123),
        ("1234567890123", 15, 20, True, 1234567890123),
        ("S7b", 9, 40, False, -1),
        ("", 9, 40, False, -1),
        ("x" * 41 + "1", 9, 40, False, -1),
        ("é٣", 9, 40, False, 3),  # an Arabic-Indic three
    ],
)
def test_the_number_at_the_end_is_read(text, digits, before, only_signs, number):
    found = running_numbers(pd.Series([text, "S1"]), digits=digits, before=before, only_signs=only_signs)[1]
    assert found.tolist() == [number, 1]


def test_what_stands_before_a_number_has_a_code_of_its_own():
    ids = pd.concat([pd.Series(["S1", "T2"]), pd.Series(["S3", "x"])], ignore_index=True)
    code, number = running_numbers(with_categories(ids.to_frame("id"))["id"], digits=9, before=40, only_signs=False)
    assert code[0] == code[2] != code[1]
    assert code[3] == -1
    assert number.tolist() == [1, 2, 3, -1]


def test_blank_and_missing_is_not_written():
    assert written(pd.Series(["x", " ", "", "NaN", None, "y"])).tolist() == [True, False, False, False, False, True]
