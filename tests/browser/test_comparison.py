"""A comparison's page, and the page of pooled summaries, as a clinic's owner meets them: desk, phone, screen reader."""

import pytest

from tests.browser import pages
from toolkit.comparing.compare import compare
from toolkit.comparing.pooled import pool
from toolkit.comparing.site_summary import summarise
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


@pytest.fixture(scope="module")
def pooled():
    """The summaries of the three demo sites, pooled."""
    asked = {"measure": "ankle_dorsiflexion_lunge", "intervention": "long_hold", "comparison": "short_hold"}
    names = ("north", "south", "west")
    return pool([summarise(demo("three_sites") / name, question=asked, site=name) for name in names])


@pytest.fixture(scope="module", params=SIZES)
def pooled_visit(request, chromium, pooled, artefacts, tmp_path_factory):
    address = pooled.write(tmp_path_factory.mktemp("pooled") / "out").as_uri()
    with pages.opened(chromium, address, SIZES[request.param]) as visit:
        visit.page.screenshot(path=artefacts / f"pooled-{request.param}.png", full_page=True)
        yield visit


def test_the_pooled_page_asks_nothing_of_the_network_has_no_barrier_and_fits(pooled_visit):
    assert pooled_visit.outside == []
    assert pages.barriers(pooled_visit.page) == []
    assert pages.overflowing(pooled_visit.page) == []


def test_the_pooled_answer_can_be_read(pooled_visit, pooled):
    assert sentence(pooled.sentence()) in " ".join(pooled_visit.page.locator("body").inner_text().split())
