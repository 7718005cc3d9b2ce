"""The report in a real browser: no accessibility violation, no sideways scrolling, nothing fetched."""

import copy
import shutil

import pytest

from toolkit.present.report import write_report

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.browser, pytest.mark.skipif(BROWSER is None, reason="no Chromium on this computer")]


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def address(example, plot_data, tmp_path_factory):
    findings, where = copy.deepcopy(example), tmp_path_factory.mktemp("report")
    for place in range(5):
        more = copy.deepcopy(findings["findings"][place % 3])
        more["id"] += f"|{place}"
        findings["findings"].append(more)
    write_report(findings, where, plot_data=plot_data)
    return (where / "report.html").as_uri()


@pytest.mark.parametrize("width", [1200, 360])
def test_the_page_fits_and_has_no_accessibility_violation(browser, address, width):
    from axe_playwright_python.sync_playwright import Axe

    page = browser.new_page(viewport={"width": width, "height": 800})
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    page.evaluate("document.querySelectorAll('details').forEach(part => part.open = true)")
    wrong = [(found["id"], found["nodes"][0]["html"][:90]) for found in Axe().run(page).response["violations"]]
    assert wrong == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert asked == [address]


def test_letters_on_a_phone_are_large_enough(browser, address):
    page = browser.new_page(viewport={"width": 360, "height": 800})
    page.goto(address)
    heights = page.evaluate(
        "[...document.querySelectorAll('.phone svg text')].map(text => text.getBoundingClientRect().height)"
    )
    assert heights
    assert min(heights) >= 10


def test_print_unfolds_the_details(browser, address):
    page = browser.new_page(viewport={"width": 700, "height": 900})
    page.goto(address)
    page.emulate_media(media="print")
    assert page.evaluate("document.querySelector('details table').getBoundingClientRect().height") > 50
