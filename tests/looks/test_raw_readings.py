"""Raw readings as figures: every reading and client is on the page, panels as asked, words beside it."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import NotEnoughError, ToolkitError
from toolkit.looks.raw_panels import MOST_PANELS
from toolkit.looks.raw_readings import plot_changes, plot_course, plot_readings
from toolkit.looks.style import as_svg

EVERY = (plot_readings, plot_changes, plot_course)


@pytest.fixture(scope="module")
def rows():
    draw = np.random.default_rng(5)
    client = np.repeat([f"C{n}" for n in range(8)], 6)
    before = 30 + draw.normal(0, 3, len(client))
    return pd.DataFrame(
        {
            "client": client,
            "visit": np.tile(np.arange(1, 7), 8),
            "region": np.where(np.arange(len(client)) % 2 == 0, "soleus", "hamstrings"),
            "intervention": np.where(np.arange(len(client)) % 3 == 0, "stretching", "manual_release"),
            "measure": "pain_rating",
            "unit": "points",
            "before": before,
            "after": before - 2 + draw.normal(0, 1, len(client)),
        }
    )


def marks(axes, label):
    """The points of a kind on some axes."""
    return np.vstack([part.get_offsets() for part in axes.collections if part.get_label() == label])


@pytest.mark.parametrize("plot", EVERY)
def test_a_figure_is_not_left_open_and_has_its_words(plot, rows):
    from matplotlib import pyplot

    figure = plot(rows)
    assert pyplot.get_fignums() == []
    assert "pain rating" in figure.get_suptitle()
    assert "48 rows of 8 clients" in figure.get_label()
    assert as_svg(figure, figure.get_suptitle(), figure.get_label()).count("<desc") == 1


def test_readings_have_a_panel_a_region_and_intervention_and_every_reading_in_it(rows):
    figure = plot_readings(rows)
    panels = [axes for axes in figure.axes if axes.get_title("left") or axes.get_title()]
    names = sorted(axes.get_title("left").replace("\n", ", ") for axes in panels)
    assert names == [
        "Hamstrings, Manual release",
        "Hamstrings, Stretching",
        "Soleus, Manual release",
        "Soleus, Stretching",
    ]
    soleus = next(axes for axes in panels if axes.get_title("left") == "Soleus\nManual release")
    mine = rows.query("region == 'soleus' and intervention == 'manual_release'")
    assert sorted(marks(soleus, "sessions")[:, 1]) == pytest.approx(sorted([*mine["before"], *mine["after"]]))
    assert len(marks(soleus, "clients")) == 2 * mine["client"].nunique()


def test_changes_are_second_minus_first_turned_to_better(rows):
    fall = rows["after"] - rows["before"]
    for better, sign in (("higher", 1), ("lower", -1)):
        figure = plot_changes(rows, by=(), better=better)
        assert sorted(marks(figure.axes[0], "sessions")[:, 0]) == pytest.approx(sorted(sign * fall))
        mean = sign * fall.groupby(rows["client"]).mean().mean()
        assert f"{mean:+.1f}".replace("-", "−") in figure.get_label()


def test_changes_of_records_follow_the_codebook():
    from toolkit.records.records import load_records
    from toolkit.simulate import ClinicDials, simulate_clinic

    records = load_records(simulate_clinic(ClinicDials(n_clients=8), rng=1).rows)
    figure = plot_changes(records)
    assert "neck side-bending" in figure.get_suptitle()
    assert figure.axes[-1].get_xlabel() == "Change in °; better is to the right"


def test_a_course_has_a_line_a_client(rows):
    axes = plot_course(rows, by=()).axes[0]
    assert sum(line.get_linewidth() < 1 for line in axes.lines) == rows["client"].nunique()
    thick = [line for line in axes.lines if line.get_linewidth() > 1]
    assert [line.get_ydata()[0] for line in thick] == pytest.approx(
        [rows.loc[rows["visit"] == 1, name].mean() for name in ("before", "after")]
    )


def test_a_mean_stops_where_fewer_than_three_clients_came():
    few = pd.DataFrame(
        {"client": list("ABCAB"), "visit": [1, 1, 1, 2, 2], "before": [1, 2, 3, 4, 5.0], "after": [2, 2, 4, 4, 6.0]}
    )
    thick = [line for line in plot_course(few, by=()).axes[0].lines if line.get_linewidth() > 1]
    assert [list(line.get_xdata()) for line in thick] == [[1], [1]]


def test_what_is_left_out_is_said(rows):
    many = pd.concat([rows.assign(region=f"region_{n}") for n in range(MOST_PANELS + 2)])
    assert f"{MOST_PANELS} of {MOST_PANELS + 2} regions drawn" in plot_readings(many).get_suptitle()


@pytest.mark.parametrize("plot", EVERY)
def test_nothing_to_draw_and_unknown_names_are_said(plot, rows):
    with pytest.raises(NotEnoughError, match="No row holds both"):
        plot(rows.assign(after=np.nan))
    with pytest.raises(ToolkitError, match="no column 'side'"):
        plot(rows, by="side")
    with pytest.raises(ToolkitError, match="no row of the measure 'strength'"):
        plot(rows, measure="strength")


@pytest.mark.parametrize("plot", EVERY)
def test_one_constant_reading_is_drawn_without_complaint(plot):
    one = pd.DataFrame({"client": ["A"], "visit": [1], "before": [3.0], "after": [3.0]})
    assert plot(one, by=()).axes
