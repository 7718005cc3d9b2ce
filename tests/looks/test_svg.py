"""Figures as text: the same bytes every time, safe to stand side by side on one page."""

import re
import warnings
from concurrent.futures import ThreadPoolExecutor
from xml.etree import ElementTree

import pandas as pd
import pytest

from toolkit.looks.figures import as_svg, as_svg_file, steps_figure

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def drawing(steps):
    return as_svg(steps_figure(steps, unit="deg"), "Title", "Description")


def test_title_and_description_name_the_image(drawing):
    root = ElementTree.fromstring(drawing)
    wanted = root.attrib["aria-labelledby"].split()
    assert [root.find(f"{SVG}title").attrib["id"], root.find(f"{SVG}desc").attrib["id"]] == wanted


def test_text_stays_text(drawing):
    said = [text.text for text in ElementTree.fromstring(drawing).iter(f"{SVG}text")]
    assert "+5.9° (+5.5 to +6.3°)" in said
    assert any("95 % intervals unless said" in text for text in said)


def test_fonts_are_generic(drawing):
    assert set(re.findall(r"font-family: ([^;\"]+)", drawing)) == {"sans-serif"}


def test_the_same_figure_gives_the_same_bytes(steps, drawing):
    assert as_svg(steps_figure(steps, unit="deg"), "Title", "Description") == drawing


def test_threads_give_the_same_bytes(steps, drawing):
    def draw(_):
        return as_svg(steps_figure(steps, unit="deg"), "Title", "Description")

    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(draw, range(8))) == {drawing}


def test_two_figures_on_one_page_share_no_id(steps, drawing):
    other = as_svg(steps_figure(steps, unit="deg"), "Title", "Description", key="second")
    ids = [set(re.findall(r' id="([^"]+)"', text)) for text in (drawing, other)]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_every_reference_inside_a_figure_is_met(drawing):
    ids = set(re.findall(r' id="([^"]+)"', drawing))
    assert set(re.findall(r'(?:url\(#|href="#)([^)"]+)', drawing)) <= ids


def test_nothing_points_outside(drawing):
    assert set(re.findall(r"https?://[^\"]+", drawing)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }


def test_markup_and_formulas_in_the_data_stay_words(steps):
    hostile = steps.assign(step='<script>alert("x")</script> $x^2$ & \x00')
    drawing = as_svg(steps_figure(hostile, unit="deg"), '<b>"t"', "<i>d\x07")
    said = "".join(text.text or "" for text in ElementTree.fromstring(drawing).iter(f"{SVG}text"))
    assert "<script" not in drawing
    assert "<b>" not in drawing
    assert "$x^2$" in said


def test_letters_the_font_lacks_warn_nobody(steps):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "足関節" in as_svg(steps_figure(steps.assign(step="足関節"), unit="deg"), "t", "d")


def test_the_file_is_a_document_of_its_own(steps):
    text = as_svg_file(as_svg(steps_figure(steps, unit="deg"), "Title", "Description"))
    assert ElementTree.fromstring(text.encode()).tag == f"{SVG}svg"


def test_pyplot_is_not_told_of_any_figure(steps):
    import matplotlib.pyplot as plt

    steps_figure(steps, unit="deg")
    assert plt.get_fignums() == []


def test_global_settings_are_left_alone(steps):
    import matplotlib

    before = dict(matplotlib.rcParams)
    as_svg(steps_figure(pd.DataFrame(steps), unit="deg"), "t", "d")
    assert dict(matplotlib.rcParams) == before
