"""Each notebook in JupyterLab, as its reader uses it: open, run all, look, turn the dials, with no network.

A notebook is opened once; the tests look at it in the order in which they stand here, the dials last.
"""

from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests.browser import jupyter, pages
from toolkit import resources

NOTEBOOKS = sorted(path.name for path in resources.notebook_folder().glob("*.ipynb"))


@pytest.fixture(scope="module", params=NOTEBOOKS)
def visit(request, lab, chromium, artefacts):
    """One notebook, opened, run and scrolled through; a screenshot is left."""
    with pages.opened(chromium, lab.url(request.param), pages.DESKTOP) as visit:
        jupyter.run_all(visit.page, seconds=600 if "9_a_registry" in request.param else 240)  # 200 exports are read
        jupyter.scroll_through(visit.page)
        jupyter.picture(visit.page, artefacts / f"{Path(request.param).stem}.png")
        yield visit


def test_every_cell_ran_and_none_failed_or_warned(visit):
    assert jupyter.failures(visit.page) == []
    assert jupyter.cells_not_run(visit.page) == []


def test_its_figures_or_else_its_tables_are_drawn(visit):
    tables = visit.page.locator(f"{jupyter.OUTPUTS} table").count()
    only_tables = "7_replicate" in visit.page.url  # a replication shows figures as numbers in tables
    assert (tables if only_tables else jupyter.drawn_figures(visit.page)) >= 1


def test_what_it_shows_has_no_serious_barrier(visit):
    assert pages.barriers(visit.page, within=jupyter.OUTPUTS) == []


def test_its_lists_boxes_and_dials_compute_anew_what_stands_below_them(visit, artefacts):
    turned = jupyter.turn_every_dial(visit.page)
    jupyter.picture(visit.page, artefacts / f"{Path(urlsplit(visit.page.url).path).stem}-turned.png")
    assert len(turned) >= (0 if "8_for_those" in visit.page.url else 1)
    assert jupyter.failures(visit.page) == []
    assert visit.page.locator(jupyter.OUT_OF_DATE).count() == 0


def test_it_asked_nothing_of_the_network(visit):
    assert visit.outside == []
