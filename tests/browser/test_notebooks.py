"""Each notebook in JupyterLab, as its reader uses it: open, run all, look, turn the dials, with no network."""

from pathlib import Path

import pytest

from tests.browser import jupyter, pages
from toolkit import resources

NOTEBOOKS = sorted(path.name for path in resources.notebook_folder().glob("*.ipynb"))


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_the_notebook_runs_shows_its_figures_and_its_dials_turn(name, lab, chromium, artefacts):
    with pages.opened(chromium, lab.url(name), pages.DESKTOP) as visit:
        page = visit.page
        jupyter.run_all(page)
        jupyter.scroll_through(page)
        page.set_viewport_size({"width": 1280, "height": 2400})
        page.screenshot(path=artefacts / f"{Path(name).stem}.png")
        assert jupyter.failures(page) == []
        assert jupyter.cells_not_run(page) == []
        assert jupyter.drawn_figures(page) >= 1
        before = jupyter.what_is_shown(page)
        turned = jupyter.turn_every_dial(page)
        page.screenshot(path=artefacts / f"{Path(name).stem}-dials.png")
        assert jupyter.failures(page) == []
        assert not turned or jupyter.what_is_shown(page) != before
        assert visit.outside == []


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_what_a_notebook_shows_has_no_serious_barrier(name, lab, chromium):
    with pages.opened(chromium, lab.url(name), pages.DESKTOP) as visit:
        jupyter.run_all(visit.page)
        assert pages.barriers(visit.page, within=f"{jupyter.OUTPUTS} .jp-RenderedHTMLCommon") == []
