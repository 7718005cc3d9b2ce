"""The adjustment steps, as data: what stands where, in which words."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toolkit.errors import ToolkitError
from toolkit.looks.figures import NARROW, WIDE, alt_text_steps, steps_figure
from toolkit.looks.steps_and_forest import shift_words

BASELINE = Path(__file__).parent / "images" / "steps.png"
widths = pytest.mark.parametrize("width", [WIDE, NARROW])


def points(figure):
    """x of each estimate that is drawn, by the step's name."""
    lines = [line for line in figure.axes[0].lines if line.get_marker() in ("s", "o", "D")]
    return {line.get_label(): float(line.get_xdata()[0]) for line in lines}


def said(figure):
    return [text.get_text() for text in figure.axes[0].texts]


@widths
def test_every_estimate_stands_where_its_number_says(steps, width):
    found = points(steps_figure(steps, unit="deg", width=width))
    assert list(found.values()) == [5.9, 4.3, 3.0]


@widths
def test_the_intervals_end_where_their_numbers_say(steps, width):
    axes = steps_figure(steps, unit="deg", width=width).axes[0]
    spans = [tuple(line.get_xdata()) for line in axes.lines if line.get_solid_capstyle() == "butt"]
    assert spans == [(5.5, 6.3), (3.4, 5.2), (1.7, 4.3)]


@widths
def test_the_usual_answer_is_on_top_and_what_is_left_at_the_foot(steps, width):
    axes = steps_figure(steps, unit="deg", width=width).axes[0]
    heights = [line.get_ydata()[0] for line in axes.lines if line.get_marker() in ("s", "o", "D")]
    assert axes.yaxis_inverted()
    assert heights == sorted(heights)


@widths
def test_zero_and_the_smallest_change_that_matters_are_marked(steps, width):
    figure = steps_figure(steps, unit="deg", smallest_change=5.0, width=width)
    marks = {line.get_label(): line.get_xdata()[0] for line in figure.axes[0].lines}
    assert (marks["no change"], marks["smallest change that matters: 5°"]) == (0.0, 5.0)


@widths
def test_zero_is_inside_the_axis_even_when_no_estimate_is_near(steps, width):
    low, high = steps_figure(steps, unit="deg", width=width).axes[0].get_xlim()
    assert low < 0 < high


@widths
def test_a_step_without_estimate_says_so_in_words(steps, width):
    figure = steps_figure(steps.assign(estimate=[5.9, 4.3, np.nan]), unit="deg", width=width)
    assert "not estimated" in said(figure)
    assert len(points(figure)) == 2


@widths
def test_no_words_stand_outside_the_figure(steps, width):
    long = steps.assign(says="a reason that goes on and on, as reasons do, until nobody listens any more " * 2)
    figure = steps_figure(long, unit="deg", smallest_change=5.0, width=width)
    edges = [text.get_window_extent() for text in figure.axes[0].texts]
    page = figure.bbox
    assert all(page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1 for box in edges)


@widths
def test_no_two_lines_of_words_overlap(steps, width):
    figure = steps_figure(steps, unit="deg", smallest_change=5.0, width=width)
    boxes = [text.get_window_extent().shrunk(0.98, 0.75) for text in figure.axes[0].texts]
    assert not any(one.overlaps(other) for place, one in enumerate(boxes) for other in boxes[place + 1 :])


def test_a_sign_is_drawn_in_percentage_points(steps):
    signs = steps.assign(estimate=[0.3, 0.2, 0.1], ci_low=0.05, ci_high=0.4)
    figure = steps_figure(signs, unit="yes_no")
    assert list(points(figure).values()) == pytest.approx([30, 20, 10])


def test_each_step_says_what_it_changed(steps):
    assert shift_words(steps, 1, "deg") == "Takes away 1.6°."


def test_a_step_after_a_gap_is_compared_with_the_last_estimate(steps):
    assert shift_words(steps.assign(estimate=[5.9, None, 3.0]), 2, "deg") == "Takes away 2.9°."


def test_an_endless_interval_ends_in_an_arrow(steps):
    axes = steps_figure(steps.assign(ci_low=[5.5, 3.4, -np.inf]), unit="deg").axes[0]
    assert [line.get_marker() for line in axes.lines].count("<") == 1


def test_a_missing_column_is_named(steps):
    with pytest.raises(ToolkitError, match=r"The adjustment steps needs the column\(s\) ci_low"):
        steps_figure(steps.drop(columns="ci_low"), unit="deg")


def test_no_steps_give_a_sentence(steps):
    assert said(steps_figure(steps.head(0), unit="deg")) == ["No adjustment steps: there were no readings to show."]


numbers = st.one_of(st.none(), st.floats(-1e6, 1e6))


@settings(max_examples=25)
@given(
    st.lists(st.tuples(st.text(max_size=60), numbers, numbers, numbers, st.text(max_size=90)), min_size=1, max_size=6)
)
def test_whatever_comes_is_drawn_and_told(rows):
    frame = pd.DataFrame(rows, columns=["step", "estimate", "ci_low", "ci_high", "says"])
    figure = steps_figure(frame, unit="deg", width=NARROW)
    drawn = sum(value is not None for value in frame["estimate"].astype(object).where(frame["estimate"].notna(), None))
    assert len([line for line in figure.axes[0].lines if line.get_marker() in ("s", "o", "D")]) == drawn
    assert (
        alt_text_steps(frame, unit="deg").count("95 % interval")
        + alt_text_steps(frame, unit="deg").count("no interval")
        >= drawn
    )


def test_the_alternative_text_holds_every_number(steps):
    assert alt_text_steps(steps, unit="deg", smallest_change=5.0) == (
        "3 adjustment steps, from the usual answer to what is left. "
        "1: after minus before: +5.9° (95 % interval +5.5 to +6.3°). "
        "2: clients count once: +4.3° (95 % interval +3.4 to +5.2°). "
        "3: compared with waiting: +3.0° (95 % interval +1.7 to +4.3°). Smallest change that matters: 5°."
    )


def test_the_adjustment_steps_looks_as_it_did(steps, tmp_path):
    from matplotlib.testing.compare import compare_images

    assert BASELINE.exists(), "the picture to compare with is part of the project"
    drawn = tmp_path / "steps.png"
    steps_figure(steps, unit="deg", smallest_change=5.0).savefig(drawn, dpi=80, metadata={"Software": None})
    assert compare_images(str(BASELINE), str(drawn), tol=8) is None
