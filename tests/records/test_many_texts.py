"""Columns whose texts nearly all differ stay Arrow's: the records are the same as with every text a Python one."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from toolkit.errors import ToolkitError
from toolkit.records import arrow_texts
from toolkit.records.arrow_texts import encoded
from toolkit.records.records import load_records
from toolkit.records.separated import split_text
from toolkit.records.texts import cleaned_column, first_texts, is_empty, longest, plain_strings, stack

ALL_PYTHON, ALL_ARROW = 10**9, 0
SAME = ["percussive_release", "cervical_rotation", "left", "deg"]
HEADER = ["session_id", "client", "date", "region", "treated_side", "intervention", "measure", "measured_side", "unit"]
HEADER += ["before", "after"]
ODD = (
    "",
    " ",
    "\t",
    "n/a",
    "same",
    "35*",
    "3,5",
    "S1",
    "s1 ",
    "k 1",
    "é",
    "\u3000",
    "x" * 70,
    "two\nlines",
    'a "b"',
    "a,b",
)


def ugly_text(rng: np.random.Generator) -> str:
    """A small export in which cells, lines and quotation marks are odd here and there."""
    rows = int(rng.integers(1, 30))
    ids = [f"S{place}" for place in range(rows)] if rng.random() < 0.7 else [f"S{place // 2}" for place in range(rows)]
    cells = []
    for place in range(rows):
        about = [ids[place], f"K{place % 5}", f"2026-03-{place % 28 + 1:02d}", "upper_trapezius"]
        readings = [str(rng.integers(30, 80)), str(rng.integers(30, 80))]
        cells.append([*about, str(rng.choice(["left", "right"])), *SAME, *readings])
    for _ in range(int(rng.integers(0, 6))):
        cells[int(rng.integers(rows))][int(rng.integers(len(HEADER)))] = str(rng.choice(ODD))
    for change in (cells[0], HEADER, [""] * len(HEADER)):
        if rng.random() < 0.15:
            cells.insert(int(rng.integers(len(cells) + 1)), list(change))
    if rng.random() < 0.2:
        cells[-1] = cells[-1][:4] if rng.random() < 0.5 else [*cells[-1], "more", ""]
    out = io.StringIO()
    quoting = csv.QUOTE_ALL if rng.random() < 0.2 else csv.QUOTE_MINIMAL
    csv.writer(out, quoting=quoting, lineterminator="\n").writerows([HEADER, *cells])
    return out.getvalue()


def read(path: Path, monkeypatch: pytest.MonkeyPatch, many: int) -> tuple[list[pd.DataFrame], object] | str:
    """Everything that is read of a file, or the words of the refusal."""
    monkeypatch.setattr(arrow_texts, "MANY", many)
    try:
        records = load_records(path)
    except ToolkitError as refusal:
        return str(refusal)
    source = records.source
    frames = [records.rows, records.set_aside, records.flags, records.lost, records.sites, source.files]
    return frames, (source.rows_read, source.readings_read, repr(records.mapping))


def test_records_do_not_depend_on_how_texts_are_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng, path, refused = np.random.default_rng(5), tmp_path / "export.csv", 0
    for _ in range(40):
        path.write_text(ugly_text(rng), encoding="utf-8")
        python, arrow = (read(path, monkeypatch, many) for many in (ALL_PYTHON, ALL_ARROW))
        if isinstance(python, str) or isinstance(arrow, str):
            assert python == arrow
            refused += 1
            continue
        assert python[1] == arrow[1]
        for one, other in zip(python[0], arrow[0], strict=True):
            pd.testing.assert_frame_equal(one, other)
    assert refused < 20


def test_cells_are_those_of_the_standard_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    for round_ in range(300):
        text = ugly_text(rng)
        monkeypatch.setattr(arrow_texts, "MANY", ALL_ARROW if round_ % 2 else ALL_PYTHON)
        lines = list(csv.reader(io.StringIO(text, newline="")))
        found = split_text(text.encode(), file="a.csv")
        fit = [line for line in lines[1:] if len(line) == len(HEADER) and any(map(str.strip, line))]
        assert found.cells.astype(str).to_numpy(dtype=object).tolist() == fit
        assert len(found.rows) == len(fit)
        assert found.rows_blank + len(found.broken) == len(lines) - 1 - len(fit)


@pytest.mark.parametrize("longest_text", [3, 9, 20, 90])
def test_texts_are_told_apart_as_a_set_tells_them(longest_text: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrow_texts, "MANY", ALL_ARROW)
    monkeypatch.setattr(arrow_texts, "_BLOCK", 7)
    monkeypatch.setattr(arrow_texts, "_TRIED", 1)
    rng = np.random.default_rng(longest_text)
    alike = 0
    for _ in range(200):
        rows = int(rng.integers(1, 40))
        texts = ["".join(rng.choice(list("abé "), rng.integers(0, longest_text))) for _ in range(rows)]
        if rng.random() < 0.5:
            texts = [f"{place}{text}" for place, text in enumerate(texts)]
        before = pa.array(["in front", *texts])
        column = encoded(pa.chunked_array([before, before.slice(1)]).slice(1))
        assert column.astype(object).tolist() == [*texts, *texts]
        column = encoded(pa.chunked_array([before]).slice(1))
        assert column.astype(object).tolist() == texts
        assert column.categories.tolist() == list(dict.fromkeys(texts))
        alike += len(set(texts)) < len(texts)
    assert alike > 10 or longest_text > 20


def test_the_same_text_of_another_place_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arrow_texts, "MANY", ALL_ARROW)
    texts = [f"S{place:05d}" for place in range(3_000)]
    assert len(encoded(pa.chunked_array([texts])).categories) == 3_000
    assert len(encoded(pa.chunked_array([[*texts, texts[7]]])).categories) == 3_000


@pytest.mark.parametrize("texts", [["a", "", "bb"], ["a", " ", "\u3000", "b\u3000", ""], ["x y", "z"], ["é", "a"], []])
def test_what_is_asked_of_a_column_is_the_same_either_way(texts: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    found = []
    for many in (ALL_PYTHON, ALL_ARROW):
        monkeypatch.setattr(arrow_texts, "MANY", many)
        column = pd.Series(encoded(pa.chunked_array([pa.array([*texts, *texts[:1]], pa.string())])))
        clean = pd.Series(cleaned_column(column))
        told = [is_empty(column).tolist(), is_empty(column, spaces=True).tolist(), first_texts(column, 2)]
        strings = [plain_strings(one).tolist() for one in (column, clean)]
        found.append([*told, longest(column), *strings, plain_strings(column).dtype])
    assert found[0] == found[1]
    assert found[0][0] == [not text for text in [*texts, *texts[:1]]]
    assert found[0][1] == [not text.strip() for text in [*texts, *texts[:1]]]


def test_python_and_arrow_texts_stand_below_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    parts = []
    for many in (ALL_PYTHON, ALL_ARROW):
        monkeypatch.setattr(arrow_texts, "MANY", many)
        parts.append(pd.DataFrame({"session_id": encoded(pa.chunked_array([["a", "b", "a"]]))}))
    assert stack(parts)["session_id"].astype(object).tolist() == ["a", "b", "a", "a", "b", "a"]
