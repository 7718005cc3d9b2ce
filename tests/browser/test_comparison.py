"""A comparison's page, and the page of pooled summaries, as a clinic's owner meets them: desk, phone, screen reader."""

import pytest

from tests.browser import pages
from toolkit.comparing.compare import compare
from toolkit.looks.words import sentence
from toolkit.resources import demo

SIZES = {"desktop": pages.DESKTOP, "phone": pages.PHONE}


@pytest.fixture(scope="module")
def found():
    """Three demo sites, compared."""
    return compare(
        demo("three_sites"),
        measure="ankle_dorsiflexion_lunge",
        between=("long_hold", "short_hold"),
        smallest_change_that_matters=3.0,
    )


@pytest.fixture(scope="module")
def page_alone(found, tmp_path_factory):
    """The address of the page, moved away from its tables: it must stand alone."""
    written = found.write(tmp_path_factory.mktemp("comparison") / "three")
    return written.rename(tmp_path_factory.mktemp("alone") / "comparison.html").as_uri()


@pytest.fixture(scope="module", params=SIZES)
def visit(request, chromium, page_alone, artefacts):
    with pages.opened(chromium, page_alone, SIZES[request.param]) as visit:
        visit.page.screenshot(path=artefacts / f"comparison-{request.param}.png", full_page=True)
        yield visit


def test_the_page_asks_nothing_of_the_network(visit):
    assert visit.outside == []
    assert visit.complaints == []


def test_the_page_has_no_serious_barrier(visit):
    assert pages.barriers(visit.page) == []


def test_the_page_fits_the_window(visit):
    assert pages.overflowing(visit.page) == []


def test_the_answer_and_the_readings_can_be_read_in_this_order(visit, found):
    text = " ".join(visit.page.locator("body").inner_text().split())
    said = sentence(found.sentence())
    assert said in text
    assert text.index(said) < text.index("The readings first") < text.index("Site by site")
