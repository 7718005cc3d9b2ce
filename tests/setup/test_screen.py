"""What stands on the screen: it fits 80 columns, loses nothing, and names commands as they are typed."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toolkit.commands import screen
from toolkit.result import Result

words = st.lists(st.text(alphabet="abcdefgh", min_size=1, max_size=12), min_size=1, max_size=40).map(" ".join)


@given(words)
def test_a_line_is_folded_to_80_columns_and_loses_no_word(line):
    out = screen.folded(line)
    assert max(map(len, out.split("\n"))) <= 80
    assert out.split() == line.split()


def test_a_path_is_never_broken():
    path = "/a/" + "very-long-name/" * 9 + "report.html"
    assert path in screen.folded(f"The report: {path}").split()


@given(st.lists(st.tuples(words, words, st.integers(0, 10**6)), min_size=1, max_size=5))
def test_a_table_fits_and_holds_every_cell(rows):
    frame = pd.DataFrame(rows, columns=["question", "answer", "clients"])
    out = screen.table_lines(frame)
    assert max(map(len, out.split("\n"))) <= 80
    letters = sorted(out.replace(" ", "").replace("\n", ""))
    wanted = sorted("questionanswerclients" + "".join(f"{a}{b}{c}".replace(" ", "") for a, b, c in rows))
    assert letters == wanted


def test_a_frame_of_many_columns_becomes_a_block_a_row():
    frame = pd.DataFrame([{f"number_{place}": place + 0.5 for place in range(20)}] * 2)
    out = screen.table_lines(frame)
    assert max(map(len, out.split("\n"))) <= 80
    assert out.count("number 19: 19.5") == 2


def test_a_result_is_its_sentence_its_table_and_its_notes():
    result = Result.of([{"what": "mean change", "estimate": 3.0, "unit": "deg"}], says="3 degrees.", notes=("A note.",))
    out = screen.fitted(result)
    assert out.startswith("3 degrees.")
    assert "mean change" in out
    assert out.endswith("A note.")


@pytest.mark.parametrize(
    ("given_as", "shown"), [("python3 start.py", "python3 start.py audit"), ("", "session-outcomes audit")]
)
def test_a_command_is_named_as_its_user_types_it(monkeypatch, given_as, shown):
    monkeypatch.setenv(screen.TYPED_AS, given_as)
    assert screen.typed("audit") == shown
