"""The figures of many sites, as data: points, limits, names, and the words that stand for them."""

import numpy as np
import pandas as pd
import pytest

from toolkit.errors import ToolkitError
from toolkit.looks import figures
from toolkit.looks.figures import NARROW, WIDE
from toolkit.looks.site_plots import MOST_NAMED, NOT_WHY

widths = pytest.mark.parametrize("width", [WIDE, NARROW])


@pytest.fixture
def sites():
    return pd.DataFrame(
        {
            "site": ["north", "$south$", "west", "east"],
            "effect": [1.0, 4.5, 3.2, 0.8],
            "se": [0.5, 0.4, 0.6, 0.7],
            "z": [0.0, 5.0, 2.2, -0.2],
            "beyond": [0.0, 99.8, 95.0, 0.0],
            "doubted": [False, False, False, True],
        }
    )


@pytest.fixture
def drift():
    rows = [
        {"panel": panel, "group": group, "year": 2021 + k, "estimate": 1.0 + k, "ci_low": 0.5 + k, "ci_high": 2.0 + k}
        for panel in ("Effect", "Reading error")
        for group in ("phone", "tape")
        for k in range(3)
    ]
    return pd.DataFrame(rows).assign(unit="deg")


def drawn(figure, label):
    return next(line for line in figure.axes[0].get_lines() if str(line.get_label()).startswith(label))


@widths
def test_every_site_is_a_point_and_what_it_is_stands_in_the_key(sites, width):
    figure = figures.funnel_figure(sites, centre=1.0, tau2=0.25, unit="deg", width=width)
    for label, at in (("within", 1.0), ("outside 95", 3.2), ("outside 99.8", 4.5), ("draw doubted", 0.8)):
        assert drawn(figure, label).get_xdata().tolist() == [at]
    looks = {(line.get_marker(), line.get_markerfacecolor()) for line in figure.axes[0].get_lines()[-4:]}
    assert len(looks) == 4
    low, high = sorted(figure.axes[0].get_ylim())
    assert low <= 0.4 < 0.7 <= high


def test_the_limits_hold_the_spread_between_sites(sites):
    figure = figures.funnel_figure(sites, centre=1.0, tau2=0.25, unit="deg")
    for label, quantile in (("95 %", 1.959964), ("99.8 %", 3.090232)):
        line = drawn(figure, label)
        reach = quantile * np.sqrt(np.asarray(line.get_ydata()) ** 2 + 0.25)
        assert np.asarray(line.get_xdata()) == pytest.approx(1.0 + reach, rel=1e-5)


def test_errors_far_apart_are_drawn_by_ratios(sites):
    far = sites.assign(se=[0.1, 0.2, 0.3, 2.0])
    assert figures.funnel_figure(far, centre=1.0, tau2=0.0, unit="deg").axes[0].get_yscale() == "log"
    assert figures.funnel_figure(sites, centre=1.0, tau2=0.0, unit="deg").axes[0].get_yscale() == "linear"


def test_who_stands_out_is_named_as_it_is_written(sites):
    figure = figures.funnel_figure(sites, centre=1.0, tau2=0.25, unit="deg")
    assert sorted(text.get_text() for text in figure.axes[0].texts) == ["$south$", "east"]
    assert not any(text.get_parse_math() for text in figure.axes[0].texts)
    many = pd.concat([sites.iloc[[1]]] * 30).assign(site=[f"s{k}" for k in range(30)])
    assert len(figures.funnel_figure(many, centre=1.0, tau2=0.0, unit="deg").axes[0].texts) == MOST_NAMED


def test_the_funnel_in_words_counts_and_does_not_say_why(sites):
    said = figures.alt_text_funnel(sites, centre=1.0, tau2=0.25, unit="deg")
    assert "4 sites" in said
    assert "2 lie within the 95 % control limits, which hold an SD of 0.5° between sites, 1 between" in said
    assert "1 outside both" in said
    assert "$south$ +4.5°" in said
    assert said.endswith(NOT_WHY)


@widths
def test_each_quantity_has_a_panel_and_each_group_a_line_with_a_shape_of_its_own(drift, width):
    figure = figures.drift_figure(drift, width=width)
    assert [axes.get_title(loc="left") for axes in figure.axes] == ["Effect", "Reading error"]
    for axes in figure.axes:
        points = [container[0] for container in axes.containers]
        assert [line.get_ydata().tolist() for line in points] == [[1.0, 2.0, 3.0]] * 2
        assert len({(line.get_marker(), line.get_linestyle()) for line in points}) == 2
        assert [int(tick) for tick in axes.get_xticks()] == [2021, 2022, 2023]


def test_the_intervals_end_where_they_should(drift):
    bars = figures.drift_figure(drift).axes[0].containers[0][2][0].get_segments()
    assert [segment[:, 1].tolist() for segment in bars] == [[0.5, 2.0], [1.5, 3.0], [2.5, 4.0]]


def test_a_drift_in_words_gives_each_year_of_each_group(drift):
    said = figures.alt_text_drift(drift)
    assert "Effect, phone: 2021: 1.0° (95 % interval 0.5 to 2.0°); 2022" in said
    assert said.count("2023: 3.0°") == 4


@pytest.mark.parametrize("draw", [figures.drift_figure, figures.alt_text_drift])
def test_a_missing_column_of_a_drift_is_named(draw):
    with pytest.raises(ToolkitError, match=r"The drift figure needs the column\(s\)"):
        draw(pd.DataFrame({"something_else": [1]}))


def test_a_missing_column_of_a_funnel_is_named():
    with pytest.raises(ToolkitError, match=r"The funnel needs the column\(s\)"):
        figures.funnel_figure(pd.DataFrame({"something_else": [1]}), centre=0, tau2=0, unit="deg")


def test_nothing_to_draw_of_sites_is_a_sentence(sites, drift):
    funnel = figures.funnel_figure(sites.head(0), centre=0, tau2=0, unit="deg")
    assert "no funnel" in funnel.axes[0].texts[0].get_text()
    assert "two years" in figures.drift_figure(drift.head(0)).axes[0].texts[0].get_text()
