"""The eyes of the notebook tests: they see a failed cell, a failed dial, a figure, and what is missing."""

import pytest

from tests.browser import jupyter, pages


@pytest.fixture
def notebook(lab, chromium):
    """Open one of the small notebooks in `data/` and run it."""
    visits = []

    def run(name):
        visit = pages.opened(chromium, lab.url(name), pages.DESKTOP)
        visits.append(visit)
        page = visit.__enter__().page
        jupyter.run_all(page)
        return page

    yield run
    for visit in visits:
        visit.__exit__(None, None, None)


def test_a_failed_cell_is_seen_and_so_are_the_cells_that_never_ran(notebook):
    page = notebook("fails.ipynb")
    assert [text for text in jupyter.failures(page) if "ZeroDivisionError" in text]
    assert jupyter.cells_not_run(page) == ['never = "reached"']


def test_a_figure_is_counted_once_and_a_dial_changes_what_is_shown(notebook):
    page = notebook("shows.ipynb")
    assert jupyter.failures(page) == []
    assert jupyter.drawn_figures(page) == 1
    assert "left side, 2 minutes" in jupyter.what_is_shown(page)
    assert len(jupyter.turn_every_dial(page)) == 2
    assert "right side, 3 minutes" in jupyter.what_is_shown(page)


def test_a_dial_that_fails_is_seen(notebook):
    page = notebook("dial_fails.ipynb")
    assert jupyter.failures(page) == []
    jupyter.turn_every_dial(page)
    assert [text for text in jupyter.failures(page) if "ZeroDivisionError" in text]
