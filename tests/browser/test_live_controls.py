"""A choice in the first notebook: what stands below follows by itself, old answers marked until new ones stand."""

import pytest

from tests.browser import jupyter, pages

SHOWS_THE_CLAIM = ".jp-CodeCell:has-text('show.claim(found)') .jp-OutputArea"
NOT_BY_HAND = "[...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].map((prompt) => prompt.innerText)"


@pytest.fixture(scope="module")
def page(lab, chromium):
    with pages.opened(chromium, lab.url("1_audit_a_year_of_sessions.ipynb"), pages.DESKTOP) as visit:
        jupyter.run_all(visit.page)
        jupyter.scroll_through(visit.page)
        yield visit.page


def watch_what_is_marked(page):
    """Keep the most cells that were ever marked as out of date at one moment."""
    page.evaluate(
        f"""() => {{
            window.mostMarked = 0;
            new MutationObserver(() => {{
                const now = document.querySelectorAll('{jupyter.OUT_OF_DATE}').length;
                window.mostMarked = Math.max(window.mostMarked, now);
            }}).observe(document.body, {{ childList: true, subtree: true }});
        }}"""
    )


def test_another_measure_gives_another_answer_without_running_a_cell(page):
    numbers = page.evaluate(NOT_BY_HAND)
    watch_what_is_marked(page)
    measures = page.get_by_label("Measure", exact=True)
    wanted = next(name for name in measures.locator("option").all_inner_texts() if "side-bending" in name)
    measures.select_option(label=wanted)
    page.locator(SHOWS_THE_CLAIM, has_text="neck side-bending").wait_for(timeout=60_000)
    jupyter.wait_idle(page)
    assert page.evaluate(NOT_BY_HAND) == numbers
    assert page.evaluate("window.mostMarked") >= 5
    assert page.locator(jupyter.OUT_OF_DATE).count() == 0
    assert jupyter.failures(page) == []


def test_another_size_that_matters_changes_the_question(page):
    box = page.get_by_label("Matters from")
    box.fill("0.5")
    box.press("Enter")
    page.get_by_text("It matters from 0.5° on").first.wait_for(timeout=60_000)
    jupyter.wait_idle(page)
    assert page.locator(jupyter.OUT_OF_DATE).count() == 0


def test_a_guess_stands_beside_the_answer_at_once(page):
    box = page.get_by_label("I expect a change of")
    box.fill("7")
    box.press("Enter")
    page.get_by_text("You expected: 7").wait_for(timeout=30_000)
