"""What the notebook on published analyses shows: data drawn with words, lines to copy, a sheet begun."""

import pytest

from toolkit.notebook import replication
from toolkit.replicating import read_sheet, replicate, shipped_sheets

SHEETS = {path.parent.name: path for path in shipped_sheets()}


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("sleep_drugs", "10 people, a line each"),
        ("two_methods", "30 pairs: the differences have mean -27.2"),
        ("pain_threshold", "19 values in 4 groups"),
        ("base_running", "22 lines, one a player"),
        ("acid_within_people", "points, correlation"),
        ("wine_judges", "lines, one a wine"),
    ],
)
def test_readings_are_drawn_and_described(name, says):
    figure = replication.draw_sheet(read_sheet(SHEETS[name]))
    assert says in figure.get_label()


def test_printed_figures_alone_are_said_not_drawn():
    assert "no single readings" in replication.draw_sheet(read_sheet(SHEETS["shoulder_trial"])).text
    assert "gives none" in replication.sheet_data(read_sheet(SHEETS["shoulder_trial"])).text


def test_the_lines_of_an_analysis_stand_once():
    text = replication.library_lines(read_sheet(SHEETS["sleep_drugs"])).text
    assert text.count("pingouin.ttest") == 1


def test_printed_and_recomputed_stand_beside_the_library():
    shown = replication.beside(replicate(SHEETS["sleep_drugs"]))
    assert {"printed", "recomputed", "library"} <= set(shown.columns)


def test_a_sheet_is_begun_or_it_is_said_what_is_lacking(tmp_path):
    assert "name the data file" in replication.begin_sheet("paired_t").text
    assert 'title = "Bending"' in replication.begin_sheet("p_of_statistic", title="Bending").text
