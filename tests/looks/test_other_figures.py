"""The other figures, as data: artists, limits, labels, and the words that stand for them."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import ToolkitError
from toolkit.looks import figures
from toolkit.looks.client_plots import MOST_DRAWN
from toolkit.looks.figures import NARROW, WIDE

widths = pytest.mark.parametrize("width", [WIDE, NARROW])


@pytest.fixture
def by_region():
    return pd.DataFrame(
        {
            "region": ["gastrocnemius", "upper_trapezius"],
            "intervention": ["percussive_release", "stretching"],
            "adjusted_mean": [4.1, None],
            "ci_low": [3.0, None],
            "ci_high": [5.2, None],
            "p_holm": [0.0001, None],
        }
    )


@pytest.fixture
def visits():
    return pd.DataFrame({"when": [0, 7, 21], "before": [28.0, 31.0, 33.0], "after": [33.0, 35.0, None]})


@pytest.fixture
def balance():
    return pd.DataFrame(
        {"characteristic": ["before", "visit"], "difference": [0.4, -0.2], "adjusted_difference": [0.03, -0.05]}
    )


@pytest.fixture
def scores():
    return pd.DataFrame({"group": ["a"] * 3 + ["b"] * 2, "score": [0.6, 0.7, 0.8, 0.2, 0.4]})


@pytest.fixture
def curves():
    return pd.DataFrame({"n_clients": [10, 40] * 2, "curve": ["3°", "3°", "1°", "1°"], "power": [0.4, 0.9, 0.1, 0.3]})


@widths
def test_every_client_has_a_line_and_a_point(clients, change, width):
    readings, differences = figures.before_after_figure(clients, change=change, measure="lunge", width=width).axes
    assert len(readings.lines) == 4 + 1
    assert sum(len(points.get_offsets()) for points in differences.collections[:2]) == 4


@widths
def test_sessions_stand_pale_behind_their_clients(clients, change, width):
    sessions = pd.DataFrame({"client": list("aabbcd"), "change": [6.5, 5.5, -2.0, 0.0, 0.25, 5.0]})
    figure = figures.before_after_figure(clients, change=change, measure="lunge", sessions=sessions, width=width)
    parts = {part.get_label(): part for part in figure.axes[1].collections}
    assert sorted(parts["sessions"].get_offsets()[:, 1]) == sorted(sessions["change"])
    assert "distribution" in parts


@widths
def test_the_mean_and_its_interval_stand_at_their_numbers(clients, change, width):
    differences = figures.before_after_figure(clients, change=change, measure="lunge", width=width).axes[1]
    bar = differences.containers[0]
    ends = bar.lines[2][0].get_segments()[0][:, 1]
    assert bar.lines[0].get_ydata()[0] == 2.5
    assert list(ends) == [-3.0, 8.0]


def test_who_got_worse_is_dashed_as_well_as_coloured(clients, change):
    readings = figures.before_after_figure(clients, change=change, measure="lunge").axes[0]
    assert readings.lines[1].get_linestyle() != readings.lines[0].get_linestyle()


def test_clients_beyond_measurement_error_are_filled(clients, change):
    differences = figures.before_after_figure(clients, change=change, measure="lunge").axes[1]
    filled, hollow = differences.collections[:2]
    assert sorted(filled.get_offsets()[:, 1]) == [5.0, 6.0]
    assert len(hollow.get_offsets()) == 2


def test_a_client_without_both_readings_is_neither_drawn_nor_told(clients, change):
    less = clients.assign(second=[36.0, np.nan, 28.0, 46.0])
    assert figures.alt_text_before_after(less, change=change, measure="lunge").startswith(
        "Lunge before and after for 3 clients: 2 changed for the better, 0 for the worse, 1 not at all."
    )


def test_of_very_many_clients_the_title_says_how_many_are_drawn(change):
    n = 1000
    many = pd.DataFrame({"client": range(n), "first": 30.0, "change": np.arange(n) / 100.0, "beyond_mdc": pd.NA})
    many["second"] = many["first"] + many["change"]
    readings = figures.before_after_figure(many, change=change, measure="lunge").axes[0]
    assert readings.get_title(loc="left") == f"Readings of 1\u202f000 clients, {MOST_DRAWN} drawn"


def test_an_interval_without_ends_leaves_the_mean_alone(clients, change):
    endless = dataclasses.replace(change, ci_low=float("nan"), ci_high=float("nan"))
    differences = figures.before_after_figure(clients, change=endless, measure="lunge").axes[1]
    assert differences.containers[0].lines[0].get_ydata()[0] == 2.5


@widths
def test_regions_that_could_not_be_estimated_say_so(by_region, width):
    texts = [text.get_text() for text in figures.forest_figure(by_region, unit="deg", width=width).axes[0].texts]
    assert texts.count("not estimated") >= 1
    assert "p < 0.001 after Holm's correction" in texts


def test_the_forest_in_words_has_one_part_a_row(by_region):
    assert figures.alt_text_forest(by_region, unit="deg").endswith(
        "2 rows. Gastrocnemius, percussive release: +4.1° (95 % interval +3.0 to +5.2°). "
        "Upper trapezius, stretching: not estimated."
    )


@widths
def test_agreement_plots_difference_against_mean(pairs, lines, width):
    axes = figures.agreement_figure(pairs, lines, unit="deg", measure="lunge", width=width).axes[0]
    drawn = axes.collections[0].get_offsets()
    assert np.allclose(drawn, [[30.5, 1.0], [33.5, -1.0], [28.25, 0.5]])


@widths
def test_agreement_draws_each_line_at_its_value(pairs, lines, width):
    axes = figures.agreement_figure(pairs, lines, unit="deg", measure="lunge", width=width).axes[0]
    assert {line.get_ydata()[0] for line in axes.lines} == {0, 0.2, 2.2, -1.9}


def test_pairs_on_the_same_spot_are_one_larger_dot_and_the_clients_are_counted(lines):
    pairs = pd.DataFrame({"client": list("aab"), "first": [30.0, 30.0, 34.0], "second": [31.0, 31.0, 33.0]})
    axes = figures.agreement_figure(pairs, lines, unit="deg", measure="lunge").axes[0]
    one, two = axes.collections[:2]
    assert [dots.get_offsets().tolist() for dots in (one, two)] == [[[33.5, -1.0]], [[30.5, 1.0]]]
    assert one.get_sizes() < two.get_sizes()
    words = figures.alt_text_agreement(pairs, lines, unit="deg", measure="lunge")
    assert "3 pairs of readings of 2 clients" in words


def test_agreement_names_its_lines_on_a_phone_too(pairs, lines):
    axes = figures.agreement_figure(pairs, lines, unit="deg", measure="lunge", width=NARROW).axes[0]
    assert "upper limit of agreement: +2.2°" in axes.get_title(loc="left")


@widths
def test_who_moved_is_counted_in_the_legend(clients, width):
    axes = figures.responders_figure(clients, smallest_detectable=4.4, unit="deg", width=width).axes[0]
    assert [text.get_text() for text in axes.get_legend().get_texts()] == [
        "measurement error of each client",
        "better, beyond measurement error: 2",
        "worse, beyond measurement error: 0",
        "within measurement error: 2",
    ]


def test_of_very_many_who_moved_some_are_drawn_and_all_are_counted():
    many = pd.DataFrame({"client": np.arange(3000).astype(str), "change": np.linspace(-5, 10, 3000)})
    axes = figures.responders_figure(many, smallest_detectable=4.0, unit="deg").axes[0]
    told = [int(text.get_text().rsplit(": ")[-1]) for text in axes.get_legend().get_texts()[1:]]
    better, worse = int((many["change"] > 4).sum()), int((many["change"] < -4).sum())
    assert told == [better, worse, len(many) - better - worse]
    dots = [len(points.get_offsets()) for points in axes.collections]
    assert sum(n for n in dots if n > 1) == 500
    assert axes.get_xlabel() == "Clients, from least to most change (500 of 3000 drawn)"


def test_each_client_is_judged_by_the_own_error(clients):
    own = clients.assign(change=[6.0, -1.0, 0.5, 5.0], threshold=[4.4, 0.9, 4.4, 6.0])
    axes = figures.responders_figure(own, smallest_detectable=6.0, unit="deg").axes[0]
    assert [text.get_text().rsplit(": ")[-1] for text in axes.get_legend().get_texts()[1:]] == ["1", "1", "2"]
    words = figures.alt_text_responders(own, smallest_detectable=6.0, unit="deg")
    assert "1 better by more than measurement error (6° for one session, less for the mean of several)" in words
    assert "1 worse by as much, 2 within it" in words


def test_signs_that_moved_are_drawn_in_percentage_points(clients):
    shares = clients.assign(change=[0.5, 0.1, -0.5, 0.0])
    axes = figures.responders_figure(shares, smallest_detectable=0.3, unit="yes_no").axes[0]
    assert max(abs(point[1]) for dots in axes.collections for point in dots.get_offsets()) == 50.0


def test_groups_of_who_moved_have_shapes_of_their_own(clients):
    axes = figures.responders_figure(clients, smallest_detectable=0.5, unit="deg").axes[0]
    shapes = {points.get_paths()[0].vertices.tobytes() for points in axes.collections if len(points.get_offsets()) > 0}
    assert len(shapes) >= 2


@widths
def test_one_clients_readings_stand_at_their_days(visits, width):
    axes = figures.one_client_figure(visits, unit="deg", measure="lunge", smallest_detectable=4.4, width=width).axes[0]
    before = next(line for line in axes.lines if line.get_label() == "before")
    assert list(before.get_xdata()) == [0, 7, 21]
    assert list(before.get_ydata()) == [28, 31, 33]


def test_one_client_may_come_with_dates(visits):
    dated = visits.assign(when=pd.to_datetime(["2026-01-05", "2026-01-12", "2026-02-02"]))
    axes = figures.one_client_figure(dated, unit="deg", measure="lunge", when_words="Date").axes[0]
    assert axes.get_xlabel() == "Date"


def test_one_client_in_words(visits):
    assert figures.alt_text_one_client(visits, unit="deg", measure="lunge") == (
        "Lunge of one client over 3 visits: first reading 28°, last reading before a session 33°; "
        "the reading after was higher in 2 of 2 sessions."
    )


@widths
def test_balance_draws_both_states_of_each_characteristic(balance, width):
    axes = figures.balance_figure(balance, width=width).axes[0]
    drawn = {line.get_label(): list(line.get_xdata()) for line in axes.lines}
    assert drawn["as is"] == [0.4, -0.2]
    assert drawn["adjusted"] == [0.03, -0.05]


def test_balance_draws_intervals_where_they_are_known(balance):
    rows = balance.drop(columns="adjusted_difference").assign(ci_low=[0.1, None], ci_high=[0.7, None])
    axes = figures.balance_figure(rows).axes[0]
    ends = [segment[:, 0].tolist() for segment in axes.collections[-1].get_segments() if len(segment)]
    assert [0.1, 0.7] in ends
    assert "before +0.40 (95 % interval +0.10 to +0.70); visit −0.20." in figures.alt_text_balance(rows)


def test_balance_in_words_holds_every_number(balance):
    assert "before +0.40, +0.03 after adjusting; visit −0.20, −0.05 after adjusting" in figures.alt_text_balance(
        balance
    )


@widths
def test_overlap_steps_add_up_to_the_whole_group(scores, width):
    axes = figures.overlap_figure(scores, width=width).axes[0]
    assert [sum(steps.get_data().values) for steps in axes.patches] == pytest.approx([1, 1])


def test_overlap_in_words_gives_each_groups_size(scores):
    assert "a (3 rows)" in figures.alt_text_overlap(scores)


@widths
def test_planning_draws_a_curve_for_each_true_change(curves, width):
    axes = figures.planning_figure(curves, width=width).axes[0]
    drawn = {line.get_label(): list(line.get_ydata()) for line in axes.lines}
    assert drawn["3°"] == [0.4, 0.9]
    assert drawn["1°"] == [0.1, 0.3]


def test_planning_in_words_says_when_a_curve_never_gets_there(curves):
    assert figures.alt_text_planning(curves).endswith("3°: reaches 80 % with 40 clients. 1°: does not reach it.")


EMPTY = {
    "before and after": lambda clients, change: figures.before_after_figure(clients, change=change, measure="lunge"),
    "who moved": lambda clients, change: figures.responders_figure(clients, smallest_detectable=4, unit="deg"),
}


@pytest.mark.parametrize("draw", EMPTY.values(), ids=EMPTY.keys())
def test_nothing_to_draw_is_a_sentence(clients, change, draw):
    words = draw(clients.head(0), change).axes[0].texts[0].get_text()
    assert words.startswith("No client has both readings")


LACKING = {
    "before/after figure": lambda frame, change: figures.before_after_figure(frame, change=change, measure="lunge"),
    "figure by region and intervention": lambda frame, change: figures.forest_figure(frame, unit="deg"),
    "agreement figure": lambda frame, change: figures.agreement_figure(frame, frame, unit="deg", measure="lunge"),
    "figure of who moved": lambda frame, change: figures.responders_figure(frame, smallest_detectable=4, unit="deg"),
    "figure of one client": lambda frame, change: figures.one_client_figure(frame, unit="deg", measure="lunge"),
    "balance figure": lambda frame, change: figures.balance_figure(frame),
    "overlap figure": lambda frame, change: figures.overlap_figure(frame),
    "planning figure": lambda frame, change: figures.planning_figure(frame),
}


@pytest.mark.parametrize("name", LACKING)
def test_a_missing_column_is_named(name, change):
    with pytest.raises(ToolkitError, match=rf"The {name} needs the column\(s\)"):
        LACKING[name](pd.DataFrame({"something_else": [1]}), change)
